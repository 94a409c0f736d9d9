"""Sowing in dry soil: germination's doses in pulses, and sowing staggered so that the source can give them.

A dose of 40 mm is many hours of running. Zones of a source are sown one after another, each as soon as all
its doses find their hours beside those of the zones before it. Pulses of one run while others rest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.crop_start import dose_days
from farmgis.records import Assumption, Field, Finding, Season, Shift, Source
from farmgis.words import counted

FIRST_HOUR = 6.0
"""Hour of the day at which the first run starts, or earlier so that the hours end by midnight
(common practice)."""

REST_H = 2.0
"""The soil rests at least this long between two pulses (common practice)."""

FILLS_A_PULSE = 4.0
"""A pulse lasts at least this many times what water travels to the last emitter (common practice)."""

LATEST_DAYS = 60
"""No zone is sown later than this after the first (common practice)."""

LONG_STAGGER_DAYS = 10
"""Sowing that is spread over more days than this needs attention (common practice)."""

DOSE_SLACK_DAYS = 1
"""By how many days a dose after the first may begin late: the third 8 to 10 days after the second (common
practice)."""

LEAST_PART_H = 0.5
"""A run that the day's end would cut leaves no shorter part on either side of the night (common practice)."""

FEW_ZONES, WAYS = 6, 3
"""With so few zones or fewer, so many days of sowing are tried for each."""

EPS_H = 1e-6


@dataclass(frozen=True)
class SeedZone:
    """A zone whose germination is watered: hours of a dose, in how many pulses, with what rest between them.

    `block_hours` are those of each of its dry blocks; the zone runs as long as the longest.
    """

    zone_id: str
    number: int
    block_hours: dict[str, float]
    pulses: int
    rest_h: float

    @property
    def hours(self) -> float:
        """Hours that the zone runs for a dose."""
        return max(self.block_hours.values())


@dataclass(frozen=True)
class GerminationRun:
    """A pulse of a dose, or the part of it that fits into a day: the day from the farm's first, its hour."""

    zone_id: str
    number: int
    day: int
    start_h: float
    hours: float
    dose: int
    pulse: int
    pulses: int
    doses: int
    block_hours: dict[str, float]


