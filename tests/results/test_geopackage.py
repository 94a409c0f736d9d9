"""The file: read back through fiona and sqlite3, which had no part in writing it."""

import sqlite3
from datetime import date

import fiona
import geopandas
import numpy as np
import pandas
import pyogrio
import pytest
import shapely
from shapely.geometry import shape

from farmgis.errors import CrsError, OutputError
from farmgis.layers import LAYERS
from farmgis.results.geopackage import write_layers


def query(path, sql, *values):
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql, values).fetchall()
    finally:
        connection.close()


def changed(frames, layer, **columns):
    return {**frames, layer: frames[layer].assign(**columns)}


# ---- what is in it ---------------------------------------------------------------------------------


def test_layers_all_there_in_order(plan):
    written = query(plan, "SELECT table_name FROM gpkg_contents ORDER BY rowid")
    assert [name for (name,) in written] == [*LAYERS, "layer_styles"]
    spatial = [name for name, layer in LAYERS.items() if layer.geometry]  # GDAL lists them first
    assert fiona.listlayers(plan)[: len(spatial)] == spatial


def test_layers_empty_without_frames(tmp_path, crs):
    write_layers(tmp_path / "plan.gpkg", {}, crs)
    for name, layer in LAYERS.items():
        with fiona.open(tmp_path / "plan.gpkg", layer=name) as source:
            assert len(source) == 0
            assert list(source.schema["properties"]) == [column.name for column in layer.columns]


@pytest.mark.parametrize("name", LAYERS)
def test_rows_read_back_by_fiona(plan, frames, name):
    frame = frames[name]
    with fiona.open(plan, layer=name) as source:
        assert list(source.schema["properties"]) == [column.name for column in LAYERS[name].columns]
        features = list(source)
    assert len(features) == len(frame)
    for i, feature in enumerate(features):
        for column in LAYERS[name].columns:
            expected = frame[column.name].iloc[i]
            found = feature["properties"][column.name]
            if isinstance(expected, date):
                expected = expected.isoformat()
            assert found == (None if pandas.isna(expected) else expected), column.name
        if LAYERS[name].geometry and frame.geometry.iloc[i] is not None:
            written = shape(feature["geometry"])
            assert shapely.to_wkt(written, rounding_precision=-1) == shapely.to_wkt(
                frame.geometry.iloc[i], rounding_precision=-1
            )


def test_crs_read_back_by_fiona(plan):
    with fiona.open(plan, layer="blocks") as source:
        assert source.crs.to_epsg() == 32633


def test_heights_of_laterals_literal(plan):
    with fiona.open(plan, layer="laterals") as source:
        assert source.schema["geometry"] == "3D LineString"
        assert [p[2] for p in next(iter(source))["geometry"]["coordinates"]] == [101.25, 102.5, 103.0625]


def test_column_types_geopackage(plan):
    types = {row[1]: row[2] for row in query(plan, "PRAGMA table_info(blocks)")}
    assert types["block_id"] == "TEXT"
    assert types["flow_m3h"] == "REAL"
    assert types["emitters"] == "INTEGER"
    assert types["within_tolerance"] == "BOOLEAN"
    dates = {row[1]: row[2] for row in query(plan, "PRAGMA table_info(irrigations)")}
    assert dates["date"] == "DATE"


def test_missing_values_null_and_integers_whole(plan):
    rows = query(
        plan, "SELECT emitters, typeof(emitters), flow_m3h, within_tolerance FROM blocks ORDER BY fid"
    )
    assert rows == [(3, "integer", 12.625, 1), (None, "null", None, None)]


def test_version_geopackage_1_3(plan):
    assert query(plan, "PRAGMA user_version") == [(10300,)]


def test_spatial_index_each_layer(plan):
    indexed = {row[0] for row in query(plan, "SELECT table_name FROM gpkg_extensions WHERE extension_name = "
                                             "'gpkg_rtree_index'")}  # fmt: skip
    assert indexed == {name for name, layer in LAYERS.items() if layer.geometry}
    assert query(plan, "SELECT minx, maxx FROM rtree_blocks_geom WHERE id = 2") == [(0.0, 400.0)]


def test_contents_titles_and_descriptions(plan):
    rows = dict(query(plan, "SELECT table_name, identifier FROM gpkg_contents"))
    assert rows["zones"] == "Irrigation shifts"
    assert all(text for (text,) in query(plan, "SELECT description FROM gpkg_contents"))
    kinds = dict(query(plan, "SELECT table_name, data_type FROM gpkg_contents"))
    assert kinds["layer_styles"] == kinds["quantities"] == "attributes"


