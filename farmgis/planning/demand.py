"""How much water a crop needs on a field: crop ET, rain, the soil's store, leaching; net and gross."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from farmgis.agronomy import salinity
from farmgis.agronomy.sown_soil import Deficit, SownSeason, sown_season
from farmgis.agronomy.yield_response import stage_sums
from farmgis.errors import InputError
from farmgis.planning import deficit, demand_rules
from farmgis.planning.crop_growth import (
    DUAL_ROUNDS,
    Growth,
    growth,
    season_length,
    tell_dual,
    with_dual_coefficient,
)
from farmgis.planning.crop_start import (
    CropStart,
    Sown,
    as_seed_bed_is,
    crop_start,
    harvest_day,
    how_sown,
    stands,
)
from farmgis.planning.demand_rules import DemandRules
from farmgis.planning.salt import Salt, salt, tell_salt_stress
from farmgis.planning.season_years import season_years, sowing_day
from farmgis.records import Assumption, Crop, Design, Finding, Floats, Season, Soil, Weather

Basis = Literal["daily", "normals", "assumed"]


@dataclass(frozen=True)
class CropDemand:
    """What a crop needs on a soil in the design year, a row a day, per irrigated area.

    `net_mm` is the irrigation that stays in the root zone, on the days when it is given. Sums: net = crop
    ET - effective rain - soil water used. `et_full_mm` is what the crop would take if never short of water;
    `stage` is 0 to 3, `stage_full_mm` what each of the four takes of it in the whole season.
    `yield_loss_pct` is expected from salt and managed deficit, None where no response of the yield is known;
    `response` is the crop whose response it is. `total_mm` and `readily_mm` are what the root zone holds and
    what of it the crop takes without stress, `depletion_mm` what it lacks at the day's end. `dose_net_mm` is
    the part of net that is germination's, `dose_gross_mm` the depth given for it. From day `begin` (from 0)
    the crop is irrigated regularly, and the share `handover` of its depletion is that of the wetted ground.
    `season_net_mm` and `peak_net_mm` are of all `years`. Arrays are empty with basis `assumed`.
    """

    crop: str
    basis: Basis
    dates: NDArray[np.datetime64]
    et0_mm: Floats
    kc: Floats
    et_full_mm: Floats
    et_crop_mm: Floats
    stage: NDArray[np.int64]
    stage_full_mm: Floats
    rain_effective_mm: Floats
    net_mm: Floats
    rain_mm: Floats
    total_mm: Floats
    readily_mm: Floats
    depletion_mm: Floats
    sown: Sown
    start_depletion_mm: float
    begin: int
    handover: float
    dose_gross_mm: Floats
    dose_net_mm: Floats
    soil_water_used_mm: float
    leaching_requirement: float
    yield_loss_pct: float | None
    response: Crop | None
    peak_net_mm_day: float
    years: tuple[int, ...]
    season_net_mm: tuple[float, ...]
    peak_net_mm: tuple[float, ...]
    design_year: int | None
    rules: DemandRules
    assumptions: tuple[Assumption, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class DemandPeriod:
    """A calendar month of the season, or the part of it that lies in the season."""

    period_start: date
    period_end: date
    et0_mm: float
    kc: float
    et_crop_mm: float
    rain_effective_mm: float
    net_mm: float
    gross_mm: float
    gross_m3: float
    run_hours: float


@dataclass(frozen=True)
class BlockDemand:
    """What a block needs in the season; None where it was not computed for this place."""

    crop: str
    basis: Basis
    et_crop_mm: float | None
    rain_effective_mm: float | None
    soil_water_used_mm: float | None
    leaching_mm: float | None
    net_mm: float | None
    gross_mm: float
    gross_m3: float
    gross_m3_ha: float
    peak_mm_day: float
    peak_m3_day: float
    periods: tuple[DemandPeriod, ...]
    sown: Sown | None = None
    germination_mm: float | None = None
    yield_loss_pct: float | None = None


def crop_demand(
    crop: Crop,
    soil: Soil,
    design: Design,
    season: Season,
    weather: Weather | None,
    rules: DemandRules | None = None,
    year: int | None = None,
) -> CropDemand:
    """What the crop needs in the design year, from the weather, or a dry summer's where there is none.

    The design year is the real year at rank ceil(share x years) of seasonal net irrigation in rising
    order: the least one that at least that share of the years does not exceed; or `year`, where it is given.
    """
    rules = rules or DemandRules(wetted_fraction=design.wetted_fraction)
    if not 0.0 < season.exceedance_pct <= 100.0:
        raise InputError(f"exceedance_pct is {season.exceedance_pct}; give a share of years over 0 up to 100")
    if design.interval_days < 1:
        raise InputError(f"interval_days is {design.interval_days}; give whole days, 1 or more")
    if weather is None:
        return _assumed(crop, rules, ())
    sowing, told_sowing = sowing_day(season, weather.latitude_deg)
    years = season_years(weather, sowing, season_length(crop, design))
    years = years if year is None else years.only(year)
    if not years.years:
        return _assumed(crop, rules, (*years.findings, demand_rules.find_no_season(crop, sowing)))
    grown = growth(crop, soil, design, years, rules, harvest_day(season, design))
    started = _started(grown, soil, design, season, rules)
    salted = salt(crop, season, rules)
    if design.crop_coefficient == "dual":
        started = _with_dual(started, crop, soil, design, season, rules, salted)
    watered, pick = started.watered, started.pick
    spent = _spent(started, crop)
    told = [
        *started.assumptions,
        *demand_rules.tell_rules(crop, soil, design, rules),
        *deficit.tell_deficit(crop, design),
    ]
    found = [
        *salted.findings,
        *_found_deficit(started, crop, design, spent),
        *demand_rules.find_cut_by_harvest(crop, season, started.grown.harvest_day),
        *_found_of_trees(crop, design, started),
        *demand_rules.find_long_interval(
            crop,
            design,
            watered,
            started.grown.et_crop_mm,
            pick,
            deficit.days_before(design, started.grown.stage[:, pick]),
        ),
    ]
    if weather.basis == "daily":
        nets = _net(watered).sum(axis=0)
        told += [
            demand_rules.tell_effective_rain(),
            demand_rules.tell_exceedance(season, nets, pick, years.years),
        ]
        found += demand_rules.find_few_years(crop, years.years)
        found += demand_rules.find_higher_peak(crop, season, watered.peak_mm_day, pick)
    return _of_year(
        crop, weather.basis, started, salted, spent, rules,
        (told_sowing, *years.assumptions, *grown.assumptions, *salted.assumptions, *told),
        (*years.findings, *found),
    )  # fmt: skip


@dataclass(frozen=True)
class _Started:
    """The crop as it is sown and watered in all years, what is told of it, the column of the design year."""

    grown: Growth
    start: CropStart
    watered: SownSeason
    pick: int
    assumptions: tuple[Assumption, ...]


def _spent(started: _Started, crop: Crop) -> deficit.Cost:
    """What the design year's season costs the crop, short of water as it may be."""
    grown, pick = started.grown, started.pick
    end = grown.days(pick)
    column = (slice(0, end), pick)
    full, stage = grown.et_crop_mm[column], grown.stage_in(pick)
    return deficit.cost(crop, full - started.watered.et_mm[column], stage, stage_sums(full, stage))


