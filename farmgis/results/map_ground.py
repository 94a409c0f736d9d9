"""Contours and the fall of the ground, from the heights that the laterals were computed with."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.ndimage import distance_transform_edt, gaussian_filter

from farmgis.records import Floats

INTERVALS_M = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
MOST_CONTOURS = 14
CELLS = 160
"""Cells along the longer side of a field's grid."""


@dataclass(frozen=True)
class Ground:
    """Heights on a square grid, NaN outside the irrigated land. `x_m`, `y_m` are the cells' centres."""

    x_m: Floats
    y_m: Floats
    z_m: Floats

    @property
    def range_m(self) -> tuple[float, float]:
        """Lowest and highest ground."""
        return float(np.nanmin(self.z_m)), float(np.nanmax(self.z_m))


def field_ground(laterals: Any, land: Any) -> Ground | None:
    """The ground of irrigated land, from its laterals (LineString Z); None where there are none.

    The lines' heights are averaged by cell, gaps take the nearest, and all is smoothed over one cell.
    """
    if not len(laterals):
        return None
    west, south, east, north = shapely.bounds(land)
    cell = max(east - west, north - south, 1.0) / CELLS
    points = shapely.get_coordinates(shapely.segmentize(np.array(laterals), 4.0 * cell), include_z=True)
    points = points[np.isfinite(points).all(axis=1)]
    x = np.arange(west, east + cell, cell)
    y = np.arange(south, north + cell, cell)
    z = _cell_means(points, x, y, cell)
    if np.isfinite(z).sum() < 4:
        return None
    near = distance_transform_edt(np.isnan(z), return_distances=False, return_indices=True)
    z = z[tuple(near)]
    z = gaussian_filter(z, 1.0, mode="nearest")
    wide = shapely.buffer(land, cell)
    shapely.prepare(wide)
    inside = shapely.contains_xy(wide, *np.meshgrid(x, y))
    return Ground(x, y, np.where(inside, z, np.nan)) if inside.any() else None


def _cell_means(points: Floats, x: Floats, y: Floats, cell: float) -> Floats:
    """Mean height of the points in each cell, of shape (y, x), NaN where there is none."""
    i = np.clip(np.rint((points[:, 0] - x[0]) / cell).astype(int), 0, len(x) - 1)
    j = np.clip(np.rint((points[:, 1] - y[0]) / cell).astype(int), 0, len(y) - 1)
    own, size = j * len(x) + i, len(x) * len(y)
    count = np.bincount(own, minlength=size)
    total = np.bincount(own, weights=points[:, 2], minlength=size)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(len(y), len(x))


def interval_m(lowest_m: float, highest_m: float) -> float:
    """Height from contour to contour that gives no more than fourteen of them. [m]

    >>> interval_m(114.2, 117.1), interval_m(138.0, 156.0)
    (0.25, 2.0)
    """
    relief = highest_m - lowest_m
    return next((i for i in INTERVALS_M if relief / i <= MOST_CONTOURS), INTERVALS_M[-1])


def contours(ground: Ground, interval: float) -> list[tuple[float, list[Floats]]]:
    """Each contour's height and its lines, each of shape (n, 2), in the plan's coordinates."""
    from contourpy import contour_generator

    made = contour_generator(ground.x_m, ground.y_m, np.ma.masked_invalid(ground.z_m))
    low, high = ground.range_m
    first, last = math.ceil(low / interval), math.floor(high / interval)
    found = []
    for k in range(first, last + 1):
        lines = [np.asarray(line) for line in made.lines(k * interval) if len(line) > 2]
        if lines:
            found.append((round(k * interval, 6), lines))
    return found


def fall(ground: Ground, land: Any) -> tuple[float, float, float] | None:
    """The plane that fits a piece of land best: its slope as (east, north) downhill and in percent.

    None where it holds too few cells to tell.
    """
    x, y = np.meshgrid(ground.x_m, ground.y_m)
    shapely.prepare(land)
    inside = shapely.contains_xy(land, x, y) & np.isfinite(ground.z_m)
    if inside.sum() < 6:
        return None
    terms = np.stack([np.ones(inside.sum()), x[inside] - ground.x_m[0], y[inside] - ground.y_m[0]], axis=1)
    _, east, north = np.linalg.lstsq(terms, ground.z_m[inside], rcond=None)[0]
    steep = math.hypot(east, north)
    if steep < 1e-6:
        return None
    return -east / steep, -north / steep, 100.0 * steep
