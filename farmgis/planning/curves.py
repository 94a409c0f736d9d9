"""Curved rows: lines of equal distance from a guide, and a field's own axes along them.

In curved axes u runs along the rows from the middle of a part of the guide, v across them to the right.
Lengths along a row, distances from row to row and areas are true in them; only what crosses the rows is
sheared, the more the guide has turned since the middle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.ndimage import distance_transform_edt

from farmgis.planning import curves_kernel as kernel
from farmgis.records import Floats, Surface
from farmgis.terrain.surface import elevation_m

Move = Callable[[Floats, Floats], tuple[Floats, Floats]]

_CHUNK = 4000
"""Vertices that are held against all normals at once."""


@dataclass(frozen=True)
class Guide:
    """A guide curve: vertices, and mitred normals to their right, each (n, 2).

    The row at a distance v has the vertices `points_m + v normals`: its edges are parallel to the guide's,
    so that rows are exactly as far apart as their v. Its edge k is `edge_m[k] + v shrink[k]` long.
    """

    points_m: Floats
    normals: Floats
    edge_m: Floats
    shrink: Floats

    @property
    def turned_rad(self) -> Floats:
        """How far the guide has turned to the right up to each vertex. [rad]"""
        step = np.diff(self.points_m, axis=0)
        heading = np.unwrap(np.arctan2(step[:, 0], step[:, 1])) - math.atan2(*step[0])
        return np.concatenate([[0.0], (heading[:-1] + heading[1:]) / 2.0, heading[-1:]])

    def part(self, first: int, last: int) -> Guide:
        """The guide from one vertex to another, its rows as they are."""
        which = slice(first, last + 1)
        return Guide(
            self.points_m[which], self.normals[which], self.edge_m[first:last], self.shrink[first:last]
        )

    def row_m(self, v_m: float) -> Floats:
        """Vertices of the row at a distance, (n, 2). [m]"""
        return self.points_m + v_m * self.normals


def guide_of(points_m: Floats) -> Guide:
    """The guide through points."""
    step = np.diff(points_m, axis=0)
    edge = np.hypot(step[:, 0], step[:, 1])
    unit = step / edge[:, None]
    right = np.column_stack([unit[:, 1], -unit[:, 0]])
    both = right[:-1] + right[1:]
    mitre = both / (1.0 + (right[:-1] * right[1:]).sum(axis=1))[:, None]
    normals = np.concatenate([right[:1], mitre, right[-1:]])
    shrink = (np.diff(normals, axis=0) * unit).sum(axis=1)
    return Guide(points_m, normals, edge, shrink)


@dataclass(frozen=True)
class CurvedAxes:
    """Axes along a guide, with u = 0 on the normal of its vertex `middle`."""

    guide: Guide
    middle: int

    def to_xy(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return (x, y) of points. [m]"""
        u, v = np.broadcast_arrays(np.asarray(u, dtype=float), np.asarray(v, dtype=float))
        out = np.empty((u.size, 2))
        kernel.bend(*self._arrays(), np.ravel(u), np.ravel(v), out)
        return out[:, 0].reshape(u.shape), out[:, 1].reshape(u.shape)

    def to_uv(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return (u, v) of points. [m]"""
        x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        out = np.empty((x.size, 3))
        kernel.straighten(*self._arrays(), np.ravel(x), np.ravel(y), out)
        return out[:, 0].reshape(x.shape), out[:, 1].reshape(x.shape)

    def directions(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Unit vector (east, north) along the rows at points."""
        out = np.empty((np.size(x), 3))
        kernel.straighten(*self._arrays(), np.ravel(x), np.ravel(y), out)
        edge = out[:, 2].astype(np.int64)
        unit = np.diff(self.guide.points_m, axis=0)[edge] / self.guide.edge_m[edge][:, None]
        return unit[:, 0].reshape(np.shape(x)), unit[:, 1].reshape(np.shape(x))

    def turned(self, geometry: Any) -> Any:
        """Return a geometry straightened into (u, v)."""
        guide = self.guide

        def beside(p: Floats) -> Floats:
            """On which side of each vertex's normal points lie."""
            dx, dy = (p[:, i, None] - guide.points_m[None, :, i] for i in (0, 1))
            return np.asarray(dx * guide.normals[:, 1] - dy * guide.normals[:, 0])

        return _moved(geometry, beside, self.to_uv)

    def placed(self, geometry: Any) -> Any:
        """Return a geometry given in (u, v) in the plan's (x, y)."""
        _, _, base, turn = self._arrays()

        def beside(p: Floats) -> Floats:
            return np.asarray(p[:, 0, None] - base - p[:, 1, None] * turn)

        return _moved(geometry, beside, self.to_xy)

    def paths(self, start_u_m: Floats, end_u_m: Floats, v_m: Floats) -> tuple[Floats, np.ndarray]:
        """Return (points, offsets) of pieces of rows: each from its start to its end, bend by bend."""
        room = int(start_u_m.size * (len(self.guide.points_m) + 2))
        points, offsets = np.empty((room, 2)), np.empty(start_u_m.size + 1, np.int64)
        kernel.paths(*self._arrays(), start_u_m, end_u_m, v_m, points, offsets)
        return points[: offsets[-1]], offsets

    def _arrays(self) -> tuple[Any, ...]:
        guide = self.guide
        base = np.concatenate([[0.0], np.cumsum(guide.edge_m)])
        turn = np.concatenate([[0.0], np.cumsum(guide.shrink)])
        return guide.points_m, guide.normals, base - base[self.middle], turn - turn[self.middle]


def _moved(geometry: Any, beside: Callable[[Floats], Floats], move: Move) -> Any:
    """A geometry moved vertex by vertex, with more vertices where its edges cross a normal.

    Between two normals the map is affine, so that straight pieces stay straight: nothing is lost.
    """
    if shapely.is_empty(geometry):
        return geometry
    kind, points, offsets = shapely.to_ragged_array([geometry])
    if not offsets:  # a point
        return shapely.points(np.column_stack(move(points[:, 0], points[:, 1])))[0]
    inner = offsets[0]
    added, at = _crossings(points, inner, beside)
    moved = np.column_stack(move(added[:, 0], added[:, 1]))
    return shapely.from_ragged_array(kind, moved, (at[inner], *offsets[1:]))[0]


def _crossings(points: Floats, parts: Any, beside: Callable[[Floats], Floats]) -> tuple[Floats, Any]:
    """Points with those between at which an edge crosses a normal, and the new index of each old one."""
    joins = np.ones(max(len(points) - 1, 0), dtype=bool)
    joins[parts[1:-1] - 1] = False  # from one part's last point to the next one's first is no edge
    edges, shares = [], []
    for low in range(0, len(points) - 1, _CHUNK):
        side = beside(points[low : low + _CHUNK + 1])
        a, b = side[:-1], side[1:]
        edge, normal = np.nonzero((a * b < 0.0) & joins[low : low + _CHUNK, None])
        edges.append(edge + low)
        shares.append(a[edge, normal] / (a[edge, normal] - b[edge, normal]))
    edge, share = np.concatenate(edges), np.concatenate(shares)
    order = np.lexsort((share, edge))
    edge, share = edge[order], share[order]
    new = points[edge] + share[:, None] * (points[edge + 1] - points[edge])
    before = np.cumsum(np.bincount(edge + 1, minlength=len(points)))
    at = np.arange(len(points) + 1) + np.append(before, before[-1])
    return np.insert(points, edge + 1, new, axis=0), at


def straightened(ground: Surface, axes: CurvedAxes, land: Any) -> Surface:
    """The ground under curved rows as a surface over (v, u): what the block search works on.

    It reaches two cells past `land`, which is given in (u, v).
    """
    cell = min(ground.cell_m, 5.0)
    low_u, low_v, high_u, high_v = shapely.bounds(land)
    u = np.arange(low_u - 3.0 * cell, high_u + 4.0 * cell, cell)
    v = np.arange(low_v - 3.0 * cell, high_v + 4.0 * cell, cell)
    z = elevation_m(ground, *axes.to_xy(u[:, None], v[None, :]))
    missing = ~np.isfinite(z)
    if missing.any() and not missing.all():  # far corners, where no row runs
        nearest = distance_transform_edt(missing, return_distances=False, return_indices=True)
        z = z[tuple(nearest)]
    return Surface(z, float(v[0]), float(u[0]), cell)
