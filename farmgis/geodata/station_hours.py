"""Hours, or shorter times, of a weather station become days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmgis.records import Floats

LEAST_ROWS = 4
"""A file whose days have so many rows or more, at different times, is one of hours."""

WHOLE_SHARE = 0.8
"""A day with less than this share of the usual number of values has none (common practice)."""

SUMS = ("rain_mm", "et0_mm", "pan_mm", "sunshine_h", "radiation_mj_m2")
"""What adds up over a day, unless it is a power (W/m2); all else is averaged."""


@dataclass(frozen=True)
class Days:
    """Days made of hours, and how many of them had too few."""

    days: NDArray[np.int64]
    columns: list[str]
    table: Floats
    rows_a_day: int
    incomplete: int


def are_hours(days: Sequence[int], times: Sequence[str]) -> bool:
    """Whether rows are hours: several a day, each with a time of its own."""
    if not days or not any(times):
        return False
    pairs = set(zip(days, times, strict=True))
    return len(pairs) >= LEAST_ROWS * len(set(days))


def to_days(
    days: Sequence[int], times: Sequence[str], columns: list[str], given: list[str], table: Floats
) -> Days:
    """One row a day: least and greatest temperature and humidity, sums of rain and the like, means.

    `temperature_c` and `rh_mean_pct` of the hours give the day's extremes where it has none of its own. Of a
    doubled time the first row counts. A value of too few hours is missing.
    """
    _, first = np.unique(np.array([f"{d} {t}" for d, t in zip(days, times, strict=True)]), return_index=True)
    day, rows = np.asarray(days, dtype=np.int64)[first], table[first]
    every, place = np.unique(day, return_inverse=True)
    usual = int(np.median(np.bincount(place)))
    made: dict[str, Floats] = {}
    for k, name in enumerate(columns):
        values = rows[:, k]
        if name == "temperature_c":
            made.setdefault("tmin_c", _by_day(values, place, every.size, usual, "min"))
            made.setdefault("tmax_c", _by_day(values, place, every.size, usual, "max"))
            continue
        adds = name in SUMS and not given[k].endswith("_w_m2")
        how = {"tmin_c": "min", "rh_min_pct": "min", "tmax_c": "max", "rh_max_pct": "max"}.get(name)
        made[name] = _by_day(values, place, every.size, usual, how or ("sum" if adds else "mean"))
        if name == "rh_mean_pct" and "rh_min_pct" not in columns:
            made["rh_min_pct"] = _by_day(values, place, every.size, usual, "min")
            made["rh_max_pct"] = _by_day(values, place, every.size, usual, "max")
    incomplete = int(np.count_nonzero(np.bincount(place) < WHOLE_SHARE * usual))
    return Days(every, list(made), np.column_stack(list(made.values())), usual, incomplete)


def _by_day(values: Floats, place: NDArray[np.int64], days: int, usual: int, how: str) -> Floats:
    """A day's least, greatest, sum or mean of what is known, NaN where too little is."""
    known = ~np.isnan(values)
    count = np.bincount(place[known], minlength=days)
    if how in ("min", "max"):
        made = np.full(days, np.inf if how == "min" else -np.inf)
        (np.minimum if how == "min" else np.maximum).at(made, place[known], values[known])
    else:
        made = np.bincount(place[known], values[known], minlength=days)
        if how == "mean":
            made = made / np.maximum(count, 1)
    return np.where(count >= WHOLE_SHARE * usual, made, np.nan)