def _found_deficit(started: _Started, crop: Crop, design: Design, spent: deficit.Cost) -> list[Finding]:
    """What a managed deficit saves of the design year's net, and costs."""
    if not deficit.has_deficit(design):
        return []
    full = _net(_watered(started.grown, started.start))[:, started.pick].sum()
    net = _net(started.watered)[:, started.pick].sum()
    return deficit.find_deficit(crop, design, spent, float(net), float(full))


def _found_of_trees(crop: Crop, design: Design, started: _Started) -> list[Finding]:
    """Whether the design year's season of trees holds the height of summer."""
    if not stands(design):
        return []
    grown, pick = started.grown, started.pick
    dates = grown.years.dates[: grown.days(pick), pick]
    return demand_rules.find_without_height_of_summer(crop, dates, grown.years.days)


def _watered(grown: Growth, start: CropStart, design: Design | None = None) -> SownSeason:
    """All years watered, by the rules of a deficit where a design is given that has some."""
    return sown_season(
        grown.et_crop_mm,
        grown.years.rain_mm,
        grown.total_mm,
        grown.readily_mm,
        start.watering,
        start.depleted,
        deficit=_deficit_days(design, grown),
    )


def _deficit_days(design: Design | None, grown: Growth) -> Deficit | None:
    if design is None or not deficit.has_deficit(design):
        return None
    return deficit.deficit_days(design, grown.stage)


