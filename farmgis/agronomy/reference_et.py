"""Reference evapotranspiration of grass (FAO-56 chapters 2 to 4), by what the weather has."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmgis.agronomy import atmosphere, radiation
from farmgis.records import Floats, Weather

WIND_ASSUMED_M_S = 2.0  # FAO-56 p 63: the mean of many stations, where wind is missing
PAN_FETCH_ASSUMED_M = 10.0  # common practice: gives the usual pan coefficient of about 0.7
PAN_HUMIDITY_ASSUMED_PCT = 55.0  # common practice, the middle of the medium class of FAO-56 table 5


Choice = tuple[str, Callable[[], Floats]]  # what it is called, and how it is reckoned


def penman_monteith_mm(
    mean_c: ArrayLike,
    net_mj_m2: ArrayLike,
    soil_heat_mj_m2: ArrayLike,
    wind_2m_m_s: ArrayLike,
    saturation_kpa: ArrayLike,
    vapour_kpa: ArrayLike,
    psychrometric_kpa_c: ArrayLike,
) -> Floats:
    """Reference evapotranspiration by FAO Penman-Monteith (FAO-56 eq 6). [mm/day]"""
    t = np.asarray(mean_c, dtype=np.float64)
    u, gamma = np.asarray(wind_2m_m_s, dtype=np.float64), np.asarray(psychrometric_kpa_c, dtype=np.float64)
    slope = atmosphere.saturation_slope_kpa_c(t)
    energy = np.asarray(net_mj_m2, dtype=np.float64) - np.asarray(soil_heat_mj_m2, dtype=np.float64)
    deficit = np.asarray(saturation_kpa, dtype=np.float64) - np.asarray(vapour_kpa, dtype=np.float64)
    wet = radiation.MM_PER_MJ * slope * energy
    return np.asarray(
        (wet + gamma * 900.0 / (t + 273.0) * u * deficit) / (slope + gamma * (1.0 + 0.34 * u)),
        dtype=np.float64,
    )


def hargreaves_mm(tmin_c: ArrayLike, tmax_c: ArrayLike, ra_mj_m2: ArrayLike) -> Floats:
    """Reference evapotranspiration from temperature alone (FAO-56 eq 52). [mm/day]

    The equation takes the radiation in mm; here it comes in MJ/m2 as everywhere else.
    """
    low, high = np.asarray(tmin_c, dtype=np.float64), np.asarray(tmax_c, dtype=np.float64)
    ra_mm = radiation.MM_PER_MJ * np.asarray(ra_mj_m2, dtype=np.float64)
    return np.asarray(0.0023 * (0.5 * (low + high) + 17.8) * np.sqrt(np.maximum(high - low, 0.0)) * ra_mm)


def pan_coefficient(wind_2m_m_s: ArrayLike, rh_mean_pct: ArrayLike, fetch_m: ArrayLike) -> Floats:
    """Coefficient of a class A pan with green fetch (FAO-56 table 7), within the equation's range."""
    wind = np.clip(np.asarray(wind_2m_m_s, dtype=np.float64), 1.0, 8.0)
    humidity = np.log(np.clip(np.asarray(rh_mean_pct, dtype=np.float64), 30.0, 84.0))
    fetch = np.log(np.clip(np.asarray(fetch_m, dtype=np.float64), 1.0, 1000.0))
    far = 0.0422 * fetch - 0.000631 * fetch**2 * humidity
    return np.asarray(0.108 - 0.0286 * wind + 0.1434 * humidity + far)


def reference_et_mm(weather: Weather) -> tuple[Floats, str]:
    """Reference evapotranspiration of each row [mm/day], and the words that say how it came about.

    By what the weather has: et0_mm as given; Penman-Monteith where temperature and at least one of
    radiation, humidity and wind are there, with FAO-56's procedures for the missing ones, row by row;
    Hargreaves from temperature alone; pan evaporation times a pan coefficient. NaN where nothing serves.
    """
    columns = weather.columns
    if "et0_mm" in columns:
        return np.array(columns["et0_mm"]), "reference ET as given in the weather file"
    if {"tmin_c", "tmax_c"} <= columns.keys():
        if _radiation_columns(weather) or _humidity_columns(weather) or "wind_2m_m_s" in columns:
            return _by_penman_monteith(weather)
        et0 = hargreaves_mm(columns["tmin_c"], columns["tmax_c"], _ra(weather))
        return np.maximum(et0, 0.0), "Hargreaves (FAO-56 eq 52)"
    if "pan_mm" in columns:
        return _by_pan(weather)
    return np.full(weather.dates.shape, np.nan), "no column that gives a reference ET"


