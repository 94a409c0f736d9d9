"""The elevation model's file: what it says of itself, and whether windows of it can be read."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pyproj import CRS

from farmgis.errors import CrsError, InputError
from farmgis.geodata import crs as crs_room
from farmgis.geodata import gate
from farmgis.records import Finding

Unit = Literal["m", "ft"]

FOOT_M = 0.3048  # by definition
SURVEY_FOOT_M = 1200.0 / 3937.0  # by definition
BLOCK_LIMIT_BYTES = 1_000_000_000


def open_model(path: Path) -> Any:
    """The open dataset of a GeoTIFF. Raises InputError."""
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioIOError

    driver = gate.raster_driver(path, "elevation")
    with warnings.catch_warnings():
        warnings.simplefilter("error", NotGeoreferencedWarning)
        try:
            return rasterio.open(path, driver=driver, sharing=False)
        except NotGeoreferencedWarning:
            raise InputError(
                f"elevation {path.name}: it says nowhere where it lies; georeference it"
            ) from None
        except RasterioIOError as error:
            raise InputError(f"elevation {path.name}: cannot be read as GeoTIFF: {error}") from error


def check_layout(source: Any, name: str) -> None:
    """Refuse pictures and files of which a window cannot be read by itself."""
    kind = np.dtype(source.dtypes[0])
    if kind.kind not in "iuf":
        raise InputError(f"elevation {name}: its values are {kind}, not heights")
    if kind == np.uint8 and source.count >= 3:
        raise InputError(f"elevation {name}: it is a picture of {source.count} bands, not heights")
    if abs(source.transform.determinant) == 0.0 or source.transform.is_identity:
        raise InputError(f"elevation {name}: it says nowhere where it lies; georeference it")
    rows, columns = source.block_shapes[0]
    if rows * columns * kind.itemsize * (source.count if source.interleaving else 1) > BLOCK_LIMIT_BYTES:
        raise InputError(
            f"elevation {name}: it is stored in blocks of {columns} x {rows} cells, too large to read "
            "a part of; save it tiled (256 x 256)"
        )


def model_crs(source: Any, stated: str | None, name: str) -> CRS:
    """The model's CRS, with its vertical part where it has one; or the one stated. Raises CrsError."""
    if source.crs is None or not source.crs.to_wkt():
        if stated is None:
            raise CrsError(
                f"elevation {name}: it has no CRS; state it as `input_crs` under [elevation] in the farm file"
            )
        return crs_room.crs_of(stated, "input_crs of the elevation model")
    own = CRS.from_wkt(source.crs.to_wkt())
    if not (own.to_2d().is_projected or own.to_2d().is_geographic):
        raise CrsError(f"elevation {name}: its CRS {crs_room.name_of(own)} has no place on the earth")
    if stated is not None and not crs_room.same_crs(
        own.to_2d(), crs_room.crs_of(stated, "input_crs").to_2d()
    ):
        raise CrsError(f"elevation {name}: its own CRS is {crs_room.name_of(own)}, but {stated} was stated")
    bounds = source.bounds
    crs_room.check_coordinates(
        own.to_2d(), (bounds.left, bounds.bottom, bounds.right, bounds.top), f"elevation {name}"
    )
    return own


def height_unit(source: Any, crs: CRS, stated: Unit | None) -> tuple[float, tuple[Finding, ...]]:
    """Metres in one unit of height, and what is to be told of it."""
    says, factor = _unit_said(source, crs)
    if stated is not None:
        chosen = {"m": 1.0, "ft": FOOT_M}[stated]
        if stated == "ft" and factor != 1.0:
            chosen = factor  # the survey foot, where the model itself says so
        if says and abs(factor - chosen) > 1e-9:
            what = (
                f'The elevation model says its unit is {says}, but `unit = "{stated}"` was stated and used.'
            )
            return chosen, (
                told("attention", what, "Check it: feet taken for metres make slopes 3.28 times as steep."),
            )
        factor = chosen
    if factor != 1.0:
        what = f"The elevation model is in feet ({says or 'as stated'}): heights were turned into metres."
        return factor, (told("note", what, 'If it is in metres, state `unit = "m"` under [elevation].'),)
    flat = crs.to_2d()
    if stated is None and not says and flat.is_projected and flat.axis_info[0].unit_conversion_factor < 0.5:
        what = "The elevation model's map is in feet, and its heights have no unit: metres are taken."
        advice = (
            'State `unit = "ft"` or "m" under [elevation]: feet taken so make slopes 3.28 times as steep.'
        )
        return 1.0, (told("attention", what, advice),)
    return 1.0, ()


def _unit_said(source: Any, crs: CRS) -> tuple[str, float]:
    """What the model itself says of its unit of height, and metres in it; "" where it says nothing."""
    band = (source.units[0] or "").strip()
    word = band.lower().replace("_", " ").replace("-", " ")
    if "ft" in word or "foot" in word or "feet" in word:
        return band, SURVEY_FOOT_M if "us" in word or "survey" in word else FOOT_M
    if word in ("m", "metre", "meter", "metres", "meters"):
        return band, 1.0
    if band:
        raise InputError(f"elevation: its unit of height is {band!r}; save it in metres, or state `unit`")
    upright = [a for a in crs.axis_info if a.direction == "up"]
    return (upright[0].unit_name, float(upright[0].unit_conversion_factor)) if upright else ("", 1.0)


def north_up_square(transform: Any) -> bool:
    """Whether cells are squares, columns run east and rows run south."""
    t = transform
    return bool(t.b == 0.0 and t.d == 0.0 and t.a > 0.0 and abs(t.a + t.e) <= 1e-9 * t.a)


def told(
    severity: Any,
    what: str,
    advice: str,
    measured: float | None = None,
    limit: float | None = None,
    unit: str | None = None,
) -> Finding:
    """A finding about the elevation model."""
    return Finding(severity, "elevation", what, "farm", advice, measured, limit, unit)
