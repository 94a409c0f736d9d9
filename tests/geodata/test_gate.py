import os
import sqlite3
import subprocess
import sys
import zipfile

import geopandas as gpd
import pytest
from shapely.geometry import box

from farmgis.errors import InputError
from farmgis.geodata import gate
from farmgis.geodata.elevation import Elevation
from farmgis.geodata.fields import read_fields

SECRET = "the rows of another file"


@pytest.fixture
def other(tmp_path):
    path = tmp_path / "other.gpkg"
    gpd.GeoDataFrame({"field_id": [SECRET]}, geometry=[box(5e5, 4.4e6, 5.01e5, 4.401e6)], crs=32630).to_file(
        path
    )
    return path


@pytest.mark.parametrize("name", ["f.geojson", "f.gpkg", "f.shp", "f.fgb", "f.vrt"])
def test_a_redirection_under_another_name_is_refused(tmp_path, other, name):
    path = tmp_path / name
    path.write_text(
        f'<OGRVRTDataSource><OGRVRTLayer name="other"><SrcDataSource>{other}</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    with pytest.raises(InputError, match="its content is none of"):
        read_fields(path)


@pytest.mark.parametrize(
    "text",
    [
        '{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! read %s"}',
        '{"type": "Topology", "objects": {}}',
        '{"anything": "%s"}',
        "{",
    ],
)
def test_json_that_is_no_geojson_is_refused(tmp_path, other, text):
    path = tmp_path / "f.geojson"
    path.write_text(text.replace("%s", str(other)))
    with pytest.raises(InputError, match=r"f\.geojson"):
        read_fields(path)


def test_a_redirecting_elevation_model_is_refused(tmp_path):
    path = tmp_path / "elevation.tif"
    path.write_text('<VRTDataset rasterXSize="2" rasterYSize="2"></VRTDataset>')
    with pytest.raises(InputError, match="no GeoTIFF"):
        Elevation(path, "EPSG:32630")


@pytest.mark.parametrize(
    ("path", "word"),
    [
        ("https://example.com/f.gpkg", "only a local file"),
        ("/vsicurl/https://example.com/f.gpkg", "only a local file"),
        ("/vsizip/f.zip/f.gpkg", "only a local file"),
        ("/VSIMEM/f.gpkg", "only a local file"),
        ('{"type": "FeatureCollection", "features": []}', "no file name"),
        ("nothing.gpkg", "no such file"),
        (os.sep, "folder"),
        (os.devnull, "no regular file"),
        ("x" * 5000, "name"),
    ],
)
def test_only_local_regular_files_pass(path, word):
    with pytest.raises(InputError, match=word):
        read_fields(path)


def test_archives_are_refused(tmp_path, other):
    with zipfile.ZipFile(tmp_path / "f.gpkg", "w") as archive:
        archive.write(other)
    with pytest.raises(InputError, match="archive"):
        read_fields(tmp_path / "f.gpkg")


@pytest.mark.parametrize(
    "content", [b"", b"\x00" * 600, b"SQLite format 3\x00" + b"\x00" * 600, b"fgb\x03", b"abc"]
)
def test_empty_and_broken_files_are_refused(tmp_path, content):
    (tmp_path / "f.gpkg").write_bytes(content)
    with pytest.raises(InputError, match=r"f\.gpkg"):
        read_fields(tmp_path / "f.gpkg")


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_truncated_geopackage_is_refused(tmp_path, other, share):
    content = other.read_bytes()
    (tmp_path / "f.gpkg").write_bytes(content[: int(len(content) * share)])
    with pytest.raises(InputError, match="damaged"):
        read_fields(tmp_path / "f.gpkg")


def test_a_view_without_end_is_refused_at_once(other):
    with sqlite3.connect(other) as database:
        database.execute(
            "CREATE VIEW v AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i FROM n) SELECT i FROM n"
        )
        database.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES ('v', 'attributes', 'v')"
        )
    database.close()
    with pytest.raises(InputError, match="view 'v'"):  # to read it would take for ever
        read_fields(other)


def test_a_database_that_is_no_geopackage_is_refused(tmp_path):
    with sqlite3.connect(tmp_path / "f.gpkg") as database:
        database.execute("CREATE TABLE t (a)")
    database.close()
    with pytest.raises(InputError, match="no GeoPackage"):
        read_fields(tmp_path / "f.gpkg")


def run(code, **environment):
    return subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    )


def test_importing_the_room_is_light():
    heavy = "('fiona', 'rasterio', 'pyogrio', 'geopandas', 'pyproj', 'numpy', 'shapely')"
    done = run(f"import farmgis.geodata, sys; print([m for m in {heavy} if m in sys.modules])")
    assert done.stdout.strip() == "[]"


def test_data_folders_of_another_installation_are_dropped(tmp_path):
    code = (
        "import farmgis.geodata, os, rasterio, fiona, pyogrio\n"
        "print(rasterio.crs.CRS.from_epsg(32630).to_epsg(), 'PROJ_DATA' in os.environ)\n"
        "pyogrio.list_drivers(); rasterio.Env().__enter__()"
    )
    done = run(code, PROJ_DATA=str(tmp_path), PROJ_LIB=str(tmp_path), GDAL_DATA=str(tmp_path))
    assert done.stdout.split() == ["32630", "False"]
    assert done.stderr == ""


def test_redirecting_drivers_are_shut_out():
    code = (
        "import farmgis.geodata, pyogrio, rasterio\n"
        "from rasterio.drivers import raster_driver_extensions\n"
        "print('OGR_VRT' in pyogrio.list_drivers(), 'vrt' in raster_driver_extensions())"
    )
    assert run(code).stdout.split() == ["False", "False"]


def test_the_guard_keeps_what_the_user_skips(monkeypatch):
    monkeypatch.setenv("GDAL_SKIP", "PDF")
    gate.guard_environment()
    assert os.environ["GDAL_SKIP"].split()[0] == "PDF"
    assert "VRT" in os.environ["GDAL_SKIP"].split()
