"""A weather file becomes a record: daily rows, or the normals of twelve months."""

from __future__ import annotations

import csv
import difflib
import math
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np

from farmgis.errors import InputError
from farmgis.geodata import station_hours
from farmgis.records import Finding, Floats, Weather

# least and greatest value that nature gives, and what would do (a day's; rain of a month below)
LIMITS: dict[str, tuple[float, float, str]] = {
    "temperature_c": (-70.0, 60.0, "degrees Celsius"),
    "tmin_c": (-70.0, 60.0, "degrees Celsius, or name the column tmin_f or tmin_k"),
    "tmax_c": (-70.0, 60.0, "degrees Celsius, or name the column tmax_f or tmax_k"),
    "rh_mean_pct": (0.0, 100.0, "percent, 0 to 100"),
    "rh_min_pct": (0.0, 100.0, "percent, 0 to 100"),
    "rh_max_pct": (0.0, 100.0, "percent, 0 to 100"),
    "vapour_kpa": (0.0, 8.0, "kPa (1 hPa is 0.1 kPa)"),
    "wind_2m_m_s": (0.0, 50.0, "m/s at 2 m (1 km/h is 0.278 m/s)"),
    "radiation_mj_m2": (0.0, 45.0, "MJ/m2 a day (1 W/m2 is 0.0864 MJ/m2 a day)"),
    "sunshine_h": (0.0, 24.0, "hours a day"),
    "rain_mm": (0.0, 2000.0, "mm"),
    "et0_mm": (0.0, 25.0, "mm a day"),
    "pan_mm": (0.0, 35.0, "mm a day"),
}
# columns of other units: which of ours they are, by what they are multiplied after this was taken from them
OTHER_UNITS: dict[str, tuple[str, float, float]] = {
    "temperature_f": ("temperature_c", 5.0 / 9.0, 32.0),
    "temperature_k": ("temperature_c", 1.0, 273.15),
    "tmin_f": ("tmin_c", 5.0 / 9.0, 32.0),
    "tmax_f": ("tmax_c", 5.0 / 9.0, 32.0),
    "tmin_k": ("tmin_c", 1.0, 273.15),
    "tmax_k": ("tmax_c", 1.0, 273.15),
    "vapour_hpa": ("vapour_kpa", 0.1, 0.0),
    "wind_2m_km_h": ("wind_2m_m_s", 1.0 / 3.6, 0.0),
    "wind_2m_km_day": ("wind_2m_m_s", 1.0 / 86.4, 0.0),
    "wind_10m_m_s": ("wind_2m_m_s", 0.748, 0.0),  # FAO-56 eq 47
    "wind_10m_km_h": ("wind_2m_m_s", 0.748 / 3.6, 0.0),
    "radiation_kj_m2": ("radiation_mj_m2", 0.001, 0.0),
    "radiation_j_cm2": ("radiation_mj_m2", 0.01, 0.0),
    "radiation_w_m2": ("radiation_mj_m2", 0.0864, 0.0),  # a day's mean
    "rain_in": ("rain_mm", 25.4, 0.0),
    "et0_in": ("et0_mm", 25.4, 0.0),
    "pan_in": ("pan_mm", 25.4, 0.0),
}
MONTH_RAIN_MAX_MM = 10000.0
HOUR_W_M2_MAX = 1400.0  # the sun above the air gives 1367
# sensors read a little past the end of their range: held to the limit, and told
SLACK = {"rh_mean_pct": 5.0, "rh_min_pct": 5.0, "rh_max_pct": 5.0, "radiation_mj_m2": 0.5, "et0_mm": 0.5}
MISSING_TEXT = frozenset({"", "-", "--", "na", "n/a", "nan", "null", "none"})
MISSING_NUMBERS = frozenset({-99.0, -99.9, -999.0, -999.9, -9999.0})
FIRST_YEAR, LAST_YEAR = 1800, 2200
PROBLEMS_SHOWN = 8


@dataclass
class _Reading:
    """What is gathered while a file is read."""

    path: Path
    columns: list[str]
    problems: list[str] = field(default_factory=list)
    undated: list[str] = field(default_factory=list)
    days: list[int] = field(default_factory=list)
    times: list[str] = field(default_factory=list)
    values: list[list[float]] = field(default_factory=list)
    given: list[str] = field(default_factory=list)  # the columns' names in the file
    held: int = 0
    missing: int = 0


