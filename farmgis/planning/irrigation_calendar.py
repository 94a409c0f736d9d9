"""Each irrigation of the design year: which zone, on which day, from what hour, how long, how much.

Every zone is due on the days on which the soil balance of its blocks irrigates. Zones of one source take
turns within its hours of a day (`turns`). Doses for germination have their hours first: they cannot wait.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from farmgis.agronomy.soil_water import root_zone_balance
from farmgis.planning.block_season import BlockSeason
from farmgis.planning.deficit import Cost, cost
from farmgis.planning.source_season import SourceSeason
from farmgis.planning.sowing import FIRST_HOUR, GerminationRun, day_window
from farmgis.planning.turns import SECOND_H, Queue, Run
from farmgis.records import Assumption, Finding, Floats, Severity, Shift, Source
from farmgis.words import three_figures

LOSS_TOLD = 0.01
"""Share of the season's crop ET lost to water that comes late from which on it is told (common practice)."""

LOSS_GRAVE = 0.05
"""Share of it, or of the yield, from which on it is more than a note (common practice)."""


@dataclass(frozen=True)
class Irrigation:
    """One run of one zone: a row of `irrigations`. `blocks` tells whose valves open, each with its hours."""

    date: date
    zone_id: str
    shift: int
    start: str
    hours: float
    gross_mm: float
    volume_m3: float
    purpose: str
    blocks: str = ""


@dataclass(frozen=True)
class BlockDays:
    """A block's water from day to day of the calendar: given net, and lacking in its soil. [mm]"""

    given_mm: Floats
    depletion_mm: Floats


@dataclass(frozen=True)
class SourceDays:
    """What a source was asked for and gave, from day to day of the calendar. [m3]"""

    asked_m3: Floats
    given_m3: Floats


@dataclass(frozen=True)
class IrrigationCalendar:
    """The season's irrigations by date and hour, and what came of them for each block.

    `lost_et_mm` is the crop ET that is lost because water comes later than it is due, `lost_yield_pct` the
    yield that is expected to go with it (None where its response is not known); `watered` the first and last
    day on which the block runs. `sowing` is the calendar's first day.
    """

    irrigations: tuple[Irrigation, ...]
    given_m3: dict[str, float]
    lost_et_mm: dict[str, float]
    lost_yield_pct: dict[str, float | None]
    watered: dict[str, tuple[date, date]]
    sowing: date | None = None
    block_days: Mapping[str, BlockDays] = field(default_factory=dict)
    source_days: Mapping[str, SourceDays] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


def season_calendar(
    shifts: Sequence[Shift],
    seasons: Mapping[str, BlockSeason],
    sources: Sequence[Source],
    hours_without_source: float,
    germination: Sequence[GerminationRun] = (),
) -> IrrigationCalendar:
    """The irrigations of all sources; empty where no demand was computed for the place.

    `seasons` holds the blocks by id. The days are those of the design year of the crop that takes most
    water: a calendar has one year, and the other crops' days are counted from their sowing.
    """
    computed = {key: s for key, s in seasons.items() if s.demand.basis != "assumed" and s.demand.dates.size}
    if not computed:
        return IrrigationCalendar((), {}, {}, {}, {})
    sowing = calendar_sowing(computed)
    limits = {s.source_id: (s.hours_per_day, s.flow_m3h) for s in sources}
    parts = []
    for source_id in dict.fromkeys(s.source_id for s in shifts):
        own = [s for s in shifts if s.source_id == source_id]
        hours, flow = limits.get(source_id or "", (hours_without_source, np.inf))
        zone_ids = {s.zone_id for s in own}
        runs = [r for r in germination if r.zone_id in zone_ids]
        parts.append(_source_calendar(SourceSeason.of(own, computed, hours, flow, runs), sowing))
    return IrrigationCalendar(
        tuple(sorted((i for p in parts for i in p.irrigations), key=lambda i: (i.date, i.start, i.zone_id))),
        {key: m3 for p in parts for key, m3 in p.given_m3.items()},
        {key: mm for p in parts for key, mm in p.lost_et_mm.items()},
        {key: pct for p in parts for key, pct in p.lost_yield_pct.items()},
        {key: days for p in parts for key, days in p.watered.items()},
        sowing,
        {key: days for p in parts for key, days in p.block_days.items()},
        {key: days for p in parts for key, days in p.source_days.items()},
        tuple(f for p in parts for f in p.findings),
        _told(computed, sowing),
    )


def calendar_sowing(computed: Mapping[str, BlockSeason]) -> date:
    """The first day of the calendar: sowing in the design year of the crop that takes most water."""
    by_day: dict[date, float] = {}
    for season in computed.values():
        first = season.demand.dates[0].astype(date) - timedelta(days=season.delay_days)
        by_day[first] = by_day.get(first, 0.0) + season.need.gross_m3
    return max(by_day, key=lambda day: (by_day[day], day))


