"""The crop through the years of the weather: its stages, coefficients, ET, and what its root zone holds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from farmgis.agronomy import crop_coefficient, dual_coefficient, soil_water
from farmgis.agronomy.degree_days import degree_days_c, stages_by_degree_days
from farmgis.agronomy.seed_bed import READILY_ASSUMED_MM
from farmgis.agronomy.sown_soil import SownSeason
from farmgis.agronomy.yield_response import stage_of_day
from farmgis.planning import demand_rules
from farmgis.planning.demand_rules import DemandRules
from farmgis.planning.season_years import SeasonYears
from farmgis.records import Assumption, Crop, Design, Floats, Soil

DUAL_ROUNDS = 4
"""Irrigation wets the ground, wet ground takes water: the two are reckoned in turn so many times."""

LONGER_SEASON = 1.3
"""With stages by degree days a cool year's season may be so many times as long as the tabled one."""


@dataclass(frozen=True)
class Growth:
    """A crop in all years, arrays (days, years): stages, coefficients, what it takes and its root zone holds.

    `days` are those of each year's season; past them nothing is taken. `harvest_day` ends it sooner, where
    harvest is stated: the days from sowing until then.
    """

    years: SeasonYears
    stages: Floats  # (4, years): days of each
    kc: Floats
    et_crop_mm: Floats
    total_mm: Floats
    readily_mm: Floats
    assumptions: tuple[Assumption, ...]
    harvest_day: int | None = None

    @property
    def stage(self) -> NDArray[np.int64]:
        """Stage of each day, 0 to 3, shape (days, years)."""
        return stage_of_day(self.kc.shape[0], self.stages)

    def stage_in(self, column: int) -> NDArray[np.int64]:
        """Stage of each day of one year's season."""
        return stage_of_day(self.days(column), self.stages[:, [column]])[:, 0]

    def days(self, column: int) -> int:
        """Days of a year's season."""
        days = min(round(float(self.stages[:, column].sum())), int(self.kc.shape[0]))
        return days if self.harvest_day is None else min(days, self.harvest_day)


def season_length(crop: Crop, design: Design) -> int:
    """Days that have to be known of each year: those of the stages, more where warmth sets them."""
    days = sum(crop.stage_days)
    return round(LONGER_SEASON * days) if design.stages_by == "degree days" else days


def growth(
    crop: Crop, soil: Soil, design: Design, years: SeasonYears, rules: DemandRules,
    harvest_day: int | None = None,
) -> Growth:  # fmt: skip
    """The crop with its single coefficient, to the day of its harvest where that is stated."""
    stages, told_stages = _stages(crop, design, years)
    mid, end, said = _adjusted(crop, years, crop.kc_mid, crop.kc_end)
    day = np.arange(1, years.et0_mm.shape[0] + 1, dtype=np.float64)[:, None]
    kc = crop_coefficient.kc_curve(day, stages, crop.kc_ini, mid, end)
    last = np.round(stages.sum(axis=0))
    last = last if harvest_day is None else np.minimum(last, harvest_day)
    kc = np.where(day <= last, kc, 0.0)
    value = f"{crop.kc_ini:g}, {crop.kc_mid:g}, {crop.kc_end:g}; {said}"
    told = Assumption("kc", value, "", crop.source, demand_rules.known(crop.source))
    et = kc * years.et0_mm
    zone = _root_zone(crop, soil, stages, et, rules)
    return Growth(years, stages, kc, et, *zone, (told, *told_stages), harvest_day)


def with_dual_coefficient(
    grown: Growth, crop: Crop, soil: Soil, design: Design, watered: SownSeason, rules: DemandRules,
    salt_stress: float = 1.0,
) -> Growth:  # fmt: skip
    """The same with transpiration and evaporation apart (FAO-56 chapter 7), under those irrigations.

    Salt takes its share of transpiration alone (`salt_stress`), as FAO-56 p 175 asks.
    Irrigation wets `rules.wetted_fraction` of the ground at the plants; a mulch keeps evaporation back.
    """
    mid, end, _ = _adjusted(crop, grown.years, crop.basal[1], crop.basal[2])
    day = np.arange(1, grown.kc.shape[0] + 1, dtype=np.float64)[:, None]
    kcb = crop_coefficient.kc_curve(day, grown.stages, crop.basal[0], mid, end)
    wind, humidity = _known_or(grown.years.wind_m_s, 2.0), _known_or(grown.years.rh_min_pct, 45.0)
    # a crop that has grown does not shrink again when it ripens
    height = crop.height_m * np.clip(np.maximum.accumulate(kcb) / np.maximum(mid, 1e-9), 0.05, 1.0)
    top = dual_coefficient.kc_max(kcb, wind, humidity, height)
    cover = dual_coefficient.canopy_cover(kcb, top, height)
    kcb = salt_stress * kcb
    layer = evaporation_layer(soil, design, rules)
    irrigation = watered.refill_mm + watered.dose_mm
    balance = dual_coefficient.dual_balance(
        grown.years.et0_mm, grown.years.rain_mm, irrigation, kcb, top, cover, grown.total_mm,
        crop.depletion_fraction, layer,
    )  # fmt: skip
    growing = grown.kc > 0.0
    et = np.where(growing, kcb * grown.years.et0_mm + balance.evaporation_mm, 0.0)
    kc = np.where(grown.years.et0_mm > 0.0, et / np.maximum(grown.years.et0_mm, 1e-9), kcb * growing)
    total, readily = _root_zone(crop, soil, grown.stages, et, rules)
    return replace(grown, kc=kc, et_crop_mm=et, total_mm=total, readily_mm=readily)