def day_of_year(weather: Weather) -> Floats:
    """Number of each row's day in its year, 1 on 1 January; a normal stands for the 15th of its month."""
    days = weather.dates.astype("datetime64[D]").astype(np.int64)
    if days.size and days[-1] - days[0] + 1 == days.size:
        number = _numbers(int(days[0]), days.size)  # many fields have the same days
    else:
        number = _number(days)
    return number + 14.0 if weather.basis == "normals" else number


def _number(days: NDArray[np.int64]) -> Floats:
    """Number in its year of each day since 1970."""
    dates = days.astype("datetime64[D]")
    first = dates.astype("datetime64[Y]").astype("datetime64[D]")
    return np.asarray((dates - first).astype(np.float64) + 1.0)


@lru_cache(maxsize=8)
def _numbers(first: int, count: int) -> Floats:
    """The same of so many days in a row; not to be changed."""
    number = _number(first + np.arange(count))
    number.setflags(write=False)
    return number


def vapour_pressure_kpa(weather: Weather) -> tuple[Floats, str]:
    """Actual vapour pressure of each row by the best measure that it has, and which ones served. [kPa]"""
    c = weather.columns
    low, high = c["tmin_c"], c["tmax_c"]
    choices: list[Choice] = []
    if "vapour_kpa" in c:
        choices.append(("vapour pressure", lambda: c["vapour_kpa"]))
    if {"rh_min_pct", "rh_max_pct"} <= c.keys():
        least, most = c["rh_min_pct"], c["rh_max_pct"]
        said = "extremes of humidity (eq 17)"
        choices.append((said, lambda: atmosphere.vapour_from_extremes_kpa(low, high, least, most)))
    if "rh_mean_pct" in c:
        mean = c["rh_mean_pct"]
        said = "mean humidity (eq 19)"
        choices.append((said, lambda: atmosphere.vapour_from_mean_humidity_kpa(low, high, mean)))
    choices.append(("dew point taken as Tmin (eq 48)", lambda: atmosphere.vapour_from_tmin_kpa(low)))
    return _first_known(choices)


def least_humidity_pct(weather: Weather) -> Floats | None:
    """Least relative humidity of each row, None where the weather has no humidity (FAO-56 eq 63, 64). [%]"""
    columns = weather.columns
    if "rh_min_pct" in columns:
        return columns["rh_min_pct"]
    if "tmax_c" not in columns or "tmin_c" not in columns or not _humidity_columns(weather):
        return None
    vapour, _ = vapour_pressure_kpa(weather)
    return np.minimum(100.0 * vapour / atmosphere.saturation_vapour_kpa(columns["tmax_c"]), 100.0)


def solar_radiation_mj_m2(weather: Weather) -> tuple[Floats, str]:
    """Solar radiation of each row by the best measure that it has, and which ones served. [MJ/m2/day]"""
    c = weather.columns
    choices: list[Choice] = []
    if "radiation_mj_m2" in c:
        choices.append(("measured radiation", lambda: c["radiation_mj_m2"]))
    if "sunshine_h" in c:
        choices.append(("radiation from sunshine (eq 35)", lambda: _sunny(weather)))
    choices.append(("radiation from temperature, 0.16 (eq 50)", lambda: _warm(weather)))
    return _first_known(choices)


def _sunny(weather: Weather) -> Floats:
    daylight = radiation.daylight_h(weather.latitude_deg, day_of_year(weather))
    return radiation.solar_from_sunshine_mj_m2(weather.columns["sunshine_h"], daylight, _ra(weather))


def _warm(weather: Weather) -> Floats:
    c = weather.columns
    return radiation.solar_from_temperature_mj_m2(c["tmin_c"], c["tmax_c"], _ra(weather))


def _ra(weather: Weather) -> Floats:
    """Radiation outside the atmosphere of each row: it depends on the day of the year alone. [MJ/m2]"""
    of_day = radiation.extraterrestrial_mj_m2(weather.latitude_deg, np.arange(1.0, 367.0))
    return np.asarray(of_day[day_of_year(weather).astype(np.int64) - 1])


