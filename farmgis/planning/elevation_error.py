"""The error that an elevation model is taken to have, and realisations of it over a field."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmgis.records import Floats

REALISATIONS = 200
"""So many errors are drawn: a chance of 50 % is known to 3.5 points."""

MOST_CELLS = 256
"""The grid on which errors are drawn has no more cells a side."""


@dataclass(frozen=True)
class ElevationError:
    """Standard deviation of a model's heights, and the distance at which its error is alike by 1 / e.

    `smoothing_m` is the Gaussian's standard deviation by which the model was smoothed: its error too.
    """

    vertical_m: float
    correlation_m: float
    smoothing_m: float = 0.0


@dataclass(frozen=True)
class ErrorGrids:
    """Realisations of an error on a grid: `values_m` (realisations, rows, columns), its corner's place."""

    values_m: NDArray[np.float32]
    x0_m: float
    y0_m: float
    cell_m: float

    def at(self, x_m: Floats, y_m: Floats) -> Floats:
        """The errors at points, shape (realisations, points), bilinear between cells. [m]"""
        rows, columns = self.values_m.shape[1:]
        u = np.clip((np.asarray(x_m) - self.x0_m) / self.cell_m, 0.0, columns - 1.001)
        v = np.clip((np.asarray(y_m) - self.y0_m) / self.cell_m, 0.0, rows - 1.001)
        j, i = u.astype(np.int64), v.astype(np.int64)
        s, t = (u - j).astype(np.float32), (v - i).astype(np.float32)
        flat = self.values_m.reshape(len(self.values_m), -1)
        corner = i * columns + j
        low = flat[:, corner] * (1 - s) + flat[:, corner + 1] * s
        high = flat[:, corner + columns] * (1 - s) + flat[:, corner + columns + 1] * s
        return np.asarray(low * (1 - t) + high * t)


def error_grids(
    error: ElevationError,
    bounds_m: tuple[float, float, float, float],
    name: str,
    count: int = REALISATIONS,
) -> ErrorGrids:
    """Draw a Gaussian error over bounds, with the covariance s^2 exp(-d / L), smoothed as the model was.

    Drawn by the circulant embedding of the covariance on a torus (Dietrich and Newsam 1997), which wraps
    beyond three correlation lengths. The same name (a field's id) gives the same errors.
    """
    x0, y0, x1, y1 = bounds_m
    room = 3.0 * (error.correlation_m + error.smoothing_m)
    longest = max(x1 - x0, y1 - y0) + room
    cell = max(error.correlation_m / 4.0, longest / MOST_CELLS)
    rows, columns = (_even((b - a + room) / cell) for a, b in ((y0, y1), (x0, x1)))
    spectrum = _spectrum(error, rows, columns, cell)
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    shape = (-(-count // 2), rows, columns)
    noise = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    drawn = np.fft.fft2(noise * np.sqrt(spectrum / (rows * columns)))
    values = np.concatenate([drawn.real, drawn.imag])[:count].astype(np.float32)
    kept = values[:, : math.ceil((y1 - y0) / cell) + 2, : math.ceil((x1 - x0) / cell) + 2]
    return ErrorGrids(kept, x0, y0, cell)


def _even(cells: float) -> int:
    """A number of cells, of which a fast transform is had."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(max(4, math.ceil(cells) + 2)))


def _spectrum(error: ElevationError, rows: int, columns: int, cell_m: float) -> Floats:
    """Power of each wave of the torus: of the covariance, less what smoothing takes away."""
    i = np.minimum(np.arange(rows), rows - np.arange(rows))[:, None] * cell_m
    j = np.minimum(np.arange(columns), columns - np.arange(columns))[None, :] * cell_m
    covariance = error.vertical_m**2 * np.exp(-np.hypot(i, j) / error.correlation_m)
    power = np.maximum(np.fft.fft2(covariance).real, 0.0)
    waves = [2.0 * math.pi * np.fft.fftfreq(n, cell_m) for n in (rows, columns)]
    squared = waves[0][:, None] ** 2 + waves[1][None, :] ** 2
    return np.asarray(power * np.exp(-squared * error.smoothing_m**2))
