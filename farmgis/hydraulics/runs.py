"""A tree taken apart: runs, which are marched, and the trunk that is left."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from farmgis.hydraulics import runs_kernel
from farmgis.hydraulics.tree_kernel import Trunk

if TYPE_CHECKING:
    from farmgis.hydraulics.tree import Tree

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Split:
    """Runs as node ranges; the trunk, which nodes of the tree are in it, and where on it each run begins."""

    first: Ints
    end: Ints
    nodes: Ints
    at: Ints
    trunk: Trunk


def split_tree(tree: Tree, marched: bool) -> Split:
    """Find a tree's runs; unmarched, all of it is trunk."""
    n = tree.parent.size
    if not marched:
        none = np.empty(0, np.int64)
        nodes = np.arange(n)
        return Split(none, none, nodes, none, _trunk(tree, nodes))
    kept = np.zeros(n, np.bool_)
    if tree.setting_m is not None:
        kept |= np.isfinite(tree.setting_m)
    if tree.curve is not None:
        kept |= tree.curve >= 0
    first, end, nodes = runs_kernel.find(tree.parent, tree.size, kept)
    return Split(first, end, nodes, np.searchsorted(nodes, tree.parent[first]), _trunk(tree, nodes))


def _trunk(tree: Tree, nodes: Ints) -> Trunk:
    """The trunk as a tree of its own."""
    n = nodes.size
    whole = n == tree.parent.size

    def own(values: Any) -> Any:
        return values if whole else values[nodes]

    parent = own(tree.parent)
    if not whole:
        parent = np.searchsorted(nodes, parent)
        parent[0] = -1
    return Trunk(
        parent=parent,
        z=own(tree.ground_m),
        length=own(tree.loss_length_m),
        minor=own(tree.minor),
        size=own(tree.size),
        outlets=own(tree.outlets),
        demand=own(tree.demand_m3_s),
        setting=np.full(n, math.inf) if tree.setting_m is None else own(tree.setting_m),
        curve=np.full(n, -1) if tree.curve is None else own(tree.curve),
    )


def tree_nodes(tree: Tree) -> tuple[Any, ...]:
    """The tree's arrays in the order of `runs_kernel`."""
    return (
        tree.parent, tree.ground_m, tree.loss_length_m, tree.minor, tree.size, tree.outlets, tree.demand_m3_s,
    )  # fmt: skip
