"""The season of a farm: how it is sown, what runs when, what is fed and done, what is drawn of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from farmgis.planning.block_season import LEAST_UNIFORMITY_PCT, BlockSeason
from farmgis.planning.corn_practice import explain_corn
from farmgis.planning.demand import CropDemand, block_demand, crop_demand
from farmgis.planning.irrigation_calendar import IrrigationCalendar, season_calendar
from farmgis.planning.nutrients import NutrientDose, NutrientPlan, nutrient_plan, zones_of
from farmgis.planning.salt import season_of
from farmgis.planning.season_now import SeasonNow, season_now
from farmgis.planning.season_series import find_short_years, season_series
from farmgis.planning.sowing import Sowing, plan_sowing
from farmgis.planning.treatment_days import on_free_days
from farmgis.planning.upkeep import Task, field_works, season_tasks, tell_tasks
from farmgis.planning.water_treatment import treatments
from farmgis.records import Assumption, Farm, Field, Finding, Shift
from farmgis.series import SeasonSeries


@dataclass(frozen=True)
class BlockRun:
    """What the season needs to know of a block as it is laid."""

    laterals: int
    travel_min: float  # from its valve to its last emitter
    mains_min: float = 0.0  # from its source to its valve


@dataclass(frozen=True)
class SeasonPlan:
    """The season: each block's need with its day of sowing, the calendar, tasks, doses, and what is told.

    `shift_days` are the days from the calendar's year to the season that is stated.
    """

    seasons: dict[str, BlockSeason]
    calendar: IrrigationCalendar
    tasks: tuple[Task, ...]
    doses: tuple[NutrientDose, ...]
    series: SeasonSeries
    findings: tuple[Finding, ...]
    assumptions: tuple[Assumption, ...]
    shift_days: int


def plan_season(
    farm: Farm,
    shifts: Sequence[Shift],
    seasons: Mapping[str, BlockSeason],
    runs: Mapping[str, BlockRun],
    hours_without_source: float,
) -> SeasonPlan:
    """The season of all blocks, by their ids in `seasons` and `runs`; bare where nothing was computed."""
    fields = {f.field_id: f for f in farm.fields}
    travel = {key: run.travel_min for key, run in runs.items()}
    sowing = plan_sowing(shifts, seasons, farm.sources, hours_without_source, fields, travel, farm.season)
    sown = _sown_later(farm, fields, seasons, sowing)
    now, out_of_season = season_now(farm, shifts, fields, sown, sowing.runs)
    running, runs_to_come = (sown, sowing.runs) if now is None else (now.seasons, now.germination)
    calendar = season_calendar(shifts, running, farm.sources, hours_without_source, runs_to_come)
    tasks, task_findings = _tasks(farm, shifts, sown, runs, calendar, now)
    fed = NutrientPlan()
    if calendar.sowing is not None:
        to_last = {key: run.travel_min + run.mains_min for key, run in runs.items()}
        delays = {key: s.delay_days for key, s in sown.items()}
        zones = zones_of(shifts, running, fields, to_last, delays)
        first = calendar.sowing if now is None else now.sowing
        fed = nutrient_plan(
            farm.nutrients, zones, calendar.irrigations, first, None if now is None else now.today,
            _sowing_begins(tasks),
        )  # fmt: skip
    tasks = on_free_days(tasks, calendar.irrigations, fed.doses, shifts)
    series = season_series(calendar, running, farm.sources, fields, {} if now is None else now.past)
    still_sowing = sowing.findings if now is None or now.germination else ()
    found = (*out_of_season, *still_sowing, *calendar.findings, *task_findings, *fed.findings,
             *explain_corn(farm, fields, sown), *find_short_years(series, farm),
             *find_one_sowing(sown))  # fmt: skip
    told = (*sowing.assumptions, *calendar.assumptions, *(tell_tasks() if tasks else ()), *fed.assumptions)
    if now is not None:
        found = (*now.findings, *found)
        told = (*now.assumptions, *(a for a in told if a.key != "calendar_year"))
    tasks = tuple(sorted((*tasks, *fed.tasks), key=lambda t: t.date))
    stated = farm.season.sowing
    shift = (stated - calendar.sowing).days if stated and calendar.sowing and now is None else 0
    return SeasonPlan(sown, calendar, tasks, fed.doses, series, found, told, shift)


def _tasks(
    farm: Farm,
    shifts: Sequence[Shift],
    seasons: Mapping[str, BlockSeason],
    runs: Mapping[str, BlockRun],
    calendar: IrrigationCalendar,
    now: SeasonNow | None,
) -> tuple[tuple[Task, ...], tuple[Finding, ...]]:
    """The tasks around the calendar's irrigations that are not over; none where there is no calendar."""
    if calendar.sowing is None:
        return (), ()
    laterals = {key: run.laterals for key, run in runs.items()}
    watered, sowing = calendar.watered, calendar.sowing
    if now is not None:
        sowing = now.sowing
        watered = {key: (now.first_water.get(key, first), last) for key, (first, last) in watered.items()}
    works = field_works(farm.fields, seasons, laterals, watered, sowing, farm.season)
    to_last = {key: run.travel_min + run.mains_min for key, run in runs.items()}
    treated = treatments(farm.sources, shifts, farm.season, to_last)
    ran = None if now is not None else _run_days(calendar, shifts)
    tasks, findings = season_tasks(works, farm.season.laying_ha_day, treated, ran)
    if now is None:
        return tasks, findings
    return tuple(t for t in tasks if t.end_date >= now.today), ()


