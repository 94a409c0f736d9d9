"""Where a main may run: boundaries, corridors, submains' trenches and straight links, each with its price."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.spatial import Delaunay, QhullError

from farmgis.planning.outline import thinned
from farmgis.records import Barrier, Corridor, Floats

Ints = NDArray[np.int64]

EDGE_M = 1.0
"""A main along a boundary lies this far within the field: on the farmer's own land, clear of the rows."""

STEP_M = 60.0
"""Lines are given a node at least this often, so that links can leave them anywhere."""

ROUTE_VERTICES = 1000
"""A boundary of more vertices than this is thinned for routes, as for rows: a main lies a metre beside it."""

BOUNDARY, OPEN, SUBMAIN, ACROSS = 1.0, 1.2, 1.5, 8.0
"""Price of a metre of trench: along a boundary, over ground that is no field, beside a submain, and across a
field, in metres along a boundary (common practice)."""


@dataclass(frozen=True)
class Areas:
    """Polygons that do not overlap, with their tree."""

    shapes: NDArray[np.object_]
    tree: shapely.STRtree

    @classmethod
    def of(cls, polygons: Sequence[Any]) -> Areas:
        """Polygons with a tree of them."""
        shapes = np.empty(len(polygons), dtype=object)
        shapes[:] = polygons
        return cls(shapes, shapely.STRtree(shapes))

    def overlap_m(self, segments: Any) -> Floats:
        """Length of each segment inside them. [m]"""
        overlap = np.zeros(len(segments))
        which, area = self.tree.query(segments, predicate="intersects")
        np.add.at(overlap, which, shapely.length(shapely.intersection(segments[which], self.shapes[area])))
        return np.asarray(np.minimum(overlap, shapely.length(segments)))


@dataclass(frozen=True)
class Land:
    """What a route meets. Fields and `closed` ground (ponds, exclusions) are polygons, submains lines."""

    fields: tuple[Any, ...]
    closed: tuple[Any, ...] = ()
    submains: tuple[Any, ...] = ()
    corridors: tuple[Corridor, ...] = ()
    barriers: tuple[Barrier, ...] = ()
    across: float = ACROSS

    @cached_property
    def outlines(self) -> list[Any]:
        """The fields, with no more vertices than routes need."""
        return [thinned(area, ROUTE_VERTICES) for area in self.fields]

    @cached_property
    def of_fields(self) -> Areas:
        """The fields, to be asked for overlaps."""
        return Areas.of(self.outlines)

    @cached_property
    def beside_submains(self) -> Areas:
        """The strips of 2 m to each side of submains."""
        return Areas.of([shapely.buffer(s, 2.0, cap_style="flat") for s in self.submains])

    @cached_property
    def crossed(self) -> tuple[shapely.STRtree, Floats]:
        """Barriers and closed ground, and what crossing each costs; infinite where it is forbidden. [m]"""
        shapes = [b.area for b in self.barriers] + list(self.closed)
        prices = [b.crossing_m for b in self.barriers] + [None] * len(self.closed)
        return shapely.STRtree(shapes), np.array([np.inf if p is None else p for p in prices], dtype=float)


@dataclass(frozen=True)
class RouteGraph:
    """Nodes (x, y) and undirected edges: their length and their price in metres of boundary trench.

    `corridor[e]` is the corridor whose pipe lies in the edge already, -1 where none does.
    """

    xy_m: Floats
    ends: Ints
    length_m: Floats
    price_m: Floats
    corridor: Ints

    def matrix(self, weight: Floats) -> csr_array:
        """The graph with a weight an edge, in both directions, for `scipy.sparse.csgraph`."""
        a, b = self.ends.T
        n = len(self.xy_m)
        both = np.concatenate([a, b]), np.concatenate([b, a])
        return csr_array((np.concatenate([weight, weight]), both), shape=(n, n))


def route_graph(points_m: Floats, land: Land) -> RouteGraph:
    """The graph of all ways between some points; these are its first nodes. Forbidden edges are left out."""
    lines, kinds = _lines(land)
    xy, line_ends, line_of = _nodes(points_m, lines)
    links = _triangulation(xy)
    ends = np.concatenate([line_ends, links])
    price_of_line = np.array([k[0] for k in kinds])
    pipe_of_line = np.array([k[1] for k in kinds], dtype=np.int64)
    price = np.concatenate([price_of_line[line_of], np.full(len(links), np.nan)])
    corridor = np.concatenate([pipe_of_line[line_of], np.full(len(links), -1)])
    length = np.hypot(*(xy[ends[:, 0]] - xy[ends[:, 1]]).T)
    segments = shapely.linestrings(xy[ends])
    laid = corridor >= 0
    price = np.where(np.isnan(price), ground_price_m(segments, land), price * length)
    price = np.where(laid, price, price + barrier_price_m(segments, land))
    return _cheapest(RouteGraph(xy, ends, length, price, corridor))


