"""Rows and laterals as straight lines across a field, in the field's own axes.

In a field's axes u runs along the rows and v across them, to the right of the row azimuth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from farmgis.planning.curves import CurvedAxes
from farmgis.records import Design, Field, Floats, Surface

SIDE_ANGLE_DEG = 20.0
"""A boundary that meets the rows at less than this runs along them: side margin, no headland
(common practice)."""

LEAST_ASIDE_M = 0.1
"""A lateral that makes room for a wheel keeps this far from the next row (common practice)."""

MANY_EDGES = 500
"""Headlands along more edges of a boundary than this are found edge by edge."""


@dataclass(frozen=True)
class Axes:
    """A turn and a shift between the plan's (x, y) and a field's (u, v)."""

    azimuth_deg: float
    x0_m: float
    y0_m: float

    def to_uv(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return (u, v) of points. [m]"""
        s, c = self._turn()
        dx, dy = x - self.x0_m, y - self.y0_m
        return dx * s + dy * c, dx * c - dy * s

    def to_xy(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return (x, y) of points. [m]"""
        s, c = self._turn()
        return self.x0_m + u * s + v * c, self.y0_m + u * c - v * s

    def turned(self, geometry: Any) -> Any:
        """Return a geometry in (u, v); land stays valid where a corner touches an edge."""
        moved = shapely.transform(geometry, lambda p: np.column_stack(self.to_uv(p[:, 0], p[:, 1])))
        if shapely.get_dimensions(moved) < 2 or shapely.is_valid(moved):
            return moved
        return mended(moved)

    def placed(self, geometry: Any) -> Any:
        """Return a geometry given in (u, v) in the plan's (x, y)."""
        return shapely.transform(geometry, lambda p: np.column_stack(self.to_xy(p[:, 0], p[:, 1])))

    def directions(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Unit vector (east, north) along the rows at points."""
        s, c = self._turn()
        return np.full(np.shape(x), s), np.full(np.shape(y), c)

    def _turn(self) -> tuple[float, float]:
        return math.sin(math.radians(self.azimuth_deg)), math.cos(math.radians(self.azimuth_deg))


@dataclass(frozen=True)
class Lines:
    """Pieces of parallel lines: line number, position v and the piece's ends u, each of shape (pieces,).

    Sorted by line, then by u. Line n lies at `first_v_m` + n `spacing_m`; where lines come in pairs, one
    on each side of a row, a pair shares 2 `spacing_m` and its lines are `pair_gap_m` apart.
    """

    number: NDArray[np.int64]
    v_m: Floats
    start_u_m: Floats
    end_u_m: Floats
    first_v_m: float
    spacing_m: float
    pair_gap_m: float | None = None

    def line_v_m(self, number: Any) -> Any:
        """Position across the rows of a line, or of many. [m]"""
        if self.pair_gap_m is None:
            return self.first_v_m + number * self.spacing_m
        return self.first_v_m + number // 2 * 2.0 * self.spacing_m + number % 2 * self.pair_gap_m

    def edge_below_m(self, number: Any) -> Any:
        """Edge of a line's strip towards the line before it. [m]"""
        return (self.line_v_m(number - 1) + self.line_v_m(number)) / 2.0

    def chosen(self, which: NDArray[np.bool_]) -> Lines:
        """Return only the pieces of a mask."""
        return Lines(
            self.number[which],
            self.v_m[which],
            self.start_u_m[which],
            self.end_u_m[which],
            self.first_v_m,
            self.spacing_m,
            self.pair_gap_m,
        )

    @property
    def length_m(self) -> float:
        """Length of all lines. [m]"""
        return float((self.end_u_m - self.start_u_m).sum())


@dataclass(frozen=True)
class RowPlan:
    """Rows and laterals of a field, or of a part of it: `irrigated` and all lines are in (u, v).

    `part` is in (x, y). Under curved rows `ground` is the surface over (v, u), and the rows of plans of the
    same `band` go on from one to the next.
    """

    axes: Axes | CurvedAxes
    irrigated: Any
    rows: Lines
    laterals: Lines
    part: Any = None
    ground: Surface | None = None
    band: int | None = None

    def searched_on(self, surface: Surface) -> tuple[Axes, Surface]:
        """Return (axes, surface) on which the rows are straight."""
        if isinstance(self.axes, CurvedAxes):
            assert self.ground is not None
            return Axes(0.0, 0.0, 0.0), self.ground
        return self.axes, surface


def row_plan(field: Field, azimuth_deg: float) -> RowPlan:
    """Lay rows and laterals over a field at an azimuth."""
    centre = field.area.centroid
    axes = Axes(azimuth_deg, centre.x, centre.y)
    design = field.design
    land = field.area if field.exclusions is None else field.area - field.exclusions
    irrigated = irrigated_land(axes.turned(land), design)
    if field.taken is not None:
        irrigated = polygons(irrigated - axes.turned(field.taken))
    lowest = 0.0 if irrigated.is_empty else irrigated.bounds[1]
    first_row = lowest + design.row_spacing_m / 2.0
    if field.kept_rows is not None:
        first_row = phase_of(axes.turned(field.kept_rows), row_period_m(design))
    return RowPlan(
        axes,
        irrigated,
        crop_rows(irrigated, first_row, design),
        lateral_lines(irrigated, first_row, design),
    )


def phase_of(rows: Any, period_m: float) -> float:
    """Position across of rows that stand already, as the mean of where each lies in its period. [m]"""
    lines = shapely.get_parts(rows)
    v = np.array([shapely.get_coordinates(p)[:, 1].mean() for p in lines])
    turn = 2.0 * np.pi * v / period_m
    weight = shapely.length(lines)
    mean = math.atan2(float((weight * np.sin(turn)).sum()), float((weight * np.cos(turn)).sum()))
    return mean * period_m / (2.0 * math.pi)


def row_period_m(design: Design) -> float:
    """Distance over which the pattern of rows repeats. [m]"""
    return design.row_spacing_m if design.bed_spacing_m is None else design.bed_spacing_m


def crop_rows(irrigated: Any, first_row: float, design: Design) -> Lines:
    """The crop rows: evenly spaced, or in beds."""
    if design.bed_spacing_m is None:
        return clipped_lines(irrigated, first_row, design.row_spacing_m)
    count, step = design.rows_per_bed, design.row_spacing_m
    beds = [clipped_lines(irrigated, first_row + k * step, design.bed_spacing_m) for k in range(count)]
    return _together(beds, first_row, design.mean_row_spacing_m, step if count == 2 else None)


def _together(parts: list[Lines], first_v_m: float, spacing_m: float, gap_m: float | None) -> Lines:
    """Lines that repeat at the same distance, numbered by turns."""
    number = np.concatenate([len(parts) * p.number + k for k, p in enumerate(parts)])
    start = np.concatenate([p.start_u_m for p in parts])
    order = np.lexsort((start, number))
    v, end = (np.concatenate(a) for a in ([p.v_m for p in parts], [p.end_u_m for p in parts]))
    return Lines(number[order], v[order], start[order], end[order], first_v_m, spacing_m, gap_m)


def polygons(land: Any) -> Any:
    """The polygons of a geometry, as one MultiPolygon."""
    return shapely.MultiPolygon([p for p in shapely.get_parts(land) if p.geom_type == "Polygon"])


def mended(land: Any) -> Any:
    """Land made valid after a move by which corners that touch an edge may cross it; holes stay holes."""
    return polygons(shapely.make_valid(land, method="structure", keep_collapsed=False))


def irrigated_land(land: Any, design: Design) -> Any:
    """Land less headlands at the row ends and margins along the rows; rows run along u.

    The two are one union, so that no corner is taken twice.
    """
    ends, sides = _boundary_by_kind(land)
    taken = []
    if ends is not None and design.headland_m > 0.0:
        taken.append(_beside(ends, design.headland_m))
    if sides is not None and design.side_margin_m > 0.0:
        taken.append(_beside(sides, design.side_margin_m))
    return polygons(land - shapely.union_all(taken) if taken else land)


def _beside(edges: Any, width_m: float) -> Any:
    """The land within a width of edges; many are joined from each one's own, which is far quicker."""
    if shapely.get_num_geometries(edges) <= MANY_EDGES:
        return shapely.buffer(edges, width_m, quad_segs=4)
    return shapely.union_all(shapely.buffer(shapely.get_parts(edges), width_m, quad_segs=4))


def _boundary_by_kind(land: Any) -> tuple[Any, Any]:
    """Return the boundary's edges that rows run into, and those that run along the rows."""
    ends, sides = [], []
    for ring in shapely.get_parts(shapely.boundary(land)):
        for line in shapely.get_parts(ring):
            points = shapely.get_coordinates(line)
            step = np.diff(points, axis=0)
            across = np.abs(step[:, 1]) > np.hypot(step[:, 0], step[:, 1]) * math.sin(
                math.radians(SIDE_ANGLE_DEG)
            )
            edges = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
            ends.extend(edges[across])
            sides.extend(edges[~across])
    return (
        shapely.multilinestrings(ends) if ends else None,
        shapely.multilinestrings(sides) if sides else None,
    )


def lateral_lines(irrigated: Any, first_row: float, design: Design) -> Lines:
    """Lateral lines: midway between the rows they serve, on the row, or two beside it; in no wheel track."""
    served, step = design.rows_per_lateral, design.row_spacing_m
    middle = (served - 1) * step / 2.0
    if design.laterals_per_row == 2:
        return _pairs(irrigated, first_row - design.line_offset_m, step, 2.0 * design.line_offset_m)
    if design.bed_spacing_m is None:
        shift = middle + wheel_shift_m(design)[0]
        return clipped_lines(irrigated, first_row + shift, design.lateral_spacing_m)
    beds = served // design.rows_per_bed
    if beds == 0:
        return _pairs(irrigated, first_row + middle, design.bed_spacing_m, served * step)
    middle = ((beds - 1) * design.bed_spacing_m + (design.rows_per_bed - 1) * step) / 2.0
    return clipped_lines(irrigated, first_row + middle, beds * design.bed_spacing_m)


def _pairs(irrigated: Any, first_v_m: float, period_m: float, gap_m: float) -> Lines:
    """Two lines in each period."""
    pair = [clipped_lines(irrigated, first_v_m + k * gap_m, period_m) for k in (0, 1)]
    return _together(pair, first_v_m, period_m / 2.0, gap_m)


def wheel_shift_m(design: Design) -> tuple[float, bool]:
    """Return (how far laterals lie from midway between their rows [m], whether all are off the wheels).

    Rows come in passes of `planter_rows`, the wheels run at half the gauge each side of a pass's middle.
    Whole rows are tried first, then a step aside between the rows.
    """
    if design.planter_rows is None or design.wheel_gauge_m is None or design.laterals_per_row == 2:
        return 0.0, True
    step, served, planter = design.row_spacing_m, design.rows_per_lateral, design.planter_rows
    period = math.lcm(served, planter)
    centre = (np.arange(0, period, planter)[:, None] + (planter - 1) / 2.0) * step
    wheels = (centre + np.array([-0.5, 0.5]) * design.wheel_gauge_m).ravel()
    laterals = (np.arange(0, period, served) + (served - 1) / 2.0) * step
    room = 0.5 * step - LEAST_ASIDE_M
    aside = [0.0] + [s * d for d in np.arange(0.05, max(room, 0.0) + 1e-9, 0.05) for s in (1.0, -1.0)]
    shifts = [row * step + side for side in aside for row in range(served)]
    for shift in shifts:
        away = (laterals[:, None] + shift - wheels[None, :]) % (period * step)
        if np.minimum(away, period * step - away).min() >= design.tyre_width_m / 2.0 - 1e-9:
            return float(shift), True
    return 0.0, False


def clipped_lines(area: Any, first_v_m: float, spacing_m: float) -> Lines:
    """The pieces, inside an area, of the lines v = first + n spacing (n whole, of any sign)."""
    u1, v1, u2, v2 = _edges(area)
    low = np.ceil((np.minimum(v1, v2) - first_v_m) / spacing_m).astype(np.int64)
    high = np.ceil((np.maximum(v1, v2) - first_v_m) / spacing_m).astype(np.int64)
    count = high - low
    edge = np.repeat(np.arange(u1.size), count)
    within = np.arange(edge.size) - np.repeat(np.cumsum(count) - count, count)
    number = low[edge] + within
    v = first_v_m + number * spacing_m
    share = (v - v1[edge]) / (v2[edge] - v1[edge])
    u = u1[edge] + share * (u2[edge] - u1[edge])
    order = np.lexsort((u, number))
    number, v, u = number[order], v[order], u[order]
    return Lines(number[::2], v[::2], u[::2], u[1::2], first_v_m, spacing_m)


def _edges(area: Any) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the ends (u1, v1, u2, v2) of every edge of every ring."""
    rings = shapely.get_rings(shapely.get_parts(area))
    points, which = shapely.get_coordinates(rings, return_index=True)
    same = which[1:] == which[:-1]
    a, b = points[:-1][same], points[1:][same]
    return a[:, 0], a[:, 1], b[:, 0], b[:, 1]
