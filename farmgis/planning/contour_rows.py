"""Contour rows: the field in bands, each of rows at equal distances from a guide that follows a contour.

A band ends where its rows have drifted off the contour, or would be too sharp to follow; the next has a
guide of its own. Long bands are parted into panels, within which the rows turn little.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from scipy.ndimage import gaussian_filter1d

from farmgis.planning import contour_rows_kernel as kernel
from farmgis.planning.curves import CurvedAxes, Guide, guide_of
from farmgis.planning.rows import polygons
from farmgis.planning.survey import Survey
from farmgis.records import Design, Floats, Surface
from farmgis.terrain.gradient import Mask
from farmgis.terrain.surface import cell_centres, elevation_m, smooth

STEP_M = 4.0
"""Distance of a guide's vertices."""

GUIDE_SMOOTHING_M = 15.0
"""Standard deviation by which the ground under a guide is smoothed once more (common practice)."""

GUIDE_RADII = (1.5, 3.0, 6.0)
"""Least radii that are tried for a guide, in least turning radii: gentle ones carry wider bands."""

SEED_SHARES = (0.15, 0.35, 0.5, 0.65, 0.85)
"""Shares of the ground, by height, below the guides that are tried."""

STRIP_M = 6.0
"""Rows are judged this far apart when a band is measured."""

WIDEST_M = 600.0
"""A band reaches no farther than this from its guide."""

DRIFT_SHARE = 0.25
"""A row of which more than this is over the grade limit has drifted off the contour."""

LEAST_WIDTH_M = 12.0
"""A band reaches at least this far to each side of its guide, where machines can follow."""

REST_HA = 1.0
"""A rest beside a band that is smaller than this has no guide of its own."""

ALONG_DEG = 30.0
"""A row that stands runs along the contour where it is no farther off than this (common practice)."""

MOST_TURN_DEG = 170.0
"""A guide turns by no more than this to either side of where it begins: nearly round a hilltop."""

GRID_M = 0.001
"""Bands and what is left beside them are cut to this grid: slivers and spikes that only rounding makes, not
alike on every machine, are gone before anything is decided."""

LEAST_BAND_HA = 0.1
MOST_BANDS = 12
PANEL_TURN_DEG = 60.0
"""Rows turn by no more than about this within a panel."""


@dataclass(frozen=True)
class Band:
    """A part of a field and the guide that its rows keep their distance from."""

    guide: Guide
    area: Any
    low_m: float
    high_m: float


def contour_bands(land: Any, ground: Survey, design: Design) -> list[Band]:
    """Bands that cover land, the largest piece of what is left first."""
    soft = smooth(ground.surface, math.hypot(GUIDE_SMOOTHING_M, ground.smoothing_m))
    rest = _pieces(land)
    bands: list[Band] = []
    while rest and len(bands) < MOST_BANDS:
        piece = max(rest, key=lambda p: (p.area, p.bounds))
        rest.remove(piece)
        band = _best_band(piece, soft, ground, design)
        if band is None:
            continue
        bands.append(band)
        rest += _pieces(shapely.difference(piece, band.area, grid_size=GRID_M))
    return bands


def kept_bands(land: Any, rows: Any, ground: Survey, design: Design) -> list[Band]:
    """Bands of rows beside the longest of some curved rows that stand, whatever their grade.

    Beyond its ends they go on along the contour where the row does so itself, else straight. What is too
    sharp to follow from there gets guides of its own. Empty where machines cannot follow the row itself, to
    half a row's spacing.
    """
    longest = max(shapely.get_parts(rows), key=shapely.length)
    if longest.length < 3.0 * STEP_M:
        return []
    line = _gentle(_evenly(shapely.get_coordinates(longest)), design.turn_radius_m)
    off = shapely.distance(shapely.points(line), longest).max()
    if off > design.row_spacing_m / 2.0 or _sharpest(line) * design.turn_radius_m > 1.05:
        return []
    standing = guide_of(_led_on(line, land, ground, design))
    guide = guide_of(standing.row_m(design.row_spacing_m / 2.0))  # guides run midway between rows
    bands: list[Band] = []
    rest = _pieces(land)
    for piece in list(rest):
        rows_of_guide = _measured(guide, piece, ground, design)
        band, _ = _banded(
            guide, piece, replace(rows_of_guide, over=np.zeros_like(rows_of_guide.over)), design
        )
        if band is not None:
            bands.append(band)
            rest.remove(piece)
            rest += _pieces(shapely.difference(piece, band.area, grid_size=GRID_M))
    return bands + [b for piece in rest for b in contour_bands(piece, ground, design)]


