"""Settings of the demand, and the words that tell what was assumed and what should be looked at."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from farmgis.agronomy.sown_soil import SownSeason
from farmgis.planning.season_years import DailyWeather, days_from
from farmgis.records import Assumption, Crop, Design, Finding, Floats, Known, Season, Soil

FEW_YEARS = 10  # common practice: fewer say little about one year in five


@dataclass(frozen=True)
class DemandRules:
    """Settings of the computation, each of which is told among the assumptions.

    wetted_fraction: share of the ground whose soil water drip works with (FAO-56 table 20: 0.3 to 0.4).
    root_start_m: root depth at sowing (common practice). efficiency_max: cap on the emission uniformity
    that divides the need (common practice). leaching_least: requirement under which none is applied (from
    memory: Keller and Bliesner). assumed_*: a dry summer, where there is no weather (common practice).
    """

    wetted_fraction: float = 0.4
    root_start_m: float = 0.3
    efficiency_max: float = 0.90
    leaching_least: float = 0.1
    assumed_gross_mm: float = 450.0
    assumed_et0_mm: float = 7.0


def known(source: str) -> Known:
    """How a crop's or soil's values are known, by its source."""
    if source.startswith("FAO-56"):
        return "published"
    return "common practice" if source.startswith("common practice") else "user"


def tell_rules(crop: Crop, soil: Soil, design: Design, rules: DemandRules) -> tuple[Assumption, ...]:
    """What a computed demand rests on, besides weather, sowing, Kc and salt."""
    season_days = sum(crop.stage_days)
    stages = "/".join(str(days) for days in crop.stage_days)
    held = f"{soil.field_capacity:g} to {soil.wilting_point:g}"
    roots = f"{rules.root_start_m:g} to {max(crop.root_depth_min_m, rules.root_start_m):g}"
    return (
        Assumption("season_days", f"{season_days} ({stages})", "days", crop.source, known(crop.source)),
        Assumption("soil_water", f"{soil.name}: {held}", "m3/m3", soil.source, known(soil.source)),
        Assumption("wetted_fraction", f"{rules.wetted_fraction:g}", "", "FAO-56 table 20, drip", "published")
        if rules.wetted_fraction == Design.wetted_fraction
        else Assumption("wetted_fraction", f"{rules.wetted_fraction:g}", "", "stated", "user"),
        Assumption("root_depth", roots, "m", f"{crop.source}, the lesser depth", known(crop.source)),
        _tell_turns(design),
        Assumption(
            "efficiency_max",
            f"{rules.efficiency_max:g}",
            "",
            "cap on the emission uniformity",
            "common practice",
        ),
    )


def _tell_turns(design: Design) -> Assumption:
    """When the root zone is filled again."""
    if design.irrigate_at_pct is not None:
        value = f"before the depletion passes {design.irrigate_at_pct:g} % of the readily available water"
        return Assumption("irrigations", value, "", "each fills the root zone", "user")
    said = "each irrigation fills the root zone; it waits after rain while the soil lasts"
    return Assumption("interval", str(design.interval_days), "days", said, "common practice")


def tell_exceedance(season: Season, nets_mm: Floats, pick: int, years: tuple[int, ...]) -> Assumption:
    """How the design year was chosen of several."""
    ranked = np.argsort(nets_mm, kind="stable").tolist().index(pick) + 1
    share = f"{season.exceedance_pct:g} % of {len(years)} years"
    value = f"{share}: rank {ranked} of seasonal net, sown {years[pick]}"
    return Assumption("design_year", value, "", "rank ceil(share x years), rising", "common practice")


def tell_effective_rain() -> Assumption:
    """How the rain of days was counted."""
    said = "rain less what drains past the roots on its day, in the daily balance"
    return Assumption("effective_rain", said, "", "FAO-56 chapter 8, eq 88", "published")


def tell_assumed(rules: DemandRules, crop: Crop) -> tuple[tuple[Assumption, ...], Finding]:
    """That there was no weather to compute from."""
    said = (
        Assumption(
            "season_gross",
            f"{rules.assumed_gross_mm:g}",
            "mm",
            "dry summer, not of this place",
            "common practice",
        ),
        Assumption(
            "peak_reference_et",
            f"{rules.assumed_et0_mm:g}",
            "mm/day",
            "dry summer, not of this place",
            "common practice",
        ),
        Assumption("kc_mid", f"{crop.kc_mid:g}", "", crop.source, known(crop.source)),
        Assumption(
            "efficiency_max",
            f"{rules.efficiency_max:g}",
            "",
            "cap on the emission uniformity",
            "common practice",
        ),
    )
    finding = Finding(
        "attention",
        "demand",
        f"{crop.name}: season ({rules.assumed_gross_mm:g} mm gross) and peak (reference ET of "
        f"{rules.assumed_et0_mm:g} mm/day) are an assumed dry-summer figure, not computed for this place",
        "farm",
        "give daily weather of ten years or more",
    )
    return said, finding


def find_no_season(crop: Crop, sowing: date) -> Finding:
    """That the weather covers no whole season."""
    days = sum(crop.stage_days)
    return Finding(
        "attention",
        "demand",
        f"{crop.name}: the weather covers no whole season of {days} days from {sowing:%d %B}",
        "farm",
        "give weather that reaches from sowing to harvest, without long gaps",
        limit=float(days),
        unit="days",
    )


def find_few_years(crop: Crop, years: tuple[int, ...]) -> list[Finding]:
    """That there are too few years for a design value."""
    if len(years) >= FEW_YEARS:
        return []
    what = f"{crop.name}: {len(years)} seasons of weather say little about one year in five"
    advice = f"give {FEW_YEARS} years or more"
    return [
        Finding("attention", "demand", what, "farm", advice, float(len(years)), float(FEW_YEARS), "years")
    ]


def find_higher_peak(crop: Crop, season: Season, peaks_mm: Floats, pick: int) -> list[Finding]:
    """That the design year's peak is not the peak which that share of the years does not exceed."""
    rank = max(1, int(np.ceil(season.exceedance_pct / 100.0 * peaks_mm.size - 1e-9)))
    ranked = float(np.sort(peaks_mm)[rank - 1])
    if ranked <= 1.05 * peaks_mm[pick]:
        return []
    what = (
        f"{crop.name}: the design year's peak is {peaks_mm[pick]:.1f} mm/day net, "
        f"{season.exceedance_pct:g} % of the years stay under {ranked:.1f}"
    )
    advice = "size pump and mains with some margin, or choose a higher share of years"
    return [Finding("note", "demand", what, "farm", advice, float(peaks_mm[pick]), ranked, "mm/day")]


