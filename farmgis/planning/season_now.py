"""The rest of a season from today's state: actual weather up to today, the design year's after it.

The soil's water on the morning of today follows from sowing on: from the weather as it was, and from the
irrigations that were given or, where nobody tells them, those that were due.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from farmgis.agronomy.soil_water import depletion_fraction
from farmgis.agronomy.sown_soil import SownSeason, sown_season
from farmgis.planning.block_season import LEAST_UNIFORMITY_PCT, BlockSeason
from farmgis.planning.crop_start import CropStart, crop_start, dose_days
from farmgis.planning.deficit import deficit_days
from farmgis.planning.demand import CropDemand, block_demand
from farmgis.planning.season_years import DailyWeather, daily_weather, days_from, same_day, sowing_day
from farmgis.planning.sowing import GerminationRun
from farmgis.records import Assumption, Farm, Field, Finding, Floats, GivenWater, Severity, Shift
from farmgis.words import three_figures

MISSING_TOLD = 0.1
"""Share of the days since sowing without weather from which on it needs attention (common practice)."""


@dataclass(frozen=True)
class PastDays:
    """A block's days from its sowing to the evening before today. [mm]"""

    rain_mm: Floats
    irrigation_mm: Floats
    depletion_mm: Floats
    readily_mm: Floats
    total_mm: Floats


@dataclass(frozen=True)
class SeasonNow:
    """A season that is under way: the blocks from `today` on, and how they came to it.

    `seasons` holds the blocks whose season is not over. `first_water` holds each one's first
    irrigation.
    """

    today: date
    sowing: date
    seasons: dict[str, BlockSeason]
    past: dict[str, PastDays]
    first_water: dict[str, date]
    germination: tuple[GerminationRun, ...]
    findings: tuple[Finding, ...]
    assumptions: tuple[Assumption, ...]


def season_now(
    farm: Farm,
    shifts: Sequence[Shift],
    fields: Mapping[str, Field],
    seasons: Mapping[str, BlockSeason],
    germination: Sequence[GerminationRun],
) -> tuple[SeasonNow | None, tuple[Finding, ...]]:
    """The season from today; None where the farm states no day and no weather of this year, or it is over."""
    daily = _this_years(farm)
    if daily is None or not any(s.demand.dates.size for s in seasons.values()):
        return None, ()
    today = farm.season.today or _day_after(daily)
    assert farm.weather is not None
    stated, _ = sowing_day(farm.season, farm.weather.latitude_deg)
    sowing = same_day(stated, today.year)
    sowing = sowing if sowing <= today else same_day(stated, today.year - 1)
    made, past, first_water, missing = {}, {}, {}, 0
    given = _given_by_block(farm.given, shifts, seasons, sowing)
    for block_id, own in seasons.items():
        start = sowing + timedelta(days=own.delay_days)
        job = _Job(
            own, fields[own.facts.field_id], farm, start, (today - start).days, daily, given.get(block_id)
        )
        now = job.from_today()
        if now is None:
            continue
        made[block_id], days, lacking = now
        missing = max(missing, lacking)
        if days is not None:
            past[block_id] = days
            wet = np.flatnonzero(days.irrigation_mm > 0.0)
            if wet.size:
                first_water[block_id] = start + timedelta(days=int(wet[0]))
    if not made:
        return None, (_over(today, sowing, same_day(stated, sowing.year + 1)),)
    runs = _to_come(germination, seasons, made, (today - sowing).days, dose_days(farm.season))
    found = [_found_state(today, made, fields)]
    found += [_found_missing(missing, (today - sowing).days)] if missing else []
    found += _found_uncounted(farm.given, shifts, sowing)
    told = _told(farm, today, sowing)
    return SeasonNow(today, sowing, made, past, first_water, runs, tuple(found), told), ()


def _to_come(
    germination: Sequence[GerminationRun],
    seasons: Mapping[str, BlockSeason],
    running: Mapping[str, BlockSeason],
    gone: int,
    doses: Sequence[int],
) -> tuple[GerminationRun, ...]:
    """The runs of doses that are due today or later, counted from today."""
    return tuple(
        replace(run, day=run.day - gone)
        for run in germination
        if all(i in running and seasons[i].delay_days + doses[run.dose - 1] >= gone for i in run.block_hours)
    )


def _this_years(farm: Farm) -> DailyWeather | None:
    """The weather as it was: this year's file, or that of all years where a day is stated."""
    if farm.weather is None:
        return None
    if farm.this_year is not None and farm.this_year.basis == "daily":
        return daily_weather(farm.this_year)[0]
    if farm.season.today is None or farm.weather.basis != "daily":
        return None
    return daily_weather(farm.weather)[0]


def _day_after(daily: DailyWeather) -> date:
    """The day after the last of which the reference ET is known."""
    last = int(np.flatnonzero(~np.isnan(daily.et0_mm))[-1])
    found: date = (daily.first_day + np.timedelta64(last + 1, "D")).astype(date)
    return found


