"""The schema: names as the layer contract has them, units as the names end, a page that is current."""

from pathlib import Path

import pytest

from farmgis.layers import LAYERS, layers_markdown, unit_of

ROOT = Path(__file__).resolve().parents[2]

NAMES = [
    *("fields", "blocks", "laterals", "rows", "submains", "extreme_emitters"),
    *("test_points", "mains", "valves", "fittings"),
    *("headworks", "pump_duties", "zones", "season_demand", "demand_periods", "supply_balance"),
    *("irrigations", "nutrient_doses", "season_tasks", "quantities", "field_quantities", "costs"),
    *("findings", "assumptions"),
]
GEOMETRIES = {
    "MultiPolygon": "fields blocks zones season_demand",
    "LineString Z": "laterals submains mains",
    "MultiLineString": "rows",
    "Point": "extreme_emitters test_points valves fittings headworks",
    "Geometry": "findings",
}
COLUMNS = {
    "laterals": "lateral_id, block_id, field_id, submain_id, arm, length_m, emitters, grade_mean_pct, "
    "grade_max_pct, inlet_elevation_m, end_elevation_m, inlet_head_m, end_head_m, head_min_m, head_max_m, "
    "flow_l_h, end_flush_velocity_m_s",
    "valves": "valve_id, block_id, source_id, elevation_m, flow_m3h, nominal_mm, required_head_m, "
    "available_head_m, set_head_m, regulated",
    "zones": "zone_id, source_id, shift, blocks, area_ha, flow_m3h, run_hours_peak, season_m3, season_mm",
    "demand_periods": "block_id, period_start, period_end, et0_mm, kc, et_crop_mm, rain_effective_mm, "
    "net_mm, gross_mm, gross_m3, run_hours",
    "quantities": "item, size, unit, drawn, spare_pct, to_buy, unit_price, cost, part, pack, packs",
    "findings": "finding_id, severity, about, what, where_id, measured, limit, unit, advice",
    "assumptions": "key, value, unit, source, known",
}


def test_layers_contract_names_in_order():
    assert [name for name in LAYERS if name in NAMES] == NAMES


def test_geometry_contract():
    expected = {name: kind for kind, names in GEOMETRIES.items() for name in names.split()}
    drawn = {name: layer.geometry for name, layer in LAYERS.items() if layer.geometry and name in NAMES}
    assert drawn == expected


@pytest.mark.parametrize("name", COLUMNS)
def test_columns_contract(name):
    """Further columns are welcome; these are fixed, and stand in this order."""
    wanted = COLUMNS[name].split(", ")
    assert [c.name for c in LAYERS[name].columns if c.name in wanted] == wanted


def test_title_contract_zones():
    assert LAYERS["zones"].title == "Irrigation shifts"


@pytest.mark.parametrize(
    ("layer", "column", "values"),
    [
        ("fields", "status", "planned, attention, not planned"),
        ("findings", "severity", "stop, attention, note"),
        ("laterals", "arm", "uphill, downhill, level, single"),
        ("assumptions", "known", "published, common practice, memory, user"),
        ("season_demand", "basis", "daily, normals, assumed"),
    ],
)
def test_values_contract(layer, column, values):
    (found,) = [c.values for c in LAYERS[layer].columns if c.name == column]
    assert list(found) == values.split(", ")


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("energy_kwh_m3", "kWh/m3"),
        ("flow_l_h", "l/h"),
        ("end_flush_velocity_m_s", "m/s"),
        ("head_min_m", "m"),
        ("travel_time_min", "min"),
        ("application_mm_h", "mm/h"),
        ("gross_m3_ha", "m3/ha"),
        ("peak_m3_day", "m3/day"),
        ("row_azimuth_deg", "degrees"),
        ("direction_agreement", "-"),
    ],
)
def test_unit_name_ending(name, unit):
    assert unit_of(name) == unit


def test_columns_described_and_told_apart():
    for layer in LAYERS.values():
        assert layer.description
        titles = [column.title for column in layer.columns]
        assert len(set(titles)) == len(titles), layer.name  # a GeoPackage wants them unique
        for column in layer.columns:
            assert len(column.description) > 3, (layer.name, column.name)


def test_reference_page_current():
    page = ROOT / "docs" / "reference" / "layers.md"
    if not page.parent.is_dir():
        pytest.skip("run from an installed package, without its documents")
    assert page.read_text(encoding="utf-8") == layers_markdown()
