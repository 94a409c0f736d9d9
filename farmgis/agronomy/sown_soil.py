"""The root zone from sowing to harvest: how a crop starts, and the irrigations that then refill it.

A young crop draws on more ground than drip wets later: on all of it where the soil was moist at sowing,
on the strip that germination wetted where it was dry. Regular irrigation begins on a day of the season, or
sooner where that water runs short, and from then on works with the wetted fraction alone.

Arrays have shape (days, n): n years or places at once. Depths are over the whole field.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmgis.agronomy.sown_soil_kernel import run_seasons
from farmgis.records import Floats

RAIN_SHARE = 0.5
"""Share of what the crop took since the last irrigation that rain has to give for the next one to wait
(common practice)."""

REPAY_DAYS = 20
"""After a stage of deficit what the soil lacks is given back over so many days (common practice): at once it
would be the season's peak."""


@dataclass(frozen=True)
class Deficit:
    """Rules of a deficit by day, arrays (days, n).

    `share` is what an irrigation gives of what the crop at full ET took since the last one, less the rain
    that the soil kept; 1 is all. `trigger` is the share of the readily available water at whose depletion
    it comes, over 1 under stress, NaN where the watering's own rule stands.
    """

    share: Floats
    trigger: Floats


@dataclass(frozen=True)
class Watering:
    """When and how a season is watered.

    Each irrigation fills the root zone. It comes `interval_days` after the last, but waits from day to day
    where rain gave `RAIN_SHARE` of what the crop took since then and the soil lasts; or, where `trigger` is
    given, on the day on which the depletion would pass that share of the readily available water. The first
    comes on `first_day` of the season, counted from 0, at the latest. Until then the crop draws on
    `young_share` times the ground that is wetted later. `doses` are germination's, before any of it: the day
    and the depth in the soil [mm].
    """

    interval_days: int = 3
    trigger: float | None = None
    first_day: int = 0
    young_share: float = 1.0
    doses: tuple[tuple[int, float], ...] = ()

    @property
    def handover(self) -> float:
        """What regular irrigation takes over of the young crop's depletion, a share of it."""
        return 1.0 / self.young_share


@dataclass(frozen=True)
class SownSeason:
    """What came of each day, and of each season.

    `et_mm` is what the crop took: its full ET or, under a deficit and on days of which it is known what was
    given, less by stress (Ks, `stress`).
    `depletion_mm` stands at the day's end. `refill_mm` are the regular irrigations, `dose_mm` what of
    germination's doses stayed in the root zone. `drained_mm` is rain that passed the roots. `total_mm` and
    `readily_mm` are of the ground that the crop draws on that day. A season each: `begin` is the day from
    which it is irrigated regularly, `outside_mm` what was used of the soil that drip does not wet,
    `peak_mm_day` the greatest refill over the days that it is for.
    """

    depletion_mm: Floats
    stress: Floats
    refill_mm: Floats
    dose_mm: Floats
    drained_mm: Floats
    total_mm: Floats
    readily_mm: Floats
    et_mm: Floats
    begin: NDArray[np.int64]
    outside_mm: Floats
    peak_mm_day: Floats


def sown_season(
    crop_et_mm: Floats,
    rain_mm: Floats,
    total_mm: Floats,
    readily_mm: Floats,
    watering: Watering,
    start_depletion: ArrayLike = 0.0,
    given_mm: Floats | None = None,
    deficit: Deficit | None = None,
) -> SownSeason:
    """The season's water day by day (FAO-56 eq 85, drained before ET).

    The crop takes its full ET, which tells what it needs; with a `deficit`, and on days of which it is known
    what was given, it takes what stress leaves it.

    `total_mm` and `readily_mm` are those of the wetted root zone; `start_depletion` is a share of what the
    young root zone holds. Irrigations in `given_mm` go before the rule's; NaN leaves a day to the rule. The
    last ones give only what keeps the depletion within the readily available water to the season's end
    if no more rain falls. Closes: depletion at the end = at the start + `et_mm` + drained - rain - refill -
    dose - outside, save that a given irrigation may drain too.
    """
    days, count = crop_et_mm.shape
    start = np.asarray(start_depletion, dtype=np.float64) * total_mm[0] * watering.young_share
    doses = _doses(watering, days)
    given = np.full((days, count), np.nan) if given_mm is None else given_mm
    trigger = np.full((days, count), -1.0 if watering.trigger is None else watering.trigger)
    share = np.ones((days, count)) if deficit is None else deficit.share
    if deficit is not None:
        trigger = np.where(np.isnan(deficit.trigger), trigger, deficit.trigger)
    rows = [np.ascontiguousarray(a.T) for a in (crop_et_mm, rain_mm, total_mm, readily_mm)]
    earliest = max((day + 1 for day, _ in watering.doses), default=0)
    latest = min(max(watering.first_day, earliest), days)
    out = np.empty((count, 8, days))
    begin, outside, peak = np.zeros(count, dtype=np.int64), np.zeros(count), np.zeros(count)
    run_seasons(
        *rows, doses, np.ascontiguousarray(given.T), start, watering.interval_days,
        np.ascontiguousarray(trigger.T), np.ascontiguousarray(share.T), deficit is not None, latest, earliest,
        watering.young_share, RAIN_SHARE, REPAY_DAYS, np.empty(days), out, begin, outside, peak,
    )  # fmt: skip
    end, stress, refill, dose, drained, total, readily, et = (out[:, k].T for k in range(8))
    return SownSeason(end, stress, refill, dose, drained, total, readily, et, begin, outside, peak)


def _doses(watering: Watering, days: int) -> Floats:
    depths = np.zeros(days)
    for day, depth in watering.doses:
        if day < days:
            depths[day] += depth
    return depths
