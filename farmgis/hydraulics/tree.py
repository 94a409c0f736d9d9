"""Heads and flows of a whole tree of pipes and emitters, from its root to the last emitter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from farmgis.errors import ConvergenceError
from farmgis.hydraulics import tree_kernel as kernel
from farmgis.records import Floats

Ints = NDArray[np.int64]

Aim = Literal["fixed head", "total flow", "least head"]
_MODES = {"fixed head": kernel.FIXED_HEAD, "total flow": kernel.TOTAL_FLOW, "least head": kernel.LEAST_HEAD}

HIGHEST_ROOT_M = 1000.0
"""No head of the root above this is sought: it would be no water for irrigating."""


@dataclass(frozen=True)
class Tree:
    """A rooted tree in topological order: node 0 is the root and `parent[i] < i`.

    Link i joins node i to its parent: `loss_length_m` of pipe of `size[i]` (a row of `sizes`, from
    `friction.pipe_rows` or `dripline_row`) and `minor[i]` velocity heads of local loss. `outlets[i]`
    emitters stand at node i, all of one `law`; `demand_m3_s` is a take-off that does not depend on head.
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

    def __post_init__(self) -> None:
        """Refuse arrays of unlike lengths."""
        n = self.parent.size
        for name in ("ground_m", "loss_length_m", "minor", "size", "outlets", "demand_m3_s"):
            if getattr(self, name).shape != (n,):
                raise ValueError(f"tree: `{name}` has shape {getattr(self, name).shape}, not ({n},)")
        if n == 0 or self.parent[0] != -1:
            raise ValueError("tree: the first node is the root and its parent is -1")
        if n > 1 and not np.all((self.parent[1:] >= 0) & (self.parent[1:] < np.arange(1, n))):
            raise ValueError("tree: each node stands after its parent")


@dataclass(frozen=True)
class Heads:
    """A solved tree: pressure heads and flows into each node, shape (nodes,)."""

    head_m: Floats
    flow_m3_s: Floats
    iterations: int
    residual_m: float


def solve_tree(
    tree: Tree,
    aim: Aim,
    target: float,
    *,
    start_head_m: Floats | None = None,
    tolerance_m: float = 1e-7,
    most_iterations: int = 200,
) -> Heads:
    """Heads and flows of a tree.

    Aim `fixed head`: the root has `target` metres. `total flow`: the root's head is sought for which all
    emitters and demands together take `target` m3/s. `least head`: for which the lowest emitter has
    `target` metres. Newton's method on all heads; the cost is linear in nodes. Where the root's head and
    all others together do not settle, the root's head is bracketed. Raises ConvergenceError when the energy
    equation of some link is off by more than `tolerance_m` after `most_iterations`, or when no head of the
    root gives what is aimed at.
    """
    if start_head_m is None:
        still = target if aim == "fixed head" else 10.0
        start_head_m = still + tree.ground_m[0] - tree.ground_m
    found = _newton(tree, aim, target, start_head_m, tolerance_m, most_iterations)
    if found.iterations < most_iterations and math.isfinite(found.residual_m):
        return found
    if aim == "fixed head":
        raise ConvergenceError(
            f"a tree of {tree.parent.size} nodes ({aim} {target:.3g}) is off by {found.residual_m:.2g} m "
            f"after {found.iterations} steps"
        )
    return _bracketed(tree, aim, target, tolerance_m, most_iterations)


def _newton(
    tree: Tree, aim: Aim, target: float, start_head_m: Floats, tolerance_m: float, most_iterations: int
) -> Heads:
    head = np.array(start_head_m, dtype=float)
    flow = np.empty(tree.parent.size)
    iterations, residual = kernel.solve(
        tree.parent,
        tree.ground_m,
        tree.loss_length_m,
        tree.minor,
        tree.size,
        tree.sizes,
        tree.outlets,
        tree.law,
        tree.demand_m3_s,
        _MODES[aim],
        float(target),
        head,
        flow,
        most_iterations,
        tolerance_m,
    )
    return Heads(head, flow, int(iterations), float(residual))


def _bracketed(tree: Tree, aim: Aim, target: float, tolerance_m: float, most_iterations: int) -> Heads:
    """Solve for the root's head between one that is too low and one that is too high: all rise with it."""
    emits = tree.outlets > 0.0
    emits[0] &= aim == "total flow"

    def over(root_m: float) -> float:
        solution = solve_tree(
            tree, "fixed head", root_m, tolerance_m=tolerance_m, most_iterations=most_iterations
        )
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
    root_m = float(brentq(over, low, high, xtol=tolerance_m, rtol=1e-12))
    return solve_tree(tree, "fixed head", root_m, tolerance_m=tolerance_m, most_iterations=most_iterations)
