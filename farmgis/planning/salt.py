"""Salt in the water: what has to leach, how salty the soil becomes, what it costs the crop."""

from __future__ import annotations

from dataclasses import dataclass, replace

from farmgis.agronomy import salinity
from farmgis.planning.demand_rules import DemandRules
from farmgis.records import Assumption, Crop, Farm, Field, Finding, Season

LEACHED_SHARE = 0.15
"""Leaching fraction that the soil's salt is reckoned with where none is stated: with 0.15 to 0.20 ECe is
about 1.5 times the water's EC (FAO-56 p 181). What passes by uneven watering and by winter rain counts."""

LINEAR_TO = 50.0
"""Percent of yield lost up to which the lines of salt and yield hold (FAO-56 p 177)."""


@dataclass(frozen=True)
class Salt:
    """The share of the water that is applied to leach, and what salt leaves of transpiration and of yield."""

    leaching: float = 0.0
    stress: float = 1.0
    yield_left: float = 1.0
    assumptions: tuple[Assumption, ...] = ()
    findings: tuple[Finding, ...] = ()


def season_of(farm: Farm, field: Field) -> Season:
    """The farm's season with the salt of the field's own source, where its analysis tells it."""
    water = next((s.water for s in farm.sources if s.source_id == field.source_id), None)
    if water is not None and water.ec_ds_m is not None:
        return replace(farm.season, water_ec_ds_m=water.ec_ds_m)
    return farm.season


def salt(crop: Crop, season: Season, rules: DemandRules) -> Salt:
    """What the water's salt does to a crop; nothing where its EC is not given."""
    ec, threshold, slope = season.water_ec_ds_m, crop.ece_threshold_ds_m, crop.ece_slope_pct
    stated = None if season.leaching_pct is None else season.leaching_pct / 100.0
    if ec is None:
        if stated is not None:
            return Salt(stated, assumptions=(_told_stated(stated),))
        said = "the water's salinity was not given"
        return Salt(assumptions=(Assumption("leaching", "none", "", said, "common practice"),))
    if threshold is None or slope is None or not slope > 0.0:
        what = (
            f"{crop.name}: no tabled salt tolerance, hence no leaching was computed for water of {ec:g} dS/m"
        )
        advice = "give the crop's ECe threshold and slope"
        found = Finding("attention", "demand", what, "farm", advice, ec, unit="dS/m")
        return Salt(stated or 0.0, findings=(found,))
    greatest = salinity.greatest_ece_ds_m(threshold, slope)
    requirement = float(salinity.leaching_requirement_drip(ec, greatest))
    applied = min(requirement if requirement > rules.leaching_least else 0.0, 0.95)
    # a requirement near 1 means water that serves no crop; the sum is held finite and the finding says it
    applied = applied if stated is None else stated
    share = max(applied, LEACHED_SHARE) if stated is None else max(stated, 0.01)
    ece = float(salinity.soil_ece_ds_m(ec, share))
    left = float(salinity.relative_yield_pct(ece, threshold, slope)) / 100.0
    stress = float(salinity.salt_stress(ece, threshold, slope, crop.season_response or 1.0))
    told = [_told_requirement(requirement, applied, rules) if stated is None else _told_stated(stated)]
    said = f"of the soil's extract, at a leaching fraction of {share:.2f}; FAO-56 eq 93"
    told.append(Assumption("soil_salinity", f"{crop.name}: {ece:.1f}", "dS/m", said, "published"))
    findings = _found(crop, ec, ece, threshold, left, stop=stated is None and requirement >= 0.95)
    return Salt(applied, stress, left, tuple(told), findings)


def tell_salt_stress(crop: Crop, of: Salt) -> tuple[Assumption, ...]:
    """What salt takes of transpiration, where that is reckoned apart."""
    if of.stress > 0.9995:
        return ()
    known = "season's Ky" if crop.season_response is not None else "Ky of 1, none is known"
    said = f"FAO-56 eq 91 with the {known}; of transpiration only, times the stress of dry soil (eq 92)"
    return (
        Assumption("salt_stress", f"{crop.name}: {of.stress:.2f}", "of transpiration", said, "published"),
    )


def _told_requirement(requirement: float, applied: float, rules: DemandRules) -> Assumption:
    value = f"requirement {requirement:.3f}, applied {applied:.3f} (over {rules.leaching_least:g} only)"
    return Assumption("leaching", value, "fraction", "ECw / (2 max ECe), Keller and Bliesner 1990", "memory")


def _told_stated(share: float) -> Assumption:
    return Assumption("leaching", f"{share:.3f}", "fraction", "stated", "user")


def _found(
    crop: Crop, ec: float, ece: float, threshold: float, left: float, stop: bool
) -> tuple[Finding, ...]:
    """That salt costs yield; from half of it on that the lines no longer hold."""
    if left >= 0.9995:
        return ()
    beyond = "; so far the lines of salt and yield do not hold" if 100.0 * (1.0 - left) > LINEAR_TO else ""
    what = (
        f"{crop.name}: water of {ec:g} dS/m leaves about {100.0 * left:.0f} % of the yield "
        f"(soil at {ece:.1f} dS/m, it bears {threshold:g}){beyond}"
    )
    advice = "use or mix in fresher water, leach more (`leaching_pct`), or choose a crop that bears more salt"
    found = Finding("attention", "demand", what, "farm", advice, ece, threshold, "dS/m")
    return (replace(found, severity="stop") if stop else found,)
