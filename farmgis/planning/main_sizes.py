"""Sizes of mains: one linear program over all shifts, its optimum and the bound that proves it.

The variables are the lengths of each size in each main, the head at each node in each shift, and the
pump's head; the least annual cost of pipe and energy is sought under heads and velocities that are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array

from farmgis.hydraulics.friction import loss_gradients, velocity_m_s
from farmgis.hydraulics.water import Water
from farmgis.planning.route_graph import Ints
from farmgis.records import Floats, Pipe

MAIN_LOSS_FACTOR = 1.1
"""Friction of a main with the losses at its bends and branchings: 10 % more (common practice)."""

LEAST_HEAD_M = 3.0
"""Pressure that stays everywhere on a main in which water flows (common practice)."""

SHORTEST_PIECE_M = 12.0
"""No size is laid for less than this: two bars of 6 m (common practice)."""

SHORT_PENALTY = 1e5
"""Cost of a metre of head over what the pump has, so that a shortage shows as head that is missing."""

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class SizingProblem:
    """A rooted tree to size. Node 0 is the root; link i joins `parent[i]` to node i; shifts are rows.

    `flow_m3h` (shifts, nodes) is the flow in each link. `required_head_m` (shifts, nodes) is the pressure
    head that a node needs, NaN where none. `highs` are points on the way: (link, share of its length,
    ground). Root head = `level_m` + the pump's head - `station_loss_m`. `allowed` (nodes, pipes) says
    which size may lie in which link; `pipe_cost` (nodes, pipes) is a year's cost of a metre; `head_cost`
    (shifts,) a year's cost of a metre of pump head; `head_limit_m` (shifts,) what the pump has, or inf.
    With `one_head` the pump gives the same head in all shifts.
    """

    parent: Ints
    ground_m: Floats
    length_m: Floats
    flow_m3h: Floats
    required_head_m: Floats
    highs: tuple[tuple[int, float, float], ...]
    level_m: float
    station_loss_m: float
    pipes: tuple[Pipe, ...]
    gradient: Floats  # (shifts, nodes, pipes), m of head a metre of pipe
    allowed: Bools
    pipe_cost: Floats
    head_cost: Floats
    head_limit_m: Floats
    one_head: bool = False


@dataclass(frozen=True)
class Sizes:
    """A sized tree: metres of each size in each link, head above datum at each node, the pump's head.

    `cost` and `bound` are a year's; their difference is what the solver leaves unproven. `merged_cost` is
    what the lengths as laid cost more than the optimum. `short_m` (shifts,) is head that the pump lacks.
    """

    length_m: Floats
    head_m: Floats
    pump_head_m: Floats
    short_m: Floats
    cost: float
    bound: float
    merged_cost: float = 0.0

    @property
    def gap(self) -> float:
        """Distance of cost from bound, as a share of the cost. [-]"""
        return (self.cost - self.bound) / max(abs(self.cost), 1e-12)


def gradients(flow_m3h: Floats, pipes: tuple[Pipe, ...], water: Water) -> Floats:
    """Head lost by a metre of each size at each flow, local losses included. [m/m]"""
    return MAIN_LOSS_FACTOR * loss_gradients(flow_m3h, pipes, water)


def within_velocity(flow_m3h: Floats, pipes: tuple[Pipe, ...], greatest_m_s: float) -> Bools:
    """Which size carries a link's greatest flow no faster than a limit; the widest where none does."""
    inside = np.array([p.inside_mm for p in pipes])
    fits = np.asarray(velocity_m_s(flow_m3h.max(axis=0)[:, None], inside[None, :])) <= greatest_m_s + 1e-9
    fits[~fits.any(axis=1), int(inside.argmax())] = True
    return fits


def size_mains(problem: SizingProblem) -> Sizes:
    """The least-cost sizes as they can be laid. Raises ValueError where no size is allowed in some link.

    The optimum of the linear program with its bound; where it has more than two sizes in a link, or a
    piece too short to lay, the nearest that has not, and what that costs more.
    """
    best = optimum(problem)
    if best is None:
        raise ValueError("sizes of mains: a link has no size that may lie in it")
    length = best.length_m
    crowded = (length > 1e-6).sum(axis=1) > 2
    final = best
    if crowded.any():
        again = optimum(replace(problem, allowed=_pairs(problem, length, crowded)))
        final = again if again is not None else best
    laid = _in_bars(problem, final.length_m)
    solved = heads_of(problem, laid)
    return replace(solved, bound=best.bound, cost=best.cost, merged_cost=solved.cost - best.cost)


# ---- the linear program ----------------------------------------------------------------------------


