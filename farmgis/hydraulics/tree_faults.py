"""What cannot be in a tree, named with its node and value."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from farmgis.hydraulics import tree_kernel as kernel

if TYPE_CHECKING:
    from farmgis.hydraulics.tree import Tree

BOUNDS = {
    "ground_m": (10_000.0, "m"),
    "loss_length_m": (100_000.0, "m"),
    "minor": (1e6, "velocity heads"),
    "outlets": (1e6, "emitters"),
    "demand_m3_s": (100.0, "m3/s"),
    "size": (math.inf, ""),
}
"""Greatest magnitudes that a node may have: more is a unit mistaken."""


_GREATEST = np.array([b for b, _ in BOUNDS.values()])


def refuse_faults(tree: Tree) -> None:
    """Refuse, with its node and value, the first thing that cannot be. Raises ValueError."""
    _refuse_lengths(tree)
    node, what, column = kernel.first_fault(
        tree.parent, tree.ground_m, tree.loss_length_m, tree.minor, tree.size, len(tree.sizes), tree.outlets,
        tree.demand_m3_s, _GREATEST,
    )  # fmt: skip
    if what == kernel.BAD_ROOT:
        raise ValueError(f"tree: node 0 has parent {tree.parent[0]}; it is the root, and its parent is -1")
    if what == kernel.BAD_PARENT:
        raise ValueError(
            f"tree: node {node} has parent {tree.parent[node]}; each but the root stands after its parent "
            "(`in_order` sorts nodes, and finds what is no tree)"
        )
    if what == kernel.BAD_VALUE:
        name, (bound, unit) = list(BOUNDS.items())[column]
        value = getattr(tree, name)[node]
        limit = f"0 to {len(tree.sizes) - 1}" if name == "size" else f"up to {bound:g} {unit}"
        raise ValueError(f"tree: node {node} has `{name}` {value:g}; it may be {limit}: is the unit right?")
    if not np.isfinite(tree.sizes.sum()):
        raise ValueError(f"tree: size {int(np.argwhere(~np.isfinite(tree.sizes))[0][0])} is no pipe")


def _refuse_lengths(tree: Tree) -> None:
    n = tree.parent.size
    if n == 0:
        raise ValueError("tree: it has no node")
    for name in (*BOUNDS, "setting_m", "curve"):
        values = getattr(tree, name)
        if values is not None and values.shape != (n,):
            raise ValueError(f"tree: `{name}` has shape {values.shape}, not ({n},)")
