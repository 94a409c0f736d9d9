"""A source's zones and their blocks through the season, as arrays that the calendar runs through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.sowing import GerminationRun, day_window
from farmgis.records import Floats, Shift


@dataclass(frozen=True)
class SourceSeason:
    """A source's zones and their blocks as arrays: (days, blocks), or one value a block.

    `due_h` are the hours of regular running that are due on each day, `asked_h` their sum up to that day,
    `asked_next_h` their sum up to the zone's next turn after it; `rate_m3h` is a block's flow as the source
    can give it, so that a zone larger than its source runs longer. `seed_h` are the hours for germination,
    `busy_h` tells how long the source is busy with that. `keeps` is 1, or the share of its depletion that a
    block has left on the morning of that day on which regular irrigation takes over; `over` is the day from
    which a block's season is over. `turn_h` is a zone's longest turn while others wait.
    """

    zones: tuple[Shift, ...]
    members: tuple[NDArray[np.int64], ...]  # indices of each zone's blocks
    blocks: tuple[BlockSeason, ...]
    germination: tuple[GerminationRun, ...]
    hours_per_day: float
    flow_m3h: float
    rate_m3h: Floats
    net_mm_per_h: Floats
    due_h: Floats
    asked_h: Floats
    asked_next_h: Floats
    seed_h: Floats
    busy_h: Floats
    et_mm: Floats
    rain_mm: Floats
    total_mm: Floats
    readily_mm: Floats
    start_mm: Floats
    keeps: Floats
    over: NDArray[np.int64]
    turn_h: tuple[float, ...]

    @classmethod
    def of(
        cls,
        shifts: Sequence[Shift],
        seasons: Mapping[str, BlockSeason],
        hours_per_day: float,
        flow: float,
        germination: Sequence[GerminationRun],
    ) -> SourceSeason:
        """Gather the blocks of a source's shifts; those whose demand is assumed stay out."""
        blocks: list[BlockSeason] = []
        members: list[NDArray[np.int64]] = []
        rates: list[float] = []
        for shift in shifts:
            own = [seasons[i] for i in shift.block_ids if i in seasons]
            members.append(np.arange(len(blocks), len(blocks) + len(own), dtype=np.int64))
            blocks += own
            rates += [b.facts.flow_m3h * min(1.0, flow / shift.flow_m3h) for b in own]
        days = max((b.demand.dates.size + b.delay_days for b in blocks), default=0)
        area = np.array([b.facts.area_ha for b in blocks])
        rate = np.array(rates)
        net_rate = rate / np.maximum(area, 1e-12) / 10.0 / np.array([b.gross_factor for b in blocks])
        due = _by_day([b.regular_net_mm for b in blocks], blocks, days) / net_rate
        seed_h, busy_h = _germination_hours(germination, blocks, days, day_window(hours_per_day)[0])
        return cls(
            zones=tuple(shifts),
            members=tuple(members),
            blocks=tuple(blocks),
            germination=tuple(germination),
            hours_per_day=hours_per_day,
            flow_m3h=flow,
            rate_m3h=rate,
            net_mm_per_h=net_rate,
            due_h=due,
            asked_h=np.cumsum(due, axis=0),
            asked_next_h=_asked_next_h(due),
            seed_h=seed_h,
            busy_h=busy_h,
            et_mm=_by_day([b.demand.et_full_mm for b in blocks], blocks, days),
            rain_mm=_by_day([b.demand.rain_mm for b in blocks], blocks, days),
            total_mm=_by_day([b.demand.total_mm for b in blocks], blocks, days, edge=True),
            readily_mm=_by_day([b.demand.readily_mm for b in blocks], blocks, days, edge=True),
            start_mm=np.array([b.demand.start_depletion_mm for b in blocks]),
            keeps=_keeps(blocks, days),
            over=np.array([b.demand.dates.size + b.delay_days for b in blocks], dtype=np.int64),
            turn_h=tuple(_interval_days(due[:, m]) * hours_per_day / len(shifts) for m in members),
        )


def _germination_hours(
    runs: Sequence[GerminationRun], blocks: Sequence[BlockSeason], days: int, first_h: float
) -> tuple[Floats, Floats]:
    """Hours of each block for germination by day, and from its first hour until when the source is busy."""
    column = {b.facts.block_id: k for k, b in enumerate(blocks)}
    seed, busy = np.zeros((days, len(blocks))), np.zeros(days)
    for run in runs:
        busy[run.day] = max(busy[run.day], run.start_h + run.hours - first_h)
        for block_id, hours in run.block_hours.items():
            seed[run.day, column[block_id]] += hours
    return seed, busy


def _keeps(blocks: Sequence[BlockSeason], days: int) -> Floats:
    kept = np.ones((days, len(blocks)))
    for column, block in enumerate(blocks):
        day = block.demand.begin + block.delay_days
        if block.demand.begin > 0 and day < days:
            kept[day, column] = block.demand.handover
    return kept


def _asked_next_h(due_h: Floats) -> Floats:
    """Hours asked for up to the next day, after each day, on which something is due."""
    asked = np.cumsum(due_h, axis=0)
    made = asked.copy()
    for day in range(due_h.shape[0] - 2, -1, -1):
        made[day] = np.where(due_h[day + 1] > 0.0, asked[day + 1], made[day + 1])
    return made


def _interval_days(due_h: Floats) -> int:
    """Fewest days between two turns of a zone's blocks, (days, blocks); of one turn the whole season."""
    gaps = [np.diff(np.flatnonzero(column > 0.0)) for column in due_h.T]
    return min((int(g.min()) for g in gaps if g.size), default=max(due_h.shape[0], 1))


def _by_day(values: Sequence[Floats], blocks: Sequence[BlockSeason], days: int, edge: bool = False) -> Floats:
    """Daily values from each block's own sowing, a column a block; beyond its season none, or its edges'."""
    made = np.zeros((days, len(blocks)))
    for column, (own, block) in enumerate(zip(values, blocks, strict=True)):
        first = block.delay_days
        made[first : first + own.size, column] = own
        if edge:
            made[:first, column] = own[0]
            made[first + own.size :, column] = own[-1]
    return made