def _started(grown: Growth, soil: Soil, design: Design, season: Season, rules: DemandRules) -> _Started:
    """The start of the crop, and all years watered by it.

    Where nothing states it, the seed bed in the design year of the crop sown moist decides; that year stays.
    """
    sown = how_sown(season, design)
    start = crop_start(sown or "moist", design, season, rules)
    watered = _watered(grown, start, design)
    pick = design_rank(_net(watered).sum(axis=0), season.exceedance_pct)
    if sown is not None:
        return _Started(grown, start, watered, pick, start.assumptions)
    sown, told = as_seed_bed_is(grown.years, pick, soil)
    if sown == "dry":
        start = crop_start(sown, design, season, rules)
        watered = _watered(grown, start, design)
    return _Started(grown, start, watered, pick, (*start.assumptions, told))


def _with_dual(
    started: _Started,
    crop: Crop,
    soil: Soil,
    design: Design,
    season: Season,
    rules: DemandRules,
    salted: Salt,
) -> _Started:
    """The same with the dual coefficient: the ground that irrigation wets takes water, in turn.

    The design year is ranked anew; the start stays as it was decided.
    """
    grown, watered = started.grown, started.watered
    for _ in range(DUAL_ROUNDS):
        grown = with_dual_coefficient(grown, crop, soil, design, watered, rules, salted.stress)
        watered = _watered(grown, started.start, design)
    pick = design_rank(_net(watered).sum(axis=0), season.exceedance_pct)
    told = (
        *started.assumptions,
        *tell_dual(crop, soil, design, rules),
        *tell_salt_stress(crop, salted),
    )
    return _Started(grown, started.start, watered, pick, told)


def _net(watered: SownSeason) -> Floats:
    """Irrigation that stays in the root zone, regular and for germination. [mm]"""
    return np.asarray(watered.refill_mm + watered.dose_mm)


def _of_year(
    crop: Crop, basis: Basis, started: _Started, salted: Salt, spent: deficit.Cost, rules: DemandRules,
    assumptions: tuple[Assumption, ...], findings: tuple[Finding, ...],
) -> CropDemand:  # fmt: skip
    """The design year's column, day by day to its harvest, with what is known of all years."""
    grown, watered, start, pick = started.grown, started.watered, started.start, started.pick
    nets, stage = _net(watered), grown.stage_in(pick)
    start_mm = start.depleted * float(watered.total_mm[0, pick])
    end = grown.days(pick)
    doses = np.zeros(end)
    doses[[day for day, _ in start.watering.doses if day < end]] = start.dose_mm
    used = watered.depletion_mm[end - 1, pick] - start_mm + watered.outside_mm[pick]
    return CropDemand(
        crop=crop.name,
        basis=basis,
        dates=grown.years.dates[:end, pick],
        et0_mm=grown.years.et0_mm[:end, pick],
        kc=grown.kc[:end, pick],
        et_full_mm=grown.et_crop_mm[:end, pick],
        et_crop_mm=watered.et_mm[:end, pick],
        stage=stage,
        stage_full_mm=stage_sums(grown.et_crop_mm[:end, pick], stage),
        rain_effective_mm=(grown.years.rain_mm - watered.drained_mm)[:end, pick],
        net_mm=nets[:end, pick],
        rain_mm=grown.years.rain_mm[:end, pick],
        total_mm=watered.total_mm[:end, pick],
        readily_mm=watered.readily_mm[:end, pick],
        depletion_mm=watered.depletion_mm[:end, pick],
        sown=start.sown,
        start_depletion_mm=start_mm,
        begin=int(watered.begin[pick]),
        handover=start.watering.handover,
        dose_gross_mm=doses,
        dose_net_mm=watered.dose_mm[:end, pick],
        soil_water_used_mm=float(used),
        leaching_requirement=salted.leaching,
        yield_loss_pct=_yield_loss_pct(salted, spent),
        response=crop,
        peak_net_mm_day=float(watered.peak_mm_day[pick]),
        years=grown.years.years,
        season_net_mm=tuple(nets.sum(axis=0).tolist()),
        peak_net_mm=tuple(watered.peak_mm_day.tolist()),
        design_year=grown.years.years[pick],
        rules=rules,
        assumptions=assumptions,
        findings=findings,
    )


