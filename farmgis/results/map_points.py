"""The points to set out in a field, numbered as its sheet shows them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas
import shapely

from farmgis.results.plan_rows import Rows


@dataclass(frozen=True)
class Point:
    """A point to set out: what stands there, and where. `z_m` is None where the layer has no height."""

    number: int
    block_id: str
    what: str
    x_m: float
    y_m: float
    z_m: float | None


def setting_out(rows: Rows, field_id: str) -> list[Point]:
    """The points of a field: of each block its valve, submains, first and last laterals, in this order.

    What stands at the same place, to a centimetre, is one point.
    """
    blocks = rows["blocks"]
    at: dict[tuple[float, float], list[tuple[str, str, float]]] = {}
    for block_id in blocks.block_id[blocks.field_id == field_id]:
        for what, (x, y, z) in _of_block(rows, block_id):
            at.setdefault((round(float(x), 2), round(float(y), 2)), []).append((block_id, what, float(z)))
    found = []
    for number, ((x, y), things) in enumerate(at.items(), start=1):
        first = things[0][0]
        own = [w if b == first else f"{b.rpartition('-')[2]} {w}" for b, w, _ in things]
        heights = [z for _, _, z in things if np.isfinite(z)]
        found.append(Point(number, first, "; ".join(own), x, y, heights[0] if heights else None))
    return found


def _of_block(rows: Rows, block_id: str) -> Iterator[tuple[str, Any]]:
    valves = rows["valves"][rows["valves"].block_id == block_id]
    for valve in valves.itertuples():
        size = f", {valve.nominal_mm:.0f} mm" if np.isfinite(valve.nominal_mm) else ""
        yield f"valve{size}", (valve.shape.x, valve.shape.y, valve.elevation_m)
    yield from _of_submains(rows["submains"][rows["submains"].block_id == block_id])
    yield from _of_laterals(rows["laterals"][rows["laterals"].block_id == block_id])


def _of_submains(own: pandas.DataFrame) -> Iterator[tuple[str, Any]]:
    """Where each submain changes its size, and its end."""
    for submain_id, pieces in own.sort_values(["submain_id", "seq"]).groupby("submain_id"):
        name = str(submain_id).rpartition("-")[2]
        sizes = pieces.nominal_mm.tolist()
        for i, shape in enumerate(pieces["shape"]):
            end = shapely.get_coordinates(shape, include_z=True)[-1]
            if i + 1 < len(sizes):
                yield f"{name} {sizes[i]:.0f} to {sizes[i + 1]:.0f} mm", end
            else:
                yield f"{name} end, {sizes[i]:.0f} mm", end


def _of_laterals(own: pandas.DataFrame) -> Iterator[tuple[str, Any]]:
    """Inlet and end of the first and last lateral on each side of the submain."""
    for row in own.iloc[outermost(own)].itertuples():
        ends = shapely.get_coordinates(row.shape, include_z=True)[[0, -1]]
        name = str(row.lateral_id).rpartition("-")[2]
        yield f"{name} inlet", ends[0]
        yield f"{name} end, {row.arm}", ends[1]


def outermost(laterals: pandas.DataFrame) -> list[int]:
    """Places of the first and last lateral on each side of the submain, counted across the laterals."""
    if laterals.empty:
        return []
    lines = laterals["shape"].to_numpy()
    inlets = shapely.get_coordinates(shapely.get_point(lines, 0))
    ends = shapely.get_coordinates(shapely.get_point(lines, -1))
    along = ends - inlets
    forth = along @ along[0] >= 0.0
    mean = np.where(forth[:, None], along, -along).sum(axis=0)
    across = inlets @ np.array([-mean[1], mean[0]])
    found: list[int] = []
    for side in (forth, ~forth):
        own = np.flatnonzero(side)
        if len(own):
            found += [int(own[np.argmin(across[own])]), int(own[np.argmax(across[own])])]
    return list(dict.fromkeys(found))