def read_weather(
    path: str | Path, latitude_deg: float, altitude_m: float
) -> tuple[Weather, tuple[Finding, ...]]:
    """Weather of a CSV file, and a finding for each kind of repair.

    Columns: `date` (2019-05-31) or `month` (1 to 12, twelve rows of normals), and of records.Weather's
    columns what there is. Rows with times of day become days (station_hours). Rows are sorted; of a doubled
    day the first row stays; Tmin and Tmax that are swapped are swapped back; blanks, -99, -999 and -9999 are
    missing (NaN); absent days become rows of NaN; a humidity up to 105 % or a radiation or ET0 down to -0.5
    is held to its limit.

    Raises InputError with file, line, column, value and what would do.
    """
    path = Path(path)
    _check_place(path, latitude_deg, altitude_m)
    reading, monthly = _read_rows(path)
    if reading.problems:
        raise InputError(_told(reading))
    if not reading.days:
        raise InputError(f"{path}: no row of weather below the header; give one row a day, or one a month")
    table = np.array(reading.values, dtype=np.float64).reshape(len(reading.days), -1)
    days = np.array(reading.days, dtype=np.int64)
    findings = _told_missing(reading, path)
    days, table, more = _as_days(reading, days, table, path)
    findings += more
    days, table, more = _in_order(days, table, path, monthly)
    findings += more
    columns = {name: table[:, k].copy() for k, name in enumerate(reading.columns)}
    _check_humidity(columns, path)
    findings += _swap_back(columns, path)
    if monthly:
        if list(days) != list(range(1, 13)):
            lacking = sorted(set(range(1, 13)) - set(days.tolist()))
            raise InputError(f"{path}: normals need the months 1 to 12; missing {lacking}")
        dates = np.arange("2001-01", "2002-01", dtype="datetime64[M]").astype("datetime64[D]")
        return Weather("normals", dates, columns, latitude_deg, altitude_m), tuple(findings)
    dates, columns, more = _without_gaps(days.astype("datetime64[D]"), columns, path)
    return Weather("daily", dates, columns, latitude_deg, altitude_m), tuple(findings + more)


# ---- from text to numbers -------------------------------------------------------------------------


def _read_rows(path: Path) -> tuple[_Reading, bool]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            header = file.readline()
            delimiter = max(",;\t", key=header.count)
            names = [name.strip().lower() for name in next(csv.reader([header], delimiter=delimiter), [])]
            key, monthly = _check_header(path, names)
            own = [name for name in names if name != key]
            reading = _Reading(path, [OTHER_UNITS.get(name, (name,))[0] for name in own], given=own)
            for row in (rows := csv.reader(file, delimiter=delimiter)):
                if any(cell.strip() for cell in row):
                    _read_row(reading, names, key, row, rows.line_num + 1)
    except UnicodeDecodeError as bad:
        raise InputError(f"{path}: not a text file in UTF-8 ({bad.reason}); save it as CSV in UTF-8") from bad
    except (OSError, csv.Error) as bad:
        raise InputError(f"{path}: cannot be read as a CSV file ({bad}); give a CSV file of weather") from bad
    return reading, monthly


def _check_header(path: Path, names: list[str]) -> tuple[str, bool]:
    """The name of the column that says when, and whether it is the month's."""
    known = ["date", "month", *LIMITS]
    for name in names:
        if name not in known and name not in OTHER_UNITS:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]}?" if near else "leave it out."
            raise InputError(f"{path}, line 1: unknown column {name!r}; {hint} Known are {', '.join(known)}")
        if names.count(name) > 1:
            raise InputError(f"{path}, line 1: column {name!r} stands there twice; leave one out")
        same = [n for n in names if n != name and _ours(n) == _ours(name)]
        if same:
            raise InputError(
                f"{path}, line 1: {name!r} and {same[0]!r} are the same in two units; leave one out"
            )
    names = [_ours(name) for name in names]
    keys = [name for name in ("date", "month") if name in names]
    if len(keys) != 1:
        raise InputError(
            f"{path}, line 1: needs a column `date` (daily) or `month` (normals), one of the two"
        )
    enough: tuple[set[str], ...] = ({"et0_mm"}, {"pan_mm"}, {"tmin_c", "tmax_c"}, {"temperature_c"})
    if not any(columns <= set(names) for columns in enough):
        raise InputError(
            f"{path}, line 1: nothing gives a reference ET; give tmin_c and tmax_c (of hours temperature_c), "
            "or et0_mm, or pan_mm"
        )
    return keys[0], keys[0] == "month"


def _ours(name: str) -> str:
    """Our name of a column that may be of another unit."""
    return OTHER_UNITS.get(name, (name,))[0]


