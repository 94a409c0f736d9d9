"""A plan's layers written to one fresh GeoPackage 1.3, the same bytes for the same plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas
import pyogrio
import pyogrio.raw
import pyproj

from ..errors import CrsError, OutputError
from ..layers import LAYERS
from .enrichment import MOMENT, enrich
from .table import Table, checked_table

Frames = Mapping[str, pandas.DataFrame | geopandas.GeoDataFrame]

# A file that nobody else knows yet needs no journal on disk; the one who publishes it syncs it once.
GDAL_OPTIONS = {
    "OGR_CURRENT_DATE": MOMENT,
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
    "OGR_SQLITE_JOURNAL": "MEMORY",
}


def write_layers(
    path: Path | str, frames: Frames, crs: object, about: Mapping[str, Any] | None = None
) -> None:
    """Write every layer of the contract to a new file, empty where no frame is given.

    `crs` is anything that pyproj understands, projected and in metres. All frames are checked before
    anything is written; OutputError names the layer and column that breaks the schema. `path` must not
    exist: `publish` is what replaces an older plan. `about` goes into the file's metadata.
    """
    path = Path(path)
    if path.exists():
        raise OutputError(f"{path}: it is there already; layers are only written to a new file")
    plan_crs = _metric_crs(crs)
    tables = checked_tables(frames, plan_crs)
    with _gdal_options(GDAL_OPTIONS):
        for table in tables:
            _write_table(path, table, plan_crs)
    enrich(path, tables, about)


def checked_tables(frames: Frames, crs: pyproj.CRS) -> tuple[Table, ...]:
    """The frames as tables, one for every layer in the contract's order."""
    strange = sorted(set(frames) - set(LAYERS))
    if strange:
        raise OutputError(f"layer {strange[0]!r} is none of the plan's layers: {', '.join(LAYERS)}")
    return tuple(checked_table(layer, frames.get(name), crs) for name, layer in LAYERS.items())


def _metric_crs(crs: object) -> pyproj.CRS:
    found = pyproj.CRS.from_user_input(crs)
    if not found.is_projected or any(axis.unit_name != "metre" for axis in found.axis_info[:2]):
        raise CrsError(f"CRS {found.name!r}: a plan is written in a projected CRS in metres; UTM will do")
    return found


def _crs_text(crs: pyproj.CRS) -> str:
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else crs.to_wkt()


def _write_table(path: Path, table: Table, crs: pyproj.CRS) -> None:
    layer = table.layer
    options = {"IDENTIFIER": layer.title, "DESCRIPTION": layer.description, "FID": "fid"}
    if layer.geometry:
        options |= {"GEOMETRY_NAME": "geom", "SPATIAL_INDEX": "YES"}
    pyogrio.raw.write(
        path,
        table.wkb,
        list(table.values),
        np.array([column.name for column in table.columns], dtype=object),
        field_mask=list(table.missing),
        layer=layer.name,
        driver="GPKG",
        geometry_type="Unknown" if layer.geometry == "Geometry" else layer.geometry,
        crs=_crs_text(crs) if layer.geometry else None,
        nan_as_null=True,
        dataset_options={"VERSION": "1.3"},
        layer_options=options,
    )


@contextmanager
def _gdal_options(options: dict[str, str]) -> Iterator[None]:
    """Set GDAL's options while writing, and put back what was there."""
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)
