"""What reference_et_mm chooses by what the weather has."""

import numpy as np
import pytest

from farmgis.agronomy.reference_et import day_of_year, least_humidity_pct, reference_et_mm
from farmgis.records import Weather

DATES = np.datetime64("2020-02-28") + np.arange(3)
TEMPERATURE = {"tmin_c": np.array([10.0, 11.0, 12.0]), "tmax_c": np.array([22.0, 24.0, 26.0])}


def weather(**columns):
    return Weather("daily", DATES, columns, 40.0, 100.0)


def test_given_et0_goes_before_all():
    et0, said = reference_et_mm(weather(**TEMPERATURE, et0_mm=np.array([1.0, np.nan, 3.0])))
    assert et0 == pytest.approx([1.0, np.nan, 3.0], nan_ok=True)
    assert "as given" in said


def test_missing_values_are_replaced_row_by_row_and_told():
    full = {**TEMPERATURE, "rh_mean_pct": np.array([60.0, 55.0, 50.0]), "wind_2m_m_s": np.full(3, 3.0)}
    holed = {**full, "rh_mean_pct": np.array([60.0, np.nan, 50.0])}
    complete, _ = reference_et_mm(weather(**full))
    et0, said = reference_et_mm(weather(**holed))
    assert et0[[0, 2]] == pytest.approx(complete[[0, 2]])
    assert et0[1] != pytest.approx(complete[1])
    assert "mean humidity (eq 19) in 2 rows, dew point taken as Tmin (eq 48) in 1 rows" in said


def test_missing_temperature_gives_nan_and_nothing_is_invented():
    et0, _ = reference_et_mm(weather(tmin_c=np.array([10.0, np.nan, 12.0]), tmax_c=TEMPERATURE["tmax_c"]))
    assert np.isnan(et0).tolist() == [False, True, False]


def test_rows_without_temperature_are_not_counted_as_assumed():
    low = np.array([10.0, np.nan, 12.0])
    wind = np.array([3.0, np.nan, np.nan])
    et0, said = reference_et_mm(weather(tmin_c=low, tmax_c=TEMPERATURE["tmax_c"], wind_2m_m_s=wind))
    assert np.isnan(et0).tolist() == [False, True, False]
    assert "measured wind in 1 rows, wind taken as 2 m/s in 1 rows" in said


def test_arctic_cold_gives_no_negative_et():
    et0, _ = reference_et_mm(weather(tmin_c=np.full(3, -40.0), tmax_c=np.full(3, -30.0)))
    assert (et0 >= 0.0).all()


def test_drier_windier_sunnier_needs_more():
    def of(humidity, wind, hours):
        columns = {**TEMPERATURE, "rh_mean_pct": np.full(3, humidity), "wind_2m_m_s": np.full(3, wind)}
        return reference_et_mm(weather(**columns, sunshine_h=np.full(3, hours)))[0]

    base = of(60.0, 2.0, 6.0)
    assert (of(40.0, 2.0, 6.0) > base).all()
    assert (of(60.0, 4.0, 6.0) > base).all()
    assert (of(60.0, 2.0, 9.0) > base).all()


def test_day_of_year_counts_leap_days():
    assert day_of_year(weather()).tolist() == [59.0, 60.0, 61.0]


def test_least_humidity_from_mean_humidity_is_below_it():
    least = least_humidity_pct(weather(**TEMPERATURE, rh_mean_pct=np.full(3, 60.0)))
    assert least is not None
    assert (least < 60.0).all()
    assert (least > 20.0).all()
    assert least_humidity_pct(weather(**TEMPERATURE)) is None


def test_inputs_are_left_as_they_were():
    columns = {key: values.copy() for key, values in TEMPERATURE.items()}
    columns["et0_mm"] = np.array([1.0, 2.0, 3.0])
    et0, _ = reference_et_mm(weather(**columns))
    et0[:] = 0.0
    assert columns["et0_mm"].tolist() == [1.0, 2.0, 3.0]
