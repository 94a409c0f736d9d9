"""The few blocks that turn out over their tolerance once they are laid, cut again with those beside them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

from farmgis.planning.block_choice import best_blocks, well_placed
from farmgis.planning.block_search import BlockChoice, Rules
from farmgis.planning.rows import Axes
from farmgis.planning.strips import Strip
from farmgis.records import Surface

Flagged = list[tuple[BlockChoice, bool]]

EVERY_LINE = 1000
"""Units that a run of blocks may be searched in: each line is one where the ground falls fast enough."""


def cut_again(
    choices: Sequence[BlockChoice],
    failed: Sequence[bool],
    axes: Axes,
    ground: Surface,
    slope_pct: float,
    rules: Rules,
) -> list[BlockChoice]:
    """Choices of one plan, in which each run of failed blocks, and its neighbours, is searched once more.

    Others stay as they are. `failed[i]` tells whether block i as laid is not what its search took it to be.
    """
    fine = replace(rules, most_units=EVERY_LINE)
    found: list[BlockChoice] = []
    for strip_choices in _by_strip(choices, failed):
        for own, wanted in _runs(strip_choices):
            if not wanted:
                found += own
                continue
            strip = _part(own[0].strip, own[0].first, own[-1].last)
            new = best_blocks(strip, axes, ground, slope_pct, fine)
            at_least = sum(c.at_least for c in own) / len(new)
            new = [replace(c, at_least=at_least) for c in new]
            found += [well_placed(c, axes, ground, slope_pct, fine) for c in new]
    return found


def _by_strip(choices: Sequence[BlockChoice], failed: Sequence[bool]) -> list[Flagged]:
    """Neighbours of one strip, gathered in their order along it; its blocks follow each other."""
    pairs = list(zip(choices, failed, strict=True))
    return [list(own) for _, own in itertools.groupby(pairs, key=lambda pair: id(pair[0].strip))]


def _runs(own: Flagged) -> list[tuple[list[BlockChoice], bool]]:
    """Blocks of a strip in runs: those to be searched again, with a neighbour at either end, and others."""
    wanted = [any(failed for _, failed in own[max(i - 1, 0) : i + 2]) for i in range(len(own))]
    groups = itertools.groupby(range(len(own)), key=lambda i: wanted[i])
    return [([own[i][0] for i in group], key) for key, group in groups]


def _part(strip: Strip, first: int, last: int) -> Strip:
    """Lines `first` to `last` (exclusive) of a strip, as a strip."""
    own = slice(first, last)
    return replace(
        strip,
        number=strip.number[own],
        v_m=strip.v_m[own],
        start_u_m=strip.start_u_m[own],
        end_u_m=strip.end_u_m[own],
    )
