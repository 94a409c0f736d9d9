"""The loop over seasons and their days: when irrigation begins, what each day brings and takes."""

from __future__ import annotations

from typing import Any

from numba import njit


@njit(cache=True, fastmath=False, nogil=True)  # type: ignore[misc, unused-ignore]
def begins(
    et: Any, rain: Any, doses: Any, readily: Any, young: float, start: float, latest: int, earliest: int
) -> int:
    """First day of regular irrigation: the latest, or sooner where the young crop's water runs short."""
    depletion = start
    for day in range(latest):
        depletion = max(depletion - rain[day] - doses[day], 0.0) + et[day]
        if day >= earliest and depletion > young * readily[day]:
            return day
    return latest


@njit(cache=True, fastmath=False, nogil=True)  # type: ignore[misc, unused-ignore]
def allow(et: Any, readily: Any, allowed: Any) -> None:
    """How deep the soil may stand each morning so that no later day passes its readily available water."""
    room = 1e300
    for day in range(et.size - 1, -1, -1):
        room = min(room, readily[day]) - et[day]
        allowed[day] = max(room, 0.0)


@njit(cache=True, fastmath=False, nogil=True)  # type: ignore[misc, unused-ignore]
def run_season(
    et: Any, rain: Any, total: Any, readily: Any, doses: Any, given: Any, start: float, interval: int,
    trigger: float, latest: int, earliest: int, young: float, rain_share: float, allowed: Any, out: Any,
) -> tuple[int, float, float]:  # fmt: skip
    """Fill out[7, days] of one season; returns (begin, outside, peak). A trigger below 0 is none."""
    begin = begins(et, rain, doses, readily, young, start, latest, earliest)
    allow(et, readily, allowed)
    depletion, outside, peak, last = start, 0.0, 0.0, -1
    fallen, taken = 0.0, 0.0
    for day in range(et.size):
        share = 1.0 if day >= begin else young
        if day == begin:
            outside = (1.0 - 1.0 / young) * depletion
            depletion /= young
        fallen += rain[day]
        due, refill = False, 0.0
        if given[day] == given[day]:  # a number: it was given, whatever the rule says
            refill = given[day]
            if refill > 0.0:
                last, fallen, taken = day, 0.0, 0.0
        elif day >= begin and trigger >= 0.0:
            due = depletion - rain[day] + et[day] > trigger * readily[day]
        elif day >= begin and (last < begin or day - last >= interval):
            rained = fallen > 0.0 and fallen >= rain_share * taken
            due = not (rained and depletion - rain[day] + et[day] <= readily[day])
        if due:
            refill = max(depletion - rain[day] - allowed[day], 0.0)
            peak = max(peak, refill / max(day if last < begin else day - last, 1))
            last, fallen, taken = day, 0.0, 0.0
        taken += et[day]
        out[4, day] = max(rain[day] - depletion, 0.0)
        depletion = max(depletion - rain[day], 0.0)
        out[3, day] = min(doses[day], depletion)
        depletion = max(depletion - out[3, day] - refill, 0.0)
        out[5, day], out[6, day] = share * total[day], share * readily[day]
        left = (out[5, day] - depletion) / max(out[5, day] - out[6, day], 1e-12)
        depletion += et[day]
        out[0, day], out[1, day], out[2, day] = depletion, min(max(left, 0.0), 1.0), refill
    return begin, outside, peak


@njit(cache=True, fastmath=False, nogil=True)  # type: ignore[misc, unused-ignore]
def run_seasons(
    et: Any, rain: Any, total: Any, readily: Any, doses: Any, given: Any, start: Any, interval: int,
    trigger: float, latest: int, earliest: int, young: float, rain_share: float, allowed: Any, out: Any,
    begin: Any, outside: Any, peak: Any,
) -> None:  # fmt: skip
    """Every season of arrays (seasons, days); fills out[seasons, 7, days] and one value a season."""
    for j in range(et.shape[0]):
        begin[j], outside[j], peak[j] = run_season(
            et[j], rain[j], total[j], readily[j], doses, given[j], start[j], interval, trigger, latest,
            earliest, young, rain_share, allowed, out[j],
        )  # fmt: skip
