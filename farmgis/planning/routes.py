"""Which way the mains run: the cheapest tree over a source and its valves, as one would trench it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, dijkstra, minimum_spanning_tree

from farmgis.planning.route_graph import (
    Ints,
    Land,
    RouteGraph,
    barrier_price_m,
    ground_price_m,
    route_graph,
)
from farmgis.records import Floats

TRENCH_INDEX = 2.0
"""A metre of trench along a boundary, in the relative index in which a kilogram of pipe counts 1."""

PIPE_INDEX = 0.065
"""A metre of main for each m3/h that it carries, in the same index: plastic pipe at 1.2 m/s (common
practice)."""

MOST_SEARCHES = 400
"""Searches over the graph that bettering a tree may take: work is bounded by count, never by the clock."""


@dataclass(frozen=True)
class Routes:
    """A rooted tree on the map: node 0 is the source. `line[i]` runs from `parent[i]` to node i, (n, 2).

    `valve[i]` is the index of the valve at node i, -1 at a branching. `price_m[i]` is what the trench costs,
    in metres along a boundary. `corridor[i]` tells whose pipe lies there already, -1 where none does.
    `unreached` are valves that no allowed way leads to.
    """

    parent: Ints
    valve: Ints
    line_m: tuple[Floats, ...]
    price_m: Floats
    corridor: Ints
    unreached: tuple[int, ...]


def routes(source_m: Floats, valves_m: Floats, flow_m3h: Floats, shifts: int, land: Land) -> Routes:
    """The tree of mains from a source (2,) to valves (n, 2) that are to run in a number of shifts.

    Starts from the Steiner tree of Mehlhorn (1988), at most twice the least price of trench, and then
    moves one valve after another to where it costs least pipe and trench.
    """
    graph = route_graph(np.vstack([source_m, valves_m]), land)
    terminals = _terminals(graph, np.vstack([source_m, valves_m]))
    _, part = connected_components(graph.matrix(graph.price_m), directed=False)
    reached = np.flatnonzero(part[terminals[1:]] == part[terminals[0]])
    wanted = terminals[1:][reached]
    first = steiner_tree(graph, np.unique(np.concatenate([terminals[:1], wanted])))
    edges = _bettered(graph, first, int(terminals[0]), wanted, flow_m3h[reached], shifts)
    tree = _rooted(graph, edges, int(terminals[0]), wanted, reached, land)
    missing = tuple(int(i) for i in np.setdiff1d(np.arange(len(valves_m)), reached))
    return Routes(*tree, missing)


def _terminals(graph: RouteGraph, points_m: Floats) -> Ints:
    """The node of each point; two points at one place have one node."""
    from scipy.spatial import cKDTree

    return cKDTree(graph.xy_m).query(points_m)[1].astype(np.int64)  # type: ignore[no-any-return]


# ---- the tree of least trench ----------------------------------------------------------------------


def steiner_tree(graph: RouteGraph, terminals: Ints) -> Ints:
    """Edges of a tree over terminals that costs at most twice the cheapest (Mehlhorn 1988)."""
    if len(terminals) < 2:
        return np.empty(0, dtype=np.int64)
    weights = graph.matrix(graph.price_m)
    away, before, nearest = dijkstra(weights, indices=terminals, min_only=True, return_predecessors=True)
    a, b = graph.ends.T
    place = np.full(len(graph.xy_m), -1)
    place[terminals] = np.arange(len(terminals))
    joins = np.flatnonzero(np.isfinite(away[a]) & np.isfinite(away[b]) & (nearest[a] != nearest[b]))
    price = away[a[joins]] + graph.price_m[joins] + away[b[joins]]
    pair = np.sort(np.column_stack([place[nearest[a[joins]]], place[nearest[b[joins]]]]), axis=1)
    order = np.lexsort((price, pair[:, 1], pair[:, 0]))
    first = np.ones(len(order), dtype=bool)
    first[1:] = (np.diff(pair[order], axis=0) != 0).any(axis=1)
    chosen = order[first]
    n = len(terminals)
    between = coo_array((price[chosen], pair[chosen].T), shape=(n, n)).tocsr()
    span = minimum_spanning_tree(between).tocoo()
    edge_of_pair = {tuple(pair[c]): int(joins[c]) for c in chosen}
    edge_at = _edge_lookup(graph)
    kept: set[int] = set()
    for i, j in zip(span.row, span.col, strict=True):
        edge = edge_of_pair[tuple(sorted((int(i), int(j))))]
        kept.add(edge)
        for node in graph.ends[edge]:
            while before[node] >= 0:
                kept.add(edge_at[min(node, before[node]), max(node, before[node])])
                node = before[node]
    return _pruned(graph, np.array(sorted(kept), dtype=np.int64), terminals)


def _edge_lookup(graph: RouteGraph) -> dict[tuple[int, int], int]:
    low, high = np.sort(graph.ends, axis=1).T
    return {(int(a), int(b)): i for i, (a, b) in enumerate(zip(low, high, strict=True))}


def _pruned(graph: RouteGraph, edges: Ints, terminals: Ints) -> Ints:
    """A spanning tree of some edges, without branches that end at no terminal."""
    n = len(graph.xy_m)
    ends = graph.ends[edges]
    matrix = coo_array((graph.price_m[edges], ends.T), shape=(n, n)).tocsr()
    tree = minimum_spanning_tree(matrix).tocoo()
    edge_at = _edge_lookup(graph)
    kept = [edge_at[min(i, j), max(i, j)] for i, j in zip(tree.row, tree.col, strict=True)]
    keep = np.array(sorted(kept), dtype=np.int64)
    needed = np.zeros(n, dtype=bool)
    needed[terminals] = True
    while keep.size:
        degree = np.bincount(graph.ends[keep].ravel(), minlength=n)
        loose = (degree == 1) & ~needed
        stays = ~loose[graph.ends[keep]].any(axis=1)
        if stays.all():
            break
        keep = keep[stays]
    return keep


# ---- the tree of least pipe and trench -------------------------------------------------------------


def _bettered(graph: RouteGraph, edges: Ints, root: int, wanted: Ints, flow_m3h: Floats, shifts: int) -> Ints:
    """Edges of the tree after each valve in turn was led the way on which it adds least.

    An edge is as thick as the greater of its largest valve's flow and its share of all shifts.
    """
    if not edges.size:
        return edges
    load = _Load(graph, shifts)
    paths = _paths(graph, edges, root, wanted)
    for path, flow in zip(paths, flow_m3h, strict=True):
        load.add(path, flow)
    edge_at = _edge_lookup(graph)
    order = np.argsort(-flow_m3h, kind="stable")
    searches = 0
    changed = True
    while changed and searches + len(wanted) <= MOST_SEARCHES:
        changed = False
        for i in order:
            load.remove(paths[i], flow_m3h[i])
            weight = load.added_index(flow_m3h[i])
            cost, before = dijkstra(graph.matrix(weight), indices=root, return_predecessors=True)
            searches += 1
            if cost[wanted[i]] < weight[paths[i]].sum() - 1e-6:
                paths[i] = _path(before, int(wanted[i]), edge_at)
                changed = True
            load.add(paths[i], flow_m3h[i])
    used = np.unique(np.concatenate(paths)) if paths else edges
    return _pruned(graph, used, np.append(wanted, root))


class _Load:
    """What flows in each edge while a tree is bettered: the one thing here that changes in place."""

    def __init__(self, graph: RouteGraph, shifts: int) -> None:
        self.graph, self.shifts = graph, shifts
        self.flows: list[list[float]] = [[] for _ in graph.ends]
        self.total = np.zeros(len(graph.ends))
        self.largest = np.zeros(len(graph.ends))

    def add(self, path: Ints, flow: float) -> None:
        for edge in path:
            self.flows[edge].append(flow)
        self._sum(path)

    def remove(self, path: Ints, flow: float) -> None:
        for edge in path:
            self.flows[edge].remove(flow)
        self._sum(path)

    def _sum(self, path: Ints) -> None:
        self.total[path] = [sum(self.flows[e]) for e in path]
        self.largest[path] = [max(self.flows[e], default=0.0) for e in path]

    def added_index(self, flow: float) -> Floats:
        """What each edge would cost more if a valve's flow were led through it."""
        now = np.maximum(self.largest, self.total / self.shifts)
        then = np.maximum(np.maximum(self.largest, flow), (self.total + flow) / self.shifts)
        trench = np.where(self.total > 0.0, 0.0, TRENCH_INDEX * self.graph.price_m)
        pipe = PIPE_INDEX * (then - now) * self.graph.length_m
        pipe = np.where(self.graph.corridor >= 0, 0.0, pipe)
        # a thousandth of the length, so that of two free ways the shorter is taken
        return np.asarray(trench + pipe + 1e-3 * self.graph.length_m)


