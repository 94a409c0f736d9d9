"""Each irrigation of the design year: which zone, on which day, from what hour, how long, how much.

Every zone is due on the days on which the soil balance of its blocks irrigates. Zones of one source run
one after another within its hours of a day; what does not fit waits, and goes first on the next day. While
others wait, a turn is no longer than the zone's even share of the hours of an interval: what it lacks then
waits behind them, so that none goes dry while another is filled. Doses for germination have their hours
first: they cannot wait.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from farmgis.agronomy.soil_water import root_zone_balance
from farmgis.planning.block_season import BlockSeason
from farmgis.planning.deficit import Cost, cost
from farmgis.planning.sowing import FIRST_HOUR, LEAST_PART_H, GerminationRun, day_window, part_h
from farmgis.records import Assumption, Finding, Floats, Severity, Shift, Source
from farmgis.words import three_figures

LOSS_TOLD = 0.01
"""Share of the season's crop ET lost to water that comes late from which on it is told (common practice)."""

LOSS_GRAVE = 0.05
"""Share of it, or of the yield, from which on it is more than a note (common practice)."""

LEAST_TURN_H = 2.0
"""A turn is not cut shorter: filling and draining pipes would take too much of it (common practice)."""

SECOND_H = 1.0 / 3600.0


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
        parts.append(_source_calendar(_SourceSeason.of(own, computed, hours, flow, runs), sowing))
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


@dataclass(frozen=True)
class _SourceSeason:
    """A source's zones and their blocks as arrays: (days, blocks), or one value a block.

    `due_h` are the hours of regular running that are due on each day, `asked_h` their sum up to that day,
    `asked_next_h` their sum up to the zone's next turn after it; `rate_m3h` is a block's flow as the source
    can give it, so that a zone larger than its source runs longer. `seed_h` are the hours for germination,
    `busy_h` tells how long the source is busy with that. `keeps` is 1, or the share of its depletion that a
    block has left on the morning of that day on which regular irrigation takes over; `over` is the day from
    which a block's season is over. `turn_h` is a zone's longest turn while others
    wait.
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
    ) -> _SourceSeason:
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


@dataclass
class _Queue:
    """The zones that wait for water, in their order, while the season runs.

    `waiting_h` are the hours that each block is still to run; `settled_h` what it was given so far, with
    what it no longer needs because it went short. `turn_h` is what is left of the first zone's turn, where
    the day's end cut it off.
    """

    zones: list[int]
    waiting_h: Floats
    settled_h: Floats
    turn_h: float = 0.0

    def longest_h(self, members: NDArray[np.int64]) -> float:
        """Hours that a zone with those blocks would run to give all that they wait for."""
        return max(0.0, float(self.waiting_h[members].max(initial=0.0)))


def _source_calendar(own: _SourceSeason, sowing: date) -> IrrigationCalendar:
    """Run a source's season: what is due joins the queue, the queue runs through the day's hours."""
    days, count = own.due_h.shape
    depletion, taken = own.start_mm, np.zeros((days, count))
    queue = _Queue([], np.zeros(count), np.zeros(count))
    rows = [_seed_row(own, sowing, run) for run in own.germination]
    hours, ends = own.seed_h.copy(), np.zeros((days, count))
    late = 0
    for day in range(days):
        depletion = depletion * own.keeps[day]
        _leave(queue, own, day)
        late += _join(queue, own, day, depletion)
        given_h, runs = _run_day(queue, own, own.busy_h[day])
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


def _soil_day(own: _SourceSeason, day: int, hours: Floats, depletion: Floats) -> tuple[Floats, Floats]:
    """Crop ET of a day under those hours of running, and the depletion at its end. [mm]"""
    one = slice(day, day + 1)
    water = (hours * own.net_mm_per_h)[None, :]
    soil = root_zone_balance(
        own.et_mm[one], own.rain_mm[one], water, own.total_mm[one], own.readily_mm[one], depletion
    )
    return soil.et_mm[0], soil.depletion_mm[0]


def _taken_on_time(own: _SourceSeason) -> Floats:
    """Crop ET of each day and block when all water came on the day on which it was due. [mm]"""
    depletion, taken = own.start_mm, np.zeros(own.due_h.shape)
    for day in range(own.due_h.shape[0]):
        hours = own.due_h[day] + own.seed_h[day]
        taken[day], depletion = _soil_day(own, day, hours, depletion * own.keeps[day])
    return taken


def _late_costs(own: _SourceSeason, on_time_mm: Floats, taken_mm: Floats) -> list[Cost | None]:
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


def _leave(queue: _Queue, own: _SourceSeason, day: int) -> None:
    """Blocks whose season is over ask for nothing more: what came too late is not given after harvest."""
    over = own.over <= day
    queue.waiting_h[over] = 0.0
    queue.settled_h[over] = own.asked_h[-1, over]
    still = [z for z in queue.zones if queue.waiting_h[own.members[z]].max() > SECOND_H]
    if still[:1] != queue.zones[:1]:
        queue.turn_h = 0.0
    queue.zones = still


def _join(queue: _Queue, own: _SourceSeason, day: int, depletion: Floats) -> int:
    """Put the zones that are due into the queue; returns how many of them still waited for their last turn.

    Such a zone asks anew for what its soil lacks by now: a crop under stress has taken less. A zone that
    waits untouched also asks for what its soil has lost meanwhile, up to what is due at its next turn.
    """
    late = 0
    lacking = np.maximum(depletion - own.rain_mm[day], 0.0) / own.net_mm_per_h
    for zone, members in enumerate(own.members):
        due = own.asked_h[day, members] - queue.settled_h[members]
        waits = zone in queue.zones
        if members.size and own.due_h[day, members].max() > SECOND_H and due.max() > SECOND_H:
            if waits:
                late += 1
                due = np.minimum(due, lacking[members])
                queue.settled_h[members] = own.asked_h[day, members] - due
            else:
                queue.zones.append(zone)
            queue.waiting_h[members] = due
        elif waits and not (queue.turn_h > 0.0 and zone == queue.zones[0]):
            most = own.asked_next_h[day, members] - queue.settled_h[members]
            more = np.minimum(lacking[members], most)
            queue.waiting_h[members] = np.maximum(queue.waiting_h[members], more)
    return late


@dataclass(frozen=True)
class _Run:
    zone: int
    start_h: float
    hours: float
    given_h: Floats  # of each of the zone's blocks
    part: str


def _turn_h(queue: _Queue, own: _SourceSeason, longest_h: float) -> float:
    """Hours of the first zone's turn: what is left of it, all that it waits for, a share if others wait."""
    if queue.turn_h > 0.0:
        return min(queue.turn_h, longest_h)
    share = max(own.turn_h[queue.zones[0]], LEAST_TURN_H)
    return longest_h if len(queue.zones) == 1 or longest_h - share < LEAST_PART_H else share