def _read_row(reading: _Reading, names: list[str], key: str, row: list[str], line: int) -> None:
    if len(row) != len(names):
        reading.problems.append(f"line {line}: {len(row)} cells, the header has {len(names)}")
        return
    cells = dict(zip(names, (cell.strip() for cell in row), strict=True))
    day = _month(cells[key]) if key == "month" else _day(cells[key])
    if day is None:
        would_do = "a month 1 to 12" if key == "month" else "a date like 2019-05-31"
        reading.undated.append(f"line {line}, column {key}: {cells[key]!r} is not {would_do}")
        reading.problems.append(reading.undated[-1])
    times = "" if key == "month" else _time(cells[key])
    values = [
        _number(reading, name, cells[name], line, key == "month", bool(times)) for name in reading.given
    ]
    if day is not None:
        reading.days.append(day)
        reading.times.append(times)
        reading.values.append(values)


def _number(reading: _Reading, name: str, text: str, line: int, monthly: bool, of_hour: bool) -> float:
    if text.lower() in MISSING_TEXT:
        reading.missing += 1
        return math.nan
    try:
        value = float(text)
    except ValueError:
        reading.problems.append(
            f"line {line}, column {name}: {text!r} is not a number; write 12.3, or leave it blank"
        )
        return math.nan
    if value in MISSING_NUMBERS or math.isnan(value):
        reading.missing += 1
        return math.nan
    ours, times, less = OTHER_UNITS.get(name, (name, 1.0, 0.0))
    value = times * (value - less)
    least, greatest, would_do = LIMITS[ours]
    if monthly and ours == "rain_mm":
        greatest, would_do = MONTH_RAIN_MAX_MM, "mm a month"
    if of_hour and name == "radiation_w_m2":
        greatest, would_do = times * HOUR_W_M2_MAX, f"W/m2, up to {HOUR_W_M2_MAX:g} in an hour"
    if least <= value <= greatest:
        return value
    slack = SLACK.get(ours, 0.0)
    if least - slack <= value <= greatest + slack:
        reading.held += 1
        return min(max(value, least), greatest)
    reading.problems.append(
        f"line {line}, column {name}: {value:g} is impossible, not {least:g} to {greatest:g}; give {would_do}"
    )
    return math.nan


def _day(text: str) -> int | None:
    """Days since 1970-01-01."""
    day, _, _ = text.replace("/", "-").replace("T", " ").partition(" ")  # a time of day is left out
    try:
        when = date.fromisoformat(day)
    except ValueError:
        return None
    if not FIRST_YEAR <= when.year <= LAST_YEAR:
        return None
    return when.toordinal() - date(1970, 1, 1).toordinal()


def _time(text: str) -> str:
    """The time of day as it is written, empty where there is none."""
    return text.replace("T", " ").partition(" ")[2]


def _month(text: str) -> int | None:
    return int(text) if text.isdigit() and 1 <= int(text) <= 12 else None


def _check_place(path: Path, latitude_deg: float, altitude_m: float) -> None:
    if not -90.0 < latitude_deg < 90.0:
        raise InputError(
            f"{path}: latitude_deg is {latitude_deg}; give degrees between -90 and 90, south negative"
        )
    if not -450.0 <= altitude_m <= 7000.0:
        raise InputError(f"{path}: altitude_m is {altitude_m}; give metres above the sea, -450 to 7000")


def _told(reading: _Reading) -> str:
    if len(reading.undated) > PROBLEMS_SHOWN and not reading.days:  # one fault, not one a row
        alike = f"{reading.undated[0]}; nor is any of {len(reading.undated) - 1} others in this column"
        reading.problems = [alike, *(p for p in reading.problems if p not in set(reading.undated))]
    shown = reading.problems[:PROBLEMS_SHOWN]
    count = "1 problem" if len(reading.problems) == 1 else f"{len(reading.problems)} problems"
    more = len(reading.problems) - len(shown)
    lines = [f"{reading.path}: {count}", *(f"  - {p}" for p in shown)]
    return "\n".join([*lines, f"  - and {more} more"] if more else lines)


def _as_days(
    reading: _Reading, days: np.ndarray[tuple[int], np.dtype[np.int64]], table: Floats, path: Path
) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], Floats, list[Finding]]:
    """Days of a file of hours; a file of days as it is."""
    if not station_hours.are_hours(reading.days, reading.times):
        _check_power(reading, table, path)
        if "temperature_c" in reading.columns and "tmin_c" not in reading.columns:
            raise InputError(
                f"{path}: temperature_c is for hours, with a time of day in each row's date; a file of days "
                "needs tmin_c and tmax_c"
            )
        return days, table, []
    made = station_hours.to_days(reading.days, reading.times, reading.columns, reading.given, table)
    reading.columns = made.columns
    what = f"{path.name}: its {len(reading.days):,} rows are hours or shorter, {made.rows_a_day} a day"
    advice = (
        "they were made into days: extremes of temperature and humidity, sums of rain and radiation, means"
    )
    found = [_note(what, advice, len(reading.days), "rows")]
    if made.incomplete:
        what = f"{path.name}: {made.incomplete} days have too few hours"
        found.append(_note(what, "they count as missing", made.incomplete, "days"))
    return made.days, made.table, found


