"""What corn is said to take under drip, and why it takes more or less here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.demand import CropDemand, crop_demand
from farmgis.planning.salt import season_of
from farmgis.records import Crop, Farm, Field, Finding

USUAL_M3_HA = 4500.0
"""What corn under drip takes in a season in a dry climate (common practice)."""

TOLD_FROM = 0.15
"""Share of it from which on a difference is explained (common practice)."""

SHORT_STAGES = (20, 35, 40, 30)
"""A short season of grain maize (FAO-56 table 11): that of the usual figure."""


def explain_corn(
    farm: Farm, fields: Mapping[str, Field], seasons: Mapping[str, BlockSeason]
) -> tuple[Finding, ...]:
    """How the corn that takes most volume comes from the usual figure to its own, step by step."""
    own = [s for s in seasons.values() if s.demand.years and is_corn(fields[s.facts.field_id].crop)]
    if not own:
        return ()
    season = max(own, key=lambda s: (s.need.gross_m3, s.facts.block_id))
    takes = season.need.gross_m3_ha
    if abs(takes - USUAL_M3_HA) < TOLD_FROM * USUAL_M3_HA:
        return ()
    steps = _steps(farm, fields[season.facts.field_id], season)
    parts = "; ".join(f"{name} {amount:+,.0f}" for name, amount in steps)
    what = (
        f"{season.demand.crop} takes {takes:,.0f} m3/ha in block {season.facts.block_id}; corn under drip is "
        f"said to take about {USUAL_M3_HA:,.0f} in a dry climate (common practice). The difference: {parts}"
    )
    advice = "state the crop's stages, its sowing and how it is sown as they are; a shorter hybrid takes less"
    return (Finding("note", "demand", what, season.facts.field_id, advice, takes, USUAL_M3_HA, "m3/ha"),)


def is_corn(crop: Crop) -> bool:
    """Whether a crop is grain maize, or the user's own that is like it."""
    return crop.name == "maize" or "as maize" in crop.source


def _steps(farm: Farm, field: Field, season: BlockSeason) -> list[tuple[str, float]]:
    """What changes the figure, one thing after another; they add up to the difference. [m3/ha]"""
    salt_share = season.demand.leaching_requirement
    leaching = 10.0 * float(season.regular_net_mm.sum()) * season.gross_factor * salt_share
    per_net = 10.0 * season.gross_factor * (1.0 - salt_share)
    moist = _demand(farm, field, field.crop)
    mean = float(np.mean(moist.season_net_mm)) * per_net
    short = _demand(farm, field, replace(field.crop, stage_days=SHORT_STAGES))
    short_mean = float(np.mean(short.season_net_mm)) * per_net
    in_design_year = float(moist.net_mm.sum()) * per_net
    start = season.need.gross_m3_ha - leaching - in_design_year
    days, usual_days = sum(field.crop.stage_days), sum(SHORT_STAGES)
    climate = (
        f"this place from {short.dates[0].astype(object):%d %B} on (reference ET of "
        f"{short.et0_mm.sum():.0f} mm in {usual_days} days, {short.rain_effective_mm.sum():.0f} mm of rain "
        "that counts)"
    )
    steps = [
        ("leaching of salt", leaching),
        ("germination in dry soil and a later start", start),
        (f"the design year in place of the mean of {len(moist.years)}", in_design_year - mean),
        (f"a season of {days} days in place of {usual_days}", mean - short_mean),
        (climate, short_mean - USUAL_M3_HA),
    ]
    return [(name, amount) for name, amount in steps if abs(amount) >= 0.5]


def _demand(farm: Farm, field: Field, crop: Crop) -> CropDemand:
    """The demand of the field's corn with other stages, sown into moist soil."""
    season = replace(season_of(farm, field), sown="moist")
    return crop_demand(crop, field.soil, field.design, season, farm.weather)
