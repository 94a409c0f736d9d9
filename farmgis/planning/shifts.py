"""Shifts: which blocks of a source run together."""

from __future__ import annotations

import math
from collections.abc import Sequence

from farmgis.records import BlockFacts, Finding, Shift


def shifts(
    source_id: str | None, blocks: Sequence[BlockFacts], most_flow_m3h: float, least_count: int = 1
) -> tuple[tuple[Shift, ...], tuple[Finding, ...]]:
    """Group blocks so that each runs once and no group takes more than a flow.

    Blocks are taken from the largest down, each to the group with the least flow so far; the fewest
    groups for which that keeps every group under the limit. A block larger than the limit runs alone,
    and a finding says so.
    """
    if not blocks:
        return (), ()
    ordered = sorted(blocks, key=lambda b: (-b.flow_m3h, b.block_id))
    total = sum(b.flow_m3h for b in blocks)
    count = max(1, least_count, math.ceil(total / most_flow_m3h - 1e-9))
    while count < len(ordered):
        groups = _spread(ordered, count)
        if all(_flow(g) <= most_flow_m3h + 1e-6 for g in groups):
            break
        count += 1
    groups = _spread(ordered, min(count, len(ordered)))
    findings = tuple(
        _too_large(b, source_id, most_flow_m3h) for b in ordered if b.flow_m3h > most_flow_m3h + 1e-6
    )
    made = tuple(
        Shift(source_id, number, tuple(sorted(b.block_id for b in group)), _flow(group))
        for number, group in enumerate(groups, start=1)
    )
    return made, findings


def least_flow_shifts(peak_run_hours: float, hours_per_day: float) -> int:
    """How many shifts fit into a day when each runs for `peak_run_hours`: more shifts need less flow.

    >>> least_flow_shifts(5.2, 20.0)
    3
    """
    return max(1, math.floor(hours_per_day / peak_run_hours + 1e-9)) if peak_run_hours > 0.0 else 1


def _spread(ordered: Sequence[BlockFacts], count: int) -> list[list[BlockFacts]]:
    groups: list[list[BlockFacts]] = [[] for _ in range(count)]
    for block in ordered:
        min(groups, key=_flow).append(block)
    return groups


def _flow(group: Sequence[BlockFacts]) -> float:
    return float(sum(b.flow_m3h for b in group))


def _too_large(block: BlockFacts, source_id: str | None, most_flow_m3h: float) -> Finding:
    return Finding(
        "attention",
        "supply",
        f"block {block.block_id} alone takes more than {source_id} gives",
        block.block_id,
        "set a smaller `block_max_ha`, or bind the field to a larger source",
        block.flow_m3h,
        most_flow_m3h,
        "m3/h",
    )