def _paths(graph: RouteGraph, edges: Ints, root: int, wanted: Ints) -> list[Ints]:
    """The edges of a tree from its root to each of some nodes."""
    a, b = graph.ends[edges].T
    n = len(graph.xy_m)
    price = graph.price_m[edges]
    matrix = coo_array((np.tile(price, 2), (np.append(a, b), np.append(b, a))), shape=(n, n)).tocsr()
    _, before = dijkstra(matrix, indices=root, return_predecessors=True)
    edge_at = _edge_lookup(graph)
    return [_path(before, int(node), edge_at) for node in wanted]


def _path(before: Ints, node: int, edge_at: dict[tuple[int, int], int]) -> Ints:
    found = []
    while before[node] >= 0:
        last, node = node, int(before[node])
        found.append(edge_at[min(last, node), max(last, node)])
    return np.array(found, dtype=np.int64)


# ---- from edges to lines ---------------------------------------------------------------------------


def _rooted(
    graph: RouteGraph, edges: Ints, root: int, wanted: Ints, reached: Ints, land: Land
) -> tuple[Ints, Ints, tuple[Floats, ...], Floats, Ints]:
    """The tree from its root outward, runs without a branching or valve drawn as one line.

    Where several valves stand at one node, each gets a node of its own at no distance.
    """
    order, before, edge_before = _outward(graph, edges, root)
    degree = np.bincount(graph.ends[edges].ravel(), minlength=len(graph.xy_m)) if edges.size else None
    valves_at: dict[int, list[int]] = {}
    for node, valve in zip(wanted, reached, strict=True):
        valves_at.setdefault(int(node), []).append(int(valve))
    parent, valve_of, lines, prices, corridors = [-1], [-1], [np.empty((0, 2))], [0.0], [-1]
    number = {root: 0}
    for node in order[1:]:
        turn = degree is not None and degree[node] == 2 and node not in valves_at
        if turn and _same_pipe(graph, edges, node, edge_before[node]):
            continue
        run, last = [node], node
        while last not in number or last == node:
            last = before[last]
            run.append(last)
        xy, price = _straightened(graph.xy_m[run[::-1]], _prices(graph, run[::-1], edge_before), land,
                                  int(graph.corridor[edge_before[node]]))  # fmt: skip
        number[node] = len(parent)
        parent.append(number[last])
        valve_of.append(valves_at.get(node, [-1])[0])
        lines.append(xy)
        prices.append(price)
        corridors.append(int(graph.corridor[edge_before[node]]))
    for node, valves in valves_at.items():
        for valve in valves[0 if node == root else 1 :]:
            parent.append(number[node])
            valve_of.append(valve)
            lines.append(np.repeat(graph.xy_m[[node]], 2, axis=0))
            prices.append(0.0)
            corridors.append(-1)
    return (
        np.array(parent, dtype=np.int64),
        np.array(valve_of, dtype=np.int64),
        tuple(lines),
        np.array(prices),
        np.array(corridors, dtype=np.int64),
    )


