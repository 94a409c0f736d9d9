"""How a crop starts: in moist soil, in dry soil with irrigated germination, or standing as trees do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from farmgis.agronomy.seed_bed import seed_bed_moisture
from farmgis.agronomy.sown_soil import Watering
from farmgis.planning.demand_rules import DemandRules
from farmgis.planning.season_years import SeasonYears
from farmgis.records import Assumption, Design, Season, Soil

Sown = Literal["dry", "moist", "standing"]

STAYING_ROW_M = 2.5
"""Rows at least this far apart are trees or vines: not sown, and their lines stay (common practice)."""

DRY_SHARE = 0.1
"""A seed bed that holds less than this of its evaporable water is dry (common practice)."""

BESIDE_ROW_M = 0.15
"""Germination wets the strip from the outermost row that a line serves to its other, and this much past
each (common practice)."""


@dataclass(frozen=True)
class CropStart:
    """How a crop starts, with what is told of it. `depleted` is the share of the young root zone's water
    that is gone at sowing; `dose_mm` the gross depth of a dose of germination, 0 where there is none.
    """

    sown: Sown
    watering: Watering
    depleted: float
    dose_mm: float
    assumptions: tuple[Assumption, ...]


def stands(design: Design) -> bool:
    """Whether the crop stands through the years, as trees and vines do."""
    return design.row_spacing_m >= STAYING_ROW_M


def crop_start(sown: Sown, design: Design, season: Season, rules: DemandRules) -> CropStart:
    """The start of a crop that is sown in that way."""
    first = season.emergence_days + season.regular_after_days
    if sown == "standing":
        return CropStart(
            sown, _watering(design, 0, 1.0), _depleted(season, 0.0), 0.0, _told_soil(season, sown)
        )
    share = 1.0 if sown == "moist" else strip_share(design)
    young = max(1.0, share / rules.wetted_fraction)
    told = (*_told_soil(season, sown), _told_regular(season))
    if sown == "moist":
        return CropStart(sown, _watering(design, first, young), _depleted(season, 0.0), 0.0, told)
    dose_mm = season.germination_m3_ha / 10.0
    net = dose_mm * rules.efficiency_max
    doses = tuple((day, net) for day in dose_days(season))
    return CropStart(
        sown,
        _watering(design, first, young, doses),
        _depleted(season, 1.0),
        dose_mm,
        (*told, *_told_doses(season)),
    )


def dose_days(season: Season) -> tuple[int, ...]:
    """Days from sowing on which germination is watered.

    >>> dose_days(Season()), dose_days(Season(germination_doses=2))
    ((0, 4, 13), (0, 4))
    """
    second, later = season.second_dose_days, season.third_dose_days
    return 0, *(second + n * later for n in range(season.germination_doses - 1))


def strip_share(design: Design) -> float:
    """Share of the ground that germination has to wet: from row to row, and a little past them."""
    strip = (design.rows_per_lateral - 1) * design.row_spacing_m + 2.0 * BESIDE_ROW_M
    return min(1.0, strip / design.lateral_spacing_m)


def how_sown(season: Season, design: Design) -> Sown | None:
    """What is stated or plain; None where the seed bed has to tell."""
    return "standing" if stands(design) else season.sown


def harvest_day(season: Season, design: Design) -> int | None:
    """Days from sowing to a stated harvest; None without one, and for trees, which drink on after it."""
    if season.harvest is None or season.sowing is None or stands(design):
        return None
    return max((season.harvest - season.sowing).days, 1)


def as_seed_bed_is(years: SeasonYears, pick: int, soil: Soil) -> tuple[Sown, Assumption]:
    """Dry or moist as the seed bed is at sowing of a year; moist where no days before it are known."""
    before = years.days_before(pick)
    if before is None:
        said = "no weather before sowing tells how dry the seed bed is"
        return "moist", Assumption("sown", "moist", "", said, "common practice")
    moisture = seed_bed_moisture(*before, soil)
    sown: Sown = "dry" if moisture < DRY_SHARE else "moist"
    said = (
        f"the seed bed of {soil.name} holds {100.0 * moisture:.0f} % of its evaporable water at sowing in "
        f"{years.years[pick]}; dry under {100.0 * DRY_SHARE:g} %"
    )
    return sown, Assumption("sown", sown, "", said, "common practice")


def _watering(
    design: Design, first_day: int, young_share: float, doses: tuple[tuple[int, float], ...] = ()
) -> Watering:
    trigger = None if design.irrigate_at_pct is None else design.irrigate_at_pct / 100.0
    return Watering(design.interval_days, trigger, first_day, young_share, doses)


def _depleted(season: Season, default: float) -> float:
    return default if season.initial_water_pct is None else 1.0 - season.initial_water_pct / 100.0


def _told_soil(season: Season, sown: Sown) -> tuple[Assumption, ...]:
    if season.initial_water_pct is not None:
        value = f"{season.initial_water_pct:g} % of what the root zone holds for the crop"
        return (Assumption("soil_at_sowing", value, "", "farm file", "user"),)
    if sown == "dry":
        said = "dry soil, until germination is watered"
        return (Assumption("soil_at_sowing", "wilting point", "", said, "common practice"),)
    said = "after winter rain or a first watering"
    return (Assumption("soil_at_sowing", "field capacity", "", said, "common practice"),)


def _told_regular(season: Season) -> Assumption:
    value = f"{season.regular_after_days} days after emergence, {season.emergence_days} after sowing"
    said = "sooner where the young crop's soil water runs short"
    return Assumption("regular_irrigation_from", value, "", said, "common practice")


def _told_doses(season: Season) -> tuple[Assumption, ...]:
    days = ", ".join(str(day) for day in dose_days(season))
    value = f"{season.germination_m3_ha:g} each, on days {days}"
    said = "of dry soil; gross, the first at sowing"
    return (Assumption("germination_doses", value, "m3/ha", said, "common practice"),)