def test_meaning_each_column(plan):
    told = query(plan, "SELECT table_name, column_name, description FROM gpkg_data_columns")
    assert {row[:2] for row in told} == {(n, c.name) for n, layer in LAYERS.items() for c in layer.columns}
    assert all(text for _, _, text in told)
    (length,) = [text for *where, text in told if where == ["laterals", "length_m"]]
    assert length == "Length along the slope [m]"


def test_coded_values_read_by_gdal(plan):
    sql = (
        "SELECT value FROM gpkg_data_columns JOIN gpkg_data_column_constraints USING (constraint_name) "
        "WHERE table_name = 'findings' AND column_name = 'severity' ORDER BY 1"
    )
    assert query(plan, sql) == [("attention",), ("note",), ("stop",)]


def test_further_columns_come_after(tmp_path, frames, crs):
    frames = changed(frames, "valves", ground_note=["soft", None], depth_m=[0.5, 0.75])
    frames["valves"] = frames["valves"][["depth_m", *frames["valves"].columns.drop("depth_m")]]
    write_layers(tmp_path / "plan.gpkg", frames, crs)
    with fiona.open(tmp_path / "plan.gpkg", layer="valves") as source:
        names = list(source.schema["properties"])
    assert names == [*(c.name for c in LAYERS["valves"].columns), "depth_m", "ground_note"]


# ---- the same bytes --------------------------------------------------------------------------------


def test_bytes_same_in_two_runs(tmp_path, frames, crs):
    write_layers(tmp_path / "a.gpkg", frames, crs)
    write_layers(tmp_path / "b.gpkg", frames, crs)
    assert (tmp_path / "a.gpkg").read_bytes() == (tmp_path / "b.gpkg").read_bytes()


def test_gdal_options_put_back(tmp_path, frames, crs):
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "1999-12-31T00:00:00.000Z"})
    try:
        write_layers(tmp_path / "plan.gpkg", frames, crs)
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "1999-12-31T00:00:00.000Z"
        assert pyogrio.get_gdal_config_option("OGR_SQLITE_SYNCHRONOUS") is None
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def test_frames_left_as_they_were(tmp_path, frames, crs):
    before = {name: frame.copy() for name, frame in frames.items()}
    write_layers(tmp_path / "plan.gpkg", frames, crs)
    for name, frame in frames.items():
        pandas.testing.assert_frame_equal(pandas.DataFrame(frame), pandas.DataFrame(before[name]))


# ---- what is refused -------------------------------------------------------------------------------

FLAT = shapely.LineString([(0, 0), (1, 1)])
NOWHERE = shapely.set_coordinates(shapely.MultiPolygon([shapely.box(0, 0, 1, 1)]), [(np.inf, 0.0)] * 5)
BOTTOMLESS = shapely.LineString([(0, 0, 1), (1, 1, np.inf)])


@pytest.mark.parametrize(
    ("layer", "columns", "words"),
    [
        ("blocks", {"flow_m3h": [1.0, np.inf]}, "'blocks', column 'flow_m3h'.*infinite"),
        ("blocks", {"emitters": [1.5, 2.0]}, "'blocks', column 'emitters'.*integer"),
        ("blocks", {"block_id": ["a", 7]}, "'blocks', column 'block_id'.*text.*7"),
        ("blocks", {"flow_m3h": ["much", "little"]}, "'blocks', column 'flow_m3h'.*real"),
        ("blocks", {"flow_m3h": ["1.5", "2"]}, "'blocks', column 'flow_m3h'.*real.*text"),
        ("irrigations", {"date": [5, 7]}, "'irrigations', column 'date'.*date.*numbers"),
        ("blocks", {"within_tolerance": ["yes", "no"]}, "'blocks', column 'within_tolerance'.*boolean"),
        ("laterals", {"arm": ["uphill", "sideways"]}, "'laterals', column 'arm'.*sideways"),
        ("laterals", {"geometry": [FLAT, FLAT]}, "'laterals', column 'geom'.*without heights"),
        ("valves", {"geometry": [FLAT, FLAT]}, "'valves', column 'geom'.*LineString, not a Point"),
        ("blocks", {"geometry": [NOWHERE, NOWHERE]}, "'blocks', column 'geom'.*finite"),
        ("submains", {"geometry": [BOTTOMLESS] * 2}, "'submains', column 'geom'.*finite"),
        ("blocks", {"geometry": [None, None]}, "'blocks', column 'geom'.*no geometry"),
        ("valves", {"Bad Name": [1, 2]}, "'valves': column 'Bad Name'"),
        ("valves", {"fid": [1, 2]}, "'valves': column 'fid'"),
        ("irrigations", {"date": ["soon", "later"]}, "'irrigations', column 'date'.*date"),
    ],
)
def test_schema_break_named(tmp_path, frames, crs, layer, columns, words):
    with pytest.raises(OutputError, match=words):
        write_layers(tmp_path / "plan.gpkg", changed(frames, layer, **columns), crs)
    assert list(tmp_path.iterdir()) == []