def find_one_sowing(seasons: Mapping[str, BlockSeason]) -> list[Finding]:
    """That several crops are taken as sown at once."""
    sown = [s.demand for s in seasons.values() if s.demand.sown != "standing" and s.demand.dates.size]
    crops = sorted({d.crop for d in sown})
    if len(crops) < 2:
        return []
    day = min(d.dates[0] for d in sown).astype(date)
    what = f"one sowing, from {day:%d %B} on, is taken for {', '.join(crops)}"
    advice = "where they are sown in other months plan them in farm files of their own"
    return [Finding("note", "season", what, "farm", advice)]


def _sowing_begins(tasks: Sequence[Task]) -> dict[str, date]:
    """The first day of sowing of each field that is sown."""
    begins: dict[str, date] = {}
    for task in (t for t in tasks if t.task == "sow"):
        begins[task.target] = min(task.date, begins.get(task.target, task.date))
    return begins


def _run_days(calendar: IrrigationCalendar, shifts: Sequence[Shift]) -> dict[str, list[date]]:
    """The days on which each source gives water."""
    source_of = {s.zone_id: s.source_id or "farm" for s in shifts}
    made: dict[str, list[date]] = {}
    for run in calendar.irrigations:
        made.setdefault(source_of[run.zone_id], []).append(run.date)
    return {source_id: sorted(set(days)) for source_id, days in made.items()}


def _sown_later(
    farm: Farm, fields: Mapping[str, Field], seasons: Mapping[str, BlockSeason], sowing: Sowing
) -> dict[str, BlockSeason]:
    """The blocks with the season that follows from their own day of sowing, in the same year."""
    made: dict[str, BlockSeason] = {}
    demands: dict[tuple[int, int], CropDemand] = {}
    for block_id, own in seasons.items():
        delay = sowing.delay_days.get(block_id, 0)
        if not delay:
            made[block_id] = own
            continue
        key = (id(own.demand), delay)
        if key not in demands:
            demands[key] = _delayed(farm, fields[own.facts.field_id], own.demand, delay)
        facts = own.facts
        uniformity = max(facts.emission_uniformity_pct, LEAST_UNIFORMITY_PCT)
        need = block_demand(demands[key], uniformity, facts.area_ha, facts.application_mm_h)
        made[block_id] = BlockSeason(facts, demands[key], need, delay)
    return made


def _delayed(farm: Farm, field: Field, demand: CropDemand, delay_days: int) -> CropDemand:
    """A crop's demand of the design year when it is sown so many days later; as it was where weather ends."""
    first: date = demand.dates[0].astype(date)
    season = season_of(farm, field)
    harvest = None  # stays on its day, however late a part is sown
    if season.harvest is not None and season.sowing is not None:
        harvest = first + (season.harvest - season.sowing)
    season = replace(season, sowing=first + timedelta(days=delay_days), harvest=harvest, sown="dry")
    year = (first + timedelta(days=delay_days)).year
    later = crop_demand(field.crop, field.soil, field.design, season, farm.weather, year=year)
    if later.basis == "assumed":
        return replace(demand, dates=demand.dates + np.timedelta64(delay_days, "D"))
    return replace(later, findings=(), assumptions=(), years=demand.years,
                   season_net_mm=demand.season_net_mm, peak_net_mm=demand.peak_net_mm)  # fmt: skip
