"""Weather files as they come: clean, dirty, and impossible."""

import numpy as np
import pytest

from farmgis.errors import InputError
from farmgis.geodata.weather import read_weather

CLEAN = "date,tmin_c,tmax_c,rain_mm\n2020-05-01,10,22,0\n2020-05-02,11,23.5,4.2\n2020-05-03,12,24,0\n"


def written(folder, text, name="weather.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def read(folder, text):
    return read_weather(written(folder, text), 40.0, 100.0)


def test_clean_daily_file(tmp_path):
    weather, findings = read(tmp_path, CLEAN)
    assert weather.basis == "daily"
    assert findings == ()
    assert weather.dates.astype(str).tolist() == ["2020-05-01", "2020-05-02", "2020-05-03"]
    assert weather.columns["rain_mm"].tolist() == [0.0, 4.2, 0.0]
    assert (weather.latitude_deg, weather.altitude_m) == (40.0, 100.0)


def test_columns_of_other_units_are_turned_and_told(tmp_path):
    text = (
        "date,tmin_f,tmax_k,vapour_hpa,wind_10m_km_h,radiation_j_cm2,rain_in\n"
        "2020-05-01,50,295.15,12.5,18,2500,0.5\n"
        "2020-05-02,-99,296.15,12.5,18,2500,-99\n"
    )
    weather, findings = read(tmp_path, text)
    first = {name: values[0] for name, values in weather.columns.items()}
    # 18 km/h are 5 m/s at 10 m, times 0.748 (FAO-56 eq 47); 2500 J/cm2 are 25 MJ/m2; half an inch is 12.7 mm
    assert first == pytest.approx(
        {"tmin_c": 10.0, "tmax_c": 22.0, "vapour_kpa": 1.25, "wind_2m_m_s": 3.74, "radiation_mj_m2": 25.0,
         "rain_mm": 12.7}
    )  # fmt: skip
    assert np.isnan([weather.columns["tmin_c"][1], weather.columns["rain_mm"][1]]).all()
    assert [f.measured for f in findings] == [6.0, 2.0]
    with pytest.raises(InputError, match="the same in two units"):
        read(tmp_path, "date,tmin_c,tmin_f,tmax_c\n2020-05-01,10,50,22\n")


def test_humidity_as_a_share_is_refused(tmp_path):
    text = "date,tmin_c,tmax_c,rh_mean_pct\n2020-05-01,10,22,{}\n2020-05-02,11,23,{}\n"
    with pytest.raises(InputError, match=r"rh_mean_pct: no value is over 0\.86.*percent, 0 to 100"):
        read(tmp_path, text.format(0.86, 0.55))
    for plain in ((86, 55), (0.5, 14), ("", "")):  # percent; dry desert air; not measured
        assert read(tmp_path, text.format(*plain))[0].dates.size == 2


def test_fahrenheit_names_the_column_that_takes_it(tmp_path):
    with pytest.raises(InputError, match=r"tmax_c: 72 is impossible.*or name the column tmax_f"):
        read(tmp_path, "date,tmin_c,tmax_c\n2020-05-01,50,72\n")


def test_unsorted_doubled_swapped_missing_and_absent_are_each_told_once(tmp_path):
    text = (
        "date,tmin_c,tmax_c,rain_mm\n"
        "2020-05-03,24,12,-99\n"
        "2020-05-01,10,22,0\n"
        "2020-05-01,1,2,9\n"
        "2020-05-02,11,23,\n"
        "2020-05-07,-999,25,NA\n"
    )
    weather, findings = read(tmp_path, text)
    assert weather.dates.size == 7
    assert weather.columns["tmin_c"][:3].tolist() == [10.0, 11.0, 12.0]
    assert weather.columns["tmax_c"][2] == 24.0
    assert weather.columns["rain_mm"][0] == 0.0
    assert np.isnan(weather.columns["rain_mm"][1:]).all()
    assert np.isnan(weather.columns["tmin_c"][6])
    counts = {finding.what.split(": ")[1]: finding.measured for finding in findings}
    assert counts == {
        "4 values are missing": 4.0,
        "1 rows stand before an earlier one": 1.0,
        "1 rows repeat a day that is already there": 1.0,
        "tmin_c is over tmax_c in 1 rows": 1.0,
        "3 days between the first and the last are absent": 3.0,
    }
    assert all(finding.about == "input" and finding.advice for finding in findings)


def test_blank_lines_semicolons_byte_order_mark_and_case(tmp_path):
    weather, _ = read(tmp_path, "\ufeffDate; ET0_mm\n2020-05-01; 5.5\n\n2020/05/02;6\n;\n")
    assert weather.columns["et0_mm"].tolist() == [5.5, 6.0]


def test_a_humidity_a_little_over_100_is_held(tmp_path):
    weather, findings = read(tmp_path, "date,tmin_c,tmax_c,rh_mean_pct\n2020-05-01,10,22,101.5\n")
    assert weather.columns["rh_mean_pct"].tolist() == [100.0]
    assert "past their range" in findings[0].what


def test_monthly_normals(tmp_path):
    rows = "".join(
        f"{month},{month}.5,{20 + month},{300 if month == 7 else 10}\n" for month in range(12, 0, -1)
    )
    weather, findings = read(tmp_path, "month,tmin_c,tmax_c,rain_mm\n" + rows)
    assert weather.basis == "normals"
    assert weather.dates.astype(str).tolist()[::11] == ["2001-01-01", "2001-12-01"]
    assert weather.columns["tmax_c"].tolist() == [float(20 + month) for month in range(1, 13)]
    assert "stand before an earlier one" in findings[0].what


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "line 1: needs a column `date`"),
        ("date,tmin_c,tmax_c\n", "no row of weather"),
        ("day,tmin_c,tmax_c\n1,2,3\n", "unknown column 'day'"),
        ("date,tmin,tmax_c\n2020-05-01,1,2\n", "unknown column 'tmin'; did you mean tmin_c"),
        ("date,month,et0_mm\n2020-05-01,1,2\n", "one of the two"),
        ("tmin_c,tmax_c\n1,2\n", "needs a column `date`"),
        ("date,et0_mm,et0_mm\n2020-05-01,1,2\n", "'et0_mm' stands there twice"),
        ("date,rain_mm,tmin_c\n2020-05-01,1,2\n", "nothing gives a reference ET"),
        ("date,et0_mm\n2020-05-01,abc\n", r"line 2, column et0_mm: 'abc' is not a number"),
        ("date;et0_mm\n2020-05-01;5,5\n", r"line 2, column et0_mm: '5,5' is not a number; write 12.3"),
        ("date,et0_mm\n31.05.2020,5\n", "line 2, column date: '31.05.2020' is not a date like 2019-05-31"),
        ("date,et0_mm\n2020-02-30,5\n", "'2020-02-30' is not a date"),
        ("date,et0_mm\n2020-05-01x,5\n", "'2020-05-01x' is not a date"),
        ("date,et0_mm\n0020-05-01,5\n", "'0020-05-01' is not a date"),
        ("date,et0_mm\n2020-05-01,5,6\n", "line 2: 3 cells, the header has 2"),
        ("date,tmin_c,tmax_c\n2020-05-01,10,88\n", "column tmax_c: 88 is impossible.*degrees Celsius"),
        ("date,tmin_c,tmax_c,radiation_mj_m2\n2020-05-01,1,2,280\n", "1 W/m2 is 0.0864"),
        ("date,tmin_c,tmax_c,rain_mm\n2020-05-01,1,2,-5\n", "column rain_mm: -5 is impossible"),
        ("month,et0_mm\n13,5\n", "'13' is not a month 1 to 12"),
        ("month,et0_mm\n" + "".join(f"{m},5\n" for m in range(1, 12)), r"missing \[12\]"),
        ("date,et0_mm\n2020-05-01,inf\n", "inf is impossible"),
    ],
)
def test_what_cannot_be_worked_with_is_refused(tmp_path, text, message):
    with pytest.raises(InputError, match=message) as refused:
        read(tmp_path, text)
    assert "weather.csv" in str(refused.value)