def _yield_loss_pct(salted: Salt, spent: deficit.Cost) -> float | None:
    """Expected loss of salt and of a lack of water together; that of salt where no response is known. [%]"""
    dry = spent.yield_loss_pct
    if dry is None and salted.yield_left >= 1.0:
        return None
    return 100.0 * (1.0 - salted.yield_left * (1.0 - (dry or 0.0) / 100.0))


def design_rank(season_net_mm: Floats, exceedance_pct: float) -> int:
    """Index of the year whose seasonal net is not exceeded in that share of the years.

    Rank ceil(share x n) of n years in rising order, the earlier year first where two are equal.

    >>> design_rank(np.array([300.0, 500.0, 400.0, 200.0, 450.0]), 80.0)
    4
    """
    count = len(season_net_mm)
    rank = max(1, math.ceil(exceedance_pct / 100.0 * count - 1e-9))
    return int(np.argsort(season_net_mm, kind="stable")[rank - 1])


def block_demand(
    demand: CropDemand, emission_uniformity_pct: float, area_ha: float, application_mm_h: float
) -> BlockDemand:
    """A block's need: gross = (net + leaching) / min(emission uniformity, cap), and its months."""
    if not 0.0 < emission_uniformity_pct <= 100.0 or area_ha < 0.0 or not application_mm_h > 0.0:
        raise InputError(
            f"a block of {area_ha} ha with emission uniformity {emission_uniformity_pct} % and application "
            f"{application_mm_h} mm/h has no demand; they must be over 0, the uniformity up to 100 %"
        )
    efficiency = min(emission_uniformity_pct / 100.0, demand.rules.efficiency_max)
    if demand.basis == "assumed":
        return _assumed_block(demand, efficiency, area_ha)
    gross_by_day = _gross_by_day(demand, efficiency)
    # what a block of low uniformity brings to the seed bed may be less than the soil would have kept
    short = float(np.maximum(demand.dose_net_mm - demand.dose_gross_mm * efficiency, 0.0).sum())
    net = float(demand.net_mm.sum()) - short
    gross, peak = float(gross_by_day.sum()), demand.peak_net_mm_day * _gross_factor(demand, efficiency)
    return BlockDemand(
        crop=demand.crop,
        basis=demand.basis,
        et_crop_mm=float(demand.et_crop_mm.sum()),
        rain_effective_mm=float(demand.rain_effective_mm.sum()),
        soil_water_used_mm=demand.soil_water_used_mm + short,
        leaching_mm=round(gross * efficiency - net, 9) + 0.0,  # none is 0, not -1e-13
        net_mm=net,
        gross_mm=gross,
        gross_m3=gross * 10.0 * area_ha,
        gross_m3_ha=gross * 10.0,
        peak_mm_day=peak,
        peak_m3_day=peak * 10.0 * area_ha,
        periods=_periods(demand, gross_by_day, area_ha, application_mm_h),
        sown=demand.sown,
        germination_mm=float(demand.dose_gross_mm.sum()),
        yield_loss_pct=demand.yield_loss_pct,
    )


