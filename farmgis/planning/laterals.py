"""Laterals as they are drawn: over the ground, from the submain to the last emitter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmgis.planning import laterals_kernel as kernel
from farmgis.planning.block_search import SNAP_M, BlockChoice
from farmgis.planning.curves import CurvedAxes
from farmgis.planning.rows import Axes
from farmgis.planning.strips import Ints
from farmgis.records import Dripline, Floats, Surface
from farmgis.terrain.surface import elevation_m

DRAWING_TOLERANCE_M = 0.02
"""The drawn profile keeps this close to the surface; it is what is solved."""


@dataclass(frozen=True)
class DrawnLaterals:
    """Laterals of one block. Lateral k is `points_m[offsets[k]:offsets[k + 1]]`, x, y, z from its inlet.

    `line[k]` is the block's line on which it lies (0 first); `paired[k]` tells whether the line has a
    lateral on the submain's other side.
    """

    points_m: Floats
    offsets: Ints
    emitters: Ints
    line: Ints
    paired: np.ndarray

    @property
    def count(self) -> int:
        """Number of laterals."""
        return int(self.emitters.size)

    def ends_m(self) -> tuple[Floats, Floats]:
        """Return (inlet points, end points), each (laterals, 3)."""
        return self.points_m[self.offsets[:-1]], self.points_m[self.offsets[1:] - 1]

    def grades_pct(self) -> tuple[Floats, Floats]:
        """Return (mean grade, signed grade of greatest magnitude) in the direction of flow. [%]"""
        step = np.diff(self.points_m, axis=0)
        last = np.zeros(len(self.points_m), dtype=bool)
        last[self.offsets[1:] - 1] = True
        inner = ~last[:-1]
        grade = 100.0 * step[:, 2] / np.where(inner, np.hypot(step[:, 0], step[:, 1]), 1.0)
        grade = np.where(inner, grade, 0.0)
        padded = np.append(grade, 0.0)
        high = np.maximum.reduceat(padded, self.offsets[:-1])
        low = np.minimum.reduceat(padded, self.offsets[:-1])
        inlet, end = self.ends_m()
        mean = 100.0 * (end[:, 2] - inlet[:, 2]) / np.hypot(*(end - inlet)[:, :2].T)
        return mean, np.where(high >= -low, high, low)


@dataclass(frozen=True)
class DrawnBlock:
    """A block on the ground: the submain's vertices, one a line, (lines, 3), and its laterals."""

    submain_m: Floats
    laterals: DrawnLaterals
    valve: int  # index of the submain vertex at which the valve stands


def draw_block(
    choice: BlockChoice, axes: Axes | CurvedAxes, ground: Surface, dripline: Dripline
) -> DrawnBlock:
    """Draw a block's laterals and submain over the ground."""
    strip = choice.strip
    which = slice(choice.first, choice.last)
    v = strip.v_m[which]
    inlet_u = strip.inlet_u_m(choice.share, SNAP_M)[which]
    lines = np.arange(v.size)
    line = np.repeat(lines, 2)
    tip_u = np.stack([strip.start_u_m[which], strip.end_u_m[which]], axis=1).ravel()
    laid = np.abs(tip_u - inlet_u[line]) >= dripline.emitter_spacing_m
    line, tip_u = line[laid], tip_u[laid]
    inlet = np.stack(axes.to_xy(inlet_u, v), axis=1)
    if isinstance(axes, CurvedAxes):
        path, at = axes.paths(inlet_u[line], tip_u, v[line])
    else:
        tips = np.stack(axes.to_xy(tip_u, v[line]), axis=1)
        path, at = np.stack([inlet[line], tips], axis=1).reshape(-1, 2), 2 * np.arange(line.size + 1)
    laterals = _draw(path, at, line, ground, dripline)
    height = elevation_m(ground, inlet[:, 0], inlet[:, 1])
    return DrawnBlock(np.column_stack([inlet, height]), laterals, choice.valve - choice.first)


def _draw(path: Floats, at: Ints, line: Ints, ground: Surface, dripline: Dripline) -> DrawnLaterals:
    """Laterals along paths on the map: path k is `path[at[k]:at[k + 1]]`."""
    step = min(max(ground.cell_m / 2.0, 1.0), 5.0)
    room = int(np.ceil(np.hypot(*np.diff(path, axis=0).T) / step).sum()) + len(path) + 1
    points = np.empty((room, 3))
    offsets = np.empty(len(line) + 1, np.int64)
    emitters = np.empty(len(line), np.int64)
    used = kernel.draw(
        ground.z_m, ground.x0_m, ground.y0_m, ground.cell_m,
        np.ascontiguousarray(path), at, dripline.emitter_spacing_m, step, DRAWING_TOLERANCE_M,
        points, offsets, emitters,
    )  # fmt: skip
    count = np.bincount(line, minlength=int(line.max()) + 1 if line.size else 0)
    return DrawnLaterals(points[:used], offsets, emitters, line, count[line] == 2)
