"""Heads and flows of a whole tree of pipes and emitters, from its root to the last emitter."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numba import config
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.sparse import csr_array
from scipy.sparse.csgraph import depth_first_order

from farmgis.errors import ConvergenceError
from farmgis.hydraulics import runs_kernel
from farmgis.hydraulics import tree_kernel as kernel
from farmgis.hydraulics.runs import Split, split_tree, tree_nodes
from farmgis.hydraulics.tree_faults import refuse_faults
from farmgis.records import Floats

Ints = NDArray[np.int64]

Aim = Literal["fixed head", "total flow", "least head"]
_MODES = {"fixed head": kernel.FIXED_HEAD, "total flow": kernel.TOTAL_FLOW, "least head": kernel.LEAST_HEAD}

THREADS_FROM = 20_000
"""Nodes in runs from which on these are shared out among cores: below, that costs more than it saves."""

NO_POINTS = np.empty((0, 2))

HIGHEST_ROOT_M = 1000.0
"""No head of the root above this is sought: it would be no water for irrigating."""


@dataclass(frozen=True)
class Tree:
    """A rooted tree in topological order: node 0 is the root and `parent[i] < i`.

    Link i joins node i to its parent: `loss_length_m` of pipe of `size[i]` (a row of `sizes`, from
    `friction.pipe_rows`, `dripline_row` or `hazen_williams_row`) and `minor[i]` velocity heads of local
    loss. `outlets[i]` emitters stand at node i, all of one `law`; a fraction is an emitter that gives more
    or less than its kind. `demand_m3_s` is a take-off that does not depend on head.

    A regulator at node i lets no more than `setting_m[i]` metres pass (inf where there is none). Where
    `curve[i]` is not -1, link i has a device that loses what `curves[curve[i]]` says: points (flow in
    m3/s, loss in m), both rising; straight between them and beyond the last two.
    """

    parent: Ints
    ground_m: Floats
    loss_length_m: Floats
    minor: Floats
    size: Ints
    sizes: Floats
    outlets: Floats
    law: Floats
    demand_m3_s: Floats
    setting_m: Floats | None = None
    curve: Ints | None = None
    curves: tuple[Floats, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be. Raises ValueError naming the node and the value."""
        refuse_faults(self)

    @cached_property
    def marched(self) -> Split:
        """The tree taken apart into runs and trunk."""
        return split_tree(self, True)

    @cached_property
    def unmarched(self) -> Split:
        """The tree as all trunk."""
        return split_tree(self, False)

    @cached_property
    def curve_points(self) -> tuple[Floats, Ints]:
        """All curves' points one after another, shape (points, 2), and where each begins."""
        return np.vstack([NO_POINTS, *self.curves]), np.cumsum([0, *map(len, self.curves)])


@dataclass(frozen=True)
class Heads:
    """A solved tree: pressure heads at the nodes, shape (nodes,)."""

    tree: Tree
    head_m: Floats
    iterations: int
    residual_m: float

    @cached_property
    def flow_m3_s(self) -> Floats:
        """Flow into each node from its parent, into the root from outside, shape (nodes,). [m3/s]"""
        flow = np.empty(self.tree.parent.size)
        kernel.flows(
            self.tree.parent, self.tree.outlets, self.tree.demand_m3_s, self.tree.law, self.head_m, flow
        )
        return flow


def solve_tree(
    tree: Tree,
    aim: Aim,
    target: float,
    *,
    start_head_m: Floats | None = None,
    tolerance_m: float = 1e-8,
    most_iterations: int = 200,
    march_runs: bool = True,
) -> Heads:
    """Heads and flows of a tree.

    Aim `fixed head`: the root has `target` metres. `total flow`: the root's head is sought for which all
    emitters and demands together take `target` m3/s. `least head`: for which the lowest emitter has
    `target` metres. Newton's method on all heads; the cost is linear in nodes.

    Unbranched ends of the tree, such as laterals, are marched and count as one unknown each, which is
    many times faster and changes nothing else; `march_runs=False` leaves that out.

    Raises ConvergenceError when the energy
    equation of some link is off by more than `tolerance_m` after `most_iterations`, or when no head of the
    root gives what is aimed at.
    """
    if not math.isfinite(target):
        raise ValueError(f"tree: {aim} {target} is no number")
    still_m = float(tree.ground_m[0]) + (target if aim == "fixed head" else 10.0)
    for marched in (True, False) if march_runs else (False,):
        split = tree.marched if marched else tree.unmarched
        heads = still_m - tree.ground_m if start_head_m is None else start_head_m.astype(float)
        found = _newton(tree, split, aim, target, heads, tolerance_m, most_iterations)
        if found.residual_m <= tolerance_m:
            return found
    if aim == "fixed head":
        raise ConvergenceError(
            f"a tree of {tree.parent.size} nodes ({aim} {target:.3g}) is off by {found.residual_m:.2g} m "
            f"after {found.iterations} steps"
        )
    return _bracketed(tree, aim, target, tolerance_m, most_iterations)