def _led_on(line: Floats, land: Any, ground: Survey, design: Design) -> Floats:
    """A row that stands, led on from both ends until it has left the land."""
    soft = smooth(ground.surface, math.hypot(GUIDE_SMOOTHING_M, ground.smoothing_m))
    inside = _cells_inside(soft, shapely.buffer(land, 3.0 * soft.cell_m))
    radius, fall = GUIDE_RADII[0] * design.turn_radius_m, design.row_fall_pct or 0.0
    parts, left = [line], [True, True]
    for k, (end, before, way) in enumerate(((line[0], line[1], -1.0), (line[-1], line[-2], 1.0))):
        heading = math.atan2(*(end - before))
        if abs(math.cos(heading - _contour_heading(soft, end))) < math.cos(math.radians(ALONG_DEG)):
            continue
        more, left[k] = _followed(soft, inside, (end[0], end[1]), way, radius, fall, heading)
        parts = [more[:0:-1], *parts] if way < 0.0 else [*parts, more[1:]]
    return _lengthened(np.concatenate(parts), ground.surface, *left)


def _pieces(land: Any) -> list[Any]:
    """The parts of land that are worth a band: large enough, and wider than a few rows."""
    parts = [p for p in shapely.get_parts(shapely.get_parts(land)) if p.geom_type == "Polygon"]
    return [
        p
        for p in parts
        if p.area >= LEAST_BAND_HA * 1e4 and not shapely.buffer(p, -LEAST_WIDTH_M / 4.0).is_empty
    ]


def _best_band(piece: Any, soft: Surface, ground: Survey, design: Design) -> Band | None:
    """Of the bands about some guides the one with most land on which rows keep their grade."""
    inside = _cells_inside(soft, shapely.buffer(piece, 3.0 * soft.cell_m))
    within = _cells_inside(soft, piece)
    if not within.any():
        return None
    best, best_score = None, 0.0
    for seed in _seeds(soft, within):
        for radius in GUIDE_RADII:
            guide = _guide(soft, inside, seed, radius * design.turn_radius_m, design)
            if guide is None:
                continue
            band, score = _band(guide, piece, ground, design)
            if band is not None and score > best_score * (1.0 + 1e-9):
                best, best_score = band, score
    return best


def _cells_inside(surface: Surface, area: Any) -> Mask:
    x, y = cell_centres(surface)
    shapely.prepare(area)
    return np.asarray(shapely.contains_xy(area, x, y), dtype=bool)


def _seeds(soft: Surface, within: Mask) -> list[tuple[float, float]]:
    """Places at some heights, each the nearest to the middle of the land at that height."""
    x, y = (c[within] for c in cell_centres(soft))
    z = soft.z_m[within]
    away = np.hypot(x - x.mean(), y - y.mean())
    found = []
    for share in SEED_SHARES:
        level = float(np.quantile(z, share))
        off = np.abs(z - level)
        near = off <= np.quantile(off, 0.05)
        k = int(np.flatnonzero(near)[np.argmin(away[near])])
        found.append((float(x[k]), float(y[k])))
    return found


# ---- the guide -------------------------------------------------------------------------------------


def _guide(
    soft: Surface, inside: Mask, seed: tuple[float, float], radius_m: float, design: Design
) -> Guide | None:
    """A guide through a place, both ways along its contour, and straight on beyond the land."""
    fall = design.row_fall_pct or 0.0
    (ahead, on), (back, off) = (_followed(soft, inside, seed, way, radius_m, fall) for way in (1.0, -1.0))
    line = np.concatenate([back[::-1], ahead[1:]])
    if len(line) < 4:
        return None
    line = gaussian_filter1d(line, 2.0, axis=0, mode="nearest")
    return guide_of(_lengthened(_gentle(_evenly(line), radius_m), soft, off, on))


def _gentle(line: Floats, radius_m: float) -> Floats:
    """A line smoothed until it keeps a radius."""
    for _ in range(20):
        if _sharpest(line) * radius_m <= 1.05:
            break
        line = _evenly(gaussian_filter1d(line, 3.0, axis=0, mode="nearest"))
    return line


def _lengthened(line: Floats, surface: Surface, before: bool, after: bool) -> Floats:
    """A line with straight ends that reach beyond the ground, where they are wanted."""
    rows, columns = surface.z_m.shape
    beyond = np.arange(1.0, math.hypot(rows, columns) * surface.cell_m / STEP_M / 4.0)[:, None] * STEP_M * 4.0
    head = (line[0] + beyond * _unit(line[0] - line[1]))[::-1] if before else line[:0]
    tail = line[-1] + beyond * _unit(line[-1] - line[-2]) if after else line[:0]
    return np.concatenate([head, line, tail])