@dataclass(frozen=True)
class Sowing:
    """By how many days each dry-sown block's sowing is delayed, and the runs that make it germinate."""

    delay_days: dict[str, int]
    runs: tuple[GerminationRun, ...]
    findings: tuple[Finding, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


def plan_sowing(
    shifts: Sequence[Shift],
    seasons: Mapping[str, BlockSeason],
    sources: Sequence[Source],
    hours_without_source: float,
    fields: Mapping[str, Field],
    travel_min: Mapping[str, float],
    season: Season,
) -> Sowing:
    """Germination of all dry-sown blocks, source by source; empty where none is sown dry."""
    limits = {s.source_id: (s.hours_per_day, s.flow_m3h) for s in sources}
    made = Sowing({}, ())
    for source_id in dict.fromkeys(s.source_id for s in shifts):
        hours, flow = limits.get(source_id or "", (hours_without_source, math.inf))
        own = [s for s in shifts if s.source_id == source_id]
        zones = [z for s in own if (z := _seed_zone(s, seasons, flow, fields, travel_min)) is not None]
        if zones:
            area = sum(seasons[i].facts.area_ha for z in zones for i in z.block_hours)
            made = _joined(made, _of_source(source_id or "farm", zones, area, hours, season))
    if not made.runs:
        return made
    return replace(made, assumptions=_told())


def day_window(hours_per_day: float) -> tuple[float, float]:
    """The hours of a day at which a source begins and ends to run."""
    first = max(min(FIRST_HOUR, 24.0 - hours_per_day), 0.0)
    return first, first + hours_per_day


def part_h(left_h: float, room_h: float, day_h: float) -> float:
    """Hours to run of what is left, in the room until the day's end; 0 where it had better wait for tomorrow.

    >>> part_h(8.0, 7.98, 22.0), part_h(8.0, 0.3, 22.0), part_h(8.0, 9.0, 22.0)
    (7.5, 0.0, 8.0)
    """
    if left_h <= room_h:
        return left_h
    part = min(room_h, left_h - LEAST_PART_H)
    if part >= LEAST_PART_H - EPS_H:
        return part
    return min(left_h, room_h) if room_h >= day_h - EPS_H else 0.0


# ---- one zone -------------------------------------------------------------------------------------


def _seed_zone(
    shift: Shift,
    seasons: Mapping[str, BlockSeason],
    flow_m3h: float,
    fields: Mapping[str, Field],
    travel_min: Mapping[str, float],
) -> SeedZone | None:
    own = [seasons[i] for i in shift.block_ids if i in seasons and seasons[i].demand.sown == "dry"]
    own = [s for s in own if s.demand.dose_gross_mm.sum() > 0.0]
    if not own:
        return None
    share = min(1.0, flow_m3h / shift.flow_m3h)
    hours = {
        s.facts.block_id: float(s.demand.dose_gross_mm[0]) / (s.facts.application_mm_h * share) for s in own
    }
    longest = max(hours.values())
    by_soil = max(_pulses_of_soil(s) for s in own)
    by_line = longest / max(FILLS_A_PULSE * max(travel_min[s.facts.block_id] for s in own) / 60.0, 1e-9)
    pulses = max(1, min(by_soil, math.floor(by_line)))
    rest = max(_rest_h(s, fields[s.facts.field_id], longest / pulses) for s in own)
    return SeedZone(shift.zone_id, shift.number, hours, pulses, rest)


def _pulses_of_soil(season: BlockSeason) -> int:
    """Pulses of a dose: each fills at most what the wetted strip holds in the depth of the first roots."""
    holds_mm = float(season.demand.total_mm[0]) * season.demand.handover
    dose_mm = float(season.demand.dose_gross_mm[0]) * season.demand.rules.efficiency_max
    return max(1, math.ceil(dose_mm / holds_mm - 1e-9))


def _rest_h(season: BlockSeason, field: Field, pulse_h: float) -> float:
    """Rest after a pulse so that, over both, the strip takes no more than its soil takes for long. [h]"""
    if field.soil.intake_mm_h is None:
        return REST_H
    rate = season.facts.application_mm_h / season.demand.rules.wetted_fraction
    return max(REST_H, pulse_h * (rate / field.soil.intake_mm_h - 1.0))


# ---- one source -----------------------------------------------------------------------------------


def _of_source(
    source_id: str, zones: Sequence[SeedZone], area_ha: float, hours_per_day: float, season: Season
) -> Sowing:
    """Zones sown in their order so that all doses are in time and the last zone is sown soon."""
    window = day_window(hours_per_day)
    doses = dose_days(season)
    sown, in_time = _sown_days(zones, doses, window)
    runs, _ = _simulate(zones, sown, doses, window)
    delays = {i: day for zone, day in zip(zones, sown, strict=True) for i in zone.block_hours}
    found = _find_peak(source_id, zones, sown, area_ha, hours_per_day, season, in_time)
    return Sowing(delays, tuple(runs), (found,))


def _sown_days(
    zones: Sequence[SeedZone], doses: Sequence[int], window: tuple[float, float]
) -> tuple[list[int], bool]:
    """The day on which each zone is sown, and whether all doses find their hours then.

    A zone that starts as soon as it can may leave no room for the next. So a few ways are followed at once,
    and the soonest is taken; with many zones only one.
    """
    width = WAYS if len(zones) <= FEW_ZONES else 1
    ways: list[list[int]] = [[]]
    in_time = True
    for n, zone in enumerate(zones):
        longer = []
        for way in ways:
            first = way[-1] if way else 0
            days = (d for d in range(first, LATEST_DAYS) if _kept(zones[: n + 1], [*way, d], doses, window))
            longer += [[*way, day] for day in islice(days, width)]
        if not longer:  # where none will do, when the one before is done
            in_time = False
            after = math.ceil(zone.hours / (window[1] - window[0]))
            longer = [[*way, (way[-1] if way else 0) + after] for way in ways]
        ways = sorted(longer, key=lambda way: (way[-1], sum(way), way))[: width * width]
    return ways[0], in_time


def _kept(
    zones: Sequence[SeedZone], sown: Sequence[int], doses: Sequence[int], window: tuple[float, float]
) -> bool:
    """Whether every dose begins on its day, or within its slack, and is not drawn out by others."""
    _, spans = _simulate(zones, sown, doses, window)
    for (i, dose), (begin, end) in spans.items():
        nominal = sown[i] + doses[dose]
        alone = math.ceil(
            (zones[i].hours + (zones[i].pulses - 1) * zones[i].rest_h) / (window[1] - window[0])
        )
        if begin - nominal > (DOSE_SLACK_DAYS if dose else 0) or end - begin > alone:
            return False
    return True


def _simulate(
    zones: Sequence[SeedZone], sown: Sequence[int], doses: Sequence[int], window: tuple[float, float]
) -> tuple[list[GerminationRun], dict[tuple[int, int], tuple[int, int]]]:
    """All pulses in the source's hours, the oldest dose first; and the first and last day of each dose."""
    runs: list[GerminationRun] = []
    spans: dict[tuple[int, int], tuple[int, int]] = {}
    at = [(0, 0) for _ in zones]  # dose and pulse that come next
    ready = [24.0 * day + window[0] for day in sown]
    left = [z.hours / z.pulses for z in zones]
    clock = 0.0
    while waiting := [i for i in range(len(zones)) if at[i][0] < len(doses)]:
        clock = _running(max(clock, min(ready[i] for i in waiting)), window)
        now = [i for i in waiting if ready[i] <= clock + EPS_H]
        i = min(now, key=lambda k: (sown[k] + doses[at[k][0]], k))
        day, hour = divmod(clock + EPS_H, 24.0)
        hours = part_h(left[i], window[1] - hour + EPS_H, window[1] - window[0])
        if hours <= 0.0:
            ready[i] = 24.0 * (day + 1.0) + window[0]
            continue
        dose, pulse = at[i]
        runs.append(_run(zones[i], int(day), hour - EPS_H, hours, (dose, pulse, len(doses))))
        spans[i, dose] = (spans.get((i, dose), (int(day), 0))[0], int(day))
        clock, left[i] = clock + hours, left[i] - hours
        ready[i] = clock
        if left[i] <= EPS_H:
            left[i] = zones[i].hours / zones[i].pulses
            at[i] = (dose, pulse + 1) if pulse + 1 < zones[i].pulses else (dose + 1, 0)
            ready[i] = clock + zones[i].rest_h
            if at[i][0] > dose and at[i][0] < len(doses):
                ready[i] = max(ready[i], 24.0 * (sown[i] + doses[at[i][0]]) + window[0])
    return runs, spans


def _running(clock: float, window: tuple[float, float]) -> float:
    """The first moment from then on at which the source runs."""
    day, hour = divmod(clock + EPS_H, 24.0)
    if hour >= window[1] - EPS_H:
        return 24.0 * (day + 1.0) + window[0]
    return max(clock, 24.0 * day + window[0])


def _run(zone: SeedZone, day: int, start_h: float, hours: float, at: tuple[int, int, int]) -> GerminationRun:
    """A run of a dose's pulse, both counted from 0, of so many doses (`at`)."""
    dose, pulse, doses = at
    share = hours / zone.hours  # a block that needs less is shut sooner
    given = {block: share * own for block, own in zone.block_hours.items()}
    return GerminationRun(
        zone.zone_id, zone.number, day, start_h, hours, dose + 1, pulse + 1, zone.pulses, doses, given
    )


# ---- what is told ---------------------------------------------------------------------------------


def _find_peak(
    source_id: str,
    zones: Sequence[SeedZone],
    sown: Sequence[int],
    area_ha: float,
    hours_per_day: float,
    season: Season,
    in_time: bool,
) -> Finding:
    """The peak of germination against the source's hours, for itself, and what staggering makes of it."""
    need_h = sum(z.hours for z in zones)
    several = season.germination_doses > 1
    has_h = hours_per_day * (season.second_dose_days if several else season.emergence_days)
    pulse_h = max(z.hours / z.pulses for z in zones)
    what = (
        f"germination in dry soil: a dose of {season.germination_m3_ha:g} m3/ha on {area_ha:.0f} ha is "
        f"{need_h:.0f} h of running, in up to {max(z.pulses for z in zones)} pulses of up to {pulse_h:.1f} h "
        f"a zone; until {'the second dose' if several else 'emergence'} {source_id} has {has_h:.0f} h. "
    )
    late = sown[-1]
    staggered = f"Sowing is staggered: its {counted(len(zones), 'zone')} over {late + 1} days"
    what += staggered if late else "Sowing need not be staggered: all zones at once"
    if not in_time:
        what += "; even so not every dose finds its hours on its day"
    advice = (
        "sow in the order of the layer season_tasks, or into moist soil (`sown`)"
        if late
        else "sow when the line lies ready"
    )
    grave = not in_time or late > LONG_STAGGER_DAYS
    return Finding("attention" if grave else "note", "season", what, source_id, advice, need_h, has_h, "h")


def _told() -> tuple[Assumption, ...]:
    deep = "what the wetted strip holds in the depth of the first roots"
    return (
        Assumption("germination_pulse", deep, "", "at most", "common practice"),
        Assumption(
            "germination_rest", f"{REST_H:g}", "h at least", "longer by the soil's intake", "common practice"
        ),
        Assumption("fills_a_pulse", f"{FILLS_A_PULSE:g}", "travel times at least", "", "common practice"),
    )


def _joined(one: Sowing, other: Sowing) -> Sowing:
    return Sowing(
        one.delay_days | other.delay_days,
        one.runs + other.runs,
        one.findings + other.findings,
        one.assumptions,
    )
