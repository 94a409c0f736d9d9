"""The weather laid into growing seasons: one column a year, one row a day of the season."""

from __future__ import annotations

import calendar
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from farmgis.agronomy.effective_rain import monthly_scs_mm
from farmgis.agronomy.reference_et import least_humidity_pct, reference_et_mm
from farmgis.records import Assumption, Finding, Floats, Season, Weather

GAP_DAYS_MAX = 3  # a longer gap within a season leaves the year out
NORMALS_YEAR = 2001
DAYS_BEFORE = 60  # from which the seed bed at sowing is reckoned; it starts full (common practice)


@dataclass(frozen=True)
class DailyWeather:
    """Every day of the weather from its first: reference ET (NaN in long gaps) and rain. [mm]"""

    first_day: np.datetime64
    et0_mm: Floats
    rain_mm: Floats


@dataclass(frozen=True)
class SeasonYears:
    """Seasons of all years that the weather covers. Arrays have shape (days, years).

    `years` are those of sowing. `rain_mm` is a day's rain or, from normals, its share of the month's
    effective rain. `wind_m_s` and `rh_min_pct` are None where the weather does not tell them.
    """

    years: tuple[int, ...]
    dates: NDArray[np.datetime64]
    et0_mm: Floats
    rain_mm: Floats
    wind_m_s: Floats | None
    rh_min_pct: Floats | None
    findings: tuple[Finding, ...]
    assumptions: tuple[Assumption, ...]
    days: DailyWeather | None = None
    tmin_c: Floats | None = None
    tmax_c: Floats | None = None

    def days_before(self, column: int) -> tuple[Floats, Floats] | None:
        """Reference ET and rain of the days before a season [mm], None where few of them are known."""
        if self.days is None:
            return None
        end = int((self.dates[0, column] - self.days.first_day).astype(np.int64))
        part = slice(max(end - DAYS_BEFORE, 0), end)
        et0, rain = self.days.et0_mm[part], self.days.rain_mm[part]
        if et0.size < DAYS_BEFORE // 2 or np.isnan(et0).any():
            return None
        return et0, rain

    def only(self, year: int) -> SeasonYears:
        """The season of one year; none where it is not among them."""
        keep = [k for k, own in enumerate(self.years) if own == year]

        def of(values: Floats | None) -> Floats | None:
            return None if values is None else values[:, keep]

        return replace(
            self,
            years=tuple(self.years[k] for k in keep),
            dates=self.dates[:, keep],
            et0_mm=self.et0_mm[:, keep],
            rain_mm=self.rain_mm[:, keep],
            wind_m_s=of(self.wind_m_s),
            rh_min_pct=of(self.rh_min_pct),
            tmin_c=of(self.tmin_c),
            tmax_c=of(self.tmax_c),
        )


def days_from(first: date | np.datetime64, count: int) -> NDArray[np.datetime64]:
    """So many days, from a first one on."""
    days = np.arange(count).astype("timedelta64[D]")
    return np.asarray(np.datetime64(str(first), "D") + days)


def sowing_day(season: Season, latitude_deg: float) -> tuple[date, Assumption]:
    """Sowing, or the start of the season of an orchard; its year counts for normals only.

    Without one: 15 April north of the equator, 15 October south of it (common practice for spring crops).
    """
    if season.sowing is not None:
        return season.sowing, Assumption("sowing", season.sowing.isoformat(), "date", "given", "user")
    spring = date(NORMALS_YEAR, 4, 15) if latitude_deg >= 0.0 else date(NORMALS_YEAR, 10, 15)
    said = "spring of the hemisphere: 15 April north of the equator, 15 October south of it"
    return spring, Assumption("sowing", f"{spring:%m-%d}", "month-day", said, "common practice")


def season_years(weather: Weather, sowing: date, season_days: int) -> SeasonYears:
    """The weather's seasons of that length; `years` is empty where it covers none."""
    if weather.basis == "normals":
        return _from_normals(weather, *reference_et_mm(weather), sowing, season_days)
    return _from_days(weather, sowing, season_days)


# ---- daily weather --------------------------------------------------------------------------------