def _gradient_at(soft: Surface, place: Sequence[float]) -> tuple[float, float]:
    """Slope of the ground at a place, east and north. [-]"""
    (x, y), cell = place, soft.cell_m
    z = elevation_m(soft, np.array([x + cell, x - cell, x, x]), np.array([y, y, y + cell, y - cell]))
    return (z[0] - z[1]) / (2.0 * cell), (z[2] - z[3]) / (2.0 * cell)


def _contour_heading(soft: Surface, place: Sequence[float]) -> float:
    """Heading along the contour at a place, the ground falling to the right. [rad, clockwise from north]"""
    gx, gy = _gradient_at(soft, place)
    return math.atan2(gy, -gx)


def _followed(
    soft: Surface,
    inside: Mask,
    seed: tuple[float, float],
    way: float,
    radius_m: float,
    fall_pct: float,
    heading: float | None = None,
) -> tuple[Floats, bool]:
    """Return (vertices one way from a place, whether the line left the land rather than turned about).

    It sets out along the contour, or with a heading [rad, clockwise from north].
    """
    (x, y), cell = seed, soft.cell_m
    level = float(elevation_m(soft, np.array([x]), np.array([y]))[0])
    if heading is None:
        down = math.asin(min(0.5, fall_pct / 100.0 / max(math.hypot(*_gradient_at(soft, seed)), 1e-6)))
        heading = _contour_heading(soft, seed) + down + (0.0 if way > 0.0 else math.pi)
    out = np.empty((4000, 2))
    used = kernel.follow(
        soft.z_m, soft.x0_m, soft.y0_m, cell, inside, x, y, heading, way * fall_pct / 100.0, level,
        STEP_M, radius_m, math.radians(MOST_TURN_DEG), 0.001, out,
    )  # fmt: skip
    i, j = (
        round(float(p))
        for p in ((out[used - 1, 1] - soft.y0_m) / cell, (out[used - 1, 0] - soft.x0_m) / cell)
    )
    within = 0 <= i < inside.shape[0] and 0 <= j < inside.shape[1] and bool(inside[i, j])
    return out[:used], not within


def _evenly(line: Floats) -> Floats:
    """A line's points anew, evenly spaced."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    count = max(3, round(along[-1] / STEP_M))
    at = np.linspace(0.0, along[-1], count + 1)
    return np.column_stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])])


def _sharpest(line: Floats) -> float:
    """Greatest curvature at a line's vertices. [1/m]"""
    step = np.diff(line, axis=0)
    heading = np.unwrap(np.arctan2(step[:, 0], step[:, 1]))
    length = np.hypot(step[:, 0], step[:, 1])
    return float((np.abs(np.diff(heading)) / (0.5 * (length[1:] + length[:-1]))).max(initial=0.0))


def _unit(way: Floats) -> Floats:
    return np.asarray(way / np.hypot(way[0], way[1]))


# ---- the band --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Rows:
    """Sample rows of a guide over a piece: each `v_m` has its length, the share over the grade limit, and
    whether machines can follow it."""

    v_m: Floats
    length_m: Floats
    over: Floats
    followed: np.ndarray


def _band(guide: Guide, piece: Any, ground: Survey, design: Design) -> tuple[Band | None, float]:
    """A guide's band in a piece, and its score: land on which rows keep their grade. [m2]"""
    return _banded(guide, piece, _measured(guide, piece, ground, design), design)


def _banded(guide: Guide, piece: Any, rows: _Rows, design: Design) -> tuple[Band | None, float]:
    low, high = (_reach(rows, way) for way in (-1.0, 1.0))
    spacing = design.lateral_spacing_m
    low_m, high_m = (math.ceil(abs(b) / spacing) * spacing * (1.0 if b > 0 else -1.0) for b in (low, high))
    area = shapely.intersection(piece, _between(guide, low_m, high_m), grid_size=GRID_M)
    area = max(shapely.get_parts(area), key=lambda p: p.area, default=None)
    if area is None or area.geom_type != "Polygon" or area.area < LEAST_BAND_HA * 1e4:
        return None, 0.0
    taken = (rows.v_m >= low) & (rows.v_m <= high)
    good = float((rows.length_m * (1.0 - rows.over))[taken].sum()) * STRIP_M
    return Band(guide, area, low_m, high_m), good


