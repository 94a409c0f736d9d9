"""Each irrigation of the design year: which zone, on which day, from what hour, how long, how much.

Every zone is due on the days on which the soil balance of its blocks irrigates. Zones of one source run
one after another within its hours of a day; what does not fit waits, and goes first on the next day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from farmgis.agronomy.soil_water import root_zone_balance
from farmgis.planning.demand import BlockDemand, CropDemand
from farmgis.records import Assumption, BlockFacts, Finding, Floats, Severity, Shift, Source

FIRST_HOUR = 6.0
"""Hour of the day at which the first zone starts, or earlier so that the hours end by midnight
(common practice)."""

LOSS_TOLD = 0.01
"""Share of the season's crop ET lost to water that comes late from which on it is told (common practice)."""

LOSS_GRAVE = 0.05
"""Share of it from which on it is more than a note (common practice)."""

SECOND_H = 1.0 / 3600.0


@dataclass(frozen=True)
class BlockSeason:
    """A block with what its crop needs in the design year, day by day, and in all."""

    facts: BlockFacts
    demand: CropDemand
    need: BlockDemand

    @property
    def gross_factor(self) -> float:
        """Gross over net of the block."""
        net = self.need.net_mm or 0.0
        return self.need.gross_mm / net if net > 0.0 else 1.0


@dataclass(frozen=True)
class Irrigation:
    """One run of one zone: a row of `irrigations`."""

    date: date
    zone_id: str
    shift: int
    start: str
    hours: float
    gross_mm: float
    volume_m3: float
    purpose: str


