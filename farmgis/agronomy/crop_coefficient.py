"""Crop coefficients through the season (FAO-56 chapter 6).

The day number of the season is FAO-56's: 1 on the day of sowing. Counting from 0, or from the middle of
a day, moves a season of maize by 2 to 4 mm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from farmgis.records import Floats


def kc_curve(
    day_number: ArrayLike,
    stage_days: Sequence[float] | Floats,
    kc_ini: ArrayLike,
    kc_mid: ArrayLike,
    kc_end: ArrayLike,
) -> Floats:
    """Crop coefficient on days of the season, 1 on the day of sowing (FAO-56 eq 66).

    The coefficients, and each of the four stages, may be arrays that broadcast against the days. Past the
    season it stays at kc_end.

    >>> [round(float(k), 2) for k in kc_curve([20, 40, 70, 95], (25, 25, 30, 20), 0.15, 1.19, 0.35)]
    [0.15, 0.77, 1.19, 0.56]
    """
    day = np.asarray(day_number, dtype=np.float64)
    ini, mid, end = (np.asarray(k, dtype=np.float64) for k in (kc_ini, kc_mid, kc_end))
    first, second, third, fourth = np.cumsum(np.asarray(stage_days, dtype=np.float64), axis=0)
    risen = np.clip((day - first) / np.maximum(second - first, 1e-9), 0.0, 1.0)
    fallen = np.clip((day - third) / np.maximum(fourth - third, 1e-9), 0.0, 1.0)
    return np.asarray(ini + risen * (mid - ini) + fallen * (end - mid))


def climate_adjustment(wind_2m_m_s: ArrayLike, rh_min_pct: ArrayLike, height_m: ArrayLike) -> Floats:
    """What is added to a tabled Kc for wind, dryness and height (FAO-56 eq 62, 65).

    Held to the equations' range: wind 1 to 6 m/s, least humidity 20 to 80 %, height 0.1 to 10 m.
    """
    wind = np.clip(np.asarray(wind_2m_m_s, dtype=np.float64), 1.0, 6.0)
    humidity = np.clip(np.asarray(rh_min_pct, dtype=np.float64), 20.0, 80.0)
    height = np.clip(np.asarray(height_m, dtype=np.float64), 0.1, 10.0)
    return np.asarray((0.04 * (wind - 2.0) - 0.004 * (humidity - 45.0)) * (height / 3.0) ** 0.3)


def kc_mid_adjusted(
    kc_mid: ArrayLike, wind_2m_m_s: ArrayLike, rh_min_pct: ArrayLike, height_m: ArrayLike
) -> Floats:
    """Kc of mid-season for a climate (FAO-56 eq 62).

    >>> round(float(kc_mid_adjusted(1.20, 1.3, 75.0, 2.0)), 2)
    1.07
    """
    return np.asarray(kc_mid, dtype=np.float64) + climate_adjustment(wind_2m_m_s, rh_min_pct, height_m)


def kc_end_adjusted(
    kc_end: ArrayLike, wind_2m_m_s: ArrayLike, rh_min_pct: ArrayLike, height_m: ArrayLike
) -> Floats:
    """Kc at the season's end for a climate (FAO-56 eq 65): a tabled value up to 0.45 stays as it is."""
    tabled = np.asarray(kc_end, dtype=np.float64)
    adjusted = tabled + climate_adjustment(wind_2m_m_s, rh_min_pct, height_m)
    return np.where(tabled > 0.45, adjusted, tabled)


def kc_ini_between(depth_mm: ArrayLike, kc_light: ArrayLike, kc_heavy: ArrayLike) -> Floats:
    """Kc of the initial stage for wettings of 10 to 40 mm, between the readings of FAO-56 figures 29 and 30.

    FAO-56 eq 59; a depth outside of 10 to 40 mm takes the nearer figure.
    """
    share = np.clip((np.asarray(depth_mm, dtype=np.float64) - 10.0) / 30.0, 0.0, 1.0)
    light, heavy = np.asarray(kc_light, dtype=np.float64), np.asarray(kc_heavy, dtype=np.float64)
    return np.asarray(light + share * (heavy - light))


def wetted_depth_mm(depth_mm: ArrayLike, wetted_fraction: ArrayLike) -> Floats:
    """Depth on the part of the ground that drip wets, from the depth over the field (FAO-56 eq 61). [mm]"""
    return np.asarray(depth_mm, dtype=np.float64) / np.asarray(wetted_fraction, dtype=np.float64)


def kc_ini_drip(
    depth_mm: ArrayLike, wetted_fraction: ArrayLike, kc_light: ArrayLike, kc_heavy: ArrayLike
) -> Floats:
    """Kc of the initial stage under drip: of the wetted part, over the whole field (FAO-56 eq 59 to 61)."""
    wetted = wetted_depth_mm(depth_mm, wetted_fraction)
    return np.asarray(wetted_fraction, dtype=np.float64) * kc_ini_between(wetted, kc_light, kc_heavy)
