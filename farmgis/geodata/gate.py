"""The gate: what may be opened, and with which driver.

Only local regular files of a few formats pass. The format is told by the file's first bytes, never by
its name, and each file is opened with that one driver. Nothing here writes beside an input.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from farmgis.errors import InputError

# drivers that read other files or the network; only names that every build knows, else it warns
SKIPPED_DRIVERS = "VRT OGR_VRT GTI WFS OAPIF CSW NGW PLSCENES Carto AmigoCloud MVT"
ENVIRONMENT = {
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "GDAL_HTTP_MAX_RETRY": "0",
    "PROJ_NETWORK": "OFF",
}
DATA_FOLDERS = ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA", "GDAL_DRIVER_PATH")
VECTOR_LIMIT_BYTES = 4_000_000_000
VECTOR_FORMATS = "GeoPackage, GeoJSON, Shapefile (.shp) or FlatGeobuf"
ARCHIVE_MARKS = (b"PK\x03\x04", b"\x1f\x8b", b"7z\xbc\xaf", b"Rar!", b"BZh", b"\xfd7zXZ")
TIFF_MARKS = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")


def guard_environment() -> None:
    """Shut network and redirecting drivers out, and other installations' data folders.

    A data folder of another installation makes the libraries lose the identity of a CRS.
    """
    for name in DATA_FOLDERS:
        folder = os.environ.get(name)
        if folder and not Path(folder).resolve().is_relative_to(Path(sys.prefix).resolve()):
            del os.environ[name]
    skipped = os.environ.get("GDAL_SKIP", "").replace(",", " ").split()
    wanted = SKIPPED_DRIVERS.split()
    os.environ["GDAL_SKIP"] = " ".join([*skipped, *(d for d in wanted if d not in skipped)])
    os.environ.update(ENVIRONMENT)
    os.environ.pop("OGR_SQLITE_LOAD_EXTENSIONS", None)


def local_file(path: str | Path, what: str) -> Path:
    """The absolute path of an existing regular local file; anything else is refused.

    `what` names the file to the reader, as in "fields". Raises InputError.
    """
    text = str(path)
    if "://" in text or text.lower().startswith("/vsi") or text.lower().startswith("\\vsi"):
        raise InputError(f"{what} {text!r}: only a local file can be read; save it on this machine first")
    if text.lstrip().startswith(("{", "<")) or "\x00" in text or "\n" in text:
        raise InputError(f"{what}: this is no file name but data; give the path of a file")
    absolute = Path(os.path.abspath(text))
    try:
        known = absolute.exists()
    except OSError as error:
        raise InputError(f"{what} {text!r}: {error.strerror}") from None
    if not known:
        raise InputError(f"{what} {absolute.name!r}: there is no such file in {absolute.parent}")
    if absolute.is_dir():
        raise InputError(f"{what} {text!r}: this is a folder; name the file in it")
    if not absolute.is_file():
        raise InputError(f"{what} {text!r}: this is no regular file")
    if not os.access(absolute, os.R_OK):
        raise InputError(f"{what} {text!r}: no permission to read it")
    if "!" in str(absolute):
        raise InputError(f"{what} {text!r}: a '!' in a path stands for an archive; rename the file or folder")
    return absolute


def vector_driver(path: Path, what: str) -> str:
    """The driver that a vector file needs, told by its first bytes. Raises InputError."""
    head = _head(path, what)
    if path.stat().st_size > VECTOR_LIMIT_BYTES:
        raise InputError(
            f"{what} {path.name}: over {VECTOR_LIMIT_BYTES / 1e9:.0f} GB; cut out the farm's part"
        )
    if head.startswith(b"SQLite format 3\x00"):
        return "GPKG"
    if head.startswith(b"fgb\x03"):
        return "FlatGeobuf"
    if head.startswith(b"\x00\x00\x27\x0a"):
        return "ESRI Shapefile"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"{"):
        return "GeoJSON"
    if path.suffix.lower() in (".dbf", ".shx", ".prj"):
        raise InputError(f"{what} {path.name}: name the .shp file; its companions are found beside it")
    raise InputError(
        f"{what} {path.name}: its content is none of {VECTOR_FORMATS}; convert it to one of them"
    )


def raster_driver(path: Path, what: str) -> str:
    """The driver that an elevation model needs: GeoTIFF only, told by its first bytes."""
    if not _head(path, what).startswith(TIFF_MARKS):
        raise InputError(f"{what} {path.name}: its content is no GeoTIFF; convert it to one")
    return "GTiff"


@contextmanager
def readable(path: Path, driver: str, what: str) -> Iterator[Path]:
    """A path that can be opened without touching the input.

    A GeoPackage that another program holds open has its newest rows in a journal beside it, and opening
    it would write there: such a one is read from a private copy. Raises InputError for a GeoPackage that
    is damaged or that holds views, which can run without end.
    """
    if driver != "GPKG":
        yield path
    elif _has_journal(path):
        with tempfile.TemporaryDirectory(prefix="farmgis-") as folder:
            copy = _settled_copy(path, Path(folder), what)
            check_geopackage(copy, what)
            yield copy
    else:
        check_geopackage(path, what)
        yield path


def open_gate(path: Path, driver: str, what: str) -> None:
    """Open a vector file once with one driver only, so that no other can answer. Raises InputError."""
    import fiona
    from fiona.errors import FionaError

    try:
        with fiona.open(str(path), enabled_drivers=[driver]) as layer:
            opened = layer.driver
    except (FionaError, OSError, ValueError, AttributeError, UnicodeDecodeError) as error:
        raise InputError(f"{what} {path.name}: cannot be read as {driver}: {error}") from error
    if opened != driver:
        raise InputError(f"{what} {path.name}: opened as {opened}, not as {driver}")


def check_geopackage(path: Path, what: str) -> None:
    """Look at a GeoPackage with SQLite alone, read-only, before a geodata library opens it."""
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as database:
            database.execute("PRAGMA trusted_schema = OFF")
            database.execute("PRAGMA cell_size_check = ON")
            tables = database.execute("SELECT type, name, sql FROM sqlite_master").fetchall()
            _refuse_odd_tables(tables, path, what)
            verdict = database.execute("PRAGMA quick_check(1)").fetchone()[0]
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise InputError(f"{what} {path.name}: damaged GeoPackage ({error}); save it again") from error
    if verdict != "ok":
        raise InputError(f"{what} {path.name}: damaged GeoPackage ({verdict}); save it again")
    if not any(name == "gpkg_contents" for _, name, _ in tables):
        raise InputError(f"{what} {path.name}: a database, but no GeoPackage (it has no gpkg_contents)")


def curved_layer(path: Path, layer: str) -> bool:
    """Whether a layer of a GeoPackage says that it holds arcs; the geodata libraries hide it."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as database:
        asked = "SELECT geometry_type_name FROM gpkg_geometry_columns WHERE table_name = ?"
        row = database.execute(asked, (layer,)).fetchone()
    return row is not None and any(word in str(row[0]).upper() for word in ("CURVE", "CIRCULAR", "SURFACE"))


