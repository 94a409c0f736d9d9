"""Where a block's submain crosses its rows, so that uphill and downhill laterals end at like heads."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from farmgis.planning import block_share_kernel as kernel
from farmgis.planning.block_cuts import Bools
from farmgis.planning.block_search import (
    SNAP_M,
    VALVE_INDEX,
    BlockChoice,
    Rules,
    Trial,
    Units,
    line_sizes,
    piped,
    strip_trial,
    strip_units,
    valve_line,
)
from farmgis.planning.rows import Axes
from farmgis.records import Floats, Surface

EVEN_SHARE = 0.02
"""A more even block may cost this share more in pipe and trench than the cheapest (common practice)."""

STEPS = 32
"""Places of the submain across a strip that are told apart."""


@dataclass(frozen=True)
class Placed:
    """A block with its units and the tables of the place at which it was put: share `index` of the trial."""

    block: BlockChoice
    units: Units
    trial: Trial
    index: int


def balanced(block: BlockChoice, axes: Axes, ground: Surface, slope_pct: float, rules: Rules) -> Placed:
    """Move a block's submain along its rows to where its heads differ least, for about the same cost.

    Where friction at a downhill lateral's inlet exceeds the fall, that is where the lowest heads of both
    sides agree; elsewhere, where their range is least. A side whose laterals would be shorter than the
    least length is left out: the other is then fed from the end.
    """
    units = _own_units(block, strip_units(block.strip, slope_pct, rules))
    coarse = np.linspace(0.0, 1.0, 9)
    placed = _most_even(block, units, coarse, axes, ground, rules)
    near = np.arange(-STEPS // 8, STEPS // 8 + 1) / STEPS + placed.block.share
    near = near[(near >= 0.0) & (near <= 1.0)]
    finer = _most_even(block, units, near, axes, ground, rules)
    first, then = placed.block, finer.block
    if (then.excess <= 0.0) == (first.excess <= 0.0) and then.cost <= first.cost * (1.0 + EVEN_SHARE):
        return finer
    return finer if then.excess < first.excess and first.excess > 0.0 else placed


def _own_units(block: BlockChoice, units: Units) -> Units:
    """The units of the strip that are the block's own."""
    a, b = np.searchsorted(units.bounds, [block.first, block.last])
    return Units(units.bounds[a : b + 1], units.middle[a:b])


def _most_even(
    block: BlockChoice, units: Units, shares: Floats, axes: Axes, ground: Surface, rules: Rules
) -> Placed:
    trial = strip_trial(block.strip, units, shares, axes, ground, rules)
    best, choice = np.empty(2), np.zeros(4, np.int64)
    allowed = _allowed(trial.table.arms, shares, rules)
    kernel.most_even(allowed, rules.detail.valves, EVEN_SHARE, *trial, best, choice)
    s, valve, g, spend = (int(c) for c in choice)
    laid = piped(trial, 0, units.count, s, valve, g, bool(spend))
    moved = replace(
        block,
        share=float(shares[s]),
        valve=valve_line(units, 0, units.count, valve),
        sizes=line_sizes(trial, units, 0, units.count, s, valve, laid.sizes),
        uniformity_pct=laid.uniformity_pct,
        excess=float(best[0]),
        cost=float(best[1]) + VALVE_INDEX,
    )
    return Placed(moved, units, trial, s)


def _allowed(arms_m: Floats, shares: Floats, rules: Rules) -> Bools:
    """Shares at which no arm is over the greatest length, nor a side on average under the least."""
    longest = arms_m.max(axis=(1, 2)) <= rules.design.lateral_max_m + rules.dripline.emitter_spacing_m
    laid = arms_m > SNAP_M
    mean = np.where(laid, arms_m, 0.0).sum(axis=1) / np.maximum(laid.sum(axis=1), 1)
    short = ((mean > 0.0) & (mean < rules.design.lateral_min_m)).any(axis=1)
    kept = longest & ~(short & (shares > 0.0) & (shares < 1.0))
    return np.asarray(kept if kept.any() else longest)