def _measured(guide: Guide, piece: Any, ground: Survey, design: Design) -> _Rows:
    """Rows at some distances, over the piece: lengths, grades and radii."""
    corners = shapely.get_coordinates(shapely.convex_hull(piece))
    far = min(WIDEST_M, float(np.hypot(*(corners - guide.points_m.mean(axis=0)).T).max()) + 200.0)
    each_side = math.floor(far / STRIP_M)
    v = STRIP_M * np.arange(-each_side, each_side + 1, dtype=np.float64)
    place = guide.points_m[None] + v[:, None, None] * guide.normals[None]
    shapely.prepare(piece)
    middle = (place[:, 1:] + place[:, :-1]) / 2.0
    inside = shapely.contains_xy(piece, middle[..., 0], middle[..., 1])
    edge = guide.edge_m[None] + v[:, None] * guide.shrink[None]
    z = elevation_m(ground.surface, place[..., 0], place[..., 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        grade = 100.0 * np.abs(np.diff(z, axis=1)) / np.maximum(edge, 0.1)
    length = np.where(inside, np.maximum(edge, 0.0), 0.0)
    total = length.sum(axis=1)
    too_steep = np.where(inside & (grade > design.row_grade_max_pct), length, 0.0).sum(axis=1)
    turn = np.abs(np.diff(guide.turned_rad))
    sharp = inside & (np.maximum(edge, 1e-9) < turn[None] * design.turn_radius_m)
    return _Rows(v, total, too_steep / np.maximum(total, 1e-9), ~sharp.any(axis=1))


def _reach(rows: _Rows, way: float) -> float:
    """How far a band goes to one side: until a row drifts or is too sharp. [m, signed]

    What is left beyond goes with it where it is too little for a guide of its own.
    """
    order = np.argsort(way * rows.v_m, kind="stable")
    side = order[way * rows.v_m[order] > 0.0]
    sharp = np.flatnonzero(~rows.followed[side])
    limit = int(sharp[0]) if sharp.size else side.size
    there = np.flatnonzero(rows.length_m[side] > 0.0)
    last = min(limit, int(there[-1]) + 1 if there.size else 0)
    drifted = (rows.over[side] > DRIFT_SHARE) & (np.abs(rows.v_m[side]) > LEAST_WIDTH_M)
    end = min(last, int(np.flatnonzero(drifted)[0]) if drifted.any() else last)
    beyond = float(rows.length_m[side][end:].sum()) * STRIP_M
    if beyond < REST_HA * 1e4:
        end = last
    # the row before the first that was refused, half a strip on; at least the guide's own strip
    return way * max(STRIP_M, (end + 0.5) * STRIP_M)


def _between(guide: Guide, low_m: float, high_m: float, first: int = 0, last: int | None = None) -> Any:
    """The ground between two rows of a guide, over some of its vertices."""
    which = slice(first, None if last is None else last + 1)
    ring = np.concatenate([guide.row_m(low_m)[which], guide.row_m(high_m)[which][::-1]])
    return polygons(shapely.make_valid(shapely.polygons(ring)))  # no lines where rows fold on themselves


# ---- panels ----------------------------------------------------------------------------------------


def panels(band: Band) -> list[tuple[CurvedAxes, Any]]:
    """A band's axes and areas, parted along normals where its rows turn much."""
    guide = band.guide
    first, last = _vertices_used(band)
    run = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(guide.turned_rad[first : last + 1])))])
    count = max(1, round(math.degrees(float(run[-1])) / PANEL_TURN_DEG))
    cuts = np.searchsorted(run, run[-1] * np.arange(1, count) / count) + first
    made = []
    for a, b in itertools.pairwise([first, *(int(c) for c in cuts), last]):
        area = shapely.intersection(band.area, _between(guide, band.low_m, band.high_m, a, b))
        if shapely.area(area) > 1.0:
            made.append((CurvedAxes(guide.part(a, b), (b - a) // 2), area))
    return made


def _vertices_used(band: Band) -> tuple[int, int]:
    """First and last vertex of the guide beside which the band has land."""
    guide = band.guide
    shapely.prepare(band.area)
    cells = [
        shapely.polygons(np.stack([low, high, high_next, low_next], axis=0))
        for low, high, low_next, high_next in zip(
            guide.row_m(band.low_m)[:-1],
            guide.row_m(band.high_m)[:-1],
            guide.row_m(band.low_m)[1:],
            guide.row_m(band.high_m)[1:],
            strict=True,
        )
    ]
    used = np.flatnonzero(shapely.intersects(band.area, cells))
    return (int(used[0]), int(used[-1]) + 1) if used.size else (0, len(guide.points_m) - 1)
