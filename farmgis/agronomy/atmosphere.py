"""Air: its pressure, the water vapour in it, and wind (FAO-56 chapter 3)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from farmgis.records import Floats


def air_pressure_kpa(altitude_m: ArrayLike) -> Floats:
    """Mean air pressure at an altitude (FAO-56 eq 7). [kPa]

    >>> round(float(air_pressure_kpa(1800.0)), 1)
    81.8
    """
    altitude = np.asarray(altitude_m, dtype=np.float64)
    return np.asarray(101.3 * ((293.0 - 0.0065 * altitude) / 293.0) ** 5.26)


def psychrometric_constant_kpa_c(pressure_kpa: ArrayLike) -> Floats:
    """Psychrometric constant (FAO-56 eq 8). [kPa/degC]"""
    return 0.000665 * np.asarray(pressure_kpa, dtype=np.float64)


def saturation_vapour_kpa(temperature_c: ArrayLike) -> Floats:
    """Vapour pressure of saturated air at a temperature (FAO-56 eq 11). [kPa]"""
    t = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(0.6108 * np.exp(17.27 * t / (t + 237.3)))


def mean_saturation_vapour_kpa(tmin_c: ArrayLike, tmax_c: ArrayLike) -> Floats:
    """Mean saturation vapour pressure of a day: of both extremes, not of their mean (FAO-56 eq 12). [kPa]"""
    return 0.5 * (saturation_vapour_kpa(tmin_c) + saturation_vapour_kpa(tmax_c))


def saturation_slope_kpa_c(temperature_c: ArrayLike) -> Floats:
    """Slope of the saturation vapour pressure curve (FAO-56 eq 13). [kPa/degC]"""
    t = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(4098.0 * saturation_vapour_kpa(t) / (t + 237.3) ** 2)


def vapour_from_wet_bulb_kpa(
    dry_c: ArrayLike, wet_c: ArrayLike, pressure_kpa: ArrayLike, coefficient: float = 0.000662
) -> Floats:
    """Actual vapour pressure from a psychrometer, ventilated by default (FAO-56 eq 15, 16). [kPa]"""
    dry, wet = np.asarray(dry_c, dtype=np.float64), np.asarray(wet_c, dtype=np.float64)
    return saturation_vapour_kpa(wet) - coefficient * np.asarray(pressure_kpa, dtype=np.float64) * (dry - wet)


def vapour_from_extremes_kpa(
    tmin_c: ArrayLike, tmax_c: ArrayLike, rh_min_pct: ArrayLike, rh_max_pct: ArrayLike
) -> Floats:
    """Actual vapour pressure from the day's extremes of humidity (FAO-56 eq 17). [kPa]"""
    low = saturation_vapour_kpa(tmin_c) * np.asarray(rh_max_pct, dtype=np.float64)
    high = saturation_vapour_kpa(tmax_c) * np.asarray(rh_min_pct, dtype=np.float64)
    return (low + high) / 200.0


def vapour_from_mean_humidity_kpa(tmin_c: ArrayLike, tmax_c: ArrayLike, rh_mean_pct: ArrayLike) -> Floats:
    """Actual vapour pressure from the day's mean humidity (FAO-56 eq 19). [kPa]"""
    return np.asarray(rh_mean_pct, dtype=np.float64) / 100.0 * mean_saturation_vapour_kpa(tmin_c, tmax_c)


def vapour_from_tmin_kpa(tmin_c: ArrayLike) -> Floats:
    """Actual vapour pressure where humidity is missing: the dew point taken as Tmin (FAO-56 eq 48). [kPa]"""
    return saturation_vapour_kpa(tmin_c)


def wind_at_2m_m_s(wind_m_s: ArrayLike, height_m: float) -> Floats:
    """Wind at 2 m from wind at another height over grass (FAO-56 eq 47). [m/s]"""
    factor = float(4.87 / np.log(67.8 * height_m - 5.42))
    return factor * np.asarray(wind_m_s, dtype=np.float64)