def _told(computed: Mapping[str, BlockSeason], sowing: date) -> tuple[Assumption, ...]:
    years = {s.demand.crop: s.demand.dates[0].astype(date).year for s in computed.values()}
    of_crops = ", ".join(f"{crop} {year}" for crop, year in sorted(years.items()))
    value = f"{sowing.year}; design years: {of_crops}"
    said = "days are counted from sowing, on the year of the crop that takes most water"
    return (
        Assumption("calendar_year", value, "", said, "common practice"),
        Assumption("first_hour", f"{FIRST_HOUR:g}", "h", "or so that it ends by midnight", "common practice"),
    )


# ---- one source, day by day -----------------------------------------------------------------------


def _source_calendar(own: SourceSeason, sowing: date) -> IrrigationCalendar:
    """Run a source's season: what is due joins the queue, the queue runs through the day's hours."""
    days, count = own.due_h.shape
    depletion, taken = own.start_mm, np.zeros((days, count))
    queue = Queue([], np.zeros(count), np.zeros(count))
    rows = [_seed_row(own, sowing, run) for run in own.germination]
    hours, ends = own.seed_h.copy(), np.zeros((days, count))
    late = 0
    for day in range(days):
        depletion = depletion * own.keeps[day]
        queue.leave(own, day)
        late += queue.join(own, day, depletion)
        given_h, runs = queue.run_day(own, own.busy_h[day])
        rows += [_row(own, sowing + timedelta(days=day), run) for run in runs]
        hours[day] += given_h
        taken[day], depletion = _soil_day(own, day, hours[day], depletion)
        ends[day] = depletion
    on_time = _taken_on_time(own)
    lost = np.maximum((on_time - taken).sum(axis=0), 0.0)
    costs = _late_costs(own, on_time, taken)
    given_m3 = (hours * own.rate_m3h).sum(axis=0)
    ids = [b.facts.block_id for b in own.blocks]
    asked = ((own.due_h + own.seed_h) * own.rate_m3h).sum(axis=1)
    source_id = own.zones[0].source_id or "farm"
    return IrrigationCalendar(
        tuple(rows),
        dict(zip(ids, given_m3.tolist(), strict=True)),
        dict(zip(ids, lost.tolist(), strict=True)),
        {i: None if c is None else c.yield_loss_pct for i, c in zip(ids, costs, strict=True)},
        {i: w for k, i in enumerate(ids) if (w := _watered(hours[:, k], sowing)) is not None},
        sowing,
        {i: BlockDays((hours * own.net_mm_per_h)[:, k], ends[:, k]) for k, i in enumerate(ids)},
        {source_id: SourceDays(asked, (hours * own.rate_m3h).sum(axis=1))},
        _findings(own, given_m3, lost, costs, late),
    )


def _watered(hours: Floats, sowing: date) -> tuple[date, date] | None:
    """First and last day on which a block runs."""
    days = np.flatnonzero(hours > 0.0)
    if not days.size:
        return None
    return sowing + timedelta(days=int(days[0])), sowing + timedelta(days=int(days[-1]))


def _soil_day(own: SourceSeason, day: int, hours: Floats, depletion: Floats) -> tuple[Floats, Floats]:
    """Crop ET of a day under those hours of running, and the depletion at its end. [mm]"""
    one = slice(day, day + 1)
    water = (hours * own.net_mm_per_h)[None, :]
    soil = root_zone_balance(
        own.et_mm[one], own.rain_mm[one], water, own.total_mm[one], own.readily_mm[one], depletion
    )
    return soil.et_mm[0], soil.depletion_mm[0]


def _taken_on_time(own: SourceSeason) -> Floats:
    """Crop ET of each day and block when all water came on the day on which it was due. [mm]"""
    depletion, taken = own.start_mm, np.zeros(own.due_h.shape)
    for day in range(own.due_h.shape[0]):
        hours = own.due_h[day] + own.seed_h[day]
        taken[day], depletion = _soil_day(own, day, hours, depletion * own.keeps[day])
    return taken


def _late_costs(own: SourceSeason, on_time_mm: Floats, taken_mm: Floats) -> list[Cost | None]:
    """What it costs each block's yield that its water comes late; None where no response is known."""
    made: list[Cost | None] = []
    for column, block in enumerate(own.blocks):
        demand = block.demand
        days = slice(block.delay_days, block.delay_days + demand.dates.size)
        if demand.response is None:
            made.append(None)
            continue
        full = own.et_mm[days, column]
        late, prompt = (
            cost(demand.response, full - taken[days, column], demand.stage, demand.stage_full_mm)
            for taken in (taken_mm, on_time_mm)
        )
        made.append(late.less(prompt))
    return made