# ---- one block ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Job:
    """A block on the morning of day `gone` of its season (from 0), and the net that it was given by then."""

    own: BlockSeason
    field: Field
    farm: Farm
    start: date
    gone: int
    daily: DailyWeather
    given_mm: Floats | None

    def from_today(self) -> tuple[BlockSeason, PastDays | None, int] | None:
        """The block from today on, its days until then, and how many of them had no weather."""
        demand, facts = self.own.demand, self.own.facts
        days = demand.dates.size
        if self.gone >= days:
            return None
        if self.gone <= 0:
            moved = replace(demand, dates=days_from(self.start, days))
            return replace(self.own, demand=moved, delay_days=-self.gone), None, 0
        et0, rain, missing = self._merged()
        start = crop_start(demand.sown, self.field.design, self.farm.season, demand.rules)
        watered = self._watered(demand.kc * et0, rain, start)
        rest = self._rest(et0, rain, start, watered)
        uniformity = max(facts.emission_uniformity_pct, LEAST_UNIFORMITY_PCT)
        need = block_demand(rest, uniformity, facts.area_ha, facts.application_mm_h)
        part = slice(0, self.gone)
        given = watered.refill_mm[part, 0] + watered.dose_mm[part, 0]
        past = PastDays(
            rain[part],
            given,
            watered.depletion_mm[part, 0],
            watered.readily_mm[part, 0],
            watered.total_mm[part, 0],
        )
        return BlockSeason(facts, rest, need), past, missing

    def _merged(self) -> tuple[Floats, Floats, int]:
        """Reference ET and rain: as they were until today, the design year's where that is not known. [mm]"""
        demand = self.own.demand
        et0, rain = demand.et0_mm.copy(), demand.rain_mm.copy()
        first = int((np.datetime64(self.start, "D") - self.daily.first_day).astype(np.int64))
        index = first + np.arange(self.gone)
        inside = (index >= 0) & (index < self.daily.et0_mm.size)
        index = np.where(inside, index, 0)
        known = inside & ~np.isnan(self.daily.et0_mm[index])
        et0[: self.gone] = np.where(known, self.daily.et0_mm[index], et0[: self.gone])
        rain[: self.gone] = np.where(inside, self.daily.rain_mm[index], rain[: self.gone])
        return et0, rain, int(np.count_nonzero(~known))

    def _watered(self, et_crop: Floats, rain: Floats, start: CropStart) -> SownSeason:
        demand, watering = self.own.demand, start.watering
        young = np.arange(demand.dates.size) < demand.begin
        total = np.where(young, demand.total_mm * demand.handover, demand.total_mm)
        readily = depletion_fraction(self.field.crop.depletion_fraction, et_crop) * total
        given = None
        if self.given_mm is not None:
            given = np.full((demand.dates.size, 1), np.nan)
            given[: self.gone, 0] = self.given_mm[: self.gone]
            watering = replace(watering, doses=tuple(d for d in watering.doses if d[0] >= self.gone))
        days = deficit_days(self.field.design, demand.stage[:, None])
        return sown_season(
            et_crop[:, None], rain[:, None], total[:, None], readily[:, None], watering, start.depleted,
            given, days,
        )  # fmt: skip

    def _rest(self, et0: Floats, rain: Floats, start: CropStart, watered: SownSeason) -> CropDemand:
        """The demand of the days from today on, which begins with what the soil lacks this morning."""
        demand, part = self.own.demand, slice(self.gone, None)
        begin = int(watered.begin[0])
        lacks = float(watered.depletion_mm[self.gone - 1, 0]) * (
            demand.handover if begin == self.gone else 1.0
        )
        doses = np.zeros(et0.size)
        doses[[day for day, _ in start.watering.doses if day < doses.size]] = start.dose_mm
        dates = days_from(self.start, et0.size)
        return replace(
            demand,
            dates=dates[part],
            et0_mm=et0[part],
            kc=demand.kc[part],
            et_full_mm=(demand.kc * et0)[part],
            et_crop_mm=watered.et_mm[part, 0],
            stage=demand.stage[part],
            rain_effective_mm=(rain - watered.drained_mm[:, 0])[part],
            net_mm=(watered.refill_mm + watered.dose_mm)[part, 0],
            rain_mm=rain[part],
            total_mm=watered.total_mm[part, 0],
            readily_mm=watered.readily_mm[part, 0],
            depletion_mm=watered.depletion_mm[part, 0],
            start_depletion_mm=lacks,
            begin=max(begin - self.gone, 0),
            dose_gross_mm=doses[part],
            dose_net_mm=watered.dose_mm[part, 0],
        )