def find_cut_by_harvest(crop: Crop, season: Season, harvest_day: int | None) -> list[Finding]:
    """That harvest is stated before the crop's stages end."""
    days = sum(crop.stage_days)
    if harvest_day is None or season.harvest is None or harvest_day >= days:
        return []
    what = (
        f"{crop.name}: harvest on {season.harvest:%d %B} is {harvest_day} days after sowing, and the stages "
        f"take {days}: no water is planned from then on"
    )
    advice = "right where it is cut green; else state the crop's stages so that they end at harvest"
    return [Finding("note", "demand", what, "farm", advice, float(harvest_day), float(days), "days")]


def find_without_height_of_summer(
    crop: Crop, dates: NDArray[np.datetime64], days: DailyWeather | None
) -> list[Finding]:
    """That the season of trees leaves out the month of the greatest reference ET, and so their peak."""
    if days is None:
        return []
    every = days_from(days.first_day, days.et0_mm.size)
    by_month = [days.et0_mm[_month(every) == m] for m in range(12)]
    if any(np.isnan(own).all() for own in by_month):
        return []
    hottest = int(np.argmax([np.nanmean(own) for own in by_month]))
    if hottest in _month(dates):
        return []
    first, last = (day.astype(date) for day in (dates[0], dates[-1]))
    what = (
        f"{crop.name}: its season from {first:%d %B} to {last:%d %B} leaves out "
        f"{date(2001, hottest + 1, 1):%B}, the month of the greatest reference ET: its peak is not in the "
        "figures"
    )
    advice = (
        "`sowing` is where the season of trees starts, one day for the whole farm: plan their fields in a "
        "farm file of their own"
    )
    return [Finding("attention", "demand", what, "farm", advice)]


def _month(days: NDArray[np.datetime64]) -> NDArray[np.int64]:
    return np.asarray(days.astype("datetime64[M]").astype(np.int64) % 12)


def find_long_interval(
    crop: Crop, design: Design, zone: SownSeason, et_crop_mm: Floats, pick: int, in_full: NDArray[np.bool_]
) -> list[Finding]:
    """That between two irrigations the crop draws more than the wetted soil gives without stress.

    A managed deficit means to: days `in_full`, before any of it, are looked at alone.
    """
    stress = np.where(in_full, zone.stress[:, pick], 1.0)
    short = int(np.count_nonzero(stress < 1.0 - 1e-9))
    if not short:
        return []
    depletion, readily = zone.depletion_mm[:, pick], zone.readily_mm[:, pick]
    day = int(np.argmin(stress))
    dry = bool((depletion > zone.total_mm[:, pick]).any())
    days = max(1, int(readily[day] // max(float(et_crop_mm[day, pick]), 1e-9)))
    what = (
        f"{crop.name}: with an irrigation every {design.interval_days} days the wetted soil is drawn to "
        f"{depletion[day]:.0f} mm, it gives {readily[day]:.0f} mm without stress (on {short} days)"
    )
    advice = (
        f"irrigate every {days} days or oftener at the peak" if days > 1 else "irrigate every day at the peak"
    )
    measured, limit = float(depletion[day]), float(readily[day])
    return [Finding("attention" if dry else "note", "demand", what, "farm", advice, measured, limit, "mm")]