def _check_power(reading: _Reading, table: Floats, path: Path) -> None:
    """A day's radiation that only an hour can have: its row has a time, but is the only one of its day."""
    greatest = LIMITS["radiation_mj_m2"][1]
    for k, name in enumerate(reading.given):
        worst = np.nanmax(table[:, k], initial=0.0)
        if name == "radiation_w_m2" and worst > greatest + SLACK["radiation_mj_m2"]:
            raise InputError(
                f"{path}: column {name}: {worst / OTHER_UNITS[name][1]:.0f} W/m2 is no day's mean; "
                "give rows of hours, or the mean of the day"
            )


def _check_humidity(columns: dict[str, Floats], path: Path) -> None:
    """Air that is never moister than 1 %: the column holds shares of one."""
    for name in ("rh_max_pct", "rh_mean_pct", "rh_min_pct"):
        values = columns.get(name, np.empty(0))
        given = values[np.isfinite(values)]
        if given.size and 0.0 < given.max() <= 1.0:
            raise InputError(
                f"{path}: column {name}: no value is over {given.max():g}, as if 1 were moist air; "
                "give percent, 0 to 100"
            )


# ---- repairs, each told once ----------------------------------------------------------------------


def _told_missing(reading: _Reading, path: Path) -> list[Finding]:
    found = []
    turned = [name for name in reading.given if name in OTHER_UNITS]
    if turned:
        what = f"{path.name}: {len(turned)} columns are of other units ({', '.join(turned)})"
        names = ", ".join(OTHER_UNITS[name][0] for name in turned)
        found.append(_note(what, f"they were turned into {names}", len(turned), "columns"))
    if reading.missing:
        what = f"{path.name}: {reading.missing} values are missing"
        advice = "a missing value is estimated by the stated procedures, or its season is left out"
        found.append(_note(what, advice, reading.missing, "values"))
    if reading.held:
        what = f"{path.name}: {reading.held} values a little past their range were held to it"
        found.append(_note(what, "check the sensor", reading.held, "values"))
    return found


def _in_order(
    days: np.ndarray[tuple[int], np.dtype[np.int64]], table: Floats, path: Path, monthly: bool
) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], Floats, list[Finding]]:
    """Rows in the order of time, the first of each day."""
    found = []
    unsorted = int(np.count_nonzero(np.diff(days) < 0))
    if unsorted:
        what = f"{path.name}: {unsorted} rows stand before an earlier one"
        found.append(_note(what, "they were sorted", unsorted, "rows"))
    unique, first = np.unique(days, return_index=True)
    doubled = days.size - unique.size
    if doubled:
        what = f"{path.name}: {doubled} rows repeat a {'month' if monthly else 'day'} that is already there"
        found.append(
            _note(what, "the first row of each was taken; check which one is right", doubled, "rows")
        )
    return unique, table[first], found


def _swap_back(columns: dict[str, Floats], path: Path) -> list[Finding]:
    """Tmin over Tmax, or the humidities likewise: swapped back within the fresh columns."""
    found = []
    for low, high in (("tmin_c", "tmax_c"), ("rh_min_pct", "rh_max_pct")):
        if not {low, high} <= columns.keys():
            continue
        swapped = columns[low] > columns[high]
        count = int(np.count_nonzero(swapped))
        if count:
            least, most = columns[low].copy(), columns[high].copy()
            columns[low] = np.where(swapped, most, least)
            columns[high] = np.where(swapped, least, most)
            what = f"{path.name}: {low} is over {high} in {count} rows"
            found.append(_note(what, "the two were swapped back", count, "rows"))
    return found


def _without_gaps(
    dates: np.ndarray[tuple[int], np.dtype[np.datetime64]], columns: dict[str, Floats], path: Path
) -> tuple[np.ndarray[tuple[int], np.dtype[np.datetime64]], dict[str, Floats], list[Finding]]:
    """One row for every day from the first to the last, NaN where the file has none."""
    every = np.arange(dates[0], dates[-1] + np.timedelta64(1, "D"), dtype="datetime64[D]")
    absent = every.size - dates.size
    if not absent:
        return dates, columns, []
    place = (dates - dates[0]).astype(np.int64)
    full = {}
    for name, values in columns.items():
        full[name] = np.full(every.size, np.nan)
        full[name][place] = values
    what = f"{path.name}: {absent} days between the first and the last are absent"
    advice = "short gaps are bridged, a season with a longer one is left out; fill them where you can"
    return every, full, [_note(what, advice, absent, "days")]


def _note(what: str, advice: str, count: int, unit: str) -> Finding:
    return Finding("note", "input", what, "farm", advice, measured=float(count), unit=unit)
