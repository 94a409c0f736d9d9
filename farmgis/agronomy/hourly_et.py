"""Reference evapotranspiration hour by hour (FAO-56 eq 53), for stations that record the hours."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from farmgis.agronomy import atmosphere, radiation
from farmgis.records import Floats


def hour_angle_rad(
    middle_h: ArrayLike, day_of_year: ArrayLike, longitude_west_deg: float, zone_west_deg: float
) -> Floats:
    """Sun's angle from noon at the middle of an hour of standard time (FAO-56 eq 31 to 33). [rad]"""
    b = 2.0 * np.pi * (np.asarray(day_of_year, dtype=np.float64) - 81.0) / 364.0
    season = 0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
    away = 0.06667 * (zone_west_deg - longitude_west_deg)
    return np.asarray(np.pi / 12.0 * (np.asarray(middle_h, dtype=np.float64) + away + season - 12.0))


def extraterrestrial_hour_mj_m2(latitude_deg: float, day_of_year: ArrayLike, angle_rad: ArrayLike) -> Floats:
    """Radiation of an hour outside the atmosphere (FAO-56 eq 28 to 30), none by night. [MJ/m2]"""
    latitude, delta = np.radians(latitude_deg), radiation.declination_rad(day_of_year)
    sunset = radiation.sunset_angle_rad(latitude_deg, day_of_year)
    middle = np.asarray(angle_rad, dtype=np.float64)
    first = np.clip(middle - np.pi / 24.0, -sunset, sunset)
    last = np.clip(middle + np.pi / 24.0, -sunset, sunset)
    up = (last - first) * np.sin(latitude) * np.sin(delta)
    up = up + np.cos(latitude) * np.cos(delta) * (np.sin(last) - np.sin(first))
    scale = 12.0 * 60.0 / np.pi * radiation.SOLAR_CONSTANT * radiation.inverse_distance(day_of_year)
    return np.asarray(np.maximum(scale * up, 0.0))


def hourly_et_mm(
    mean_c: ArrayLike,
    vapour_kpa: ArrayLike,
    wind_2m_m_s: ArrayLike,
    solar_mj_m2: ArrayLike,
    extraterrestrial_mj_m2: ArrayLike,
    relative_solar: ArrayLike,
    altitude_m: float,
) -> Floats:
    """Reference ET of hours by FAO Penman-Monteith (FAO-56 eq 53). [mm/hour]

    `relative_solar` is solar over clear-sky radiation; in the night that of the hours before sunset. Soil
    takes a tenth of the net radiation by day and half of it by night (eq 45, 46).
    """
    t, wind = np.asarray(mean_c, dtype=np.float64), np.asarray(wind_2m_m_s, dtype=np.float64)
    vapour = np.asarray(vapour_kpa, dtype=np.float64)
    share = np.clip(np.asarray(relative_solar, dtype=np.float64), 0.0, 1.0)
    cloud = (0.34 - 0.14 * np.sqrt(vapour)) * (1.35 * share - 0.35)
    longwave = radiation.STEFAN_BOLTZMANN / 24.0 * (t + 273.16) ** 4 * cloud
    net = radiation.net_shortwave_mj_m2(solar_mj_m2) - longwave
    heat = np.where(np.asarray(extraterrestrial_mj_m2) > 0.0, 0.1 * net, 0.5 * net)
    slope = atmosphere.saturation_slope_kpa_c(t)
    gamma = atmosphere.psychrometric_constant_kpa_c(atmosphere.air_pressure_kpa(altitude_m))
    deficit = atmosphere.saturation_vapour_kpa(t) - vapour
    wet = radiation.MM_PER_MJ * slope * (net - heat) + gamma * 37.0 / (t + 273.0) * wind * deficit
    return np.asarray(wet / (slope + gamma * (1.0 + 0.34 * wind)))
