"""Slope, and the direction along which a field is flattest."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from farmgis.records import Floats, Surface

Mask = NDArray[np.bool_]


def gradient(surface: Surface) -> tuple[Floats, Floats]:
    """Return (dz/dx, dz/dy) at every cell by central differences, each of the window's shape. [-]"""
    dz_dy, dz_dx = np.gradient(surface.z_m, surface.cell_m)
    return np.asarray(dz_dx), np.asarray(dz_dy)


def slope_pct(dz_dx: Floats, dz_dy: Floats) -> Floats:
    """Slope as rise over run. [%]

    >>> round(float(slope_pct(np.array(0.0), np.array(math.tan(math.radians(8.0))))), 2)
    14.05
    """
    return 100.0 * np.hypot(dz_dx, dz_dy)


def horn_gradient(window_3x3: Floats, cell_m: float) -> tuple[float, float]:
    """Return (dz/dx, dz/dy) at the middle of nine cells by Horn (1981), row 0 southernmost. [-]"""
    z = window_3x3
    dz_dx = ((z[:, 2] - z[:, 0]) * [1.0, 2.0, 1.0]).sum() / (8.0 * cell_m)
    dz_dy = ((z[2] - z[0]) * [1.0, 2.0, 1.0]).sum() / (8.0 * cell_m)
    return float(dz_dx), float(dz_dy)


def azimuth_unit(azimuth_deg: float) -> tuple[float, float]:
    """Return the unit vector (east, north) of an azimuth clockwise from grid north."""
    return math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))


def grade_along_pct(dz_dx: Floats, dz_dy: Floats, azimuth_deg: float) -> Floats:
    """Rise over run along an azimuth. [%]"""
    east, north = azimuth_unit(azimuth_deg)
    return 100.0 * (dz_dx * east + dz_dy * north)


@dataclass(frozen=True)
class Contour:
    """The direction of a field's contours, from its gradient tensor.

    `agreement` is 1 - least / greatest eigenvalue: 1 where one direction serves the whole field.
    `error_deg` is the standard error that the elevation model's noise leaves in the azimuth.
    """

    azimuth_deg: float
    agreement: float
    rms_grade_along_pct: float
    rms_grade_across_pct: float
    error_deg: float


FLAT_PCT = 0.1
"""A field whose root-mean-square slope is below this has no contours worth the name."""


def contour(surface: Surface, inside: Mask, noise_m: float, smoothing_m: float) -> Contour | None:
    """Contour direction over the cells `inside`, or None where they are flat.

    The mean-square grade along a unit vector u is u'Mu, with M the mean outer product of the gradient;
    the contour is M's minor eigenvector in closed form. Noise e of the cells turns it by
    dM12 / (l1 - l2), and dM12 is linear in e; its weights give the standard error.
    """
    dz_dx, dz_dy = gradient(surface)
    gx, gy = dz_dx[inside], dz_dy[inside]
    mxx, mxy, myy = float(np.mean(gx * gx)), float(np.mean(gx * gy)), float(np.mean(gy * gy))
    middle, radius = (mxx + myy) / 2.0, math.hypot((mxx - myy) / 2.0, mxy)
    greatest, least = middle + radius, max(middle - radius, 0.0)
    if 100.0 * math.sqrt(greatest + least) < FLAT_PCT:
        return None
    steepest_rad = 0.5 * math.atan2(2.0 * mxy, mxx - myy)  # from east, anticlockwise
    azimuth_deg = -math.degrees(steepest_rad) % 180.0
    tensor_error = _tensor_error(dz_dx, dz_dy, inside, steepest_rad, surface.cell_m, smoothing_m) * noise_m
    return Contour(
        azimuth_deg=azimuth_deg,
        agreement=1.0 - least / greatest,
        rms_grade_along_pct=100.0 * math.sqrt(least),
        rms_grade_across_pct=100.0 * math.sqrt(greatest),
        error_deg=min(math.degrees(tensor_error / max(greatest - least, 1e-12)), 90.0),
    )


def _tensor_error(
    dz_dx: Floats, dz_dy: Floats, inside: Mask, steepest_rad: float, cell_m: float, smoothing_m: float
) -> float:
    """Standard deviation of M12, in the contour's own axes, for unit noise in every cell. [1/m]"""
    c, s = math.cos(steepest_rad), math.sin(steepest_rad)
    share = np.where(inside, 1.0 / inside.sum(), 0.0)
    down = np.where(inside, dz_dx * c + dz_dy * s, 0.0) * share
    along = np.where(inside, -dz_dx * s + dz_dy * c, 0.0) * share
    # dM12 = sum of (down . d_along e + along . d_down e): the differences are moved over to the weights
    weight = _minus_derivative(down, -s, c, cell_m) + _minus_derivative(along, c, s, cell_m)
    weight = gaussian_filter(weight, smoothing_m / cell_m, mode="constant", truncate=3.0)
    return float(np.sqrt((weight**2).sum()))


def _minus_derivative(values: Floats, east: float, north: float, cell_m: float) -> Floats:
    """The adjoint of the central difference along a direction, zero outside the window."""
    padded = np.pad(values, 1)
    d_dx = (padded[1:-1, 2:] - padded[1:-1, :-2]) / (2.0 * cell_m)
    d_dy = (padded[2:, 1:-1] - padded[:-2, 1:-1]) / (2.0 * cell_m)
    return -(east * d_dx + north * d_dy)
