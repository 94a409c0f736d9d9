"""Values between the cells of a grid. Arrays only."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from farmgis.records import Floats

LATTICE_CELLS = 16  # between exact transforms; a map projection bends by far less over such a distance


def lattice(count: int) -> Floats:
    """Places from 0 to count - 1, at most LATTICE_CELLS apart. [cells]"""
    return np.linspace(0.0, count - 1.0, max(2, math.ceil((count - 1) / LATTICE_CELLS) + 1))


def between(values: Floats, at_rows: Floats, at_columns: Floats, rows: int, columns: int) -> Floats:
    """Values known on a lattice, linear between, at all whole places."""
    for_columns = _weights(at_columns, columns)
    for_rows = _weights(at_rows, rows)
    wide = values[:, for_columns[0]] * (1.0 - for_columns[1]) + values[:, for_columns[0] + 1] * for_columns[1]
    low, share = for_rows[0], for_rows[1][:, None]
    result: Floats = wide[low] * (1.0 - share) + wide[low + 1] * share
    return result


def _weights(at: Floats, count: int) -> tuple[NDArray[np.intp], Floats]:
    place = np.arange(count, dtype=np.float64)
    low = np.clip(np.searchsorted(at, place, side="right") - 1, 0, len(at) - 2)
    step = np.where(at[low + 1] > at[low], at[low + 1] - at[low], 1.0)
    return low, (place - at[low]) / step


def bilinear(z: Floats, row: Floats, column: Floats) -> Floats:
    """Values between cells; NaN where a cell with any weight is NaN or beyond the edge."""
    row, column = _on_cells(row), _on_cells(column)
    top, left = np.floor(row).astype(np.intp), np.floor(column).astype(np.intp)
    down, right = row - top, column - left
    total = np.zeros(row.shape)
    for i, j, weight in (
        (0, 0, (1 - down) * (1 - right)),
        (0, 1, (1 - down) * right),
        (1, 0, down * (1 - right)),
        (1, 1, down * right),
    ):
        # a neighbour past the edge has no weight, and any cell can stand in for it
        at = np.minimum(top + i, z.shape[0] - 1), np.minimum(left + j, z.shape[1] - 1)
        total += np.where(weight > 0.0, z[at] * weight, 0.0)
    return total


def _on_cells(place: Floats) -> Floats:
    """Places that are a cell's own but for rounding, on it: so that the void beside it has no weight."""
    whole = np.rint(place)
    return np.where(np.abs(place - whole) < 1e-6, whole, place)