@dataclass(frozen=True)
class IrrigationCalendar:
    """The season's irrigations by date and hour, and what came of them for each block.

    `lost_et_mm` is the crop ET that is lost because water comes later than it is due; `watered` the first
    and last day on which the block runs. `sowing` is the calendar's first day.
    """

    irrigations: tuple[Irrigation, ...]
    given_m3: dict[str, float]
    lost_et_mm: dict[str, float]
    watered: dict[str, tuple[date, date]]
    sowing: date | None = None
    findings: tuple[Finding, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


def season_calendar(
    shifts: Sequence[Shift],
    seasons: Mapping[str, BlockSeason],
    sources: Sequence[Source],
    hours_without_source: float,
) -> IrrigationCalendar:
    """The irrigations of all sources; empty where no demand was computed for the place.

    `seasons` holds the blocks by id. The days are those of the design year of the crop that takes most
    water: a calendar has one year, and the other crops' days are counted from their sowing.
    """
    computed = {key: s for key, s in seasons.items() if s.demand.basis != "assumed" and s.demand.dates.size}
    if not computed:
        return IrrigationCalendar((), {}, {}, {})
    sowing = calendar_sowing(computed)
    limits = {s.source_id: (s.hours_per_day, s.flow_m3h) for s in sources}
    parts = []
    for source_id in dict.fromkeys(s.source_id for s in shifts):
        own = [s for s in shifts if s.source_id == source_id]
        hours, flow = limits.get(source_id or "", (hours_without_source, np.inf))
        parts.append(_source_calendar(_SourceSeason.of(own, computed, hours, flow), sowing))
    return IrrigationCalendar(
        tuple(sorted((i for p in parts for i in p.irrigations), key=lambda i: (i.date, i.start, i.zone_id))),
        {key: m3 for p in parts for key, m3 in p.given_m3.items()},
        {key: mm for p in parts for key, mm in p.lost_et_mm.items()},
        {key: days for p in parts for key, days in p.watered.items()},
        sowing,
        tuple(f for p in parts for f in p.findings),
        _told(computed, sowing),
    )


def calendar_sowing(computed: Mapping[str, BlockSeason]) -> date:
    """The first day of the calendar: sowing in the design year of the crop that takes most water."""
    by_day: dict[date, float] = {}
    for season in computed.values():
        first = season.demand.dates[0].astype(date)
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

    `due_h` are the hours of running that are due on each day, `asked_h` their sum up to that day,
    `asked_next_h` their sum up to the zone's next turn after it; `rate_m3h` is a block's flow as the source
    can give it, so that a zone larger than its source runs longer.
    """

    zones: tuple[Shift, ...]
    members: tuple[NDArray[np.int64], ...]  # indices of each zone's blocks
    blocks: tuple[BlockSeason, ...]
    hours_per_day: float
    rate_m3h: Floats
    net_mm_per_h: Floats
    due_h: Floats
    asked_h: Floats
    asked_next_h: Floats
    et_mm: Floats
    rain_mm: Floats
    total_mm: Floats
    readily_mm: Floats

    @classmethod
    def of(
        cls, shifts: Sequence[Shift], seasons: Mapping[str, BlockSeason], hours_per_day: float, flow: float
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
        area = np.array([b.facts.area_ha for b in blocks])
        factor = np.array([b.gross_factor for b in blocks])
        rate = np.array(rates)
        net_rate = rate / np.maximum(area, 1e-12) / 10.0 / factor
        due = _by_day(blocks, "net_mm") / net_rate
        daily = {key: _by_day(blocks, key) for key in ("et_crop_mm", "rain_mm")}
        held = {key: _by_day(blocks, key, edge=True) for key in ("total_mm", "readily_mm")}
        return cls(
            zones=tuple(shifts),
            members=tuple(members),
            blocks=tuple(blocks),
            hours_per_day=hours_per_day,
            rate_m3h=rate,
            net_mm_per_h=net_rate,
            due_h=due,
            asked_h=np.cumsum(due, axis=0),
            asked_next_h=_asked_next_h(due),
            et_mm=daily["et_crop_mm"],
            rain_mm=daily["rain_mm"],
            total_mm=held["total_mm"],
            readily_mm=held["readily_mm"],
        )


def _asked_next_h(due_h: Floats) -> Floats:
    """Hours asked for up to the next day, after each day, on which something is due."""
    asked = np.cumsum(due_h, axis=0)
    made = asked.copy()
    for day in range(due_h.shape[0] - 2, -1, -1):
        made[day] = np.where(due_h[day + 1] > 0.0, asked[day + 1], made[day + 1])
    return made


def _by_day(blocks: Sequence[BlockSeason], key: str, edge: bool = False) -> Floats:
    """A demand's daily values, a column a block; past a shorter season none, or its last value."""
    days = max((b.demand.dates.size for b in blocks), default=0)
    made = np.zeros((days, len(blocks)))
    for column, block in enumerate(blocks):
        values = getattr(block.demand, key)
        made[: values.size, column] = values
        if edge:
            made[values.size :, column] = values[-1]
    return made


@dataclass
class _Queue:
    """The zones that wait for water, in their order, while the season runs.

    `waiting_h` are the hours that each block is still to run; `settled_h` what it was given so far, with
    what it no longer needs because it went short. `begun`: the first zone was cut off by the day's end.
    """

    zones: list[int]
    waiting_h: Floats
    settled_h: Floats
    begun: bool = False


def _source_calendar(own: _SourceSeason, sowing: date) -> IrrigationCalendar:
    """Run a source's season: what is due joins the queue, the queue runs through the day's hours."""
    depletion, taken, given_m3 = (np.zeros(len(own.blocks)) for _ in range(3))
    queue = _Queue([], np.zeros(len(own.blocks)), np.zeros(len(own.blocks)))
    rows: list[Irrigation] = []
    late = 0
    ids = [b.facts.block_id for b in own.blocks]
    watered: dict[str, list[date]] = {}
    for day in range(own.due_h.shape[0]):
        late += _join(queue, own, day, depletion)
        given_h, runs = _run_day(queue, own)
        rows += [_row(own, sowing + timedelta(days=day), run) for run in runs]
        given_m3 += given_h * own.rate_m3h
        for i in np.flatnonzero(given_h > 0.0):
            watered.setdefault(ids[i], []).append(sowing + timedelta(days=day))
        one = slice(day, day + 1)
        water = (given_h * own.net_mm_per_h)[None, :]
        soil = root_zone_balance(
            own.et_mm[one], own.rain_mm[one], water, own.total_mm[one], own.readily_mm[one], depletion
        )
        depletion = soil.depletion_mm[0]
        taken += soil.et_mm[0]
    lost = np.maximum(_taken_on_time(own) - taken, 0.0)
    return IrrigationCalendar(
        tuple(rows),
        dict(zip(ids, given_m3.tolist(), strict=True)),
        dict(zip(ids, lost.tolist(), strict=True)),
        {key: (days[0], days[-1]) for key, days in watered.items()},
        sowing,
        _findings(own, given_m3, lost, late),
    )


def _taken_on_time(own: _SourceSeason) -> Floats:
    """Crop ET of the season when all water came on the day on which it was due. [mm]"""
    water = own.due_h * own.net_mm_per_h
    soil = root_zone_balance(own.et_mm, own.rain_mm, water, own.total_mm, own.readily_mm)
    return np.asarray(soil.et_mm.sum(axis=0))


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
        elif waits and not (queue.begun and zone == queue.zones[0]):
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


def _run_day(queue: _Queue, own: _SourceSeason) -> tuple[Floats, list[_Run]]:
    """What each block is given on a day, and the runs; zones that are done leave the queue."""
    given = np.zeros(queue.waiting_h.size)
    runs: list[_Run] = []
    clock = 0.0
    while queue.zones and own.hours_per_day - clock > SECOND_H:
        zone = queue.zones[0]
        members = own.members[zone]
        waiting = np.maximum(queue.waiting_h[members], 0.0)
        hours = min(float(waiting.max()), own.hours_per_day - clock)
        run = np.minimum(waiting, hours)
        given[members] += run
        queue.waiting_h[members] = waiting - run
        queue.settled_h[members] += run
        queue.begun = bool((waiting - run).max() > 0.0)
        part = "refill, to be continued" if queue.begun else "refill"
        runs.append(_Run(zone, clock, hours, run, part))
        clock += hours
        if not queue.begun:
            queue.zones.pop(0)
    return given, runs


def _row(own: _SourceSeason, day: date, run: _Run) -> Irrigation:
    members = own.members[run.zone]
    volume = float((run.given_h * own.rate_m3h[members]).sum())
    area = sum(own.blocks[i].facts.area_ha for i, h in zip(members, run.given_h, strict=True) if h > 0.0)
    minutes = int(60.0 * (min(FIRST_HOUR, 24.0 - own.hours_per_day) + run.start_h) + 1e-6)
    return Irrigation(
        day,
        own.zones[run.zone].zone_id,
        own.zones[run.zone].number,
        f"{minutes // 60:02d}:{minutes % 60:02d}",
        run.hours,
        volume / area / 10.0,
        volume,
        run.part,
    )


def _findings(own: _SourceSeason, given_m3: Floats, lost_mm: Floats, late: int) -> tuple[Finding, ...]:
    """That a source's hours do not suffice: what is late, what the crops lose, what is not given."""
    if not own.blocks:
        return ()
    missing = float(sum(b.need.gross_m3 for b in own.blocks) - given_m3.sum())
    worst = int(np.argmax(lost_mm))
    share = lost_mm[worst] / max(float(own.et_mm[:, worst].sum()), 1e-9)
    if share < LOSS_TOLD:
        return ()
    severity: Severity = "attention" if share >= LOSS_GRAVE else "note"
    source = own.zones[0].source_id or "farm"
    what = (
        f"the hours of {source} ({own.hours_per_day:g} a day) do not suffice: {late} times a zone was not "
        f"done when its next turn came; block {own.blocks[worst].facts.block_id} loses most, "
        f"{lost_mm[worst]:.0f} mm of its crop's water use, and {max(missing, 0.0):,.0f} m3 of the "
        "season's need are not given"
    )
    mean_flow = sum(s.flow_m3h for s in own.zones) / len(own.zones)
    advice = (
        f"run longer, store water, irrigate less land from it, or set `block_max_ha` so that the zones "
        f"(now {mean_flow:.0f} m3/h on average) take more of its flow"
    )
    return (Finding(severity, "supply", what, source, advice, float(lost_mm[worst]), 0.0, "mm"),)
