"""Valves of a tree that are not simply open.

A regulator is the tree's `setting_m`, a throttled valve its `minor`, a filter one of its `curves`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from farmgis.hydraulics.tree import Ints, Tree
from farmgis.hydraulics.tree_kernel import mark_below
from farmgis.records import Floats

WIDTH = 1e-3
"""A limiter passes this share more than its limit where it has to take `ALL_HEAD_M`: a millionth a metre."""

ALL_HEAD_M = 1000.0
"""More head than any irrigation pipe holds."""


def flow_limiter(limit_m3_s: float) -> Floats:
    """Points of a device that lets no more than a flow pass, for `curves` of a tree. [m3/s, m]

    Raises ValueError for a limit that is no flow.
    """
    if not limit_m3_s > 0.0:
        raise ValueError(f"a flow limiter of {limit_m3_s:g} m3/s; use `shut` for a valve that passes nothing")
    return np.array([[0.0, 0.0], [limit_m3_s, 0.0], [limit_m3_s * (1.0 + WIDTH), ALL_HEAD_M]])


def loss_curve(flow_m3h: Floats, loss_m: Floats) -> Floats:
    """Points of a filter or another device from its data sheet, for `curves` of a tree. [m3/s, m]

    Raises ValueError where flow or loss does not rise from point to point.
    """
    flow, loss = np.asarray(flow_m3h, dtype=float), np.asarray(loss_m, dtype=float)
    if flow.shape != loss.shape or flow.size < 2:
        raise ValueError(
            f"a loss curve of {flow.size} flows and {loss.size} losses; two points or more are one"
        )
    falls = np.flatnonzero((np.diff(flow) <= 0.0) | (np.diff(loss) < 0.0))
    if falls.size or flow[0] < 0.0 or loss[0] < 0.0:
        k = int(falls[0]) + 1 if falls.size else 0
        raise ValueError(
            f"a loss curve has {loss[k]:g} m at {flow[k]:g} m3/h after "
            f"{loss[k - 1]:g} m at {flow[k - 1]:g} m3/h: from none, both rise"
        )
    return np.column_stack([flow / 3600.0, loss])


def shut(tree: Tree, nodes: Ints) -> Tree:
    """A tree in which the valves at some nodes are shut: nothing flows into them.

    Heads beyond a shut valve are those of standing water behind an open one, and mean nothing.
    """
    below = np.zeros(tree.parent.size, np.bool_)
    below[nodes] = True
    mark_below(tree.parent, below)
    return replace(
        tree,
        outlets=np.where(below, 0.0, tree.outlets),
        demand_m3_s=np.where(below, 0.0, tree.demand_m3_s),
    )
