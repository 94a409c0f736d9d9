"""The plan's CRS: projected, in metres, true to scale over the fields. All axes x (east), y (north)."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Geod, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError

from farmgis.errors import CrsError
from farmgis.records import Finding

Bounds = tuple[float, float, float, float]

SCALE_LIMIT_PCT = 0.1
STEP_M = 100.0  # ground distance over which the scale is measured
HOW_TO_STATE = (
    'state it as `input_crs = "EPSG:..."` under [fields] in the farm file, or with --input-crs EPSG:...'
)


def crs_of(text: str, what: str) -> CRS:
    """A CRS from a code such as "EPSG:32630" or from WKT. Raises CrsError."""
    try:
        return CRS.from_user_input(text)
    except CRSError:
        raise CrsError(
            f'{what}: {text[:60]!r} is no known CRS; a code such as "EPSG:32630" would do'
        ) from None


def code_of(crs: CRS) -> str:
    """An authority code where the CRS has one, else its WKT."""
    authority = crs.to_authority(min_confidence=100)
    return f"{authority[0]}:{authority[1]}" if authority else str(crs.to_wkt())


def name_of(crs: CRS) -> str:
    """What a person would call the CRS."""
    authority = crs.to_authority(min_confidence=100)
    return f"{crs.name} ({authority[0]}:{authority[1]})" if authority else str(crs.name)


def same_crs(one: CRS, other: CRS) -> bool:
    """Whether two CRSs mean the same plane coordinates, in whatever axis order they are written."""
    if one.equals(other, ignore_axis_order=True):
        return True
    codes = one.to_authority(min_confidence=70), other.to_authority(min_confidence=70)
    return codes[0] is not None and codes[0] == codes[1]


@lru_cache(maxsize=32)
def _transformer(source: str, target: str) -> Transformer:
    return Transformer.from_crs(CRS.from_wkt(source), CRS.from_wkt(target), always_xy=True)


def transformer(source: CRS, target: CRS) -> Transformer:
    """The way from one CRS to another, x before y whatever the CRSs' own order says."""
    return _transformer(source.to_wkt(), target.to_wkt())


