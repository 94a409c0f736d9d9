"""A plan's water as surfaces: depth of the season, pressure, evenness; cell by cell, from every emitter."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.ndimage import distance_transform_edt

from farmgis.errors import InputError
from farmgis.planning.quantities import rows_of
from farmgis.planning.redone import Emitters, Gear, emitters_of
from farmgis.planning.strips import Ints
from farmgis.records import Floats, Plan

MOST_CELLS = 100_000_000
"""Cells of a surface at most: 400 MB of single precision."""


@dataclass(frozen=True)
class Grid:
    """Square cells: row 0 northernmost, column 0 westernmost; `west_m`, `north_m` are the corner."""

    west_m: float
    north_m: float
    cell_m: float
    rows: int
    columns: int


@dataclass(frozen=True)
class Surfaces:
    """Rows by columns, NaN where no block lies.

    `depth_mm` is what the season brings there, `head_m` the mean head of the emitters there, `flow_pct`
    their flow of the mean of the block's.
    """

    grid: Grid
    depth_mm: Floats
    head_m: Floats
    flow_pct: Floats


def surfaces(plan: Plan, gear: Gear, cell_m: float) -> Surfaces:
    """Surfaces of all blocks. A cell is a block's whose land holds its centre.

    The season's depth of a block is shared out by flow, so that its cells' mean is that depth. A cell
    without an emitter has the values of the nearest of its block that has one. Raises InputError where a
    plan has no block, or far too many cells.
    """
    blocks = plan.tables["blocks"]
    if not blocks.columns or not len(blocks.columns["block_id"]):
        raise InputError("the plan has no block, so that there is no surface of it")
    grid = grid_over(shapely.total_bounds(blocks.geometry), cell_m)
    made = [np.full((grid.rows, grid.columns), np.nan) for _ in range(3)]
    season = {r["block_id"]: r["gross_mm"] for r in rows_of(plan.tables, "season_demand")}
    line_of = {r["field_id"]: r["dripline"] for r in rows_of(plan.tables, "fields")}
    laterals = plan.tables["laterals"]
    for field_id in dict.fromkeys(blocks.columns["field_id"]):
        which = np.flatnonzero(laterals.columns["field_id"] == field_id)
        found = emitters_of(laterals, which, gear.lines[line_of[field_id]], gear.water[field_id])
        of_block = laterals.columns["block_id"][found.lateral]
        for k in np.flatnonzero(blocks.columns["field_id"] == field_id):
            block_id = blocks.columns["block_id"][k]
            own = np.flatnonzero(of_block == block_id)
            _fill(made, grid, blocks.geometry[k], found, own, float(season.get(block_id, np.nan)))
    return Surfaces(grid, *made)


def grid_over(bounds: Floats, cell_m: float) -> Grid:
    """The grid over (west, south, east, north) with corners at whole cells. Raises InputError if too large.

    >>> grid_over(np.array([3.0, 4.0, 21.0, 14.0]), 5.0)
    Grid(west_m=0.0, north_m=15.0, cell_m=5.0, rows=3, columns=5)
    """
    west, south = (math.floor(v / cell_m) * cell_m for v in bounds[:2])
    east, north = (math.ceil(v / cell_m) * cell_m for v in bounds[2:])
    rows, columns = round((north - south) / cell_m), round((east - west) / cell_m)
    if rows * columns > MOST_CELLS:
        least = cell_m * math.sqrt(rows * columns / MOST_CELLS)
        raise InputError(
            f"surfaces with cells of {cell_m:g} m have {rows * columns / 1e6:,.0f} million cells (at most "
            f"{MOST_CELLS / 1e6:,.0f}): take cells of {math.ceil(least)} m or more"
        )
    return Grid(west, north, cell_m, rows, columns)


def _fill(made: list[Floats], grid: Grid, area: object, found: Emitters, own: Ints, depth_mm: float) -> None:
    """Put one block into the surfaces."""
    top, left, inside = _cells_in(grid, area)
    if not inside.any():
        return
    flow, head, full = _means(grid, found, own, top, left, inside.shape)
    if not full.any():
        return
    flow, head = (_nearest(v, full) for v in (flow, head))
    place = (slice(top, top + inside.shape[0]), slice(left, left + inside.shape[1]))
    values = (
        depth_mm * flow / flow[inside].mean(),
        head,
        100.0 * flow / float(found.flow_l_h[own].mean()),
    )
    for surface, value in zip(made, values, strict=True):
        surface[place] = np.where(inside, value, surface[place])


def _cells_in(grid: Grid, area: object) -> tuple[int, int, np.ndarray]:
    """Return (first row, first column, whether the area holds each cell's centre) of the cells about it."""
    west, south, east, north = shapely.bounds(area)
    left = max(0, math.floor((west - grid.west_m) / grid.cell_m))
    right = min(grid.columns, math.ceil((east - grid.west_m) / grid.cell_m))
    top = max(0, math.floor((grid.north_m - north) / grid.cell_m))
    bottom = min(grid.rows, math.ceil((grid.north_m - south) / grid.cell_m))
    x = grid.west_m + (np.arange(left, right) + 0.5) * grid.cell_m
    y = grid.north_m - (np.arange(top, bottom) + 0.5) * grid.cell_m
    shapely.prepare(area)
    return top, left, np.asarray(shapely.contains_xy(area, x[None, :], y[:, None]))


def _means(
    grid: Grid, found: Emitters, own: Ints, top: int, left: int, shape: tuple[int, ...]
) -> tuple[Floats, Floats, np.ndarray]:
    """Return (mean flow, mean head, whether there is an emitter) of each cell about a block."""
    column = np.floor((found.point_m[own, 0] - grid.west_m) / grid.cell_m).astype(int) - left
    row = np.floor((grid.north_m - found.point_m[own, 1]) / grid.cell_m).astype(int) - top
    cell = np.clip(row, 0, shape[0] - 1) * shape[1] + np.clip(column, 0, shape[1] - 1)
    size = shape[0] * shape[1]
    count = np.bincount(cell, minlength=size)
    some = np.maximum(count, 1)
    flow = np.bincount(cell, found.flow_l_h[own], size) / some
    head = np.bincount(cell, found.head_m[own], size) / some
    return flow.reshape(shape), head.reshape(shape), (count > 0).reshape(shape)


def _nearest(values: Floats, full: np.ndarray) -> Floats:
    """Values with the gaps filled from the nearest cell that has one."""
    if full.all():
        return values
    at = distance_transform_edt(~full, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(at)])