def _run_day(queue: _Queue, own: _SourceSeason, busy_h: float) -> tuple[Floats, list[_Run]]:
    """What each block is given on a day after its first, busy hours; zones that are done leave the queue."""
    given = np.zeros(queue.waiting_h.size)
    runs: list[_Run] = []
    clock = busy_h
    while queue.zones and own.hours_per_day - clock > SECOND_H:
        zone = queue.zones[0]
        members = own.members[zone]
        turn = _turn_h(queue, own, queue.longest_h(members))
        if turn <= SECOND_H:  # rain has given it
            queue.zones, queue.turn_h = queue.zones[1:], 0.0
            continue
        hours = part_h(turn, own.hours_per_day - clock, own.hours_per_day)
        if hours <= 0.0:
            break
        waiting = np.maximum(queue.waiting_h[members], 0.0)
        run = np.minimum(waiting, hours)
        given[members] += run
        queue.waiting_h[members] = waiting - run
        queue.settled_h[members] += run
        queue.turn_h = turn - hours
        left = queue.longest_h(members) > SECOND_H
        cut = "refill, to be continued" if queue.turn_h > 0.0 else "refill in part"
        runs.append(_Run(zone, clock, hours, run, cut if left else "refill"))
        clock += hours
        if queue.turn_h <= 0.0:
            queue.zones = [*queue.zones[1:], *([zone] if left else [])]
    return given, runs


def _row(own: _SourceSeason, day: date, run: _Run) -> Irrigation:
    members = own.members[run.zone]
    volume = float((run.given_h * own.rate_m3h[members]).sum())
    open_ = [(own.blocks[i].facts, h) for i, h in zip(members, run.given_h.tolist(), strict=True) if h > 0.0]
    area = sum(facts.area_ha for facts, _ in open_)
    opened = _opened({facts.block_id: h for facts, h in open_})
    shift = own.zones[run.zone]
    start = _clock(day_window(own.hours_per_day)[0] + run.start_h)
    return Irrigation(
        day, shift.zone_id, shift.number, start, run.hours, volume / area / 10.0, volume, run.part, opened
    )


def _seed_row(own: _SourceSeason, sowing: date, run: GerminationRun) -> Irrigation:
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
    """The blocks of a run, each with its hours.

    >>> _opened({"A-B01": 5.44, "A-B02": 3.0})
    'A-B01 5.4 h, A-B02 3.0 h'
    """
    return ", ".join(f"{block_id} {hours:.1f} h" for block_id, hours in sorted(block_hours.items()))


def _clock(hour: float) -> str:
    """Hour of the day as HH:MM."""
    minutes = int(60.0 * hour + 1e-6)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


NEAR_FLOW = 1.15
"""A source is asked for no more than this many times its flow, for one zone less (common practice)."""


LEFT_OVER = 0.05
"""Share of a source's flow from which on it is told that the zones leave it over (common practice)."""


def _better_used(own: _SourceSeason) -> str:
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
    own: _SourceSeason, given_m3: Floats, lost_mm: Floats, costs: Sequence[Cost | None], late: int
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
