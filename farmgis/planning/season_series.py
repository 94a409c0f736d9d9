"""The season's days and years as they are drawn, and how often a source falls short over the years."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.irrigation_calendar import IrrigationCalendar
from farmgis.planning.season_now import PastDays
from farmgis.planning.season_years import days_from
from farmgis.records import Farm, Field, Finding, Floats, Source
from farmgis.series import BlockSeries, CropYears, SeasonSeries, SourceSeries, SourceYears


def season_series(
    calendar: IrrigationCalendar,
    seasons: Mapping[str, BlockSeason],
    sources: Sequence[Source],
    fields: Mapping[str, Field],
    past: Mapping[str, PastDays],
) -> SeasonSeries:
    """Days of every block and source of the calendar, a block's with those before it; years of all."""
    gives = {s.source_id: s.flow_m3h * s.hours_per_day for s in sources}
    blocks = tuple(_with_past(_block(seasons[i], calendar), past.get(i)) for i in calendar.block_days)
    days = [
        SourceSeries(key, _dates(calendar, own.asked_m3.size), own.asked_m3, own.given_m3, gives.get(key))
        for key, own in calendar.source_days.items()
    ]
    of_source: dict[str, list[BlockSeason]] = {}
    for own_season in seasons.values():
        source_id = fields[own_season.facts.field_id].source_id
        if source_id is not None:
            of_source.setdefault(source_id, []).append(own_season)
    years = [y for s in sources if (y := _source_years(s, of_source.get(s.source_id, []))) is not None]
    return SeasonSeries(blocks, tuple(days), _crop_years(seasons, fields), tuple(years))


def find_short_years(series: SeasonSeries, farm: Farm) -> tuple[Finding, ...]:
    """How often each source falls short over the years of the weather."""
    found = []
    for own in series.source_years:
        short = own.short_years
        if not short:
            continue
        worst = max(own.peak_m3_day)
        years = ", ".join(map(str, short[:12])) + (" and more" if len(short) > 12 else "")
        what = (
            f"falls short in {len(short)} of {len(own.years)} years ({years}), by "
            f"peak or licence; the highest peak is {worst:,.0f} m3/day, it gives {own.available_m3_day:,.0f}"
        )
        advice = "see how far it is short in most of them: the soil carries a small shortage for some days"
        share = 100.0 * len(short) / len(own.years)
        limit = 100.0 - farm.season.exceedance_pct
        severity = "attention" if share > limit + 1e-9 else "note"
        found.append(Finding(severity, "supply", what, own.source_id, advice, share, limit, "% of years"))  # type: ignore[arg-type]
    return tuple(found)


def _dates(calendar: IrrigationCalendar, days: int) -> np.ndarray[tuple[int], np.dtype[np.datetime64]]:
    assert calendar.sowing is not None
    return days_from(calendar.sowing, days)


def _block(season: BlockSeason, calendar: IrrigationCalendar) -> BlockSeries:
    """The block's own days: from its sowing to its harvest."""
    own, demand = calendar.block_days[season.facts.block_id], season.demand
    part = slice(season.delay_days, season.delay_days + demand.dates.size)
    dates = _dates(calendar, own.given_mm.size)[part]
    return BlockSeries(
        season.facts.block_id, demand.crop, dates, demand.rain_mm, own.given_mm[part], own.depletion_mm[part],
        demand.readily_mm, demand.total_mm,
    )  # fmt: skip


def _with_past(series: BlockSeries, past: PastDays | None) -> BlockSeries:
    """The series with the days before the calendar's first."""
    if past is None:
        return series
    gone = past.rain_mm.size
    return BlockSeries(
        series.block_id,
        series.crop,
        np.concatenate((days_from(series.dates[0] - np.timedelta64(gone, "D"), gone), series.dates)),
        np.concatenate((past.rain_mm, series.rain_mm)),
        np.concatenate((past.irrigation_mm, series.irrigation_mm)),
        np.concatenate((past.depletion_mm, series.depletion_mm)),
        np.concatenate((past.readily_mm, series.readily_mm)),
        np.concatenate((past.total_mm, series.total_mm)),
    )


def _crop_years(seasons: Mapping[str, BlockSeason], fields: Mapping[str, Field]) -> tuple[CropYears, ...]:
    made: dict[tuple[str, str], CropYears] = {}
    for season in seasons.values():
        demand, soil = season.demand, fields[season.facts.field_id].soil.name
        if demand.design_year is not None and (demand.crop, soil) not in made:
            made[demand.crop, soil] = CropYears(
                demand.crop, soil, demand.years, demand.season_net_mm, demand.peak_net_mm, demand.design_year
            )
    return tuple(made.values())


def _source_years(source: Source, seasons: Sequence[BlockSeason]) -> SourceYears | None:
    """What the source's blocks need in each year that all of their crops have; None where there is none."""
    computed = [s for s in seasons if s.demand.years]
    if not computed:
        return None
    years = sorted(set.intersection(*(set(s.demand.years) for s in computed)))
    if not years:
        return None
    season = sum((_of_years(s, s.demand.season_net_mm, years) for s in computed), np.zeros(len(years)))
    peak = sum((_of_years(s, s.demand.peak_net_mm, years) for s in computed), np.zeros(len(years)))
    season = season + sum(_germination_m3(s) for s in computed)
    return SourceYears(
        source.source_id, tuple(years), tuple(season.tolist()), tuple(peak.tolist()),
        source.flow_m3h * source.hours_per_day, source.licence_m3,
    )  # fmt: skip


def _of_years(season: BlockSeason, net_mm: Sequence[float], years: Sequence[int]) -> Floats:
    """Gross volumes of those years. [m3]"""
    by_year = dict(zip(season.demand.years, net_mm, strict=True))
    factor = season.gross_factor * 10.0 * season.facts.area_ha
    return np.array([by_year[year] for year in years]) * factor


def _germination_m3(season: BlockSeason) -> float:
    """What germination takes beyond the net of it that `season_net_mm` holds already, at the same factor."""
    stored = float(season.demand.dose_net_mm.sum()) * season.gross_factor
    return ((season.need.germination_mm or 0.0) - stored) * 10.0 * season.facts.area_ha
