"""Parts of a field with rows of their own: facets with a direction each, and bands of contour rows."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from farmgis.planning.contour_rows import Band, panels
from farmgis.planning.curves import CurvedAxes, straightened
from farmgis.planning.rows import (
    SIDE_ANGLE_DEG,
    Axes,
    RowPlan,
    crop_rows,
    irrigated_land,
    lateral_lines,
    mended,
    phase_of,
    polygons,
    row_period_m,
)
from farmgis.planning.survey import Survey
from farmgis.records import Design, Field, Floats
from farmgis.terrain.gradient import azimuth_unit

EDGE_M = 5.0
"""Borders are looked at in pieces of this length."""

Directions = Callable[[Floats, Floats], tuple[Floats, Floats]]
"""What gives the unit vector (east, north) of the rows at points."""


@dataclass(frozen=True)
class Neighbour:
    """Another part of the field and the way of its rows."""

    area: Any
    directions: Directions


def along_azimuth(azimuth_deg: float) -> Directions:
    """The directions of straight rows."""
    east, north = azimuth_unit(azimuth_deg)
    return lambda x, y: (np.full(np.shape(x), east), np.full(np.shape(x), north))


# ---- facets ----------------------------------------------------------------------------------------


def facet_plan(field: Field, part: Any, azimuth_deg: float, others: Sequence[Neighbour] = ()) -> RowPlan:
    """Rows and laterals over a facet at an azimuth.

    Where its rows run into another facet machines turn between the two: on half a headland each where
    both end there, on all of it where the other's run along.
    """
    centre, design = part.centroid, field.design
    axes = Axes(azimuth_deg, centre.x, centre.y)
    land = field.area if field.exclusions is None else field.area - field.exclusions
    whole = irrigated_land(axes.turned(land), design)
    strip = border_strip(part, field, along_azimuth(azimuth_deg), others)
    kept = part - strip if field.taken is None else part - strip - field.taken
    irrigated = polygons(shapely.intersection(whole, axes.turned(kept)))
    lowest = 0.0 if irrigated.is_empty else irrigated.bounds[1]
    first = lowest + design.row_spacing_m / 2.0
    if field.kept_rows is not None:
        first = phase_of(axes.turned(field.kept_rows), row_period_m(design))
    return RowPlan(
        axes, irrigated, crop_rows(irrigated, first, design), lateral_lines(irrigated, first, design), part
    )


def border_strip(part: Any, field: Field, directions: Directions, others: Sequence[Neighbour]) -> Any:
    """Land that a part keeps free along its borders with others, where its rows end."""
    inner = shapely.difference(shapely.boundary(part), shapely.buffer(shapely.boundary(field.area), 0.2))
    edges, ends = ends_of(inner, directions)
    if not ends.any():
        return shapely.MultiPolygon()
    a, b = edges[ends, 0], edges[ends, 1]
    half = np.ones(len(a), dtype=bool)
    for other in others:
        half &= ~_runs_along(a, b, other)
    headland = field.design.headland_m
    lines = shapely.linestrings(edges[ends])
    widths = np.where(half, headland / 2.0, headland)
    return shapely.union_all(shapely.buffer(lines, widths, quad_segs=4))


def _runs_along(a: Floats, b: Floats, other: Neighbour) -> Any:
    """Whether another part lies beside pieces of a border and its rows run along them."""
    middle = (a + b) / 2.0
    beside = shapely.distance(other.area, shapely.points(middle)) < 1.0
    return beside & ~_across(a, b, other.directions)


def ends_of(lines: Any, directions: Directions) -> tuple[Floats, Any]:
    """Return (edges (n, 2, 2) of lines in short pieces, whether rows run into each)."""
    parts = [p for p in shapely.get_parts(shapely.get_parts(lines)) if "Line" in p.geom_type]
    if not parts:
        return np.empty((0, 2, 2)), np.zeros(0, dtype=bool)
    points, which = shapely.get_coordinates(shapely.segmentize(parts, EDGE_M), return_index=True)
    same = which[1:] == which[:-1]
    edges = np.stack([points[:-1][same], points[1:][same]], axis=1)
    return edges, _across(edges[:, 0], edges[:, 1], directions)


def _across(a: Floats, b: Floats, directions: Directions) -> Any:
    step, middle = b - a, (a + b) / 2.0
    east, north = directions(middle[:, 0], middle[:, 1])
    cross = np.abs(step[:, 0] * north - step[:, 1] * east)
    return cross > np.hypot(step[:, 0], step[:, 1]) * math.sin(math.radians(SIDE_ANGLE_DEG))


# ---- bands -----------------------------------------------------------------------------------------


def band_plans(field: Field, bands: Sequence[Band], which: int, ground: Survey) -> list[RowPlan]:
    """Rows and laterals of a band's panels: in each the same rows, which go on from one to the next."""
    band, others = bands[which], [*bands[:which], *bands[which + 1 :]]
    parts = panels(band)
    if not parts:
        return []
    land = curved_land(field, band, parts[0][0].directions)
    land -= border_strip(band.area, field, parts[0][0].directions, [_neighbour(o) for o in others])
    if field.taken is not None:
        land -= field.taken
    made = []
    for axes, area in parts:
        flat = mended(axes.turned(polygons(shapely.intersection(land, area))))
        if flat.is_empty:
            continue
        made.append(_panel_plan(field.design, axes, flat, area, ground, which))
    return made


def _panel_plan(design: Design, axes: CurvedAxes, flat: Any, area: Any, ground: Survey, band: int) -> RowPlan:
    first = design.row_spacing_m / 2.0  # the guide runs midway between two rows
    return RowPlan(
        axes,
        flat,
        crop_rows(flat, first, design),
        lateral_lines(flat, first, design),
        area,
        straightened(ground.surface, axes, flat),
        band,
    )


def _neighbour(band: Band) -> Neighbour:
    return Neighbour(band.area, CurvedAxes(band.guide, 0).directions)


def curved_land(field: Field, band: Band, directions: Directions) -> Any:
    """A band's land in (x, y), less headlands at its rows' ends and margins along them."""
    design = field.design
    land = field.area if field.exclusions is None else field.area - field.exclusions
    near = shapely.buffer(band.area, max(design.headland_m, design.side_margin_m) + 1.0)
    rim = shapely.intersection(shapely.boundary(land), near)
    edges, ends = ends_of(rim, directions)
    left = shapely.intersection(land, band.area)
    for which, width in ((ends, design.headland_m), (~ends, design.side_margin_m)):
        if which.any() and width > 0.0:
            left -= shapely.union_all(shapely.buffer(shapely.linestrings(edges[which]), width, quad_segs=4))
    return left