def transform_xy(source: CRS, target: CRS, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points of shape (n, 2) in the target CRS; not finite where there is no way."""
    if same_crs(source, target):
        return xy
    x, y = transformer(source, target).transform(xy[:, 0], xy[:, 1])
    return np.column_stack([x, y])


def transform_shape(source: CRS, target: CRS, shape: Any) -> Any:
    """A shape, or an array of shapes, in the target CRS."""
    import shapely

    if same_crs(source, target):
        return shape
    return shapely.transform(shape, lambda xy: transform_xy(source, target, xy))


def lonlat_bounds(crs: CRS, bounds: Bounds) -> Bounds:
    """West, south, east, north of bounds. [deg, WGS 84; east may pass 180]"""
    xs, ys = (np.linspace(bounds[i], bounds[i + 2], 5) for i in (0, 1))
    grid = np.array([(x, y) for x in xs for y in ys])
    try:
        lonlat = transform_xy(crs.to_2d(), CRS.from_epsg(4326), grid)
    except ProjError as error:
        raise CrsError(f"coordinates in {name_of(crs)} cannot be placed on the earth: {error}") from error
    if not np.isfinite(lonlat).all():
        raise CrsError(f"coordinates {_told(bounds)} lie where {name_of(crs)} has no place; {HOW_TO_STATE}")
    lon, lat = lonlat[:, 0], lonlat[:, 1]
    if np.ptp(lon) > 180.0:  # over the date line
        lon = np.where(lon < 0.0, lon + 360.0, lon)
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def check_coordinates(crs: CRS, bounds: Bounds, what: str) -> None:
    """Refuse degrees under a projected CRS, and metres under a geographic one. Raises CrsError."""
    if not all(math.isfinite(v) for v in bounds):
        raise CrsError(f"{what}: coordinates are not finite")
    like_degrees = max(abs(bounds[0]), abs(bounds[2])) <= 180 and max(abs(bounds[1]), abs(bounds[3])) <= 90
    if crs.is_projected and like_degrees:
        raise CrsError(
            f"{what}: coordinates {_told(bounds)} look like degrees, but the CRS is {name_of(crs)}; "
            "save the data with the CRS that it is really in"
        )
    outside = max(abs(bounds[1]), abs(bounds[3])) > 90.001 or bounds[0] < -180.001 or bounds[2] > 360.001
    if crs.is_geographic and outside:
        raise CrsError(
            f"{what}: coordinates {_told(bounds)} are no degrees, but the CRS is {name_of(crs)}; "
            + HOW_TO_STATE
        )


def scale_error_pct(crs: CRS, bounds: Bounds) -> float:
    """Greatest departure of a distance in the plane from the one on the ellipsoid. [%]

    Over the bounds' corners, edges and middle, in the worst direction: ground distances along east, north
    and the diagonal give the metric of the map there, and its eigenvalues the scales. Not finite where the
    CRS has no inverse.
    """
    geodetic, ellipsoid = crs.geodetic_crs, crs.ellipsoid
    if geodetic is None or ellipsoid is None:
        return math.inf
    geod = Geod(a=ellipsoid.semi_major_metre, b=ellipsoid.semi_minor_metre)
    xs, ys = (np.linspace(bounds[i], bounds[i + 2], 3) for i in (0, 1))
    centre = np.array([(x, y) for x in xs for y in ys])
    squared = []
    for azimuth in np.radians([90.0, 0.0, 45.0]):
        half = 0.5 * STEP_M * np.array([math.sin(azimuth), math.cos(azimuth)])
        start, end = (transform_xy(crs, geodetic, centre + sign * half) for sign in (-1.0, 1.0))
        if not (np.isfinite(start).all() and np.isfinite(end).all()):
            return math.inf
        _, _, ground_m = geod.inv(start[:, 0], start[:, 1], end[:, 0], end[:, 1])
        squared.append((np.asarray(ground_m) / STEP_M) ** 2)
    east, north, diagonal = squared
    mixed = diagonal - 0.5 * (east + north)
    spread = np.hypot(0.5 * (east - north), mixed)
    squares = np.concatenate([0.5 * (east + north) + spread, 0.5 * (east + north) - spread])
    if not (squares > 0.0).all():
        return math.inf
    return 100.0 * float(np.max(np.abs(1.0 / np.sqrt(squares) - 1.0)))


def plan_crs(crs: CRS, bounds: Bounds, what: str = "fields") -> tuple[CRS, tuple[Finding, ...]]:
    """The CRS that the plan is drawn in, and what the user should know about it.

    The data's own where it is projected, in metres, and true to 0.1 % over the bounds; else the UTM zone
    of the bounds' middle, on the data's datum where such zones exist. Raises CrsError.
    """
    check_coordinates(crs, bounds, what)
    flat = crs.to_2d()
    reason = _unfit(flat, bounds)
    if reason is None:
        return flat, ()
    if not (flat.is_projected or flat.is_geographic):
        raise CrsError(f"{what}: {name_of(crs)} has no place on the earth; {HOW_TO_STATE}")
    utm = utm_zone(flat, bounds)
    corners = lonlat_bounds(flat, bounds)
    error_pct = scale_error_pct(utm, _box_in(utm, corners))
    if error_pct >= SCALE_LIMIT_PCT:
        raise CrsError(
            f"{what}: they spread over {corners[2] - corners[0]:.1f} degrees of longitude, and "
            f"{name_of(utm)} is {error_pct:.2f} % off at their edges (limit {SCALE_LIMIT_PCT} %); "
            "split the farm into parts that lie together"
        )
    told = Finding(
        severity="note",
        about="input",
        what=f"The boundaries are in {name_of(crs)}, {reason}: the plan is drawn in {name_of(utm)}.",
        where_id="farm",
        advice="Nothing to do. For another CRS, save the boundaries in a projected one in metres.",
    )
    return utm, (told,)


def utm_zone(crs: CRS, bounds: Bounds) -> CRS:
    """The UTM zone at the middle of bounds, on the CRS's own datum where that has zones. Raises CrsError."""
    west, south, east, north = lonlat_bounds(crs, bounds)
    lon, lat = (0.5 * (west + east) + 180.0) % 360.0 - 180.0, 0.5 * (south + north)
    if not -80.0 <= lat <= 84.0:
        raise CrsError(f"the fields lie at latitude {lat:.1f}, where there is no UTM zone; {HOW_TO_STATE}")
    zone = min(int((lon + 180.0) // 6.0), 59) + 1
    place = AreaOfInterest(lon, lat, lon, lat)
    own = crs.geodetic_crs.name if crs.geodetic_crs else "WGS 84"
    ending = f"UTM zone {zone}{'N' if lat >= 0 else 'S'}"
    for info in query_utm_crs_info(datum_name=own, area_of_interest=place):
        if info.name.endswith(ending):
            return CRS.from_epsg(int(info.code))
    return CRS.from_epsg((32600 if lat >= 0 else 32700) + zone)


def _unfit(crs: CRS, bounds: Bounds) -> str | None:
    """Why a CRS cannot be the plan's; None where it can."""
    if crs.is_geographic:
        return "which is in degrees"
    if not crs.is_projected:
        return "which is not projected"
    if any(abs(axis.unit_conversion_factor - 1.0) > 1e-9 for axis in crs.axis_info[:2]):
        return f"which is in {crs.axis_info[0].unit_name}"
    runs = [axis.direction for axis in crs.axis_info[:2]]
    if sorted(runs) != ["east", "north"]:
        return f"whose axes run {' and '.join(runs)}"
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    if "pseudo mercator" in method.lower().replace("-", " ") or crs.to_epsg() in (3857, 3785, 900913):
        return "web Mercator, which is not true to scale"
    error_pct = scale_error_pct(crs, bounds)
    if error_pct >= SCALE_LIMIT_PCT:
        return f"whose scale is {error_pct:.2f} % off here (limit {SCALE_LIMIT_PCT} %)"
    return None


def _box_in(crs: CRS, lonlat: Bounds) -> Bounds:
    xs, ys = (np.linspace(lonlat[i], lonlat[i + 2], 5) for i in (0, 1))
    xy = transform_xy(CRS.from_epsg(4326), crs, np.array([(x, y) for x in xs for y in ys]))
    if not np.isfinite(xy).all():
        raise CrsError(f"the fields spread too far for {name_of(crs)}; split the farm into parts")
    return float(xy[:, 0].min()), float(xy[:, 1].min()), float(xy[:, 0].max()), float(xy[:, 1].max())


def _told(bounds: Bounds) -> str:
    return f"x {bounds[0]:.6g} to {bounds[2]:.6g}, y {bounds[1]:.6g} to {bounds[3]:.6g}"
