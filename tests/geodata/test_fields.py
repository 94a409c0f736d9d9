import hashlib
import math
import shutil
import sqlite3
import struct

import geopandas as gpd
import pandas as pd
import pyproj
import pytest
import shapely
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from farmgis.errors import CrsError, InputError
from farmgis.geodata.fields import read_fields

EAST, NORTH = 500_000.0, 4_400_000.0


def square(east=0.0, north=0.0, side=200.0):
    return box(EAST + east, NORTH + north, EAST + east + side, NORTH + north + side)


POND = Polygon(square().exterior, [box(EAST + 50, NORTH + 50, EAST + 90, NORTH + 80).exterior])
TWO_PARTS = MultiPolygon([square(300), square(600, side=100)])


@pytest.mark.parametrize(
    ("name", "driver"),
    [("f.gpkg", "GPKG"), ("f.shp", "ESRI Shapefile"), ("f.fgb", "FlatGeobuf"), ("f.geojson", "GeoJSON")],
)
def test_area_is_the_same_in_each_format(write_fields, name, driver):
    path = write_fields(name, [POND, TWO_PARTS], driver=driver, field_id=["P", "Q"])
    read = read_fields(path)
    areas = {p.field_id: p.area.area for p in read.parcels}
    assert areas == pytest.approx({"P": 200**2 - 40 * 30, "Q": 200**2 + 100**2}, rel=1e-9)
    assert all(p.area.geom_type == "MultiPolygon" and p.area.is_valid for p in read.parcels)
    assert read.crs.to_epsg() == 32630


def test_inputs_are_untouched(write_fields, tmp_path):
    write_fields("f.gpkg", [POND], field_id=["P"])
    write_fields("f.shp", [POND], driver="ESRI Shapefile", field_id=["P"])

    def state():
        return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in tmp_path.iterdir()}

    before = state()
    read_fields(tmp_path / "f.gpkg")
    read_fields(tmp_path / "f.shp")
    assert state() == before


def test_a_geopackage_held_open_is_read_with_its_newest_rows(write_fields, tmp_path):
    path = write_fields("f.gpkg", [POND, square(400)], options={"SPATIAL_INDEX": "NO"}, field_id=["P", "Q"])
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("PRAGMA journal_mode = WAL")
    other.execute("UPDATE f SET field_id = 'R' WHERE field_id = 'Q'")
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir() if not p.name.endswith("-shm")}
    assert [p.field_id for p in read_fields(path).parcels] == ["P", "R"]
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir() if not p.name.endswith("-shm")} == before
    other.close()


def test_degrees_are_planned_in_utm(write_fields):
    field = box(-3.01, 40.0, -3.0, 40.008)
    read = read_fields(write_fields("f.gpkg", [field], crs="EPSG:4326", field_id=["P"]))
    ground_m2, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(field)
    assert read.parcels[0].area.area == pytest.approx(abs(ground_m2), rel=0.002)
    assert read.crs.to_epsg() == 32630
    assert any("degrees" in f.what for f in read.findings)
    assert read.latitude_deg == pytest.approx(40.004, abs=1e-5)


def test_feet_are_planned_in_metres(write_fields):
    x, y = 6_000_000.0, 2_000_000.0
    field = box(x, y, x + 1000, y + 1000)  # a square of 1000 US survey feet
    read = read_fields(write_fields("f.gpkg", [field], crs="EPSG:2227", field_id=["P"]))
    assert read.parcels[0].area.area == pytest.approx((1000 * 1200 / 3937) ** 2, rel=0.002)


def test_southern_hemisphere_keeps_its_place(write_fields):
    field = box(18.50, -33.91, 18.51, -33.90)
    read = read_fields(write_fields("f.gpkg", [field], crs="EPSG:4326", field_id=["P"]))
    back = pyproj.Transformer.from_crs(read.crs, 4326, always_xy=True)
    lon, lat = back.transform(*read.parcels[0].area.centroid.coords[0])
    assert (lon, lat) == pytest.approx((18.505, -33.905), abs=1e-5)
    assert read.crs.to_epsg() == 32734


def test_a_field_over_a_zone_border_stays_whole(write_fields):
    field = box(-0.004, 40.0, 0.006, 40.008)
    read = read_fields(write_fields("f.gpkg", [field], crs="EPSG:4326", field_id=["P"]))
    ground_m2, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(field)
    assert len(read.parcels[0].area.geoms) == 1
    assert read.parcels[0].area.area == pytest.approx(abs(ground_m2), rel=0.002)


def test_no_crs_says_how_to_state_it(write_fields):
    path = write_fields("f.shp", [POND], crs=None, driver="ESRI Shapefile", field_id=["P"])
    with pytest.raises(CrsError, match=r"input_crs.*--input-crs"):
        read_fields(path)
    read = read_fields(path, input_crs="EPSG:32630")
    assert read.parcels[0].area.area == pytest.approx(POND.area)
    assert any("stated" in f.what for f in read.findings)


