"""One lateral by itself: heads and flow along a line of emitters on real ground."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import DEFAULT_WATER, dripline_row, tabulated
from farmgis.hydraulics.tree import Heads, Tree, solve_tree
from farmgis.hydraulics.water import Water
from farmgis.records import Dripline, Floats

START_LOSS_K = 1.0
"""Velocity heads lost at a start connector (from memory; makers' figures vary widely)."""


@lru_cache(maxsize=32)
def tabulated_row(dripline: Dripline, water: Water) -> Floats:
    """A dripline's row with its table, shape (1, 810); made once a line."""
    return tabulated(dripline_row(dripline, water)[None])


def local_loss_terms(dripline: Dripline) -> tuple[float, float]:
    """Return (factor on friction length, velocity heads an emitter) of a dripline's local losses. [-]"""
    if dripline.emitter_loss_k is not None:
        return 1.0, dripline.emitter_loss_k
    if dripline.emitter_loss_length_m is not None:
        return 1.0 + dripline.emitter_loss_length_m / dripline.emitter_spacing_m, 0.0
    return 1.0 + dripline.local_loss_pct / 100.0, 0.0


@dataclass(frozen=True)
class Lateral:
    """A solved lateral: `head_m` at inlet and each emitter, shape (emitters + 1,); flow at the inlet."""

    head_m: Floats
    flow_l_h: float
    solution: Heads


def solve_lateral(
    dripline: Dripline,
    ground_m: Floats,
    inlet_head_m: float,
    water: Water = DEFAULT_WATER,
    *,
    by_table: bool = False,
) -> Lateral:
    """Heads along a lateral fed at a known head.

    `ground_m`, shape (emitters + 1,): elevation of the inlet and of each emitter, one emitter spacing
    apart along the line. `by_table` takes turbulent friction from a table: faster, and true to 1e-7.

    >>> line = Dripline("a line", 16.0, 0.5, 1.6)
    >>> flat = solve_lateral(line, np.zeros(201), inlet_head_m=10.0)
    >>> round(float(flat.head_m[-1]), 1), round(flat.flow_l_h)
    (9.2, 310)
    """
    heads = solve_tree(lateral_tree(dripline, ground_m, water, by_table), "fixed head", inlet_head_m)
    return Lateral(heads.head_m, float(heads.flow_m3_s[0]) * 3.6e6, heads)


def lateral_tree(
    dripline: Dripline, ground_m: Floats, water: Water = DEFAULT_WATER, by_table: bool = False
) -> Tree:
    """A lateral as a tree: its inlet, then each emitter on the ground given, shape (emitters + 1,)."""
    ground_m = np.asarray(ground_m, dtype=float)
    n = ground_m.size
    factor, each_k = local_loss_terms(dripline)
    minor = np.full(n, each_k)
    minor[1:2] += START_LOSS_K
    outlets = np.ones(n)
    outlets[0] = 0.0
    return Tree(
        parent=np.arange(-1, n - 1),
        ground_m=ground_m,
        loss_length_m=np.full(n, dripline.emitter_spacing_m * factor),
        minor=minor,
        size=np.zeros(n, np.int64),
        sizes=tabulated_row(dripline, water) if by_table else dripline_row(dripline, water)[None],
        outlets=outlets,
        law=emitter_law(dripline),
        demand_m3_s=np.zeros(n),
    )
