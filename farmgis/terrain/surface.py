"""The ground as a surface: sampled, smoothed, refined."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.interpolate import griddata
from scipy.ndimage import (
    binary_dilation,
    convolve,
    distance_transform_edt,
    gaussian_filter,
    label,
    maximum,
)

from farmgis.records import Floats, Surface
from farmgis.terrain import surface_kernel as kernel

Mask = np.ndarray[Any, np.dtype[np.bool_]]


def elevation_m(surface: Surface, x_m: Floats, y_m: Floats) -> Floats:
    """Elevation at points, of the same shape; NaN outside the window or beside a void. [m]

    A Catmull-Rom surface: it passes through the cells, its slope is continuous, and a plane stays one.
    """
    x, y = np.broadcast_arrays(np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float))
    out = np.empty(x.size)
    kernel.heights(surface.z_m, surface.x0_m, surface.y0_m, surface.cell_m, np.ravel(x), np.ravel(y), out)
    return out.reshape(x.shape)


def cell_centres(surface: Surface) -> tuple[Floats, Floats]:
    """Return (x, y) of every cell, each of the window's shape. [m]"""
    rows, columns = surface.z_m.shape
    x = surface.x0_m + surface.cell_m * np.arange(columns)
    y = surface.y0_m + surface.cell_m * np.arange(rows)
    return np.broadcast_to(x, (rows, columns)), np.broadcast_to(y[:, None], (rows, columns))


def noise_m(surface: Surface) -> float:
    """Standard deviation of the noise that does not correlate between cells. [m]

    The mask of Immerkaer (1996) answers to nothing that is quadratic in x and y; the median makes it
    deaf to a few banks and ditches. 0 for windows under 3 x 3 cells.
    """
    if min(surface.z_m.shape) < 3:
        return 0.0
    mask = np.outer([1.0, -2.0, 1.0], [1.0, -2.0, 1.0])
    answer = convolve(surface.z_m, mask, mode="nearest")[1:-1, 1:-1]
    answer = answer[np.isfinite(answer)]
    if answer.size == 0:
        return 0.0
    # the mask's weights have a square sum of 36; the median of |normal| is 0.6745 sigma
    return float(np.median(np.abs(answer)) / 0.6745 / 6.0)


def smoothing_length_m(noise: float, cell_m: float, slope_noise_pct: float, longest_m: float = 40.0) -> float:
    """Standard deviation of the Gaussian that brings slope noise down to a limit. [m]

    Noise s in cells c, smoothed over a length L, leaves a slope noise of s c / (L^2 sqrt(8 pi)). No
    smoothing is shorter than 0.7 of a cell.
    """
    length = math.sqrt(noise * cell_m / (slope_noise_pct / 100.0 * math.sqrt(8.0 * math.pi)))
    return min(max(length, 0.7 * cell_m), max(longest_m, 0.7 * cell_m))


def smooth(surface: Surface, length_m: float) -> Surface:
    """Return the window smoothed by a Gaussian of a standard deviation, voids within reach filled.

    A plane fitted to the whole is set aside first, so that slopes survive at edges and beside voids.
    """
    z = surface.z_m
    known = np.isfinite(z)
    if not known.any():
        return surface
    plane = _plane(z, known)
    sigma = length_m / surface.cell_m
    rest = np.where(known, z - plane, 0.0)
    smoothed = gaussian_filter(rest, sigma, mode="nearest", truncate=3.0)
    if not known.all():
        weight = gaussian_filter(known.astype(float), sigma, mode="nearest", truncate=3.0)
        near = weight > 0.2
        smoothed = np.where(near, smoothed / np.where(near, weight, 1.0), np.nan)
    return Surface(smoothed + plane, surface.x0_m, surface.y0_m, surface.cell_m)


def without_voids(surface: Surface, widest_m: float) -> Surface:
    """The window with voids up to a width filled, linearly between the cells around each.

    Voids that reach the window's edge stay: there the model ends.
    """
    void = ~np.isfinite(surface.z_m)
    if not void.any() or void.all():
        return surface
    parts, count = label(void)
    depth = distance_transform_edt(void) * surface.cell_m
    deepest = maximum(depth, parts, np.arange(1, count + 1))
    at_edge = np.concatenate([parts[0], parts[-1], parts[:, 0], parts[:, -1]])
    narrow = (deepest <= widest_m / 2.0) & ~np.isin(np.arange(1, count + 1), at_edge)
    fill = np.isin(parts, 1 + np.flatnonzero(narrow))
    if not fill.any():
        return surface
    return replace(surface, z_m=_filled(surface.z_m, void, fill))


def carried_on(surface: Surface) -> Surface:
    """The window with elevations everywhere, so that ground beside a void, or the model's end, has slopes.

    Across a void they are linear between the cells around it; at the model's end the plane fitted to the
    whole goes on from the nearest cell.
    """
    z = surface.z_m
    void = ~np.isfinite(z)
    if not void.any() or void.all():
        return surface
    plane = _plane(z, ~void)
    rest = _filled(z - plane, void, void)
    beyond = ~np.isfinite(rest)
    if beyond.any():
        nearest = distance_transform_edt(beyond, return_distances=False, return_indices=True)
        rest = rest[tuple(nearest)]
    return replace(surface, z_m=rest + plane)


def _filled(z: Floats, void: Mask, fill: Mask) -> Floats:
    """Heights with some void cells filled, linearly between known cells around; NaN where none are around."""
    ring = binary_dilation(fill, np.ones((3, 3))) & ~void
    made = z.copy()
    if np.linalg.matrix_rank(np.argwhere(ring) - np.argwhere(ring)[:1]) == 2:
        made[fill] = griddata(np.argwhere(ring), z[ring], np.argwhere(fill), method="linear")
    return made


def _plane(z: Floats, known: np.ndarray) -> Floats:
    """The least-squares plane through the known cells, on the whole window."""
    i, j = np.indices(z.shape, dtype=float)
    terms = np.stack([np.ones(known.sum()), i[known], j[known]], axis=1)
    a, b, c = np.linalg.lstsq(terms, z[known], rcond=None)[0]
    return np.asarray(a + b * i + c * j)


def refine(surface: Surface, factor: int) -> Surface:
    """Return the window in cells `factor` times finer, sampled from the surface."""
    rows, columns = surface.z_m.shape
    cell = surface.cell_m / factor
    x = surface.x0_m + cell * np.arange((columns - 1) * factor + 1)
    y = surface.y0_m + cell * np.arange((rows - 1) * factor + 1)
    return Surface(elevation_m(surface, x[None, :], y[:, None]), surface.x0_m, surface.y0_m, cell)