def test_a_stated_crs_never_overrules_the_data(write_fields):
    path = write_fields("f.gpkg", [POND], field_id=["P"])
    with pytest.raises(CrsError, match="its own CRS"):
        read_fields(path, input_crs="EPSG:32631")
    assert read_fields(path, input_crs="EPSG:32630").crs.to_epsg() == 32630


def test_geojson_in_metres_without_crs(tmp_path):
    path = tmp_path / "f.geojson"
    path.write_text(
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":'
        + shapely.to_geojson(POND)
        + "}]}"
    )
    with pytest.raises(CrsError, match="no degrees"):
        read_fields(path)
    assert read_fields(path, input_crs="EPSG:32630").parcels[0].area.area == pytest.approx(POND.area)


def test_a_bow_tie_is_refused_and_the_rest_is_read(write_fields):
    tie = Polygon([(EAST, NORTH), (EAST + 100, NORTH + 100), (EAST + 100, NORTH), (EAST, NORTH + 100)])
    read = read_fields(write_fields("f.gpkg", [tie, square(400)], field_id=["X", "Q"]))
    assert [p.field_id for p in read.parcels] == ["Q"]
    (refused,) = read.refused
    assert refused.field_id == "X"
    assert refused.finding.severity == "stop"
    assert "crosses itself" in refused.finding.what


def test_a_small_loop_is_mended_and_told(write_fields):
    # a 10 x 10 m loop hangs at the corner of a square of 200 m, drawn the other way round
    loop = Polygon([(0, 0), (200, 0), (200, 200), (210, 200), (210, 210), (200, 210), (200, 200), (0, 200)])
    crossed = Polygon([(0, 0), (200, 0), (200, 190), (210, 210), (190, 210), (210, 190), (0, 200)])
    assert not crossed.is_valid
    for shape in (loop, crossed):
        moved = shapely.affinity.translate(shape, EAST, NORTH)
        read = read_fields(write_fields("f.gpkg", [moved], field_id=["X"]))
        area = read.parcels[0].area
        assert area.is_valid
        assert area.area == pytest.approx(40_000, rel=0.05)
        if not shape.is_valid:
            assert any("crossed itself" in f.what and f.where_id == "X" for f in read.findings)


def test_heights_are_dropped(write_fields):
    field = shapely.force_3d(square(), 55.0)
    read = read_fields(write_fields("f.gpkg", [field], field_id=["P"]))
    assert not read.parcels[0].area.has_z
    assert any("heights" in f.what for f in read.findings)


@pytest.mark.parametrize(
    ("shape", "word"),
    [
        (None, "empty"),
        (Polygon(), "empty"),
        (box(EAST, NORTH, EAST + 3, NORTH + 3), "sliver"),
        (box(EAST, NORTH, EAST + 500, NORTH + 0.4), "sliver"),
        (LineString([(EAST, NORTH), (EAST + 9, NORTH)]), "not an area"),
        (Point(EAST, NORTH), "not an area"),
        (box(0.0, 0.0, 200.0, 200.0), "km from the other fields"),
    ],
)
def test_one_bad_field_never_stops_the_farm(tmp_path, shape, word):
    good = [square(300 * i) for i in range(12)]
    frame = gpd.GeoDataFrame(
        {"field_id": [f"G{i}" for i in range(12)] + ["X"]}, geometry=[*good, shape], crs=32630
    )
    frame.to_file(tmp_path / "f.gpkg")
    read = read_fields(tmp_path / "f.gpkg")
    assert len(read.parcels) == 12
    assert read.refused[0].field_id == "X"
    assert word in read.refused[0].finding.what
    assert read.crs.to_epsg() == 32630


def test_sliver_parts_are_left_out(write_fields):
    strip = box(EAST + 300, NORTH, EAST + 300.2, NORTH + 200)
    read = read_fields(write_fields("f.gpkg", [MultiPolygon([square(), strip])], field_id=["P"]))
    assert read.parcels[0].area.area == pytest.approx(40_000)
    assert any("left out" in f.what for f in read.findings)


def test_doubled_ids_are_refused(write_fields):
    path = write_fields("f.gpkg", [square(), square(300)], field_id=["P", "P"])
    with pytest.raises(InputError, match="'P'"):
        read_fields(path)


def test_ids_are_numbered_where_no_column_has_them(write_fields):
    path = write_fields("f.gpkg", [square(), square(300)], area=[1.0, 2.0])
    read = read_fields(path)
    assert [p.field_id for p in read.parcels] == ["F01", "F02"]
    assert any("numbered" in f.what for f in read.findings)


@pytest.mark.parametrize(
    ("ids", "expected"),
    [
        ([7, 12], ["7", "12"]),
        ([7.0, 12.0], ["7", "12"]),
        (["123/4", None], ["123/4", "F02"]),
        ([" a ", "b\n\x07c"], ["a", "bc"]),
        (["../../x", "é" * 80], ["../../x", "é" * 64]),
        (["=1+1", 'a"b'], ["=1+1", 'a"b']),
    ],
)
def test_ids_are_text_that_prints(write_fields, ids, expected):
    read = read_fields(write_fields("f.gpkg", [square(), square(300)], field_id=ids))
    assert [p.field_id for p in read.parcels] == expected