def optimum(problem: SizingProblem) -> Sizes | None:
    """The optimum of the linear program, with the bound that its dual solution proves."""
    p = problem
    links = np.flatnonzero(p.length_m > 0.0)
    if (~p.allowed[links].any(axis=1)).any():
        return None
    x_link, x_pipe = np.nonzero(p.allowed & (p.length_m > 0.0)[:, None])
    columns = _Columns(p, len(x_link))
    cost = np.zeros(columns.count)
    cost[: len(x_link)] = p.pipe_cost[x_link, x_pipe]
    np.add.at(cost, columns.pump, p.head_cost)
    cost[columns.short] = SHORT_PENALTY
    equal, right = _equations(p, columns, x_link, x_pipe)
    low, high = columns.bounds()
    over, most = _high_rows(p, columns)
    result = linprog(
        cost,
        A_ub=over,
        b_ub=most,
        A_eq=equal,
        b_eq=right,
        bounds=np.column_stack([low, high]),
        method="highs-ds",
    )
    if result.status == 2:
        return None
    if result.status != 0:
        raise ArithmeticError(f"sizes of mains: {result.message}")
    length = np.zeros(p.allowed.shape)
    length[x_link, x_pipe] = np.maximum(result.x[: len(x_link)], 0.0)
    short = result.x[columns.short]
    return Sizes(
        length_m=length,
        head_m=columns.heads(result.x),
        pump_head_m=result.x[columns.pump],
        short_m=np.where(short > 1e-6, short, 0.0),
        cost=float(result.fun - SHORT_PENALTY * short.sum()),
        bound=_dual_bound(result, right, most, low, high) - float(SHORT_PENALTY * short.sum()),
    )


class _Columns:
    """Where each variable stands: lengths first, then heads shift by shift, then the pump's."""

    def __init__(self, problem: SizingProblem, lengths: int) -> None:
        p = self.problem = problem
        shifts, nodes = p.flow_m3h.shape
        flowing = p.flow_m3h > 0.0
        flowing[:, 0] = True
        self.node = np.full((shifts, nodes), -1, dtype=np.int64)
        self.node[flowing] = lengths + np.arange(flowing.sum())
        at = lengths + int(flowing.sum())
        pumps = 1 if p.one_head else shifts
        self.pump = at + np.minimum(np.arange(shifts), pumps - 1)
        self.short = at + pumps + np.arange(shifts)
        self.lengths = lengths
        self.count = at + pumps + shifts

    def bounds(self) -> tuple[Floats, Floats]:
        p = self.problem
        low, high = np.zeros(self.count), np.full(self.count, np.inf)
        needed = np.fmax(p.required_head_m, LEAST_HEAD_M) + p.ground_m
        needed[:, 0] = -np.inf  # what the suction leaves, the pump adds to
        at = self.node >= 0
        low[self.node[at]] = needed[at]
        np.minimum.at(high, self.pump, p.head_limit_m)
        high[self.short] = np.where(np.isfinite(p.head_limit_m), np.inf, 0.0)
        return low, high

    def heads(self, x: Floats) -> Floats:
        return np.where(self.node >= 0, x[self.node], np.nan)