def _refuse_odd_tables(tables: list[tuple[str, str, str | None]], path: Path, what: str) -> None:
    for kind, name, sql in tables:
        words = (sql or "").lower().split()
        harmless = name in ("st_spatial_ref_sys", "st_geometry_columns") and "with" not in words
        if kind == "view" and not harmless:
            raise InputError(
                f"{what} {path.name}: holds the view {name!r}, which is not run; save its rows as a layer"
            )
        virtual = words[:3] == ["create", "virtual", "table"]
        if virtual and "rtree" not in " ".join(words).split(" using ", 1)[-1][:6]:
            raise InputError(f"{what} {path.name}: holds the virtual table {name!r}; save a plain copy")


def _head(path: Path, what: str) -> bytes:
    with path.open("rb") as file:
        head = file.read(512)
    if not head:
        raise InputError(f"{what} {path.name}: the file is empty")
    if head.startswith(ARCHIVE_MARKS):
        raise InputError(f"{what} {path.name}: this is an archive; unpack it and name the file inside")
    return head


def _has_journal(path: Path) -> bool:
    """Whether a GeoPackage keeps a write-ahead log, or has a journal left beside it."""
    with path.open("rb") as file:
        head = file.read(20)
    beside = (path.with_name(path.name + end) for end in ("-wal", "-journal"))
    return head[18:20] == b"\x02\x02" or any(p.exists() and p.stat().st_size > 0 for p in beside)


def _settled_copy(path: Path, folder: Path, what: str) -> Path:
    """A private copy with its journal worked in."""
    copy = folder / path.name
    for end in ("-wal", "-journal", ""):
        beside = path.with_name(path.name + end)
        if beside.exists():
            shutil.copyfile(beside, folder / beside.name)
    try:
        with closing(sqlite3.connect(copy, isolation_level=None)) as database:
            database.execute("PRAGMA trusted_schema = OFF")
            database.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.Error as error:
        raise InputError(f"{what} {path.name}: damaged GeoPackage ({error}); save it again") from error
    return copy
