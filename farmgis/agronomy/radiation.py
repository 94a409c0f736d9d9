"""The sun: radiation outside the atmosphere, at the ground, and what is left of it (FAO-56 chapter 3)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from farmgis.records import Floats

SOLAR_CONSTANT = 0.0820  # MJ m-2 min-1 (FAO-56 eq 21)
STEFAN_BOLTZMANN = 4.903e-9  # MJ K-4 m-2 day-1 (FAO-56 eq 39)
MM_PER_MJ = 0.408  # 1 MJ/m2 evaporates this much water (FAO-56 eq 20) [mm]


def sunset_angle_rad(latitude_deg: float, day_of_year: ArrayLike) -> Floats:
    """Hour angle at sunset (FAO-56 eq 25), 0 in the polar night and pi under the midnight sun. [rad]"""
    latitude = np.radians(latitude_deg)
    return np.asarray(np.arccos(np.clip(-np.tan(latitude) * np.tan(declination_rad(day_of_year)), -1.0, 1.0)))


def declination_rad(day_of_year: ArrayLike) -> Floats:
    """Declination of the sun (FAO-56 eq 24). [rad]"""
    day = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(0.409 * np.sin(2.0 * np.pi / 365.0 * day - 1.39))


def inverse_distance(day_of_year: ArrayLike) -> Floats:
    """Inverse relative distance between earth and sun (FAO-56 eq 23)."""
    day = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(1.0 + 0.033 * np.cos(2.0 * np.pi / 365.0 * day))


def extraterrestrial_mj_m2(latitude_deg: float, day_of_year: ArrayLike) -> Floats:
    """Radiation of a day outside the atmosphere (FAO-56 eq 21). [MJ/m2]"""
    latitude, delta = np.radians(latitude_deg), declination_rad(day_of_year)
    sunset = sunset_angle_rad(latitude_deg, day_of_year)
    both = sunset * np.sin(latitude) * np.sin(delta) + np.cos(latitude) * np.cos(delta) * np.sin(sunset)
    return np.asarray(24.0 * 60.0 / np.pi * SOLAR_CONSTANT * inverse_distance(day_of_year) * both)


def daylight_h(latitude_deg: float, day_of_year: ArrayLike) -> Floats:
    """Daylight hours (FAO-56 eq 34). [h]"""
    return 24.0 / np.pi * sunset_angle_rad(latitude_deg, day_of_year)


def solar_from_sunshine_mj_m2(sunshine_h: ArrayLike, daylight: ArrayLike, ra_mj_m2: ArrayLike) -> Floats:
    """Solar radiation from hours of sunshine, with 0.25 and 0.50 (FAO-56 eq 35). [MJ/m2]"""
    hours = np.maximum(np.asarray(daylight, dtype=np.float64), 1e-9)
    share = np.minimum(np.asarray(sunshine_h, dtype=np.float64) / hours, 1.0)
    return (0.25 + 0.50 * share) * np.asarray(ra_mj_m2, dtype=np.float64)


def solar_from_temperature_mj_m2(
    tmin_c: ArrayLike, tmax_c: ArrayLike, ra_mj_m2: ArrayLike, adjustment: float = 0.16
) -> Floats:
    """Solar radiation from the range of temperature (FAO-56 eq 50): 0.16 inland, 0.19 at a coast. [MJ/m2]"""
    span = np.maximum(np.asarray(tmax_c, dtype=np.float64) - np.asarray(tmin_c, dtype=np.float64), 0.0)
    return np.asarray(adjustment * np.sqrt(span) * np.asarray(ra_mj_m2, dtype=np.float64))


def clear_sky_mj_m2(altitude_m: float, ra_mj_m2: ArrayLike) -> Floats:
    """Solar radiation under a clear sky (FAO-56 eq 37). [MJ/m2]"""
    return (0.75 + 2e-5 * altitude_m) * np.asarray(ra_mj_m2, dtype=np.float64)


def net_shortwave_mj_m2(solar_mj_m2: ArrayLike) -> Floats:
    """Net solar radiation over grass of albedo 0.23 (FAO-56 eq 38). [MJ/m2]"""
    return 0.77 * np.asarray(solar_mj_m2, dtype=np.float64)


def net_longwave_mj_m2(
    tmin_c: ArrayLike,
    tmax_c: ArrayLike,
    vapour_kpa: ArrayLike,
    solar_mj_m2: ArrayLike,
    clear_mj_m2: ArrayLike,
) -> Floats:
    """Net outgoing longwave radiation (FAO-56 eq 39), relative radiation held to 1 at most. [MJ/m2]"""
    # squared twice: a power of 4 takes ten times as long
    low = np.square(np.square(np.asarray(tmin_c, dtype=np.float64) + 273.16))
    high = np.square(np.square(np.asarray(tmax_c, dtype=np.float64) + 273.16))
    clear = np.maximum(np.asarray(clear_mj_m2, dtype=np.float64), 1e-9)
    relative = np.minimum(np.asarray(solar_mj_m2, dtype=np.float64) / clear, 1.0)
    humidity = 0.34 - 0.14 * np.sqrt(np.asarray(vapour_kpa, dtype=np.float64))
    return np.asarray(STEFAN_BOLTZMANN * 0.5 * (low + high) * humidity * (1.35 * relative - 0.35))


def soil_heat_from_neighbours_mj_m2(previous_c: ArrayLike, next_c: ArrayLike) -> Floats:
    """Soil heat flux of a month from the mean temperatures before and after it (FAO-56 eq 43). [MJ/m2/day]"""
    return 0.07 * (np.asarray(next_c, dtype=np.float64) - np.asarray(previous_c, dtype=np.float64))


def soil_heat_from_previous_mj_m2(previous_c: ArrayLike, this_c: ArrayLike) -> Floats:
    """Soil heat flux of a month where the next one is not known (FAO-56 eq 44). [MJ/m2/day]"""
    return 0.14 * (np.asarray(this_c, dtype=np.float64) - np.asarray(previous_c, dtype=np.float64))
