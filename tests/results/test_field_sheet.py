"""The sheet to measure by: what is expected of a block, in the unit of its meter."""

import csv

import numpy as np
import pypdf
import pytest
import shapely

from farmgis.errors import OutputError
from farmgis.planning.field_check import FLOW_OFF_PCT
from farmgis.records import Plan, Table
from farmgis.results.field_sheet import write_field_sheet


@pytest.mark.parametrize("flow_m3h", [0.749, 1.349, 33.456, 531.7])
def test_expected_flow_of_a_block_is_told_closer_than_it_is_judged(tmp_path, flow_m3h):
    """A block of 0.15 ha as well as of 8 ha: what is rounded away is a tenth of what is looked into."""
    texts = {"point_id": "A-B01-T00", "block_id": "A-B01", "kind": "valve", "lateral_id": None}
    texts |= {"at_submain": None, "at_lateral": None}
    numbers = {"emitter": np.nan, "chainage_m": np.nan, "expected_head_m": 10.0}
    columns = {k: np.array([v], dtype=object) for k, v in texts.items()}
    columns |= {k: np.array([v]) for k, v in (numbers | {"expected_flow_l_h": 1000.0 * flow_m3h}).items()}
    points = Table(columns, shapely.points([[5e5, 5e6]]))
    plan = Plan("Small", "EPSG:32633", {"test_points": points}, (), (), {})
    path = write_field_sheet(tmp_path / "sheet.csv", plan)
    (row,) = csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines())
    assert float(row["expected_flow_m3h"]) == pytest.approx(flow_m3h, rel=FLOW_OFF_PCT / 1000.0)


def points_of(blocks, emitters=32):
    """A valve and emitters in each block, at heads and flows that differ."""
    rows = []
    for block in blocks:
        own = {"block_id": block, "at_submain": "first", "at_lateral": "inlet", "expected_head_m": 10.0}
        valve = {"point_id": f"{block}-T00", "kind": "valve", "lateral_id": None, "emitter": np.nan}
        rows.append(own | valve | {"chainage_m": np.nan, "expected_flow_l_h": 33_456.0})
        for k in range(1, emitters + 1):
            emitter = {"point_id": f"{block}-T{k:02d}", "kind": "emitter", "lateral_id": f"{block}-L007"}
            rows.append(
                own | emitter | {"emitter": k, "chainage_m": 0.4 * k, "expected_flow_l_h": 0.9 + 0.01 * k}
            )
    columns = {k: np.array([r[k] for r in rows], dtype=object) for k in rows[0]}
    return Table(columns, shapely.points([[5e5 + i, 5e6] for i in range(len(rows))]))


def test_a_printed_sheet_has_a_block_a_page_and_the_figures_of_the_csv(tmp_path):
    plan = Plan("Sallow", "EPSG:32633", {"test_points": points_of(["A-B01", "农-B02"])}, (), (), {})
    told = list(csv.DictReader(write_field_sheet(tmp_path / "s.csv", plan).read_text("utf-8").splitlines()))
    pages = pypdf.PdfReader(write_field_sheet(tmp_path / "s.pdf", plan)).pages
    assert len(pages) == 2
    first = pages[0]
    assert [round(float(mm) / 72.0 * 25.4) for mm in first.mediabox[2:]] == [297, 210]
    words = first.extract_text()
    assert "A-B01 · points to measure · Sallow" in words
    assert "33.5 m³/h" in words  # what the block takes, as a meter tells it
    for row in told[1:33]:
        for figure in (row["point_id"].removeprefix("A-B01-"), row["expected_ml_in_60_s"]):
            assert figure in words.split(), row
    assert "L007" in words
    assert "under pressure" in words


def test_a_plan_without_points_has_no_sheet_to_print(tmp_path):
    plan = Plan("Sallow", "EPSG:32633", {"test_points": Table({})}, (), (), {})
    with pytest.raises(OutputError, match="no point to measure"):
        write_field_sheet(tmp_path / "s.pdf", plan)
    assert not (tmp_path / "s.pdf").exists()