def _outward(graph: RouteGraph, edges: Ints, root: int) -> tuple[list[int], dict[int, int], dict[int, int]]:
    """Nodes of a tree depth first from its root, and of each the node and the edge before it."""
    at: dict[int, list[tuple[int, int]]] = {}
    for edge in edges:
        a, b = (int(n) for n in graph.ends[edge])
        at.setdefault(a, []).append((b, int(edge)))
        at.setdefault(b, []).append((a, int(edge)))
    order, before, edge_before = [], {root: -1}, {root: -1}
    stack = [root]
    while stack:
        node = stack.pop()
        order.append(node)
        for other, edge in sorted(at.get(node, []), reverse=True):
            if other not in before:
                before[other], edge_before[other] = node, edge
                stack.append(other)
    return order, before, edge_before


def _same_pipe(graph: RouteGraph, edges: Ints, node: int, edge: int) -> bool:
    """Whether both edges at a node have the same pipe in them already, or none."""
    touching = edges[(graph.ends[edges] == node).any(axis=1)]
    return bool((graph.corridor[touching] == graph.corridor[edge]).all())


def _prices(graph: RouteGraph, run: list[int], edge_before: dict[int, int]) -> Floats:
    return np.array([graph.price_m[edge_before[node]] for node in run[1:]])


def _straightened(xy: Floats, price: Floats, land: Land, corridor: int) -> tuple[Floats, float]:
    """A run with its needless turns taken out: a straight trench that costs no more stands for several.

    Each turn saved is worth a bend's fitting, as much as a few metres of trench.
    """
    if corridor >= 0:
        return xy, float(price.sum())
    bend_m = 5.0
    while len(xy) > 2:
        direct = shapely.linestrings(np.stack([xy[:-2], xy[2:]], axis=1))
        through = ground_price_m(direct, land) + barrier_price_m(direct, land)
        saved = price[:-1] + price[1:] + bend_m - through
        best = int(np.argmax(saved))
        if saved[best] <= 0.0:
            break
        xy = np.delete(xy, best + 1, axis=0)
        price = np.concatenate([price[:best], [through[best]], price[best + 2 :]])
    return xy, float(price.sum())