def _equations(p: SizingProblem, c: _Columns, x_link: Ints, x_pipe: Ints) -> tuple[coo_array, Floats]:
    """Every link is as long as it is; head falls along it by what friction takes; the pump lifts."""
    shifts, nodes = p.flow_m3h.shape
    link_row = np.full(nodes, -1)
    links = np.flatnonzero(p.length_m > 0.0)
    link_row[links] = np.arange(len(links))
    rows = [link_row[x_link]]
    cols = [np.arange(len(x_link))]
    vals = [np.ones(len(x_link))]
    right = [p.length_m[links]]
    k, i = np.nonzero(c.node >= 0)
    below = i > 0
    k, i = k[below], i[below]
    row = len(links) + np.arange(len(k))
    row_of = np.full((shifts, nodes), -1)
    row_of[k, i] = row
    rows += [row, row]
    cols += [c.node[k, p.parent[i]], c.node[k, i]]
    vals += [np.ones(len(k)), -np.ones(len(k))]
    for shift in range(shifts):
        there = row_of[shift, x_link] >= 0
        rows.append(row_of[shift, x_link[there]])
        cols.append(np.flatnonzero(there))
        vals.append(-p.gradient[shift, x_link[there], x_pipe[there]])
    right.append(np.zeros(len(k)))
    pump_row = len(links) + len(k) + np.arange(shifts)
    rows += [pump_row, pump_row, pump_row]
    cols += [c.node[:, 0], c.pump, c.short]
    vals += [np.ones(shifts), -np.ones(shifts), -np.ones(shifts)]
    right.append(np.full(shifts, p.level_m - p.station_loss_m))
    count = int(pump_row[-1]) + 1
    matrix = coo_array(
        (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(count, c.count)
    )
    return matrix.tocsc(), np.concatenate(right)


def _high_rows(p: SizingProblem, c: _Columns) -> tuple[coo_array | None, Floats | None]:
    """Pressure stays at a high on the way. With the wider size first the head line is over its chord."""
    rows: list[int] = []
    cols: list[int] = []
    vals: list[float] = []
    most: list[float] = []
    for link, share, ground in p.highs:
        for shift in np.flatnonzero(c.node[:, link] >= 0):
            row = len(most)
            rows += [row, row]
            cols += [c.node[shift, p.parent[link]], c.node[shift, link]]
            vals += [share - 1.0, -share]
            most.append(-(ground + LEAST_HEAD_M))
    if not most:
        return None, None
    return coo_array((vals, (rows, cols)), shape=(len(most), c.count)).tocsc(), np.array(most)


def _dual_bound(result: object, right: Floats, most: Floats | None, low: Floats, high: Floats) -> float:
    """The cost below which no solution can be: the value of the dual solution."""
    bound = float(right @ result.eqlin.marginals)  # type: ignore[attr-defined]
    if most is not None:
        bound += float(most @ result.ineqlin.marginals)  # type: ignore[attr-defined]
    for limit, marginal in ((low, result.lower.marginals), (high, result.upper.marginals)):  # type: ignore[attr-defined]
        counts = np.isfinite(limit)
        bound += float(limit[counts] @ marginal[counts])
    return bound


# ---- as it can be laid -----------------------------------------------------------------------------


def _pairs(p: SizingProblem, length: Floats, crowded: Bools) -> Bools:
    """Where a link has more than two sizes, only the two neighbours between which its mean loss lies."""
    allowed = p.allowed.copy()
    for link in np.flatnonzero(crowded):
        used = np.flatnonzero(length[link] > 1e-6)
        shift = int(p.flow_m3h[:, link].argmax())
        loss = p.gradient[shift, link]
        mean = float(length[link] @ loss / p.length_m[link])
        wider = used[loss[used] <= mean]
        narrower = used[loss[used] > mean]
        allowed[link] = False
        allowed[link, [wider[loss[wider].argmax()], narrower[loss[narrower].argmin()]]] = True
    return allowed


def _in_bars(p: SizingProblem, length: Floats) -> Floats:
    """Lengths with no piece shorter than can be laid; the wider size takes over, so that no head is lost."""
    laid = np.where(length > 1e-6, length, 0.0)
    inside = np.array([pipe.inside_mm for pipe in p.pipes])
    for link in np.flatnonzero((laid > 0.0).sum(axis=1) > 1):
        used = np.flatnonzero(laid[link])
        wide = used[np.argsort(-inside[used])]
        for one, next_ in pairwise(wide):
            missing = min(SHORTEST_PIECE_M - laid[link, one], laid[link, next_])
            if missing > 0.0:
                laid[link, one] += missing
                laid[link, next_] -= missing
            if 0.0 < laid[link, next_] < SHORTEST_PIECE_M:
                laid[link, one] += laid[link, next_]
                laid[link, next_] = 0.0
    return laid


def heads_of(p: SizingProblem, length: Floats) -> Sizes:
    """Heads and cost of given lengths, with the least pump head that meets every need."""
    shifts, nodes = p.flow_m3h.shape
    loss = np.einsum("np,knp->kn", length, p.gradient)
    fall = np.zeros((shifts, nodes))  # from the root to each node
    for i in range(1, nodes):
        fall[:, i] = fall[:, p.parent[i]] + loss[:, i]
    flowing = p.flow_m3h > 0.0
    flowing[:, 0] = False
    needed = np.fmax(p.required_head_m, LEAST_HEAD_M) + p.ground_m + fall
    root = np.where(flowing, needed, -np.inf).max(axis=1)
    for link, share, ground in p.highs:
        chord = (1.0 - share) * fall[:, p.parent[link]] + share * fall[:, link]
        at = np.where(flowing[:, link], ground + LEAST_HEAD_M + chord, -np.inf)
        root = np.maximum(root, at)
    pump = np.maximum(root - p.level_m + p.station_loss_m, 0.0)
    pump = np.where(np.isfinite(pump), pump, 0.0)
    if p.one_head:
        pump = np.full(shifts, pump.max(initial=0.0))
    short = np.maximum(pump - p.head_limit_m, 0.0)
    short = np.where(short > 1e-6, short, 0.0)
    head = (p.level_m + pump - p.station_loss_m)[:, None] - fall
    head = np.where(flowing | (np.arange(nodes) == 0), head, np.nan)
    paid = pump[:1] * p.head_cost.sum() if p.one_head else pump * p.head_cost
    cost = float((length * p.pipe_cost).sum() + paid.sum())
    return Sizes(length, head, pump - short, short, cost, -np.inf)
