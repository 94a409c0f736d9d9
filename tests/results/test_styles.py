"""Styles: there for every spatial layer, well formed, and with nothing of the data in them but numbers."""

import sqlite3
from itertools import pairwise
from xml.etree import ElementTree as Xml

import numpy as np
import pytest

from farmgis.layers import LAYERS
from farmgis.results.geopackage import write_layers
from farmgis.results.styles import SHIFTS, classes

SPATIAL = [name for name, layer in LAYERS.items() if layer.geometry]


def styles(path):
    connection = sqlite3.connect(path)
    try:
        rows = connection.execute(
            "SELECT f_table_name, f_table_catalog, f_table_schema, f_geometry_column, useAsDefault, "
            "styleQML, styleSLD FROM layer_styles ORDER BY id"
        ).fetchall()
    finally:
        connection.close()
    return {row[0]: row[1:] for row in rows}


def test_styles_default_for_each_spatial_layer(plan):
    found = styles(plan)
    assert list(found) == SPATIAL
    assert all(row[:4] == ("", "", "geom", 1) for row in found.values())


@pytest.mark.parametrize("name", SPATIAL)
def test_styles_well_formed_and_free_of_data(plan, name):
    for text in styles(plan)[name][4:]:
        Xml.fromstring(text)
        assert "<script" not in text
        assert "DROP" not in text


def test_styles_without_data(tmp_path, crs):
    write_layers(tmp_path / "plan.gpkg", {}, crs)
    found = styles(tmp_path / "plan.gpkg")
    assert list(found) == SPATIAL
    for row in found.values():
        Xml.fromstring(row[4])
        Xml.fromstring(row[5])


@pytest.mark.parametrize("name", SPATIAL)
def test_qml_symbols_named_once_and_all_used(plan, name):
    root = Xml.fromstring(styles(plan)[name][4])
    renderer = root.find("renderer-v2")
    symbols = [symbol.get("name") for symbol in renderer.find("symbols")]
    assert len(set(symbols)) == len(symbols)
    used = {e.get("symbol") for e in renderer.iter() if e.tag in ("category", "rule")} or {"0"}
    assert used == set(symbols)


def test_qml_aliases_each_column_with_unit(plan):
    root = Xml.fromstring(styles(plan)["laterals"][4])
    aliases = {e.get("field"): e.get("name") for e in root.find("aliases")}
    assert list(aliases) == [column.name for column in LAYERS["laterals"].columns]
    assert aliases["head_min_m"] == "head min (m)"
    assert "Length along the slope" in root.find("userNotes").get("value")


def test_qml_labels_are_no_markup(plan):
    for row in styles(plan).values():
        for text in Xml.fromstring(row[4]).iter("text-style"):
            assert text.get("allowHtml") == "0"


def test_qml_blocks_a_category_each_shift(tmp_path, frames, crs):
    frames["blocks"] = frames["blocks"].assign(shift=[12, 2])
    write_layers(tmp_path / "plan.gpkg", frames, crs)
    root = Xml.fromstring(styles(tmp_path / "plan.gpkg")["blocks"][4])
    categories = [(e.get("value"), e.get("label")) for e in root.iter("category")]
    assert categories == [("2", "Shift 2"), ("12", "Shift 12"), ("", "In no shift")]


def test_qml_sizes_match_as_numbers(tmp_path, frames, crs):
    # a viewer compares the category with the number as it writes it: 110, not 110.0
    frames["submains"] = frames["submains"].assign(nominal_mm=[110.0, 12.5])
    write_layers(tmp_path / "plan.gpkg", frames, crs)
    root = Xml.fromstring(styles(tmp_path / "plan.gpkg")["submains"][4])
    assert [e.get("value") for e in root.iter("category")] == ["12.5", "110", ""]


def luminance(colour):
    """Relative luminance of sRGB (IEC 61966-2-1, Rec. 709 weights)."""
    parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_shifts_next_to_each_other_differ_in_grey():
    # 1.5 is ours: the contrast ratio (WCAG 2.2 formula) at which two greys side by side are told apart
    for one, other in zip(SHIFTS, [*SHIFTS[1:], SHIFTS[0]], strict=True):
        dark, light = sorted((luminance(one), luminance(other)))
        assert (light + 0.05) / (dark + 0.05) > 1.5, (one, other)


@pytest.mark.parametrize(
    ("least", "greatest"),
    [(0.0, 0.0), (7.25, 7.25), (6.2, 11.9), (-3.0, 1e6), (0.001, 0.0011), (1e9, 1e9 + 1)],
)
def test_classes_hold_both_ends_and_join(least, greatest):
    found = classes(least, greatest, 5)
    assert 1 <= len(found) <= 5
    assert found[0][0] <= least < found[0][1]
    assert found[-1][0] <= greatest < found[-1][1]
    assert all(one[1] == other[0] for one, other in pairwise(found))
