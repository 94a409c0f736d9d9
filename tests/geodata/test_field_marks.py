"""What lies in the fields: exclusions with clearances, tracks and standing rows, in whatever CRS."""

import math

import geopandas as gpd
import pytest
from shapely.geometry import LineString, box

from farmgis.errors import InputError
from farmgis.geodata.field_marks import Marks, with_marks
from farmgis.geodata.fields import read_fields

EAST, NORTH = 500_000.0, 4_400_000.0


def square(x=0.0, y=0.0, side=200.0):
    return box(EAST + x, NORTH - 200.0 + y, EAST + x + side, NORTH - 200.0 + y + side)


@pytest.fixture
def two_fields(write_fields):
    return write_fields("f.gpkg", [square(), square(300)], field_id=["P", "Q"])


def marked(path, **marks):
    return with_marks(read_fields(path), Marks(**marks))


def line(*points, crs="EPSG:32630"):
    placed = LineString([(EAST + x, NORTH - 200.0 + y) for x, y in points])
    return gpd.GeoSeries([placed], crs="EPSG:32630").to_crs(crs).iloc[0]


def test_exclusions_are_cut_to_their_fields(two_fields, write_fields):
    ponds = write_fields("ponds.geojson", [square(150, 50, 100)], driver="GeoJSON")
    read = marked(two_fields, exclusions=ponds)
    assert read.parcels[0].exclusions.area == pytest.approx(50 * 100, rel=1e-6)
    assert read.parcels[1].exclusions is None


def test_an_exclusion_with_a_clearance_takes_it_and_one_without_keeps_the_headland(two_fields, write_fields):
    shapes = [square(50, 50, 20), square(130, 130, 20)]
    ponds = write_fields("ponds.gpkg", shapes, clearance_m=[3.0, math.nan])
    parcel = marked(two_fields, exclusions=ponds).parcels[0]
    assert parcel.exclusions.area == pytest.approx(400.0, rel=1e-6)
    # 26 x 26 m with corners rounded by chords of 22.5 degrees
    assert parcel.taken.area == pytest.approx(26.0**2 - 9.0 * (4.0 - 8.0 * math.sin(math.pi / 8.0)), rel=1e-6)


def test_a_column_of_clearances_has_any_name(two_fields, write_fields):
    ponds = write_fields("ponds.gpkg", [square(50, 50, 20)], keep_off=["0"])
    parcel = marked(two_fields, exclusions=ponds, exclusions_clearance="keep_off").parcels[0]
    assert parcel.taken.area == pytest.approx(400.0, rel=1e-6)
    read = marked(two_fields, exclusions=write_fields("p.gpkg", [square(50, 50, 20)], clearance_m=["wide"]))
    assert any("no widths" in f.what for f in read.findings)


def test_tracks_take_their_width(two_fields, write_fields):
    tracks = write_fields("t.gpkg", [line((-50, 100), (250, 100))], width_m=[6.0])
    read = marked(two_fields, tracks=tracks)
    assert read.parcels[0].taken.area == pytest.approx(200.0 * 6.0, rel=1e-6)
    assert read.parcels[1].taken is None
    plain = write_fields("u.gpkg", [line((-50, 100), (250, 100))])
    assert marked(two_fields, tracks=plain).parcels[0].taken.area == pytest.approx(800.0, rel=1e-6)


@pytest.mark.parametrize("crs", ["EPSG:32630", "EPSG:4326", "EPSG:3857", "EPSG:25831"])
def test_standing_rows_come_from_any_crs(two_fields, write_fields, crs):
    rows = write_fields("r.gpkg", [line((20, 10), (120, 180), crs=crs)], crs=crs)
    kept = marked(two_fields, rows=rows).parcels[0].kept_rows
    assert kept.length == pytest.approx(math.hypot(100, 170), rel=1e-3)
    assert kept.bounds[0] - EAST == pytest.approx(20.0, abs=0.5)


def test_marks_that_lie_nowhere_are_told(two_fields, write_fields):
    away = write_fields("r.gpkg", [line((1000, 0), (1100, 0))])
    for key in ("rows", "tracks"):
        found = [f for f in marked(two_fields, **{key: away}).findings if "in any field" in f.what]
        assert ["r.gpkg" in f.what and "CRS" in f.advice for f in found] == [True]


def test_areas_are_no_rows(two_fields, write_fields):
    with pytest.raises(InputError, match="no layer holds lines"):
        marked(two_fields, rows=write_fields("r.gpkg", [square()]))