def evaporation_layer(soil: Soil, design: Design, rules: DemandRules) -> dual_coefficient.EvaporationLayer:
    """The top 0.10 m of a soil under drip and mulch."""
    total = float(dual_coefficient.total_evaporable_mm(soil.field_capacity, soil.wilting_point))
    readily = READILY_ASSUMED_MM if soil.readily_evaporable_mm is None else soil.readily_evaporable_mm
    mulch = dual_coefficient.mulch_factor(design.mulch, design.mulch_cover_pct / 100.0)
    return dual_coefficient.EvaporationLayer(
        total, min(readily, total), rules.wetted_fraction, rules.wetted_fraction < 1.0, mulch
    )


def tell_dual(crop: Crop, soil: Soil, design: Design, rules: DemandRules) -> tuple[Assumption, ...]:
    """What the dual coefficient rests on."""
    layer = evaporation_layer(soil, design, rules)
    basal = ", ".join(f"{k:g}" for k in crop.basal)
    held = f"{soil.name}: {layer.total_mm:.0f} in all, {layer.readily_mm:g} readily"
    made = [
        Assumption("basal_coefficient", basal, "", "FAO-56 table 17", "published")
        if crop.basal_tabled
        else Assumption("basal_coefficient", basal, "", "Kc less 0.05, FAO-56 chapter 7", "memory"),
        Assumption("evaporation_layer", held, "mm in the top 0.10 m", "FAO-56 eq 73, table 19", "published"),
    ]
    if design.mulch != "none":
        value = f"{design.mulch}, {design.mulch_cover_pct:g} % of the ground"
        said = f"leaves {100.0 * layer.mulch_factor:.0f} % of the evaporation (FAO-56 chapter 10)"
        made.append(Assumption("mulch", value, "", said, "memory"))
    return tuple(made)


# ---- parts ----------------------------------------------------------------------------------------


def _stages(crop: Crop, design: Design, years: SeasonYears) -> tuple[Floats, tuple[Assumption, ...]]:
    """Days of the four stages in each year: the tabled ones, or as long as warmth has them last."""
    tabled = np.broadcast_to(np.array(crop.stage_days, dtype=np.float64)[:, None], (4, len(years.years)))
    if design.stages_by == "days":
        return tabled, ()
    if years.tmin_c is None or years.tmax_c is None or np.isnan(years.tmin_c + years.tmax_c).any():
        said = "the weather has no daily temperatures for degree days"
        return tabled, (Assumption("stages_by", "days", "", said, "common practice"),)
    warmth = degree_days_c(years.tmin_c, years.tmax_c, design.base_temperature_c, design.upper_temperature_c)
    stages, needs = stages_by_degree_days(warmth, crop.stage_days)
    value = ", ".join(f"{need:.0f}" for need in needs)
    said = (
        f"the mean of all years over the tabled days; base {design.base_temperature_c:g}, up to "
        f"{design.upper_temperature_c:g} degrees C"
    )
    return stages, (Assumption("stages_by", value, "degree days", said, "common practice"),)


def _adjusted(crop: Crop, years: SeasonYears, mid: float, end: float) -> tuple[Floats, Floats, str]:
    """A coefficient's mid and end in each year, adjusted where wind and humidity are known."""
    count = len(years.years)
    plain = np.full(count, mid), np.full(count, end)
    if years.wind_m_s is None or years.rh_min_pct is None:
        return *plain, "as tabled: the weather has no wind with humidity to adjust it"
    initial, development, middle, late = crop.stage_days
    parts = slice(initial + development, initial + development + middle), slice(-late, None)
    wind, humidity = years.wind_m_s[: sum(crop.stage_days)], years.rh_min_pct[: sum(crop.stage_days)]
    means = [(_mean(wind[part]), _mean(humidity[part])) for part in parts]
    made = (
        crop_coefficient.kc_mid_adjusted(plain[0], *means[0], crop.height_m),
        crop_coefficient.kc_end_adjusted(plain[1], *means[1], crop.height_m),
    )
    mids, ends = (np.where(np.isnan(new), old, new) for new, old in zip(made, plain, strict=True))
    return mids, ends, "Kc mid and end adjusted to each year's wind and humidity (FAO-56 eq 62, 65)"


def _mean(values: Floats) -> Floats:
    """Mean over the days, NaN (and no warning) where none is known."""
    count = np.count_nonzero(~np.isnan(values), axis=0)
    return np.where(count > 0, np.nansum(values, axis=0) / np.maximum(count, 1), np.nan)


def _known_or(values: Floats | None, usual: float) -> Floats | float:
    return usual if values is None else np.where(np.isnan(values), usual, values)


def _root_zone(
    crop: Crop, soil: Soil, stages: Floats, et_crop: Floats, rules: DemandRules
) -> tuple[Floats, Floats]:
    """Total and readily available water of the wetted root zone, per irrigated area. [mm]

    The lesser tabled root depth is taken, as FAO-56 table 22 advises for scheduling. Trees stand with
    their full roots from the first day: growing them errs to the safe side, and only in the early season.
    """
    day = np.arange(1, et_crop.shape[0] + 1, dtype=np.float64)[:, None]
    depth = soil_water.root_depth_m(day, stages, rules.root_start_m, crop.root_depth_min_m)
    full = soil_water.total_available_mm(soil.field_capacity, soil.wilting_point, depth)
    total = np.broadcast_to(rules.wetted_fraction * full, et_crop.shape)
    fraction = soil_water.depletion_fraction(crop.depletion_fraction, et_crop)
    return total, soil_water.readily_available_mm(total, fraction)
