"""Kernel of `surface`: the C1 surface through the cells of a window."""

import math

import numba


@numba.njit(cache=True, inline="always")
def _weights(t):
    """Return the four Catmull-Rom weights at t in [0, 1) between the second and third point."""
    t2 = t * t
    t3 = t2 * t
    return (
        0.5 * (-t3 + 2.0 * t2 - t),
        0.5 * (3.0 * t3 - 5.0 * t2 + 2.0),
        0.5 * (-3.0 * t3 + 4.0 * t2 + t),
        0.5 * (t3 - t2),
    )


@numba.njit(cache=True)
def height(z, x0, y0, cell, x, y):
    """Return the elevation at (x, y); NaN where one of the sixteen cells around is NaN or missing.

    In the outermost ring of cells the surface goes on in a straight line.
    """
    rows, columns = z.shape
    fx = (x - x0) / cell
    fy = (y - y0) / cell
    if not (-0.5 <= fx <= columns - 0.5 and -0.5 <= fy <= rows - 0.5):
        return math.nan
    j = min(max(math.floor(fx), 0), columns - 2)
    i = min(max(math.floor(fy), 0), rows - 2)
    wx = _weights(fx - j)
    wy = _weights(fy - i)
    total = 0.0
    for di in range(4):
        line = 0.0
        for dj in range(4):
            line += wx[dj] * _cell(z, i + di - 1, j + dj - 1)
        total += wy[di] * line
    return total


@numba.njit(cache=True, inline="always")
def _cell(z, i, j):
    """Return a cell, or beyond the edge the straight continuation of the two nearest."""
    rows, columns = z.shape
    if i < 0:
        return 2.0 * _column(z, 0, j, columns) - _column(z, 1, j, columns)
    if i >= rows:
        return 2.0 * _column(z, rows - 1, j, columns) - _column(z, rows - 2, j, columns)
    return _column(z, i, j, columns)


@numba.njit(cache=True, inline="always")
def _column(z, i, j, columns):
    if j < 0:
        return 2.0 * z[i, 0] - z[i, 1]
    if j >= columns:
        return 2.0 * z[i, columns - 1] - z[i, columns - 2]
    return z[i, j]


@numba.njit(cache=True)
def heights(z, x0, y0, cell, x, y, out):
    """Fill `out` with the elevations at many points."""
    for k in range(x.size):
        out[k] = height(z, x0, y0, cell, x[k], y[k])
