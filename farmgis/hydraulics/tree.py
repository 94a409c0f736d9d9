"""Heads and flows of a whole tree of pipes and emitters, from its root to the last emitter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from farmgis.errors import ConvergenceError
from farmgis.hydraulics import tree_kernel as kernel
from farmgis.records import Floats

Ints = NDArray[np.int64]

Aim = Literal["fixed head", "total flow", "least head"]
_MODES = {"fixed head": kernel.FIXED_HEAD, "total flow": kernel.TOTAL_FLOW, "least head": kernel.LEAST_HEAD}


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
    `target` metres. Newton's method on all heads; the cost is linear in nodes. Raises ConvergenceError
    when the energy equation of some link is off by more than `tolerance_m` after `most_iterations`.
    """
    n = tree.parent.size
    if start_head_m is None:
        still = target if aim == "fixed head" else 10.0
        start_head_m = still + tree.ground_m[0] - tree.ground_m
    head = np.array(start_head_m, dtype=float)
    flow = np.empty(n)
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
    if not math.isfinite(residual) or iterations >= most_iterations:
        raise ConvergenceError(
            f"a tree of {n} nodes ({aim} {target:.3g}) is off by {residual:.2g} m after {iterations} steps"
        )
    return Heads(head, flow, int(iterations), float(residual))