def _gross_by_day(demand: CropDemand, efficiency: float) -> Floats:
    """Gross irrigation of each day: regular by its factor, germination as it is dosed. [mm]"""
    regular = (demand.net_mm - demand.dose_net_mm) * _gross_factor(demand, efficiency)
    return np.asarray(regular + demand.dose_gross_mm)


# ---- steps ----------------------------------------------------------------------------------------


def _gross_factor(demand: CropDemand, efficiency: float) -> float:
    """Gross over net: 1 / ((1 - leaching requirement) x efficiency)."""
    leaching = float(salinity.leaching_mm(1.0, demand.leaching_requirement, least=0.0))
    return (1.0 + leaching) / efficiency


def _periods(
    demand: CropDemand, gross_by_day: Floats, area_ha: float, application_mm_h: float
) -> tuple[DemandPeriod, ...]:
    """The calendar months of the season, clipped to it; they add up to the season."""
    months = demand.dates.astype("datetime64[M]")
    begins = np.flatnonzero(np.concatenate(([True], months[1:] != months[:-1])))
    daily = (demand.et0_mm, demand.et_crop_mm, demand.rain_effective_mm, demand.net_mm, gross_by_day)
    sums = [np.add.reduceat(values, begins) for values in daily]
    ends = np.concatenate((begins[1:], [months.size])) - 1
    periods = []
    for first, last, et0, et_crop, rain, net, gross in zip(begins, ends, *sums, strict=True):
        periods.append(
            DemandPeriod(
                period_start=demand.dates[first].astype(date),
                period_end=demand.dates[last].astype(date),
                et0_mm=float(et0),
                kc=float(et_crop / et0) if et0 > 0.0 else float(demand.kc[first : last + 1].mean()),
                et_crop_mm=float(et_crop),
                rain_effective_mm=float(rain),
                net_mm=float(net),
                gross_mm=float(gross),
                gross_m3=float(gross) * 10.0 * area_ha,
                run_hours=float(gross) / application_mm_h,
            )
        )
    return tuple(periods)


def _assumed(crop: Crop, rules: DemandRules, findings: tuple[Finding, ...]) -> CropDemand:
    """A dry summer's demand, not computed for the place; peak net from ET0 x Kc mid."""
    told, found = demand_rules.tell_assumed(rules, crop)
    none = np.zeros(0)
    return CropDemand(
        crop=crop.name,
        basis="assumed",
        dates=np.zeros(0, dtype="datetime64[D]"),
        et0_mm=none,
        kc=none,
        et_full_mm=none,
        et_crop_mm=none,
        stage=np.zeros(0, dtype=np.int64),
        stage_full_mm=none,
        rain_effective_mm=none,
        net_mm=none,
        rain_mm=none,
        total_mm=none,
        readily_mm=none,
        depletion_mm=none,
        sown="moist",
        start_depletion_mm=0.0,
        begin=0,
        handover=1.0,
        dose_gross_mm=none,
        dose_net_mm=none,
        soil_water_used_mm=math.nan,
        leaching_requirement=0.0,
        yield_loss_pct=None,
        response=None,
        peak_net_mm_day=rules.assumed_et0_mm * crop.kc_mid,
        years=(),
        season_net_mm=(),
        peak_net_mm=(),
        design_year=None,
        rules=rules,
        assumptions=told,
        findings=(*findings, found),
    )


def _assumed_block(demand: CropDemand, efficiency: float, area_ha: float) -> BlockDemand:
    gross, peak = demand.rules.assumed_gross_mm, demand.peak_net_mm_day / efficiency
    return BlockDemand(
        crop=demand.crop,
        basis="assumed",
        et_crop_mm=None,
        rain_effective_mm=None,
        soil_water_used_mm=None,
        leaching_mm=None,
        net_mm=None,
        gross_mm=gross,
        gross_m3=gross * 10.0 * area_ha,
        gross_m3_ha=gross * 10.0,
        peak_mm_day=peak,
        peak_m3_day=peak * 10.0 * area_ha,
        periods=(),
    )