def _newton(
    tree: Tree,
    split: Split,
    aim: Aim,
    target: float,
    heads: Floats,
    tolerance_m: float,
    most_iterations: int,
) -> Heads:
    """Solve a tree taken apart; `heads` is the start, and is taken over for the result."""
    trunk_head = heads[split.nodes]
    laws = (tree.sizes, tree.law, *tree.curve_points, _MODES[aim], float(target))
    solve = _solve_on_all_cores if heads.size - split.nodes.size >= THREADS_FROM else kernel.solve
    iterations, residual = solve(
        tree_nodes(tree), split.first, split.end, heads, split.trunk, split.at, *laws, trunk_head,
        most_iterations, tolerance_m,
    )  # fmt: skip
    heads[split.nodes] = trunk_head
    return Heads(tree, heads, int(iterations), float(residual))


def _solve_on_all_cores(
    nodes: Any, first: Ints, end: Ints, heads: Floats, trunk: Any, at: Ints, *rest: Any
) -> tuple[float, float]:
    """`tree_kernel.solve`, the runs of each sweep shared out among cores; the same to the last bit."""
    *laws, head, most, tol = rest
    march = np.empty((at.size, runs_kernel.RESULTS))
    room, state = kernel.scratch(head.size, at.size), np.zeros(kernel.STATE)
    cuts = np.searchsorted(end, np.linspace(0, heads.size, 4 * config.NUMBA_NUM_THREADS + 1)[1:-1])
    parts = [slice(a, b) for a, b in pairwise([0, *cuts.tolist(), at.size])]

    def march_part(coarse: bool, p: slice) -> None:
        runs_kernel.sweep(coarse, first[p], end[p], nodes, *laws[:2], heads, march[p])

    with ThreadPoolExecutor(config.NUMBA_NUM_THREADS) as pool:
        for coarse, limit, enough in (
            (True, kernel.COARSE_ITERATIONS, kernel.COARSE_TOLERANCE_M),
            (False, most, tol),
        ):
            state[kernel.SHARE], state[kernel.SQUARES] = 0.0, math.inf
            for _ in range(limit):
                list(pool.map(partial(march_part, coarse), parts))
                if kernel.correct(end, heads, trunk, at, march, *laws, head, room, state, most, enough):
                    break
    return state[kernel.ITERATIONS], state[kernel.RESIDUAL]


def _bracketed(tree: Tree, aim: Aim, target: float, tolerance_m: float, most_iterations: int) -> Heads:
    """Solve for the root's head between one that is too low and one that is too high: all rise with it."""
    emits = tree.outlets > 0.0

    def solved(root_m: float) -> Heads:
        return solve_tree(
            tree, "fixed head", root_m, tolerance_m=tolerance_m, most_iterations=most_iterations
        )

    def over(root_m: float) -> float:
        solution = solved(root_m)
        got = solution.flow_m3_s[0] if aim == "total flow" else solution.head_m[emits].min(initial=math.inf)
        return float(got) - target

    low = float(tree.ground_m.min() - tree.ground_m[0])  # no node has a head above zero
    high = low + 10.0
    while over(high) < 0.0 and high < HIGHEST_ROOT_M:
        low, high = high, high + 2.0 * (high - low)
    if not over(low) < 0.0 <= over(high):
        raise ConvergenceError(
            f"a tree of {tree.parent.size} nodes: no head of its root up to {HIGHEST_ROOT_M:.0f} m "
            f"gives {aim} {target:.3g}"
        )
    return solved(float(brentq(over, low, high, xtol=tolerance_m, rtol=1e-12)))


def in_order(parent: Ints) -> Ints:
    """Return the nodes of a tree in an order in which each stands after its parent, chains together.

    `parent[i]` is -1 for the one root. Raises ValueError naming a node of a cycle, a second root, or a
    node whose parent does not exist.

    >>> in_order(np.array([2, 0, -1]))
    array([2, 0, 1])
    """
    parent = np.asarray(parent, dtype=np.int64)
    roots = np.flatnonzero(parent == -1)
    if roots.size != 1:
        raise ValueError(f"tree: {roots.size} nodes have no parent ({roots[:5].tolist()}); one is the root")
    stray = np.flatnonzero((parent < -1) | (parent >= parent.size))
    if stray.size:
        raise ValueError(f"tree: node {stray[0]} has parent {parent[stray[0]]}, which does not exist")
    child = np.flatnonzero(parent >= 0)
    links = csr_array((np.ones(child.size), (parent[child], child)), shape=(parent.size, parent.size))
    order = depth_first_order(links, int(roots[0]), return_predecessors=False)
    if order.size < parent.size:
        node = int(np.setdiff1d(np.arange(parent.size), order)[0])
        raise ValueError(f"tree: node {node} is in a cycle, or hangs on one")
    return np.asarray(order, dtype=np.int64)