def test_attributes_are_text_and_never_more(write_fields):
    text = "'; DROP TABLE f; -- <script>"
    read = read_fields(write_fields("f.gpkg", [square()], field_id=["P"], crop=[text], name=["{x} %s"]))
    assert read.parcels[0].attributes["crop"] == text
    assert read.parcels[0].name == "{x} %s"


def test_columns_can_be_named_or_left_alone(write_fields):
    path = write_fields("f.gpkg", [square()], Parcel=["P"], crop=["?"], turn=[30.0])
    read = read_fields(path, columns={"id": "Parcel", "crop": "", "row_azimuth_deg": "turn"})
    assert read.parcels[0].field_id == "P"
    assert read.parcels[0].attributes == {"row_azimuth_deg": 30.0}
    with pytest.raises(InputError, match=r"'parcel'; 'Parcel' is near"):
        read_fields(path, columns={"id": "parcel"})


def test_missing_numbers_stay_missing(write_fields):
    shapes = [square(), square(300)]
    read = read_fields(write_fields("f.gpkg", shapes, field_id=["P", "Q"], row_azimuth_deg=[10.0, math.nan]))
    assert read.parcels[0].attributes["row_azimuth_deg"] == 10.0
    assert math.isnan(read.parcels[1].attributes["row_azimuth_deg"])


def test_overlapping_fields_are_told(write_fields):
    read = read_fields(write_fields("f.gpkg", [square(), square(150), square(350)], field_id=["P", "Q", "R"]))
    (told,) = [f for f in read.findings if "over each other" in f.what]
    assert told.measured == pytest.approx(50 * 200 / 1e4)
    assert told.geometry.area == pytest.approx(50 * 200)
    assert told.severity == "attention"


def test_several_layers_have_to_be_named(tmp_path):
    for layer in ("west", "east"):
        gpd.GeoDataFrame({"field_id": [layer]}, geometry=[square()], crs=32630).to_file(
            tmp_path / "f.gpkg", layer=layer
        )
    with pytest.raises(InputError, match=r"'west', 'east'"):
        read_fields(tmp_path / "f.gpkg")
    assert read_fields(tmp_path / "f.gpkg", layer="east").parcels[0].field_id == "east"
    with pytest.raises(InputError, match="no layer 'north'"):
        read_fields(tmp_path / "f.gpkg", layer="north")


def test_a_table_beside_the_layer_is_no_layer_of_fields(tmp_path):
    import pyogrio

    gpd.GeoDataFrame({"field_id": ["P"]}, geometry=[square()], crs=32630).to_file(tmp_path / "f.gpkg")
    pyogrio.write_dataframe(pd.DataFrame({"note": ["x"]}), tmp_path / "f.gpkg", layer="notes", append=False)
    assert read_fields(tmp_path / "f.gpkg").parcels[0].field_id == "P"


def circle_geopackage(path, radius):
    """A GeoPackage with one curve polygon, a full circle of two arcs."""
    gpd.GeoDataFrame({"field_id": ["C"]}, geometry=[square()], crs=32630).to_file(
        path, layer="f", layer_options={"SPATIAL_INDEX": "NO"}
    )
    x, y = EAST, NORTH
    points = [(x - radius, y), (x, y + radius), (x + radius, y), (x, y - radius), (x - radius, y)]
    arc = struct.pack("<BII", 1, 8, len(points)) + b"".join(struct.pack("<dd", *p) for p in points)
    wkb = struct.pack("<BII", 1, 10, 1) + arc
    blob = b"GP" + struct.pack("<BBi", 0, 1, 32630) + wkb
    with sqlite3.connect(path) as database:
        database.execute("UPDATE f SET geom = ?", (blob,))
        database.execute("UPDATE gpkg_geometry_columns SET geometry_type_name = 'CURVEPOLYGON'")
        database.execute("PRAGMA writable_schema = ON")
        database.execute(
            "UPDATE sqlite_master SET sql = replace(sql, 'POLYGON', 'CURVEPOLYGON') WHERE name = 'f'"
        )
    database.close()


def test_arcs_are_read_and_told(tmp_path):
    circle_geopackage(tmp_path / "f.gpkg", 150.0)
    read = read_fields(tmp_path / "f.gpkg")
    # straight pieces of 4 degrees leave out less than 0.1 % of a circle
    assert read.parcels[0].area.area == pytest.approx(math.pi * 150.0**2, rel=1e-3)
    assert any("arcs" in f.what for f in read.findings)


def test_a_shapefile_without_its_companions_is_refused(write_fields, tmp_path):
    path = write_fields("f.shp", [POND], driver="ESRI Shapefile", field_id=["P"])
    (tmp_path / "alone").mkdir()
    shutil.copy(path, tmp_path / "alone" / "f.shp")
    with pytest.raises(InputError, match=r"f\.shp"):
        read_fields(tmp_path / "alone" / "f.shp")
    with pytest.raises(InputError, match=r"\.shp file"):
        read_fields(tmp_path / "f.dbf")
