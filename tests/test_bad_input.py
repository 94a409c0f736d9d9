"""Shapes that no one would draw on purpose: each is planned, or named in findings, and stops no other."""

import math

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin
from shapely.geometry import LineString, MultiPolygon, Polygon, box

from farmgis.geodata.farm_file import farm_from_files
from farmgis.run import plan_farm

EAST, NORTH, CRS = 500_000.0, 4_400_000.0, "EPSG:32630"


def spiral(turns=2.5, width=40.0, pitch=90.0):
    """A strip wound up: rows of any direction are cut to pieces."""
    a = np.linspace(0.5 * math.pi, 2.0 * math.pi * turns, 240)
    middle = pitch * a / (2.0 * math.pi)
    inner, outer = (
        np.column_stack([r * np.cos(a), r * np.sin(a)]) for r in (middle - width / 2, middle + width / 2)
    )
    return Polygon(np.concatenate([outer, inner[::-1]]))


def coast(vertices=100_000, radius=200.0):
    """A round field with an edge that trembles by centimetres."""
    a = np.linspace(0.0, 2.0 * math.pi, vertices, endpoint=False)
    r = radius + 6.0 * np.sin(7.0 * a) + np.random.default_rng(5).normal(0.0, 0.02, vertices)
    return Polygon(np.column_stack([r * np.cos(a), r * np.sin(a)]))


SHAPES = {
    "three": Polygon([(-150, -120), (180, -100), (20, 170)]),
    "sliver": box(-200, -0.4, 200, 0.4),
    "thin": box(-200, -14, 200, 14),
    "spiral": spiral(),
    "touching": Polygon(
        [(-150, -150), (150, -150), (150, 150), (-150, 150)], [[(-150, 0), (-60, -40), (-60, 40)]]
    ),
    "crossing": Polygon([(-150, -150), (150, 150), (150, -150), (-150, 150)]),
    "barely": Polygon(
        [(-150, -150), (150, -150), (150, 150), (148, 152), (152, 152), (148, 149), (-150, 150)]
    ),
    "coast": coast(),
    "islands": MultiPolygon([box(-200, -200, -60, -60), box(60, 60, 200, 200), box(150, -200, 160, -190)]),
    "comb": Polygon(
        [(-200, -150), (200, -150), (200, 150)]
        + [p for x in range(180, -200, -40) for p in ((x, 150), (x, -120), (x - 20, -120), (x - 20, 150))]
        + [(-200, 150)]
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with all shapes side by side as fields, rough ground under them, and rows in degrees."""
    folder = tmp_path_factory.mktemp("bad")
    shapes = [
        shapely.transform(s, lambda p, k=k: p + np.array([EAST + 500.0 * (k % 4), NORTH + 500.0 * (k // 4)]))
        for k, s in enumerate(SHAPES.values())
    ]
    gpd.GeoDataFrame({"field_id": list(SHAPES)}, geometry=shapes, crs=CRS).to_file(folder / "fields.gpkg")
    cell, n, m = 5.0, 480, 380
    x, y = np.meshgrid(np.arange(n) * cell, np.arange(m) * cell)
    z = 200.0 + 9.0 * np.sin(x / 140.0) * np.cos(y / 160.0) + 0.01 * y
    z += np.random.default_rng(2).normal(0.0, 0.05, z.shape)
    with rasterio.open(
        folder / "ground.tif", "w", driver="GTiff", width=n, height=m, count=1, dtype="float64", crs=CRS,
        transform=from_origin(EAST - 350.0, NORTH - 350.0 + m * cell, cell, cell),
    ) as file:  # fmt: skip
        file.write(z[::-1], 1)
    rows = [LineString([(EAST - 100.0, NORTH - 60.0), (EAST + 100.0, NORTH - 20.0)])]
    gpd.GeoDataFrame(geometry=rows, crs=CRS).to_crs("EPSG:4326").to_file(folder / "rows.geojson")
    return folder


@pytest.mark.parametrize("pattern", ["auto", "contour"])
def test_every_shape_is_planned_or_named(place, pattern):
    settings = {"design": {"row_pattern": pattern}, "fields": {"rows": str(place / "rows.geojson")}}
    farm = farm_from_files(place / "fields.gpkg", place / "ground.tif", settings=settings)
    plan = plan_farm(farm)
    facts = plan.tables["fields"].columns
    status = dict(zip(facts["field_id"], facts["status"], strict=True))
    assert set(status) == set(SHAPES)
    named = {f.where_id for f in plan.findings if f.severity in ("stop", "attention")}
    for name, found in status.items():
        assert found == "planned" or name in named, name
    assert status["sliver"] == status["crossing"] == "not planned"
    planned = [n for n, s in status.items() if s != "not planned"]
    assert {"three", "touching", "coast", "islands"} <= set(planned)
    areas = plan.tables["blocks"].geometry
    own = plan.tables["blocks"].columns["field_id"]
    for name in planned:
        field = plan.tables["fields"].geometry[list(facts["field_id"]).index(name)]
        blocks = areas[own == name]
        assert all(shapely.within(b, shapely.buffer(field, 0.02)) for b in blocks), name
        assert sum(b.area for b in blocks) == pytest.approx(shapely.union_all(blocks).area, rel=1e-5)


def test_rows_in_another_crs_set_the_direction(place):
    settings = {"fields": {"rows": str(place / "rows.geojson")}}
    farm = farm_from_files(place / "fields.gpkg", place / "ground.tif", settings=settings)
    plan = plan_farm(farm)
    facts = plan.tables["fields"].columns
    k = list(facts["field_id"]).index("three")
    assert facts["row_azimuth_deg"][k] == pytest.approx(math.degrees(math.atan2(200.0, 40.0)), abs=0.1)
    assert facts["row_pattern"][k] == "straight"