def _row(own: SourceSeason, day: date, run: Run) -> Irrigation:
    members = own.members[run.zone]
    volume = float((run.given_h * own.rate_m3h[members]).sum())
    hours = zip(members, run.given_h.tolist(), strict=True)
    open_ = [(own.blocks[i].facts, h) for i, h in hours if h > SECOND_H]
    area = sum(facts.area_ha for facts, _ in open_)
    opened = _opened({facts.block_id: h for facts, h in open_})
    shift = own.zones[run.zone]
    start = _clock(day_window(own.hours_per_day)[0] + run.start_h)
    return Irrigation(
        day, shift.zone_id, shift.number, start, run.hours, volume / area / 10.0, volume, run.part, opened
    )


def _seed_row(own: SourceSeason, sowing: date, run: GerminationRun) -> Irrigation:
    at = {b.facts.block_id: k for k, b in enumerate(own.blocks)}
    volume = sum(hours * own.rate_m3h[at[i]] for i, hours in run.block_hours.items())
    area = sum(own.blocks[at[i]].facts.area_ha for i in run.block_hours)
    part = f"germination, dose {run.dose} of {run.doses}" + (
        f", pulse {run.pulse} of {run.pulses}" if run.pulses > 1 else ""
    )
    day = sowing + timedelta(days=run.day)
    start, depth, opened = _clock(run.start_h), volume / area / 10.0, _opened(run.block_hours)
    return Irrigation(day, run.zone_id, run.number, start, run.hours, depth, volume, part, opened)


def _opened(block_hours: Mapping[str, float]) -> str:
    """The blocks of a run, each with its hours, or minutes where they are few.

    >>> _opened({"A-B01": 5.44, "A-B02": 3.0, "A-B03": 0.04})
    'A-B01 5.4 h, A-B02 3.0 h, A-B03 3 min'
    """
    return ", ".join(f"{block_id} {_long(hours)}" for block_id, hours in sorted(block_hours.items()))


def _long(hours: float) -> str:
    return f"{hours:.1f} h" if hours >= 0.1 else f"{max(1, math.ceil(60.0 * hours - 1e-6))} min"


def _clock(hour: float) -> str:
    """Hour of the day as HH:MM."""
    minutes = int(60.0 * hour + 1e-6)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


NEAR_FLOW = 1.15
"""A source is asked for no more than this many times its flow, for one zone less (common practice)."""


LEFT_OVER = 0.05
"""Share of a source's flow from which on it is told that the zones leave it over (common practice)."""


def _better_used(own: SourceSeason) -> str:
    """What would have the zones take more of what a source gives, or one zone less where that is near."""
    count, flow = len(own.zones), own.flow_m3h
    total = sum(s.flow_m3h for s in own.zones)
    told = ""
    if total < (1.0 - LEFT_OVER) * count * flow < np.inf:
        told = f". The zones take {total / count:.0f} of its {flow:.0f} m3/h on average: "
        if total <= (count - 1) * flow:
            told += "blocks of another size (`block_max_ha`) may fit into fewer zones"
        else:
            more = 100.0 * (flow / max(s.flow_m3h for s in own.zones) - 1.0)
            told += f"lines of up to {more:.0f} % more flow would give more in the same hours"
    wanted = total / max(count - 1, 1)
    if flow < wanted <= NEAR_FLOW * flow:
        told += (
            f". If it gave {wanted:.0f} m3/h in place of {flow:.0f}, {count - 1} zones would do, each with "
            f"{100.0 / (count - 1):.0f} % more time in a day"
        )
    return told


def _findings(
    own: SourceSeason, given_m3: Floats, lost_mm: Floats, costs: Sequence[Cost | None], late: int
) -> tuple[Finding, ...]:
    """That a source's hours do not suffice: what is late, what the crops lose, what is not given."""
    if not own.blocks:
        return ()
    missing = float(sum(b.need.gross_m3 for b in own.blocks) - given_m3.sum())
    worst = int(np.argmax(lost_mm))
    share = lost_mm[worst] / max(float(own.et_mm[:, worst].sum()), 1e-9)
    if share < LOSS_TOLD:
        return ()
    source = own.zones[0].source_id or "farm"
    cost_of = costs[worst]
    yield_pct = 0.0 if cost_of is None else cost_of.yield_loss_pct or 0.0
    severity: Severity = "attention" if max(share, yield_pct / 100.0) >= LOSS_GRAVE else "note"
    with_it = "" if cost_of is None or cost_of.words is None else f" and with it {cost_of.words}"
    what = (
        f"its hours ({own.hours_per_day:g} a day) do not suffice: {late} times a zone was not done when "
        f"its next turn came; block {own.blocks[worst].facts.block_id} loses most, "
        f"{lost_mm[worst]:.0f} mm of its crop's water use{with_it}, and "
        f"{three_figures(max(missing, 0.0))} m3 of the season's need are not given"
    )
    advice = f"run longer, store water, or irrigate less land from it{_better_used(own)}"
    return (Finding(severity, "supply", what, source, advice, float(lost_mm[worst]), 0.0, "mm"),)
