"""Quantities as CSV and spreadsheet: the layer's rows, the same bytes each time, nothing that runs."""

import csv
import io
import re
import zipfile
from dataclasses import replace
from xml.etree import ElementTree as Xml

import numpy as np
import pytest

from farmgis.errors import OutputError
from farmgis.layers import LAYERS
from farmgis.records import Assumption, Plan, Table
from farmgis.results.quantity_files import spreadsheet, write_quantity_files
from farmgis.results.whole_file import write_whole

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
HOSTILE = '=HYPERLINK("http://x","y")'


def table(layer, **columns):
    given = {c.name: np.array([None, None], dtype=object) for c in LAYERS[layer].columns}
    return Table(given | {k: np.array(v, dtype=object) for k, v in columns.items()})


@pytest.fixture
def plan():
    bought = table(
        "quantities", item=["dripline", HOSTILE], size=["@22", "+1"], unit=["m", "pieces"],
        drawn=[1234.56789, 3.0], to_buy=[2000.0, 4.0], unit_price=[0.1, np.nan],
        cost=[200.0, np.nan], packs=[2, None],
    )  # fmt: skip
    return Plan("A farm & <co>", "EPSG:32633", {"quantities": bought}, (), (), {})


def cells(book, sheet):
    """Each cell's text or number by its name, read with nothing but the standard library."""
    with zipfile.ZipFile(io.BytesIO(book)) as archive:
        strings = Xml.fromstring(archive.read("xl/sharedStrings.xml"))
        texts = ["".join(t.text or "" for t in item.iter(f"{MAIN}t")) for item in strings]
        page = Xml.fromstring(archive.read(f"xl/worksheets/sheet{sheet}.xml"))
    found = {}
    for cell in page.iter(f"{MAIN}c"):
        assert cell.find(f"{MAIN}f") is None, "a formula"
        value = cell.findtext(f"{MAIN}v")
        if value is not None:
            found[cell.get("r")] = texts[int(value)] if cell.get("t") == "s" else float(value)
    return found


def test_spreadsheet_has_the_layers_rows(plan):
    found = cells(spreadsheet(plan), 1)
    assert (found["A2"], found["B2"], found["C2"]) == ("dripline", "@22", "m")
    assert found["D2"] == pytest.approx(1234.568)
    assert "G3" not in found  # no price, no cell: not a nought
    assert "H3" not in found


def test_heads_tell_the_users_currency(plan):
    told = (Assumption("prices.currency", "грн", "", "", "user"),)
    assert cells(spreadsheet(plan), 1)["G1"] == "unit price (currency)"
    found = cells(spreadsheet(replace(plan, assumptions=told)), 1)
    assert (found["G1"], found["H1"]) == ("unit price (грн)", "cost (грн)")


def test_text_is_never_a_formula(plan):
    assert cells(spreadsheet(plan), 1)["A3"] == HOSTILE
    with zipfile.ZipFile(io.BytesIO(spreadsheet(plan))) as archive:
        assert not [n for n in archive.namelist() if "externalLink" in n or "vba" in n.lower()]


def test_the_same_plan_gives_the_same_bytes(plan, monkeypatch):
    first = spreadsheet(plan)
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    assert spreadsheet(plan) == first
    assert re.search(rb"2000-01-01", zipfile.ZipFile(io.BytesIO(first)).read("docProps/core.xml"))


def test_csv_has_the_rows_and_nothing_that_runs(plan, tmp_path):
    text, _ = write_quantity_files(tmp_path / "q.csv", tmp_path / "q.xlsx", plan)
    rows = list(csv.DictReader(text.read_text("utf-8").splitlines()))
    assert [r["item"] for r in rows] == ["dripline", f" {HOSTILE}"]
    assert [r["size"] for r in rows] == [" @22", " +1"]
    assert [r["cost"] for r in rows] == ["200.0", ""]


def test_files_are_replaced_only_when_told(plan, tmp_path):
    paths = tmp_path / "q.csv", tmp_path / "q.xlsx"
    write_quantity_files(*paths, plan)
    paths[1].unlink()
    with pytest.raises(OutputError, match="--overwrite"):
        write_quantity_files(*paths, plan)
    assert not paths[1].exists()
    write_quantity_files(*paths, plan, overwrite=True)


def test_what_stands_there_stays_when_writing_fails(tmp_path, monkeypatch):
    path = write_whole(tmp_path / "a.csv", b"old")
    monkeypatch.setattr("os.replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OutputError, match="disk full"):
        write_whole(path, b"new", overwrite=True)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]
