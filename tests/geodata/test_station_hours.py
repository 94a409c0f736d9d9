"""A station's hours become days: by hand, and as the day's own values would have it."""

import numpy as np
import pytest

from farmgis.agronomy.reference_et import reference_et_mm
from farmgis.errors import InputError
from farmgis.geodata.weather import read_weather

HEADER = "date,temperature_c,rh_mean_pct,wind_2m_m_s,radiation_w_m2,rain_mm"


def hour(day, number):
    """An invented hour of a clear day: 12 to 28 degrees, 30 to 80 %, 1 to 3 m/s, up to 800 W/m2."""
    warm = 0.5 - 0.5 * np.cos(2.0 * np.pi * (number - 3) / 24.0)
    sun = max(0.0, np.sin(np.pi * (number - 6) / 12.0)) if 6 <= number <= 18 else 0.0
    cells = (
        12.0 + 16.0 * warm,
        80.0 - 50.0 * warm,
        1.0 + 2.0 * warm,
        800.0 * sun,
        1.5 if number < 2 else 0.0,
    )
    return f"2020-06-{day:02d} {number:02d}:00," + ",".join(f"{c:.6f}" for c in cells)


def read(folder, rows, header=HEADER):
    path = folder / "hours.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return read_weather(path, 38.0, 100.0)


def test_hours_become_days_by_hand(tmp_path):
    weather, findings = read(tmp_path, [hour(d, n) for d in range(1, 4) for n in range(24)])
    assert weather.dates.astype(str).tolist() == ["2020-06-01", "2020-06-02", "2020-06-03"]
    day = {name: values[1] for name, values in weather.columns.items()}
    assert day["tmin_c"] == pytest.approx(12.0)
    assert day["tmax_c"] == pytest.approx(28.0)
    assert (day["rh_min_pct"], day["rh_max_pct"]) == pytest.approx((30.0, 80.0))
    assert day["rh_mean_pct"] == pytest.approx(55.0)
    assert day["wind_2m_m_s"] == pytest.approx(2.0)
    assert day["rain_mm"] == pytest.approx(3.0)
    # the sum of the hours' power: 800 W/m2 x sum of the sine over 12 h (7.5958) x 3600 s
    assert day["radiation_mj_m2"] == pytest.approx(800.0 * 7.595754 * 3600.0 / 1e6, rel=1e-5)
    assert any("72 rows are hours" in f.what for f in findings)
    et0, said = reference_et_mm(weather)
    assert "extremes of humidity" in said
    assert 4.0 < et0[1] < 8.0


def test_energy_of_hours_adds_up_as_power_does(tmp_path):
    power, _ = read(tmp_path, [hour(1, n) for n in range(24)])
    rows = [hour(1, n).split(",") for n in range(24)]
    rows = [",".join([*r[:4], f"{float(r[4]) * 3600.0 / 1e6:.8f}", r[5]]) for r in rows]
    energy, _ = read(tmp_path, rows, HEADER.replace("radiation_w_m2", "radiation_mj_m2"))
    assert energy.columns["radiation_mj_m2"] == pytest.approx(power.columns["radiation_mj_m2"], rel=1e-6)


def test_days_of_too_few_hours_are_missing_and_doubled_hours_count_once(tmp_path):
    rows = [hour(1, n) for n in range(24)] + [hour(2, n) for n in range(10)] + [hour(3, n) for n in range(24)]
    weather, findings = read(tmp_path, [*rows, hour(3, 0), hour(3, 1)])
    assert np.isnan(weather.columns["tmin_c"]).tolist() == [False, True, False]
    assert weather.columns["rain_mm"][2] == pytest.approx(3.0)
    assert any("1 days have too few hours" in f.what for f in findings)


def test_ten_minutes_are_as_good_as_hours(tmp_path):
    rows = [hour(1, n).replace(":00,", f":{m}0,", 1) for n in range(24) for m in range(6)]
    rain = [",".join([*r.split(",")[:5], f"{float(r.split(',')[5]) / 6.0:.6f}"]) for r in rows]
    weather, _ = read(tmp_path, rain)
    whole, _ = read(tmp_path, [hour(1, n) for n in range(24)])
    for name, values in whole.columns.items():
        assert weather.columns[name] == pytest.approx(values, rel=1e-5)


def test_a_day_cannot_live_on_its_mean_temperature(tmp_path):
    with pytest.raises(InputError, match="temperature_c is for hours"):
        read(tmp_path, ["2020-06-01,20", "2020-06-02,21"], "date,temperature_c")


def test_days_with_a_time_beside_them_stay_days(tmp_path):
    rows = [f"2020-06-0{d} 12:00,10,22" for d in range(1, 5)]
    weather, findings = read(tmp_path, rows, "date,tmin_c,tmax_c")
    assert weather.columns["tmax_c"].tolist() == [22.0] * 4
    assert findings == ()


def test_one_row_a_day_cannot_hold_the_power_of_noon(tmp_path):
    rows = [f"2020-06-0{d} 12:00,10,22,850" for d in range(1, 5)]
    with pytest.raises(InputError, match="850 W/m2 is no day's mean"):
        read(tmp_path, rows, "date,tmin_c,tmax_c,radiation_w_m2")
