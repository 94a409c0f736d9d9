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

from farmgis.agronomy.soil_water import stress_coefficient
from farmgis.records import Floats


@dataclass(frozen=True)
class Watering:
    """When and how a season is watered.

    Each irrigation fills the root zone: each `interval_days`, or where `trigger` is given on the day on which
    the depletion would pass that share of the readily available water. The first comes on `first_day` of the
    season, counted from 0, at the latest. Until then the crop draws on `young_share` times the ground that
    is wetted later. `doses` are germination's, before any of it: the day and the depth in the soil [mm].
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

    `depletion_mm` stands at the day's end, `stress` is Ks. `refill_mm` are the regular irrigations, `dose_mm`
    what of germination's doses stayed in the root zone. `drained_mm` is rain that passed the roots.
    `total_mm` and `readily_mm` are of the ground that the crop draws on that day. A season each: `begin` is
    the day from which it is irrigated regularly, `outside_mm` what was used of the soil that drip does not
    wet, `peak_mm_day` the greatest refill over the days that it is for.
    """

    depletion_mm: Floats
    stress: Floats
    refill_mm: Floats
    dose_mm: Floats
    drained_mm: Floats
    total_mm: Floats
    readily_mm: Floats
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
) -> SownSeason:
    """The season's water day by day, the crop taking its full ET (FAO-56 eq 85, drained before ET).

    `total_mm` and `readily_mm` are those of the wetted root zone; `start_depletion` is a share of what the
    young root zone holds. Irrigations in `given_mm` go before the rule's; NaN leaves a day to the rule. The
    last ones give only what keeps the depletion within the readily available water to the season's end
    if no more rain falls. Closes: depletion at the end = at the start + ET + drained - rain - refill - dose
    - outside, save that a given irrigation may drain too.
    """
    days, count = crop_et_mm.shape
    doses = _doses(watering, days, count)
    young_total, young_readily = total_mm * watering.young_share, readily_mm * watering.young_share
    start = np.asarray(start_depletion, dtype=np.float64) * young_total[0]
    begin = _begin(crop_et_mm, rain_mm, doses, young_readily, start, watering)
    regular = np.arange(days)[:, None] >= begin
    total, readily = np.where(regular, total_mm, young_total), np.where(regular, readily_mm, young_readily)
    allowed = _allowed(crop_et_mm, readily_mm)
    end, refill, stored, drained = (np.zeros((days, count)) for _ in range(4))
    outside, peak, depletion = np.zeros(count), np.zeros(count), start
    last = np.full(count, -1, dtype=np.int64)
    for day in range(days):
        takes_over = (begin == day) & (watering.handover < 1.0)
        outside += np.where(takes_over, (1.0 - watering.handover) * depletion, 0.0)
        depletion = np.where(takes_over, watering.handover * depletion, depletion)
        due = regular[day] & _due(
            watering, day - begin, depletion + crop_et_mm[day] - rain_mm[day], readily[day]
        )
        refill[day] = np.where(due, np.maximum(depletion - rain_mm[day] - allowed[day], 0.0), 0.0)
        peak = np.maximum(peak, refill[day] / _days_for(watering, day, begin, last))
        last = np.where(due, day, last)
        if given_mm is not None:
            refill[day] = np.where(np.isnan(given_mm[day]), refill[day], given_mm[day])
        drained[day] = np.maximum(rain_mm[day] - depletion, 0.0)
        depletion = np.maximum(depletion - rain_mm[day], 0.0)
        stored[day] = np.minimum(doses[day], depletion)
        depletion = np.maximum(depletion - stored[day] - refill[day], 0.0) + crop_et_mm[day]
        end[day] = depletion
    stress = stress_coefficient(end - crop_et_mm, total, readily)
    return SownSeason(end, stress, refill, stored, drained, total, readily, begin, outside, peak)


def _doses(watering: Watering, days: int, count: int) -> Floats:
    depths = np.zeros((days, count))
    for day, depth in watering.doses:
        if day < days:
            depths[day] += depth
    return depths


def _due(
    watering: Watering, since: NDArray[np.int64], by_night_mm: Floats, readily_mm: Floats
) -> NDArray[np.bool_]:
    """Whether an irrigation is due: on its day of the interval, or where the day would pass the trigger."""
    if watering.trigger is None:
        return np.asarray(since % watering.interval_days == 0)
    return np.asarray(by_night_mm > watering.trigger * readily_mm)


def _days_for(
    watering: Watering, day: int, begin: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Over how many days' need a refill on this day is counted: the first one's is all since sowing."""
    first = last < begin
    since = np.full(begin.shape, watering.interval_days) if watering.trigger is None else day - last
    return np.maximum(np.where(first & (begin > 0), day, since), 1)


def _allowed(crop_et_mm: Floats, readily_mm: Floats) -> Floats:
    """How deep the soil may stand in the morning so that no later day passes its readily available water."""
    taken = np.cumsum(crop_et_mm, axis=0)
    room = np.minimum.accumulate((readily_mm - taken)[::-1], axis=0)[::-1]
    return np.asarray(np.maximum(room + taken - crop_et_mm, 0.0))


def _begin(
    crop_et_mm: Floats,
    rain_mm: Floats,
    doses_mm: Floats,
    readily_mm: Floats,
    start_mm: Floats,
    watering: Watering,
) -> NDArray[np.int64]:
    """The first day of regular irrigation: as stated, or sooner where the young crop's water runs short."""
    days, count = crop_et_mm.shape
    earliest = max((day + 1 for day, _ in watering.doses), default=0)
    latest = min(max(watering.first_day, earliest), days)
    begin = np.full(count, latest, dtype=np.int64)
    depletion = start_mm
    for day in range(latest):
        depletion = np.maximum(depletion - rain_mm[day] - doses_mm[day], 0.0) + crop_et_mm[day]
        if day >= earliest:
            begin = np.where((begin > day) & (depletion > readily_mm[day]), day, begin)
    return begin