def test_a_file_without_years_has_one_problem_not_one_a_row(tmp_path):
    rows = "".join(f"05-{day:02d},5\n" for day in range(1, 31))
    with pytest.raises(InputError) as refused:
        read(tmp_path, "date,et0_mm\n" + rows + "06-01,x\n")
    told = str(refused.value)
    assert "2 problems" in told
    assert "line 2, column date: '05-01' is not a date like 2019-05-31; nor is any of 30 others" in told
    assert "line 32, column et0_mm" in told


def test_many_problems_are_told_together(tmp_path):
    rows = "".join(f"2020-05-{day:02d},x\n" for day in range(1, 31))
    with pytest.raises(InputError) as refused:
        read(tmp_path, "date,et0_mm\n" + rows)
    lines = str(refused.value).splitlines()
    assert "30 problems" in lines[0]
    assert lines[-1].strip() == "- and 22 more"


def test_files_that_are_none(tmp_path):
    with pytest.raises(InputError, match=r"gone\.csv: cannot be read"):
        read_weather(tmp_path / "gone.csv", 40.0, 0.0)
    with pytest.raises(InputError, match="cannot be read"):
        read_weather(tmp_path, 40.0, 0.0)
    binary = tmp_path / "weather.csv"
    binary.write_bytes(b"date,et0_mm\n\xff\xfe\x00\x01")
    with pytest.raises(InputError, match="UTF-8"):
        read_weather(binary, 40.0, 0.0)


@pytest.mark.parametrize(("latitude", "altitude"), [(91.0, 0.0), (float("nan"), 0.0), (40.0, 30000.0)])
def test_an_impossible_place_is_refused(tmp_path, latitude, altitude):
    with pytest.raises(InputError, match="give"):
        read_weather(written(tmp_path, CLEAN), latitude, altitude)


def test_leap_day_and_new_year_are_ordinary_days(tmp_path):
    weather, findings = read(tmp_path, "date,et0_mm\n2020-02-28 00:00,3\n2020-02-29T12:00,3\n2020-03-01,3\n")
    assert weather.dates.size == 3
    assert findings == ()
