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
def rationed(full: float, need: float, share: float, debt: float, gap: int, repay_days: int) -> float:
    """What an irrigation gives of what would fill the soil: a share of the need since the last one or,
    after a deficit, all of it and a part of what is owed."""
    if share < 1.0:
        return min(full, share * need)
    if debt > 0.0:
        return min(full, need + debt * gap / repay_days)
    return full


@njit(cache=True, fastmath=False, nogil=True)  # type: ignore[misc, unused-ignore]
def run_season(
    et: Any, rain: Any, total: Any, readily: Any, doses: Any, given: Any, start: float, interval: int,
    trigger: Any, share: Any, cut: bool, latest: int, earliest: int, young: float, rain_share: float,
    repay_days: int, allowed: Any, out: Any,
) -> tuple[int, float, float]:  # fmt: skip
    """Fill out[8, days] of one season; returns (begin, outside, peak). A trigger below 0 is none.

    `share` is what a day's irrigation gives of the need; with `cut`, and on days of which it is known what
    was given, the crop takes less under stress.
    """
    begin = begins(et, rain, doses, readily, young, start, latest, earliest)
    allow(et, readily, allowed)
    depletion, outside, peak, last = start, 0.0, 0.0, -1
    fallen, taken, kept, debt = 0.0, 0.0, 0.0, 0.0
    for day in range(et.size):
        ground = 1.0 if day >= begin else young
        if day == begin:
            outside = (1.0 - 1.0 / young) * depletion
            depletion /= young
        fallen += rain[day]
        kept += min(rain[day], depletion)
        due, refill = False, 0.0
        if given[day] == given[day]:  # a number: it was given, whatever the rule says
            refill = given[day]
            if refill > 0.0:
                last, fallen, taken, kept = day, 0.0, 0.0, 0.0
        elif day >= begin and trigger[day] >= 0.0:
            mark = trigger[day] * readily[day]
            due = depletion - rain[day] + et[day] > (min(mark, 0.9 * total[day]) if cut else mark)
        elif day >= begin and (last < begin or day - last >= interval):
            rained = fallen > 0.0 and fallen >= rain_share * taken
            due = not (rained and depletion - rain[day] + et[day] <= readily[day])
        if due:
            refill = max(depletion - rain[day] - allowed[day], 0.0)
            gap = max(day if last < begin else day - last, 1)
            if cut:
                need = refill if last < begin else max(taken - kept, 0.0)
                filled = refill
                refill = rationed(filled, need, share[day], debt, gap, repay_days)
                if share[day] < 1.0:
                    debt = filled - refill
                elif refill == filled:
                    debt = 0.0
            peak = max(peak, refill / gap)
            last, fallen, taken, kept = day, 0.0, 0.0, 0.0
        taken += et[day]
        out[4, day] = max(rain[day] - depletion, 0.0)
        depletion = max(depletion - rain[day], 0.0)
        out[3, day] = min(doses[day], depletion)
        depletion = max(depletion - out[3, day] - refill, 0.0)
        out[5, day], out[6, day] = ground * total[day], ground * readily[day]
        left = (out[5, day] - depletion) / max(out[5, day] - out[6, day], 1e-12)
        stress = min(max(left, 0.0), 1.0)
        out[7, day] = stress * et[day] if cut or given[day] == given[day] else et[day]
        depletion += out[7, day]
        out[0, day], out[1, day], out[2, day] = depletion, stress, refill
    return begin, outside, peak


@njit(cache=True, fastmath=False, nogil=True)  # type: ignore[misc, unused-ignore]
def run_seasons(
    et: Any, rain: Any, total: Any, readily: Any, doses: Any, given: Any, start: Any, interval: int,
    trigger: Any, share: Any, cut: bool, latest: int, earliest: int, young: float, rain_share: float,
    repay_days: int, allowed: Any, out: Any, begin: Any, outside: Any, peak: Any,
) -> None:  # fmt: skip
    """Every season of arrays (seasons, days); fills out[seasons, 8, days] and one value a season."""
    for j in range(et.shape[0]):
        begin[j], outside[j], peak[j] = run_season(
            et[j], rain[j], total[j], readily[j], doses, given[j], start[j], interval, trigger[j], share[j],
            cut, latest, earliest, young, rain_share, repay_days, allowed, out[j],
        )  # fmt: skip