def daily_weather(weather: Weather) -> tuple[DailyWeather, str, list[Finding]]:
    """Every day of daily weather, what its reference ET rests on, and what was repaired."""
    et0, said = reference_et_mm(weather)
    first_day = weather.dates[0].astype("datetime64[D]")
    place = (weather.dates.astype("datetime64[D]") - first_day).astype(np.int64)
    total = int(place[-1]) + 1
    et0_full, bridged = _bridge(_on_every_day(place, total, et0))
    rain, told = _rain(weather, place, total)
    return DailyWeather(first_day, et0_full, rain), said, _told_bridged(bridged) + told


def _from_days(weather: Weather, sowing: date, season_days: int) -> SeasonYears:
    days, said, findings = daily_weather(weather)
    first_day, total = days.first_day, days.et0_mm.size
    place = (weather.dates.astype("datetime64[D]") - first_day).astype(np.int64)
    starts = _covered_starts(first_day, total, sowing, season_days)
    index = np.array([begin for _, begin in starts], dtype=np.int64) + np.arange(season_days)[:, None]
    whole = ~np.isnan(days.et0_mm[index]).any(axis=0) if starts else np.zeros(0, dtype=bool)
    out = [year for (year, _), ok in zip(starts, whole, strict=True) if not ok]
    if out:
        findings.append(_told_left_out(out))
    index = index[:, whole]
    wind = weather.columns.get("wind_2m_m_s")

    def of(values: Floats | None) -> Floats | None:
        return None if values is None else _on_every_day(place, total, values)[index]

    return SeasonYears(
        years=tuple(year for (year, _), ok in zip(starts, whole, strict=True) if ok),
        dates=first_day + index.astype("timedelta64[D]"),
        et0_mm=days.et0_mm[index],
        rain_mm=days.rain_mm[index],
        wind_m_s=of(wind),
        rh_min_pct=_least_humidity_pct(weather, place, total, index),
        tmin_c=of(weather.columns.get("tmin_c")),
        tmax_c=of(weather.columns.get("tmax_c")),
        findings=tuple(findings),
        assumptions=(
            Assumption("reference_et", said, "", "FAO-56 chapters 2 to 4", "published"),
            Assumption(
                "gaps_bridged", str(GAP_DAYS_MAX), "days at most", "by a straight line", "common practice"
            ),
        ),
        days=days,
    )


def _least_humidity_pct(
    weather: Weather, place: NDArray[np.int64], total: int, index: NDArray[np.int64]
) -> Floats | None:
    """Least humidity of the seasons' days alone: half of the year or more is not asked for. [%]"""
    asked = np.zeros(total, dtype=bool)
    asked[index] = True
    rows = asked[place]
    columns = {name: values[rows] for name, values in weather.columns.items()}
    humidity = least_humidity_pct(replace(weather, dates=weather.dates[rows], columns=columns))
    return None if humidity is None else _on_every_day(place[rows], total, humidity)[index]


def _covered_starts(
    first_day: np.datetime64, total: int, sowing: date, season_days: int
) -> list[tuple[int, int]]:
    """Year of sowing and index of its first day, of seasons that lie wholly within the days."""
    first: date = first_day.astype(date)
    starts = []
    for year in range(first.year, (first + timedelta(days=total)).year + 1):
        begin = (same_day(sowing, year) - first).days
        if begin >= 0 and begin + season_days <= total:
            starts.append((year, begin))
    return starts


def same_day(day: date, year: int) -> date:
    """That day in another year, 28 February for the 29th where there is none."""
    if day.month == 2 and day.day == 29 and not calendar.isleap(year):
        return date(year, 2, 28)
    return day.replace(year=year)


def _on_every_day(place: NDArray[np.int64], total: int, values: Floats) -> Floats:
    every = np.full(total, np.nan)
    every[place] = values
    return every


def _bridge(values: Floats) -> tuple[Floats, int]:
    """Gaps of up to GAP_DAYS_MAX days filled by a straight line, and how many days that were."""
    missing = np.isnan(values)
    if not missing.any() or missing.all():
        return values, 0
    edge = np.diff(np.concatenate(([0], missing.astype(np.int8), [0])))
    begins, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    inside = (begins > 0) & (ends < values.size) & (ends - begins <= GAP_DAYS_MAX)
    short = np.zeros_like(missing)
    for begin, end in zip(begins[inside], ends[inside], strict=True):
        short[begin:end] = True
    known = np.flatnonzero(~missing)
    filled = values.copy()
    filled[short] = np.interp(np.flatnonzero(short), known, values[known])
    return filled, int(short.sum())