def _by_penman_monteith(weather: Weather) -> tuple[Floats, str]:
    c = weather.columns
    low, high = c["tmin_c"], c["tmax_c"]
    mean = 0.5 * (low + high)
    vapour, vapour_said = vapour_pressure_kpa(weather)
    # air cannot hold more than saturation: a vapour pressure above it is a rounded humidity
    saturation = atmosphere.mean_saturation_vapour_kpa(low, high)
    vapour = np.minimum(vapour, saturation)
    solar, solar_said = solar_radiation_mj_m2(weather)
    wind, wind_said = _wind(weather, mean)
    clear = radiation.clear_sky_mj_m2(weather.altitude_m, _ra(weather))
    longwave = radiation.net_longwave_mj_m2(low, high, vapour, solar, clear)
    net = radiation.net_shortwave_mj_m2(solar) - longwave
    heat, heat_said = _soil_heat(weather, mean)
    gamma = atmosphere.psychrometric_constant_kpa_c(atmosphere.air_pressure_kpa(weather.altitude_m))
    et0 = penman_monteith_mm(mean, net, heat, wind, saturation, vapour, gamma)
    said = "; ".join(part for part in (vapour_said, solar_said, wind_said, heat_said) if part)
    return np.maximum(et0, 0.0), f"FAO-56 Penman-Monteith (eq 6): {said}"


def _by_pan(weather: Weather) -> tuple[Floats, str]:
    c = weather.columns
    wind, wind_said = _wind(weather, c["pan_mm"])
    assumed = np.where(np.isnan(c["pan_mm"]), np.nan, PAN_HUMIDITY_ASSUMED_PCT)
    choices: list[Choice] = [("mean humidity", lambda: c["rh_mean_pct"])] if "rh_mean_pct" in c else []
    humidity, humidity_said = _first_known(
        [*choices, (f"humidity taken as {PAN_HUMIDITY_ASSUMED_PCT:g} %", lambda: assumed)]
    )
    coefficient = pan_coefficient(wind, humidity, PAN_FETCH_ASSUMED_M)
    said = f"{humidity_said}; {wind_said}; green fetch taken as {PAN_FETCH_ASSUMED_M:g} m"
    return c["pan_mm"] * coefficient, f"class A pan times its coefficient (FAO-56 table 7): {said}"


def _wind(weather: Weather, needed: Floats) -> tuple[Floats, str]:
    """Wind of each row, assumed where it is missing but `needed` has a number. [m/s]"""
    assumed = np.where(np.isnan(needed), np.nan, WIND_ASSUMED_M_S)
    c = weather.columns
    choices: list[Choice] = [("measured wind", lambda: c["wind_2m_m_s"])] if "wind_2m_m_s" in c else []
    return _first_known([*choices, (f"wind taken as {WIND_ASSUMED_M_S:g} m/s", lambda: assumed)])


def _soil_heat(weather: Weather, mean_c: Floats) -> tuple[Floats, str]:
    """Soil heat flux: none from day to day (eq 42), of a month from its neighbours (eq 43). [MJ/m2/day]"""
    if weather.basis == "daily":
        return np.zeros_like(mean_c), ""
    heat = radiation.soil_heat_from_neighbours_mj_m2(np.roll(mean_c, 1), np.roll(mean_c, -1))
    return np.where(np.isnan(heat), 0.0, heat), "soil heat of months (eq 43)"


def _radiation_columns(weather: Weather) -> bool:
    return bool({"radiation_mj_m2", "sunshine_h"} & weather.columns.keys())


def _humidity_columns(weather: Weather) -> bool:
    c = weather.columns.keys()
    return bool({"vapour_kpa", "rh_mean_pct"} & c) or {"rh_min_pct", "rh_max_pct"} <= c


def _first_known(choices: list[Choice]) -> tuple[Floats, str]:
    """In each row the first choice that is a number; and which choices served in how many rows.

    A choice is reckoned only where those before it leave a row without a number.
    """
    values, served = None, []
    for said, reckon in choices:
        if values is None:
            values = reckon()
            count = int(np.count_nonzero(~np.isnan(values)))
        elif np.isnan(values).any():
            choice = reckon()
            use = np.isnan(values) & ~np.isnan(choice)
            count = int(np.count_nonzero(use))
            values = np.where(use, choice, values)
        else:
            break
        if count:
            served.append((count, said))
    assert values is not None
    if len(served) < 2:
        return values, served[0][1] if served else ""
    return values, ", ".join(f"{said} in {count} rows" for count, said in served)
