"""Survey: what the ground under a field is like, before anything is laid on it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from farmgis.errors import ElevationCoverError, FieldError
from farmgis.records import Field, Finding, Floats, Surface
from farmgis.terrain.gradient import Contour, Mask, contour, grade_along_pct, gradient, slope_pct
from farmgis.terrain.surface import (
    carried_on,
    cell_centres,
    noise_m,
    refine,
    smooth,
    smoothing_length_m,
    without_voids,
)

SLOPE_NOISE_PCT = 0.3
"""Smoothing brings the slope noise of single cells down to this (common practice)."""

VOID_M = 20.0
"""Voids of the elevation model up to this width are filled from the ground around them (common practice)."""

LEAST_CELLS = 100
"""A field with fewer cells than this is surveyed on a refined grid."""

STEEP_PCT = 30.0
"""Ground steeper than this is rarely farmed: more likely the elevations are in feet."""

WALL_PCT, WALL_TIMES = 60.0, 3.0
"""Slopes over this, and so many times over nearly all others of a field, are a bank, a building, a tree or a
step in the model (common practice)."""


@dataclass(frozen=True)
class Survey:
    """The ground of one field: `surface` is smoothed and is what everything else is computed with."""

    surface: Surface
    inside: Mask
    noise_m: float
    smoothing_m: float
    relief_m: float
    slope_mean_pct: float
    slope_p95_pct: float
    contour: Contour | None
    dz_dx: Floats
    dz_dy: Floats
    findings: tuple[Finding, ...]


def survey(field: Field, window: Surface, smoothing_m: float | None = None) -> Survey:
    """Survey a field on a window of the elevation model that reaches past it.

    `smoothing_m` is the Gaussian's standard deviation; None lets the window's noise decide. Raises
    ElevationCoverError where the model leaves part of the field without elevations.
    """
    noise = noise_m(window)
    if smoothing_m is None:
        smoothing_m = smoothing_length_m(noise, window.cell_m, SLOPE_NOISE_PCT)
    area = field.land
    if area.is_empty:
        raise FieldError(
            f"field {field.field_id!r}: exclusions and tracks leave nothing of it",
            "check them, or leave it out",
            0.0,
            unit="ha",
        )
    voids = _void_share(window, area)
    known = without_voids(window, VOID_M)
    surface = _fine(smooth(known, smoothing_m), area)
    inside = _cells_inside(surface, area)
    missing = float(np.mean(~np.isfinite(surface.z_m[inside]))) if inside.any() else 1.0
    if missing > 0.0:
        raise ElevationCoverError(
            f"field {field.field_id!r}: the elevation model has no values for {100.0 * missing:.2g} % of it "
            f"({missing * area.area / 1e4:.2g} ha)",
            "give a model that reaches past the boundary and has no voids wider than "
            f"{VOID_M:g} m or a few cells, or leave that part out",
            100.0 * missing,
            0.0,
            "%",
        )
    if not np.isfinite(surface.z_m).all():  # where no land is: ground beside it has slopes all the same
        surface = _fine(smooth(carried_on(known), smoothing_m), area)
    dz_dx, dz_dy = gradient(surface)
    slope = slope_pct(dz_dx[inside], dz_dy[inside])
    z = surface.z_m[inside]
    p95 = float(np.percentile(slope, 95.0))
    found = _findings(field, window, area, voids, p95)
    found += _walls(field, surface, inside, slope_pct(dz_dx, dz_dy), p95)
    return Survey(
        surface=surface,
        inside=inside,
        noise_m=noise,
        smoothing_m=smoothing_m,
        relief_m=float(z.max() - z.min()),
        slope_mean_pct=float(slope.mean()),
        slope_p95_pct=p95,
        contour=contour(surface, inside, noise, smoothing_m),
        dz_dx=dz_dx,
        dz_dy=dz_dy,
        findings=tuple(found),
    )


def row_grades_pct(ground: Survey, azimuth_deg: float) -> tuple[float, float, float]:
    """Return (mean row grade, greatest row grade, greatest cross-slope), magnitudes. [%]"""
    gx, gy = ground.dz_dx[ground.inside], ground.dz_dy[ground.inside]
    along = np.abs(grade_along_pct(gx, gy, azimuth_deg))
    across = np.abs(grade_along_pct(gx, gy, azimuth_deg + 90.0))
    return float(along.mean()), float(along.max()), float(across.max())


def _fine(surface: Surface, area: Any) -> Surface:
    """A surface in cells small enough for an area."""
    if area.area >= LEAST_CELLS * surface.cell_m**2:
        return surface
    factor = math.ceil(surface.cell_m * math.sqrt(LEAST_CELLS / area.area))
    return refine(surface, min(factor, 50))


def _cells_inside(surface: Surface, area: Any) -> Mask:
    x, y = cell_centres(surface)
    shapely.prepare(area)
    return np.asarray(shapely.contains_xy(area, x, y), dtype=bool)


def _void_share(window: Surface, area: Any) -> float:
    inside = _cells_inside(window, area)
    return float(np.mean(~np.isfinite(window.z_m[inside]))) if inside.any() else 0.0


def _walls(field: Field, surface: Surface, inside: Mask, slope: Floats, p95: float) -> list[Finding]:
    """Places where the ground stands like a wall."""
    limit = max(WALL_PCT, WALL_TIMES * p95)
    wall = inside & (slope > limit)
    if not wall.any():
        return []
    return [
        Finding(
            "attention",
            "elevation",
            f"in places ({wall.sum() * surface.cell_m**2 / 1e4:.2g} ha) the ground stands like a wall; the "
            "plan takes it for ground",
            field.field_id,
            "look whether it is a bank, a building or a tree, or a step where two models meet; give what "
            "is not planted as an exclusion, or a model of the bare earth",
            measured=float(slope[wall].max()),
            limit=limit,
            unit="%",
            geometry=cells_land(surface, wall),
        )
    ]


def cells_land(surface: Surface, which: Mask) -> Any:
    """The ground of cells, as one geometry."""
    half = surface.cell_m / 2.0
    x, y = (c[which] for c in cell_centres(surface))
    return shapely.union_all(shapely.box(x - half, y - half, x + half, y + half))


def _findings(field: Field, window: Surface, area: Any, voids: float, p95: float) -> list[Finding]:
    found = []
    if voids > 0.0:
        found.append(
            Finding(
                "attention",
                "elevation",
                "the elevation model has small voids in the field; they were filled from the cells around",
                field.field_id,
                "look at the ground there, or give a model without voids",
                measured=100.0 * voids,
                limit=0.0,
                unit="%",
            )
        )
    if area.area < LEAST_CELLS * window.cell_m**2:
        found.append(
            Finding(
                "attention",
                "elevation",
                "the field has few cells of the elevation model; its slopes are only roughly known",
                field.field_id,
                "give a finer elevation model",
                measured=area.area / window.cell_m**2,
                limit=float(LEAST_CELLS),
                unit="cells",
            )
        )
    if p95 > STEEP_PCT:
        found.append(
            Finding(
                "attention",
                "elevation",
                "the field is steeper than land that is usually cropped",
                field.field_id,
                "check the unit of the elevations (feet read as metres make slopes 3.28 times too steep; "
                "state `unit` in the elevation section), and whether a tractor can work there",
                measured=p95,
                limit=STEEP_PCT,
                unit="%",
            )
        )
    return found