def ground_price_m(segments: Any, land: Land) -> Floats:
    """Price of segments by the ground under them. [m of boundary trench]"""
    length = shapely.length(segments)
    inside = land.of_fields.overlap_m(segments)
    beside = np.minimum(land.beside_submains.overlap_m(segments), inside)
    return np.asarray(OPEN * (length - inside) + SUBMAIN * beside + land.across * (inside - beside))


def barrier_price_m(segments: Any, land: Land) -> Floats:
    """What crossing roads, streams and closed ground adds; infinite where it is forbidden. [m]"""
    added = np.zeros(len(segments))
    tree, cost = land.crossed
    segment, shape = tree.query(segments, predicate="intersects")
    np.add.at(added, segment, cost[shape])
    return added


def _lines(land: Land) -> tuple[list[Any], list[tuple[float, int]]]:
    """Return the lines that a main may follow, and of each its price a metre and the pipe in it."""
    lines: list[Any] = []
    kinds: list[tuple[float, int]] = []
    for area in land.outlines:
        within = shapely.simplify(shapely.buffer(area, -EDGE_M, join_style="mitre"), 1.0)
        for ring in _rings(within):
            lines.append(ring)
            kinds.append((BOUNDARY, -1))
    for submain in land.submains:
        lines.append(shapely.simplify(submain, 2.0))
        kinds.append((SUBMAIN, -1))
    for i, corridor in enumerate(land.corridors):
        for line in shapely.get_parts(shapely.force_2d(corridor.line)):
            lines.append(shapely.simplify(line, 1.0))
            kinds.append((corridor.price, -1 if corridor.pipe is None else i))
    return [shapely.segmentize(shapely.force_2d(line), STEP_M) for line in lines], kinds


def _rings(area: Any) -> list[Any]:
    polygons = [p for p in shapely.get_parts(area) if p.geom_type == "Polygon" and not p.is_empty]
    return [r for p in polygons for r in (p.exterior, *p.interiors)]


def _nodes(points_m: Floats, lines: list[Any]) -> tuple[Floats, Ints, Ints]:
    """Return all nodes, the ends of the lines' edges, the line of each. Places of a centimetre are one."""
    if lines:
        coords, line = shapely.get_coordinates(lines, return_index=True)
    else:
        coords, line = np.empty((0, 2)), np.empty(0, dtype=np.int64)
    every = np.concatenate([points_m, coords])
    _, first, back = np.unique(np.round(every, 2), axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")  # nodes in the order of their first mention: the points lead
    rank = np.empty(len(first), dtype=np.int64)
    rank[order] = np.arange(len(first))
    node = rank[np.ravel(back)]
    of_line = node[len(points_m) :]
    same = line[1:] == line[:-1]
    ends = np.column_stack([of_line[:-1][same], of_line[1:][same]])
    return every[first[order]], ends, line[1:][same]


def _triangulation(xy: Floats) -> Ints:
    """Links from each node to its neighbours."""
    try:
        simplices = Delaunay(xy - xy.mean(axis=0)).simplices
    except (QhullError, ValueError):  # all in a line, or fewer than three
        order = np.lexsort((xy[:, 1], xy[:, 0]))
        return np.column_stack([order[:-1], order[1:]])
    links = np.concatenate([simplices[:, [0, 1]], simplices[:, [1, 2]], simplices[:, [2, 0]]])
    return np.unique(np.sort(links, axis=1), axis=0).astype(np.int64)


def _cheapest(graph: RouteGraph) -> RouteGraph:
    """The graph with one edge between two nodes, the cheapest, and none that may not be used."""
    low, high = np.sort(graph.ends, axis=1).T
    order = np.lexsort((graph.price_m, high, low))
    low, high = low[order], high[order]
    first = np.ones(len(order), dtype=bool)
    first[1:] = (low[1:] != low[:-1]) | (high[1:] != high[:-1])
    keep = order[first & (low != high)]
    keep = keep[np.isfinite(graph.price_m[keep])]
    return RouteGraph(
        graph.xy_m,
        graph.ends[keep],
        graph.length_m[keep],
        np.maximum(graph.price_m[keep], 1e-6),
        graph.corridor[keep],
    )