def test_column_missing_named(tmp_path, frames, crs):
    frames["blocks"] = frames["blocks"].drop(columns="flow_m3h")
    with pytest.raises(OutputError, match="'blocks': column 'flow_m3h' is missing"):
        write_layers(tmp_path / "plan.gpkg", frames, crs)


def test_layer_unknown_refused(tmp_path, frames, crs):
    with pytest.raises(OutputError, match="'paddocks'"):
        write_layers(tmp_path / "plan.gpkg", {**frames, "paddocks": frames["blocks"]}, crs)


def test_crs_other_than_plan_refused(tmp_path, frames, crs):
    frames["blocks"] = frames["blocks"].set_crs("EPSG:32634", allow_override=True)
    with pytest.raises(OutputError, match=r"'blocks'.*CRS"):
        write_layers(tmp_path / "plan.gpkg", frames, crs)


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:2227"])  # degrees; US survey feet
def test_crs_not_metric_refused(tmp_path, crs):
    with pytest.raises(CrsError, match="metres"):
        write_layers(tmp_path / "plan.gpkg", {}, crs)


def test_existing_file_never_written_into(tmp_path, frames, crs):
    (tmp_path / "plan.gpkg").write_bytes(b"old")
    with pytest.raises(OutputError, match="there already"):
        write_layers(tmp_path / "plan.gpkg", frames, crs)
    assert (tmp_path / "plan.gpkg").read_bytes() == b"old"


# ---- what is put right -----------------------------------------------------------------------------


def test_single_polygon_made_multi_and_flat(tmp_path, frames, crs):
    polygon = shapely.Polygon([(0, 0, 5), (10, 0, 5), (10, 10, 5)])
    frames = changed(frames, "blocks", geometry=[polygon, polygon])
    write_layers(tmp_path / "plan.gpkg", frames, crs)
    found = geopandas.read_file(tmp_path / "plan.gpkg", layer="blocks")
    assert list(found.geom_type) == ["MultiPolygon"] * 2
    assert not found.has_z.any()
    assert found.area.tolist() == [50.0, 50.0]


@pytest.mark.parametrize("nothing", [None, float("nan"), pandas.NaT, pandas.NA])
def test_columns_of_nothing_are_null(tmp_path, frames, crs, nothing):
    names = [column.name for column in LAYERS["irrigations"].columns]
    empty = {name: [nothing, nothing] for name in names}
    write_layers(tmp_path / "plan.gpkg", changed(frames, "irrigations", **empty), crs)
    with fiona.open(tmp_path / "plan.gpkg", layer="irrigations") as source:
        assert [list(row["properties"].values()) for row in source] == [[None] * len(names)] * 2


def test_text_that_no_column_holds_is_marked(tmp_path, frames, crs):
    frames = changed(frames, "quantities", item=pandas.Series(["a\0b", "c\udc80d"], dtype=object))
    write_layers(tmp_path / "plan.gpkg", frames, crs)
    assert query(tmp_path / "plan.gpkg", "SELECT item FROM quantities") == [("a\ufffdb",), ("c?d",)]


def test_crs_without_code_written(tmp_path, frames):
    local = "+proj=tmerc +lat_0=0 +lon_0=14.2 +k=1 +x_0=100000 +y_0=0 +datum=WGS84 +units=m"
    frames = {
        n: f.set_crs(local, allow_override=True) if LAYERS[n].geometry else f for n, f in frames.items()
    }
    write_layers(tmp_path / "plan.gpkg", frames, local)
    with fiona.open(tmp_path / "plan.gpkg", layer="blocks") as source:
        assert "14.2" in source.crs_wkt
