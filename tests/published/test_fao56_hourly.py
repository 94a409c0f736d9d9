"""Hours: FAO-56 example 19 (pages 75-76, text seen)."""

import numpy as np
import pytest

from farmgis.agronomy import atmosphere as air
from farmgis.agronomy import hourly_et, radiation
from farmgis.agronomy.reference_et import reference_et_mm
from farmgis.records import Weather

LATITUDE, WEST, ZONE, DAY = 16.0 + 13.0 / 60.0, 16.25, 15.0, 274  # N'Diaye in Senegal, 8 m, 1 October


def test_hour_of_the_afternoon_fao56_example_19():
    angle = hourly_et.hour_angle_rad(14.5, DAY, WEST, ZONE)
    ra = hourly_et.extraterrestrial_hour_mj_m2(LATITUDE, DAY, angle)
    clear = radiation.clear_sky_mj_m2(8.0, ra)
    assert float(ra) == pytest.approx(3.543, abs=0.005)
    assert float(clear) == pytest.approx(2.658, abs=0.005)
    vapour = 0.52 * air.saturation_vapour_kpa(38.0)
    got = hourly_et.hourly_et_mm(38.0, vapour, 3.3, 2.450, ra, 2.450 / clear, 8.0)
    assert float(got) == pytest.approx(0.63, abs=0.005)


def test_hour_of_the_night_fao56_example_19():
    angle = hourly_et.hour_angle_rad(2.5, DAY, WEST, ZONE)
    ra = hourly_et.extraterrestrial_hour_mj_m2(LATITUDE, DAY, angle)
    assert float(ra) == 0.0
    vapour = 0.90 * air.saturation_vapour_kpa(28.0)
    got = hourly_et.hourly_et_mm(28.0, vapour, 1.9, 0.0, ra, 0.8, 8.0)
    assert float(got) == pytest.approx(0.00, abs=0.005)


@pytest.mark.parametrize(
    ("latitude", "day"), [(16.2, 274), (50.8, 187), (-35.0, 15), (69.0, 172), (69.0, 355)]
)
def test_hours_of_a_day_add_up_to_the_day(latitude, day):
    # law: eq 28 over 24 hours is eq 21 over the day; the sun's angle is as in a place on its zone's meridian
    angle = np.pi / 12.0 * (np.arange(24.0) + 0.5 - 12.0)
    hours = hourly_et.extraterrestrial_hour_mj_m2(latitude, day, angle)
    assert hours.sum() == pytest.approx(float(radiation.extraterrestrial_mj_m2(latitude, day)), abs=1e-9)


def test_hours_of_a_clear_day_add_up_to_about_the_days_equation():
    # FAO-56 p 74: summed hours and eq 6 differ little; 10 % on an invented day of the same place
    hour = np.arange(24.0) + 0.5
    angle = hourly_et.hour_angle_rad(hour, DAY, WEST, ZONE)
    ra = hourly_et.extraterrestrial_hour_mj_m2(LATITUDE, DAY, angle)
    clear = radiation.clear_sky_mj_m2(8.0, ra)
    warm = 33.0 + 5.0 * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
    vapour, wind = np.full(24, 3.0), np.full(24, 2.0)
    share = np.where(ra > 0.0, 0.9, 0.8)
    hours = hourly_et.hourly_et_mm(warm, vapour, wind, 0.9 * clear, ra, share, 8.0)
    columns = {"tmin_c": 28.0, "tmax_c": 38.0, "vapour_kpa": 3.0, "wind_2m_m_s": 2.0,
               "radiation_mj_m2": 0.9 * clear.sum()}  # fmt: skip
    date = np.datetime64("2001-01-01") + np.array([DAY - 1])
    day, _ = reference_et_mm(
        Weather("daily", date, {k: np.array([v]) for k, v in columns.items()}, LATITUDE, 8.0)
    )
    assert hours.sum() == pytest.approx(day[0], rel=0.10)
