"""A boundary file's rows as they stand: shapes, attributes, CRS. No judgement yet."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from farmgis.errors import CrsError, InputError
from farmgis.geodata import crs as crs_room
from farmgis.geodata import gate

ROW_LIMIT = 1_000_000
Kind = Literal["areas", "lines", "any"]
_HOLDING = {
    "areas": ("Polygon", "Surface"),
    "lines": ("Line", "Curve"),
    "any": ("Polygon", "Surface", "Line", "Curve"),
}
STRAY_KM = 300.0
KM_PER_DEGREE = 111.0


@dataclass(frozen=True)
class Layer:
    """What a layer says of itself."""

    name: str
    geometry_type: str
    columns: tuple[str, ...]
    rows: int
    crs: str | None
    driver: str
    curved: bool  # whether it says to hold arcs, which are read as short straight pieces


@dataclass(frozen=True)
class Rows:
    """A layer's shapes with the attributes asked for; `crs` is the data's own or the one stated."""

    layer: Layer
    crs: CRS
    shapes: NDArray[Any]
    attributes: dict[str, list[Any]]
    notes: tuple[str, ...] = ()

    @property
    def bounds(self) -> crs_room.Bounds:
        """Bounds over all shapes that have finite coordinates."""
        xy = shapely.get_coordinates(self.shapes)
        xy = xy[np.isfinite(xy).all(axis=1)]
        if not len(xy):
            raise InputError(f"layer {self.layer.name!r}: no feature has a boundary")
        return float(xy[:, 0].min()), float(xy[:, 1].min()), float(xy[:, 0].max()), float(xy[:, 1].max())

    def strays(self) -> NDArray[np.bool_]:
        """Rows that lie so far from the rest that their coordinates must be wrong.

        None where there are more of them than one in ten: then the farm itself is spread.
        """
        box = shapely.bounds(self.shapes)
        middle = np.column_stack([box[:, 0] + box[:, 2], box[:, 1] + box[:, 3]]) / 2.0
        finite = np.isfinite(middle).all(axis=1)
        if not finite.any():
            return np.zeros(len(middle), bool)
        metres = (
            KM_PER_DEGREE if self.crs.is_geographic else self.crs.axis_info[0].unit_conversion_factor / 1000.0
        )
        away_km = np.hypot(*(middle - np.median(middle[finite], axis=0)).T) * metres
        far = finite & (np.nan_to_num(away_km, nan=0.0) > STRAY_KM)
        return far if far.sum() * 10 <= finite.sum() else np.zeros(len(middle), bool)


def describe(path: str | Path, layer: str | None = None, what: str = "fields", kind: Kind = "areas") -> Layer:
    """What the layer of a file of areas, or of lines, holds. Raises InputError."""
    file = gate.local_file(path, what)
    driver = gate.vector_driver(file, what)
    with gate.readable(file, driver, what) as readable:
        gate.open_gate(readable, driver, what)
        return _describe(readable, layer, driver, what, kind)


def read_rows(
    path: str | Path,
    layer: str | None = None,
    columns: tuple[str, ...] = (),
    input_crs: str | None = None,
    what: str = "fields",
    kind: Kind = "areas",
) -> Rows:
    """All rows of one layer with the columns asked for. Raises InputError, CrsError."""
    import pyogrio.raw

    file = gate.local_file(path, what)
    driver = gate.vector_driver(file, what)
    with gate.readable(file, driver, what) as readable:
        gate.open_gate(readable, driver, what)
        told = _describe(readable, layer, driver, what, kind)
        for column in columns:
            if column not in told.columns:
                raise InputError(f"{what} {file.name}, layer {told.name!r}: {no_column(column, told)}")
        try:
            with warnings.catch_warnings(record=True) as caught:
                warnings.simplefilter("always")
                meta, _, wkb, data = pyogrio.raw.read(
                    readable, layer=told.name, columns=list(dict.fromkeys(columns)), datetime_as_string=True
                )
        except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError, OSError) as error:
            raise InputError(f"{what} {file.name}, layer {told.name!r}: cannot be read: {error}") from error
    attributes = {str(name): values.tolist() for name, values in zip(meta["fields"], data, strict=True)}
    shapes = shapely.from_wkb(wkb, on_invalid="ignore")
    rows = Rows(told, CRS.from_epsg(4326), shapes, attributes)  # the CRS is settled next
    settled, notes = _settle_crs(rows, input_crs, f"{what} {file.name}")
    heard = dict.fromkeys(str(w.message) for w in caught if "conformant file extension" not in str(w.message))
    return replace(
        rows, crs=settled, notes=notes + tuple(f"Reading the boundaries: {text}" for text in heard)
    )


def no_column(column: str, layer: Layer) -> str:
    """The words for a column that is not there, with the nearest one that is."""
    close = get_close_matches(column.lower(), [c.lower() for c in layer.columns], n=1)
    near = next((c for c in layer.columns if close and c.lower() == close[0]), None)
    hint = f"; {near!r} is near" if near else ""
    return f"there is no column {column!r}{hint} (columns: {', '.join(layer.columns) or 'none'})"


def _describe(path: Path, layer: str | None, driver: str, what: str, kind: Kind) -> Layer:
    import pyogrio

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # they come again, and are told, when the rows are read
            layers = [(str(n), None if g is None else str(g)) for n, g in pyogrio.list_layers(path)]
            name = _pick(layers, layer, f"{what} {path.name}", kind)
            info = pyogrio.read_info(path, layer=name, force_feature_count=True)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{what} {path.name}: cannot be read: {error}") from error
    if info["driver"] != driver:
        raise InputError(f"{what} {path.name}: opened as {info['driver']}, not as {driver}")
    rows = int(info["features"])
    if rows == 0:
        raise InputError(f"{what} {path.name}, layer {name!r}: it has no features")
    if rows > ROW_LIMIT:
        raise InputError(f"{what} {path.name}, layer {name!r}: {rows} features (limit {ROW_LIMIT})")
    columns = tuple(str(c) for c in info["fields"])
    curved = driver == "GPKG" and gate.curved_layer(path, name)
    return Layer(name, str(info["geometry_type"]), columns, rows, info["crs"], driver, curved)


def _pick(layers: list[tuple[str, str | None]], wanted: str | None, where: str, kind: Kind) -> str:
    """The layer to read: the one asked for, or the only one that can hold areas, or lines."""
    names = [name for name, _ in layers]
    if wanted is not None:
        if wanted in names:
            return wanted
        raise InputError(f"{where}: there is no layer {wanted!r}; it has {', '.join(map(repr, names))}")
    kinds = (*_HOLDING[kind], "Unknown", "GeometryCollection")
    areal = [name for name, has in layers if has is not None and any(k in has for k in kinds)]
    if len(areal) == 1:
        return areal[0]
    if not areal:
        raise InputError(f"{where}: no layer holds {kind}; it has {', '.join(map(repr, names)) or 'none'}")
    raise InputError(
        f"{where}: several layers hold {kind}; name one of {', '.join(map(repr, areal))} as `layer`"
    )


def _settle_crs(rows: Rows, input_crs: str | None, where: str) -> tuple[CRS, tuple[str, ...]]:
    """The data's CRS, or the one stated for data without any."""
    stated = crs_room.crs_of(input_crs, "input_crs") if input_crs else None
    own = CRS.from_user_input(rows.layer.crs) if rows.layer.crs else None
    if own is None and stated is None:
        raise CrsError(f"{where}: it has no CRS; {crs_room.HOW_TO_STATE}")
    if own is None:
        assert stated is not None
        return stated, (f"The boundaries have no CRS of their own; {crs_room.name_of(stated)} was stated.",)
    if stated is None or crs_room.same_crs(own, stated):
        return own, ()
    bounds = rows.bounds
    # GeoJSON that says nothing reads as degrees; numbers beyond them show that it was never asked
    if rows.layer.driver == "GeoJSON" and own.is_geographic and max(map(abs, bounds)) > 360.0:
        return stated, (f"The GeoJSON names no CRS; {crs_room.name_of(stated)} was stated.",)
    raise CrsError(
        f"{where}: its own CRS is {crs_room.name_of(own)}, but {crs_room.name_of(stated)} was stated; "
        "leave `input_crs` out, or save the data with the CRS that it is really in"
    )
