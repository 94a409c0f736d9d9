"""Invented daily weather for the demo farm Sallow Vale: wet winters, dry summers.

`make_sallow_vale.py` calls it. Radiation stays under that of a clear sky; wet days are dull, cool and damp;
at night the air comes near its dew point.
"""

import csv
import datetime
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

Floats = NDArray[np.float64]

LATITUDE_DEG, ALTITUDE_M = 38.5, 120.0
YEARS = range(2001, 2013)
# month by month: mean daily lowest and highest temperature of a dry day, how far the dew point lies below the
# lowest, chance of rain after a dry and after a wet day, rain of a wet day, wind
CLIMATE = {
    "tmin_c": [3.2, 4.2, 5.2, 6.8, 9.6, 12.4, 14.0, 13.8, 12.0, 8.8, 5.4, 3.2],
    "tmax_c": [12.8, 15.2, 17.8, 20.8, 24.6, 28.4, 30.6, 30.2, 28.0, 23.4, 17.0, 12.8],
    "wet_after_dry": [0.22, 0.22, 0.20, 0.13, 0.07, 0.02, 0.005, 0.005, 0.02, 0.08, 0.18, 0.22],
    "wet_after_wet": [0.60, 0.60, 0.55, 0.48, 0.40, 0.25, 0.10, 0.10, 0.30, 0.45, 0.55, 0.60],
    "rain_mm": [11.0, 10.5, 8.5, 6.5, 5.0, 3.5, 2.0, 2.0, 4.5, 8.0, 10.0, 11.5],
    "wind_2m_m_s": [1.5, 1.7, 1.9, 1.9, 1.8, 1.64, 1.5, 1.43, 1.35, 1.3, 1.3, 1.4],
    "dew_below_c": [0.2, 0.3, 0.6, 1.0, 1.4, 1.8, 2.0, 2.0, 1.8, 1.2, 0.5, 0.2],
}


def through_the_year(months: list[float], day_of_year: Floats) -> Floats:
    """Monthly means as a smooth curve over the days of the year."""
    middle = (np.arange(-1, 13) + 0.5) * 365.25 / 12.0
    curve = PchipInterpolator(middle, np.r_[months[-1], months, months[0]])
    return np.asarray(curve(day_of_year))


def extraterrestrial_mj(day_of_year: Floats) -> Floats:
    """Radiation above the air at the farm's latitude (FAO-56 Eq. 21 to 25). [MJ/m2 day]"""
    phi, turn = math.radians(LATITUDE_DEG), 2.0 * np.pi * day_of_year / 365.0
    nearness, tilt = 1.0 + 0.033 * np.cos(turn), 0.409 * np.sin(turn - 1.39)
    sunset = np.arccos(-math.tan(phi) * np.tan(tilt))
    daily: Floats = sunset * math.sin(phi) * np.sin(tilt) + math.cos(phi) * np.cos(tilt) * np.sin(sunset)
    return 24.0 * 60.0 / np.pi * 0.0820 * nearness * daily


def vapour_kpa(temperature_c: Floats) -> Floats:
    """Vapour that air can hold (FAO-56 Eq. 11). [kPa]"""
    return 0.6108 * np.exp(17.27 * temperature_c / (temperature_c + 237.3))


def lingering(count: int, keep: float, rng: np.random.Generator) -> Floats:
    """Noise of unit spread in which each day keeps a share of the day before."""
    noise = rng.standard_normal(count)
    for i in range(1, count):
        noise[i] = keep * noise[i - 1] + np.sqrt(1.0 - keep * keep) * noise[i]
    return noise


def wet_days(climate: dict[str, Floats], rng: np.random.Generator) -> NDArray[np.bool_]:
    """Which days have rain: a wet day makes the next one likelier."""
    chance = rng.random(len(climate["rain_mm"]))
    wet = np.zeros(len(chance), bool)
    for i in range(1, len(chance)):
        wet[i] = chance[i] < climate["wet_after_wet" if wet[i - 1] else "wet_after_dry"][i]
    return wet


def make_weather(
    rng: np.random.Generator, drying_power: float
) -> tuple[list[datetime.date], dict[str, Floats]]:
    """Dates, and a column each of what a weather station measures, one value a day."""
    start, end = datetime.date(YEARS[0], 1, 1), datetime.date(YEARS[-1] + 1, 1, 1)
    dates = [start + datetime.timedelta(days=i) for i in range((end - start).days)]
    day = np.array([d.timetuple().tm_yday for d in dates], float)
    climate = {name: through_the_year(months, day) for name, months in CLIMATE.items()}
    n = len(dates)
    wet = wet_days(climate, rng)
    cloud_before = np.roll(wet, -1) | wet  # the day before rain is hazy too
    winter = 0.5 + 0.5 * np.cos(2.0 * np.pi * (day - 15.0) / 365.25)  # 1 in January, 0 in July
    mood = lingering(n, 0.72, rng)  # warm and dry, or cool and damp, for days on end

    # share of the clear sky's radiation: summer's dry days are bright, winter's hazy, wet days dull
    bright = np.where(wet, 0.42, np.where(cloud_before, 0.72, 0.95 - 0.10 * winter))
    bright = bright + np.where(wet, 0.13, 0.025 + 0.07 * winter) * lingering(n, 0.3, rng)
    clear_mj = (0.75 + 2e-5 * ALTITUDE_M) * extraterrestrial_mj(day)
    radiation = clear_mj * np.clip(bright, 0.15, 0.995)

    dull = np.clip(0.95 - bright, 0.0, 0.8)
    tmax = climate["tmax_c"] + (2.0 + 0.6 * winter) * mood - 6.0 * dull + 0.6 * winter
    tmin = climate["tmin_c"] + 1.1 * mood + 4.0 * dull + 0.8 * rng.standard_normal(n)
    tmin = np.minimum(tmin, tmax - 2.0)
    # at night the air comes near its dew point; a dry spell keeps it a little further off
    dew = tmin - np.where(wet, -0.4, climate["dew_below_c"] + 0.5 * mood) + 0.5 * rng.standard_normal(n)
    full = 0.5 * (vapour_kpa(tmin) + vapour_kpa(tmax))
    dry_air = (100.0 - 100.0 * vapour_kpa(dew) / full) * drying_power
    wind = climate["wind_2m_m_s"] * np.exp(0.14 * lingering(n, 0.3, rng)) * drying_power
    wind = wind * np.where(wet, 1.25, 1.0)
    rain = np.where(wet, np.maximum(0.2, climate["rain_mm"] * rng.gamma(0.8, 1.25, n)), 0.0)
    columns = {
        "tmin_c": tmin, "tmax_c": tmax, "rh_mean_pct": np.clip(100.0 - dry_air, 15.0, 98.0),
        "wind_2m_m_s": wind, "radiation_mj_m2": radiation, "rain_mm": rain,
    }  # fmt: skip
    return dates, columns


def write_weather(dates: list[datetime.date], columns: dict[str, Floats], path: Path) -> None:
    """Write the weather with one decimal, as a station would."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["date", *columns])
        for date, *values in zip(dates, *columns.values(), strict=True):
            writer.writerow([date.isoformat(), *(f"{value:.1f}" for value in values)])
