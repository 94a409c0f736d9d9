"""The sheet to measure by: what is expected of a block, in the unit of its meter."""

import csv

import numpy as np
import pytest
import shapely

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
