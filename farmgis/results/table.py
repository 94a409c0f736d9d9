"""A frame checked against its layer and turned into the arrays that a file is written from."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import geopandas
import numpy as np
import pandas
import pyproj
import shapely
from numpy.typing import NDArray

from ..errors import OutputError
from ..layers import Column, Kind, Layer, unit_of

# a field that could not be planned may have no shape, and a finding may concern no place
MAY_LACK_GEOMETRY = frozenset({"fields", "findings"})
SINGLE = {"MultiPolygon": "Polygon", "MultiLineString": "LineString"}
COLUMN_NAME = re.compile(r"[a-z][a-z0-9_]*")

Values = NDArray[Any]
Missing = NDArray[np.bool_]


@dataclass(frozen=True)
class Table:
    """What is written of a layer: the contract's columns in its order, then the further ones.

    `values[i]` belongs to `columns[i]`; where `missing[i]` is true a NULL is written. `wkb` holds one
    geometry a row (None for a NULL), or is None for a table without geometry.
    """

    layer: Layer
    columns: tuple[Column, ...]
    values: tuple[Values, ...]
    missing: tuple[Missing, ...]
    wkb: Values | None

    @property
    def rows(self) -> int:
        """How many rows the layer gets."""
        return len(self.values[0])


def checked_table(
    layer: Layer, frame: pandas.DataFrame | geopandas.GeoDataFrame | None, crs: pyproj.CRS
) -> Table:
    """The frame as a `Table` of its layer; OutputError names layer and column where it breaks the schema.

    No frame gives an empty table. Single polygons and lines are taken for multi ones where the layer
    wants those; heights are dropped where the layer is flat.
    """
    if frame is None:
        frame = pandas.DataFrame({column.name: [] for column in layer.columns})
    columns = layer.columns + _further_columns(layer, frame)
    pairs = [_column_arrays(layer, column, frame[column.name]) for column in columns]
    wkb = _geometry(layer, frame, crs) if layer.geometry else None
    return Table(layer, columns, tuple(p[0] for p in pairs), tuple(p[1] for p in pairs), wkb)


# ---- columns --------------------------------------------------------------------------------------


def _further_columns(layer: Layer, frame: pandas.DataFrame) -> tuple[Column, ...]:
    shape = frame.geometry.name if isinstance(frame, geopandas.GeoDataFrame) and len(frame.columns) else None
    names = [str(name) for name in frame.columns if name != shape]
    lacking = [column.name for column in layer.columns if column.name not in names]
    if lacking:
        raise OutputError(f"layer {layer.name!r}: column {', '.join(map(repr, lacking))} is missing")
    further = [name for name in names if name not in {column.name for column in layer.columns}]
    for name in further:
        if not COLUMN_NAME.fullmatch(name) or name in ("fid", "geom") or names.count(name) > 1:
            raise OutputError(
                f"layer {layer.name!r}: column {name!r} cannot be written; give it a name of its own, in "
                "small letters, digits and _, other than fid and geom"
            )
    return tuple(
        Column(name, _kind(frame[name]), unit_of(name), "A further column, not part of the fixed ones")
        for name in further
    )


def _kind(series: pandas.Series) -> Kind:
    if pandas.api.types.is_bool_dtype(series.dtype):
        return "boolean"
    if pandas.api.types.is_integer_dtype(series.dtype):
        return "integer"
    if pandas.api.types.is_float_dtype(series.dtype):
        return "real"
    return "date" if pandas.api.types.is_datetime64_any_dtype(series.dtype) else "text"


def _column_arrays(layer: Layer, column: Column, series: pandas.Series) -> tuple[Values, Missing]:
    missing = series.isna().to_numpy(dtype=bool)
    if missing.all():  # then its dtype says nothing
        series = pandas.Series([None] * len(series), dtype=object)
    try:
        values = _CONVERT[column.kind](series, missing)
    except (TypeError, ValueError, OverflowError) as problem:
        raise OutputError(
            f"layer {layer.name!r}, column {column.name!r}: not all values are {column.kind}: {problem}"
        ) from problem
    if column.values:
        strange = sorted(set(values[~missing]) - set(column.values))
        if strange:
            raise OutputError(
                f"layer {layer.name!r}, column {column.name!r}: {strange[0]!r} is none of "
                f"{', '.join(column.values)}"
            )
    return values, missing


def _as_text(series: pandas.Series, missing: Missing) -> Values:
    values: Values = series.to_numpy(dtype=object, copy=True)
    values[missing] = None
    for i in np.flatnonzero(~missing):
        value = values[i]
        if not isinstance(value, str):
            raise TypeError(f"row {i} holds {value!r}")
        if "\0" in value or not value.isascii():  # what no text column can hold is shown as a mark
            values[i] = value.replace("\0", "\ufffd").encode("utf-8", "replace").decode("utf-8")
    return values


def _as_real(series: pandas.Series, missing: Missing) -> Values:
    if not _is_numeric(series) and any(isinstance(value, str) for value in series[~missing]):
        raise TypeError("it holds text")
    values: Values = series.astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan)
    if np.isinf(values).any():
        raise ValueError(f"row {int(np.flatnonzero(np.isinf(values))[0])} is infinite")
    return values


def _as_integer(series: pandas.Series, missing: Missing) -> Values:
    values: Values = series.astype("Int64").to_numpy(dtype=np.int64, na_value=0)
    return values


def _as_boolean(series: pandas.Series, missing: Missing) -> Values:
    values: Values = series.astype("boolean").to_numpy(dtype=np.bool_, na_value=False)
    return values


def _as_date(series: pandas.Series, missing: Missing) -> Values:
    if _is_numeric(series):
        raise TypeError("it holds numbers")
    days = pandas.to_datetime(series, format="ISO8601").to_numpy().astype("datetime64[D]")
    return np.where(missing, np.datetime64("1970-01-01"), days)


def _is_numeric(series: pandas.Series) -> bool:
    return bool(pandas.api.types.is_numeric_dtype(series.dtype))


_CONVERT: dict[Kind, Callable[[pandas.Series, Missing], Values]] = {
    "text": _as_text,
    "real": _as_real,
    "integer": _as_integer,
    "boolean": _as_boolean,
    "date": _as_date,
}


# ---- geometry -------------------------------------------------------------------------------------


def _geometry(layer: Layer, frame: pandas.DataFrame, crs: pyproj.CRS) -> Values:
    if not isinstance(frame, geopandas.GeoDataFrame) or not len(frame):
        if len(frame):
            raise OutputError(f"layer {layer.name!r}, column 'geom': there is no {layer.geometry} in it")
        return np.empty(0, dtype=object)
    if frame.crs is not None and frame.crs != crs:
        raise OutputError(
            f"layer {layer.name!r}, column 'geom': its CRS is {frame.crs.name!r}, the plan's {crs.name!r}"
        )
    shapes = np.array(frame.geometry.to_numpy(), dtype=object)
    shapes[shapely.is_empty(shapes)] = None
    _refuse_lacking(layer, shapes)
    shapes = _fitted(layer, shapes)
    _refuse_infinite(layer, shapes)
    return np.asarray(shapely.to_wkb(shapes, flavor="iso"), dtype=object)


def _refuse_lacking(layer: Layer, shapes: Values) -> None:
    lacking = shapely.is_missing(shapes)
    if lacking.any() and layer.name not in MAY_LACK_GEOMETRY:
        raise OutputError(
            f"layer {layer.name!r}, column 'geom': row {int(np.flatnonzero(lacking)[0])} has no geometry"
        )


def _fitted(layer: Layer, shapes: Values) -> Values:
    """The shapes in the layer's kind: singles made multi, heights dropped or required."""
    wanted = (layer.geometry or "").removesuffix(" Z")
    raised = (layer.geometry or "").endswith(" Z")
    if not raised:
        shapes = shapely.force_2d(shapes)
    kinds = np.array([getattr(shape, "geom_type", wanted) for shape in shapes], dtype=object)
    if wanted in SINGLE:
        single = kinds == SINGLE[wanted]
        shapes = shapes.copy()
        shapes[single] = [getattr(shapely, wanted)([shape]) for shape in shapes[single]]
        kinds = np.where(single, wanted, kinds)
    wrong = kinds != wanted if wanted != "Geometry" else np.zeros(len(kinds), bool)
    flat = ~shapely.has_z(shapes) if raised else np.zeros(len(kinds), bool)
    if (wrong | flat).any():
        row = int(np.flatnonzero(wrong | flat)[0])
        found = f"{kinds[row]} without heights" if flat[row] else str(kinds[row])
        where = f"layer {layer.name!r}, column 'geom', row {row}"
        raise OutputError(f"{where}: it is a {found}, not a {layer.geometry}")
    return shapes


def _refuse_infinite(layer: Layer, shapes: Values) -> None:
    places, rows = shapely.get_coordinates(
        shapes, include_z=(layer.geometry or "").endswith(" Z"), return_index=True
    )
    bad = ~np.isfinite(places).all(axis=1)
    if bad.any():
        row = int(rows[np.flatnonzero(bad)[0]])
        raise OutputError(
            f"layer {layer.name!r}, column 'geom': row {row} has a coordinate that is not a finite number"
        )
