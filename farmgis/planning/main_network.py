"""A source's mains as a tree on the ground: drawn lines, lengths along the slope, highs on the way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from farmgis.planning.route_graph import Ints
from farmgis.planning.routes import Routes
from farmgis.records import Floats

DRAWING_TOLERANCE_M = 0.05
"""A main's drawn profile keeps this close to the ground; its trench evens out more."""

SAMPLE_M = 5.0
HIGH_M = 0.5
"""A high or a low counts from this much over or under what is on both sides of it."""

Ground = Callable[[Floats], Floats]
"""Elevation at points (n, 2). [m]"""


@dataclass(frozen=True)
class ValvePlace:
    """A block's valve as the mains see it."""

    valve_id: str
    block_id: str
    x_m: float
    y_m: float
    ground_m: float
    flow_m3h: float
    required_head_m: float


@dataclass(frozen=True)
class MainNetwork:
    """A rooted tree in topological order: node 0 is the source, link i joins `parent[i]` to node i.

    `line_m[i]` is the drawn line of link i, (n, 3); `valve[i]` the index of the valve at node i or -1;
    `trench_m[i]` the price of its trench in metres along a boundary; `corridor[i]` whose pipe lies there.
    """

    node_id: tuple[str, ...]
    parent: Ints
    ground_m: Floats
    line_m: tuple[Floats, ...]
    length_m: Floats
    trench_m: Floats
    corridor: Ints
    valve: Ints

    @property
    def count(self) -> int:
        """Number of nodes, the source among them."""
        return len(self.node_id)

    def flow_m3h(self, valve_flow: Floats) -> Floats:
        """Flow in each link when valves take some flow, shape (..., valves) to (..., nodes). [m3/h]"""
        flow = np.zeros((*valve_flow.shape[:-1], self.count))
        at = np.flatnonzero(self.valve >= 0)
        flow[..., at] = valve_flow[..., self.valve[at]]
        for i in range(self.count - 1, 0, -1):
            flow[..., self.parent[i]] += flow[..., i]
        return flow

    def path_m(self) -> Floats:
        """Length of pipe from the source to each node. [m]"""
        away = np.zeros(self.count)
        for i in range(1, self.count):
            away[i] = away[self.parent[i]] + self.length_m[i]
        return away


def main_network(
    source_id: str,
    source_ground_m: float | None,
    routes: Routes,
    valves: Sequence[ValvePlace],
    ground: Ground,
) -> MainNetwork:
    """The routes laid over the ground. A valve stands at the elevation that its block was solved with."""
    lines, known = _draped(routes.line_m, ground)
    node_z = np.full(len(lines), np.nan)
    for i, valve in enumerate(routes.valve):
        if valve >= 0:
            node_z[i] = valves[valve].ground_m
    for i in range(1, len(lines)):  # a branching is where its main ends, a source where the first begins
        if np.isnan(node_z[i]):
            node_z[i] = lines[i][-1, 2]
    node_z[0] = source_ground_m if source_ground_m is not None else _first_height(lines, known)
    drawn = [np.empty((0, 3))]
    for i in range(1, len(lines)):
        line = lines[i].copy()
        line[0, 2], line[-1, 2] = node_z[routes.parent[i]], node_z[i]
        drawn.append(thinned(line))
    length = [float(np.linalg.norm(np.diff(d, axis=0), axis=1).sum()) if len(d) else 0.0 for d in drawn]
    return MainNetwork(
        node_id=_node_ids(source_id, routes, valves),
        parent=routes.parent,
        ground_m=node_z,
        line_m=tuple(drawn),
        length_m=np.array(length),
        trench_m=routes.price_m,
        corridor=routes.corridor,
        valve=routes.valve,
    )


def _node_ids(source_id: str, routes: Routes, valves: Sequence[ValvePlace]) -> tuple[str, ...]:
    ids, branchings = [source_id], 0
    for valve in routes.valve[1:]:
        if valve >= 0:
            ids.append(valves[valve].valve_id)
        else:
            branchings += 1
            ids.append(f"J-{source_id}-{branchings:02d}")
    return tuple(ids)


def _draped(lines: Sequence[Floats], ground: Ground) -> tuple[list[Floats], list[bool]]:
    """Return the lines with heights a few metres apart, gaps filled along the line, and which had any."""
    dense = [
        shapely.get_coordinates(shapely.segmentize(shapely.linestrings(line), SAMPLE_M))
        if len(line)
        else line
        for line in lines
    ]
    heights = ground(np.concatenate(dense)) if any(len(d) for d in dense) else np.empty(0)
    draped, known = [], []
    for xy, z in zip(dense, np.split(heights, np.cumsum([len(d) for d in dense])[:-1]), strict=True):
        there = np.isfinite(z)
        if len(xy) and there.any() and not there.all():
            run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
            z = np.interp(run, run[there], z[there])
        draped.append(np.column_stack([xy, z]))
        known.append(bool(there.any()))
    return draped, known


def _first_height(lines: Sequence[Floats], known: Sequence[bool]) -> float:
    return next((float(line[0, 2]) for line, told in zip(lines, known, strict=True) if told), 0.0)


def thinned(line_m: Floats) -> Floats:
    """A drawn line without the points that its plan and its profile do without."""
    if len(line_m) < 3:
        return line_m
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line_m[:, :2], axis=0).T))])
    turns = np.flatnonzero(_bends(line_m[:, :2])) + 1
    keep = np.zeros(len(line_m), dtype=bool)
    keep[[0, -1]] = True
    keep[turns] = True
    stops = np.flatnonzero(keep)
    for a, b in pairwise(stops):
        part = np.column_stack([run[a : b + 1], line_m[a : b + 1, 2]])
        simple = shapely.simplify(shapely.linestrings(part), DRAWING_TOLERANCE_M)
        keep[a : b + 1] |= np.isin(part[:, 0], shapely.get_coordinates(simple)[:, 0])
    return line_m[keep]


def _bends(xy: Floats) -> np.ndarray:
    step = np.diff(xy, axis=0)
    turn = step[:-1, 0] * step[1:, 1] - step[:-1, 1] * step[1:, 0]
    return np.asarray(np.abs(turn) > 1e-6 * np.hypot(*step[:-1].T) * np.hypot(*step[1:].T))


def chainage_m(line_m: Floats) -> Floats:
    """Distance of each point from the line's start along the slope. [m]"""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_m, axis=0), axis=1))])


def turning_points(z_m: Floats, least_m: float = HIGH_M) -> tuple[list[int], list[int]]:
    """Return the highs and the lows of a profile that stand out by `least_m` on both sides; not its ends."""
    highs, lows = [], []
    top = bottom = 0
    climbing: bool | None = None
    for i, z in enumerate(z_m):
        top = i if z > z_m[top] else top
        bottom = i if z < z_m[bottom] else bottom
        if climbing is not False and z_m[top] - z >= least_m:
            if top > 0:
                highs.append(top)
            climbing, bottom = False, i
        elif climbing is not True and z - z_m[bottom] >= least_m:
            if bottom > 0:
                lows.append(bottom)
            climbing, top = True, i
    return highs, lows