def _given_by_block(
    given: Sequence[GivenWater], shifts: Sequence[Shift], seasons: Mapping[str, BlockSeason], sowing: date
) -> dict[str, Floats]:
    """Net irrigation of each block by day of its season, by what zones were given; empty where none is told.

    A zone's volume is shared among its blocks by their flows.
    """
    made: dict[str, Floats] = {}
    if not given:
        return made
    for shift in shifts:
        own = [seasons[i] for i in shift.block_ids if i in seasons]
        flow = sum(s.facts.flow_m3h for s in own)
        for s in own:
            days = np.zeros(s.demand.dates.size)
            for water in (w for w in given if w.zone_id == shift.zone_id):
                day = (water.date - sowing).days - s.delay_days
                if 0 <= day < days.size:
                    share = water.volume_m3 * s.facts.flow_m3h / flow
                    days[day] += share / s.facts.area_ha / 10.0 / s.gross_factor
            made[s.facts.block_id] = days
    return made


# ---- what is told ---------------------------------------------------------------------------------


def _found_state(today: date, seasons: Mapping[str, BlockSeason], fields: Mapping[str, Field]) -> Finding:
    """How the soil stands this morning, crop by crop: the worst block of each."""
    worst: dict[str, tuple[float, float]] = {}
    for own in seasons.values():
        if own.delay_days:
            continue
        name = f"{own.demand.crop} on {fields[own.facts.field_id].soil.name}"
        lacks, gives = own.demand.start_depletion_mm, float(own.demand.readily_mm[0])
        if lacks / max(gives, 1e-9) >= worst.get(name, (-1.0, 1.0))[0] / max(
            worst.get(name, (0.0, 1.0))[1], 1e-9
        ):
            worst[name] = (lacks, gives)
    stands = "; ".join(
        f"{name} lacks {lacks:.0f} mm and gives {gives:.0f} without stress"
        for name, (lacks, gives) in worst.items()
    )
    what = f"re-planned from {today:%d %B %Y}: {stands or 'nothing is sown yet'}"
    dry = any(lacks > gives for lacks, gives in worst.values())
    advice = "irrigate what is dry first; keep the weather file up to date and plan again after rain"
    share = max((100.0 * lacks / max(gives, 1e-9) for lacks, gives in worst.values()), default=0.0)
    severity = "attention" if dry else "note"
    return Finding(severity, "season", what, "farm", advice, share, 100.0, "% of readily available")  # type: ignore[arg-type]


def _found_missing(days: int, gone: int) -> Finding:
    what = (
        f"this year's weather has no reference ET on {days} of the {gone} days since sowing: the design "
        "year's stand in"
    )
    advice = "name this season's weather as this_year_file" if days == gone else "fill them where you can"
    severity: Severity = "attention" if days > MISSING_TOLD * gone else "note"
    return Finding(severity, "season", what, "farm", advice, float(days), unit="days")


def _found_uncounted(given: Sequence[GivenWater], shifts: Sequence[Shift], sowing: date) -> list[Finding]:
    """Irrigations of the user's file that reach no soil: taken as not given, they would be given again."""
    zones = {s.zone_id for s in shifts}
    strange = [w for w in given if w.zone_id not in zones]
    early = [w for w in given if w.zone_id in zones and w.date < sowing]
    parts = []
    if strange:
        named = ", ".join(sorted({w.zone_id for w in strange}))
        parts.append(f"{_volume(strange)} m3 of zones that are not in this plan ({named})")
    if early:
        parts.append(f"{_volume(early)} m3 of days before sowing on {sowing:%d %B %Y}")
    if not parts:
        return []
    what = f"given_file: not counted, and so taken as not given, are {' and '.join(parts)}"
    advice = (
        "state the zones of this plan's layer `zones` and the real days; a design year's calendar has its own"
    )
    measured = float(sum(w.volume_m3 for w in (*strange, *early)))
    return [Finding("attention", "season", what, "farm", advice, measured, 0.0, "m3")]


def _volume(given: Sequence[GivenWater]) -> str:
    return three_figures(sum(w.volume_m3 for w in given))


def _over(today: date, sowing: date, following: date) -> Finding:
    what = (
        f"{today:%d %B %Y} lies in no season: the one sown on {sowing:%d %B %Y} is over, the next is sown on "
        f"{following:%d %B %Y}. The design year's stands"
    )
    advice = "plan again once it is sown; if it is, check `today` and `sowing`"
    return Finding("attention", "season", what, "farm", advice)


def _told(farm: Farm, today: date, sowing: date) -> tuple[Assumption, ...]:
    until = f"{today.isoformat()}; sown {sowing.isoformat()}"
    said = "weather as it was until then, the design year's after it"
    water = "as they were given" if farm.given else "as they were due"
    return (
        Assumption("today", until, "", said, "user"),
        Assumption(
            "irrigations_until_today",
            water,
            "",
            "none are known but these",
            "user" if farm.given else "common practice",
        ),
    )