def _rain(weather: Weather, place: NDArray[np.int64], total: int) -> tuple[Floats, list[Finding]]:
    """Rain of every day; where it is not known none is counted, which errs to more irrigation."""
    if "rain_mm" not in weather.columns:
        advice = "give a column rain_mm: the need is then smaller"
        return np.zeros(total), [
            Finding("attention", "demand", "no rain was given, none counted", "farm", advice)
        ]
    rain = _on_every_day(place, total, weather.columns["rain_mm"])
    missing = int(np.isnan(rain).sum())
    if not missing:
        return rain, []
    what = f"rain is missing on {missing} days, none was counted there"
    advice = "fill them where you can: the need may be smaller"
    return np.nan_to_num(rain), [Finding("note", "demand", what, "farm", advice, float(missing), unit="days")]


def _told_bridged(days: int) -> list[Finding]:
    if not days:
        return []
    what = (
        f"reference ET is missing on {days} days in gaps of up to {GAP_DAYS_MAX}: bridged by a straight line"
    )
    return [Finding("note", "demand", what, "farm", "fill them where you can", float(days), unit="days")]


def _told_left_out(years: list[int]) -> Finding:
    named = ", ".join(str(year) for year in years)
    lacking = "1 season has" if len(years) == 1 else f"{len(years)} seasons have"
    what = f"{lacking} gaps of over {GAP_DAYS_MAX} days, left out: {named}"
    advice = "fill the gaps from a neighbouring station, or accept the fewer years"
    return Finding("attention", "demand", what, "farm", advice, float(len(years)), unit="years")


# ---- monthly normals ------------------------------------------------------------------------------


def _from_normals(weather: Weather, et0: Floats, said: str, sowing: date, season_days: int) -> SeasonYears:
    """One season in a year that stands for the average: each day has its month's values."""
    dates = days_from(sowing, season_days)
    month = dates.astype("datetime64[M]").astype(np.int64) % 12
    by_month = {int(m): k for k, m in enumerate(weather.dates.astype("datetime64[M]").astype(np.int64) % 12)}
    row = np.array([by_month[int(m)] for m in month], dtype=np.int64)
    days_in = np.array(
        [calendar.monthrange(d.year, d.month)[1] for d in dates.astype(object)], dtype=np.float64
    )
    findings = [_told_normals()]
    rain = np.zeros(season_days)
    if "rain_mm" in weather.columns:
        rain = monthly_scs_mm(np.nan_to_num(weather.columns["rain_mm"]))[row] / days_in
    else:
        advice = "give a column rain_mm: the need is then smaller"
        findings.append(Finding("attention", "demand", "no rain was given, none counted", "farm", advice))
    wind, humidity = weather.columns.get("wind_2m_m_s"), least_humidity_pct(weather)
    whole = not np.isnan(et0[row]).any()
    column = (slice(None), [0] if whole else [])
    return SeasonYears(
        years=(sowing.year,) if whole else (),
        dates=dates[:, None][column],
        et0_mm=et0[row][:, None][column],
        rain_mm=rain[:, None][column],
        wind_m_s=None if wind is None else wind[row][:, None][column],
        rh_min_pct=None if humidity is None else humidity[row][:, None][column],
        findings=tuple(findings),
        assumptions=(
            Assumption("reference_et", said, "", "FAO-56 chapters 2 to 4", "published"),
            Assumption(
                "days_of_a_month", "each has the month's mean ET0", "", "stated way", "common practice"
            ),
            Assumption(
                "effective_rain",
                "USDA-SCS in FAO's monthly form, spread evenly over the month",
                "",
                "USDA Soil Conservation Service",
                "published",
            ),
        ),
    )


def _told_normals() -> Finding:
    return Finding(
        "attention",
        "demand",
        "monthly normals give the season and the peak of an average year: drier years need more",
        "farm",
        "give daily weather of ten years or more for values that 80 % of the years do not exceed",
    )
