"""A season re-planned from today: the soil of this morning, and rain that moves the irrigations."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.demand import block_demand, crop_demand
from farmgis.planning.season import BlockRun, plan_season
from farmgis.records import BlockFacts, Design, Farm, GivenWater, Season, Shift, Source, StageShares, Weather
from farmgis.tables import reader

MAIZE, LOAM = reader.crop("maize"), reader.soil("loam")
DESIGN = Design()
DEFICIT = Design(deficit_need=StageShares(development_pct=50.0, late_pct=60.0))
SOWING, TODAY = date(2026, 4, 25), date(2026, 7, 1)
DAYS_GONE = (TODAY - SOWING).days


def years(et0=5.0, first="2001-01-01", last="2012-01-01", rain=0.0):
    dates = np.arange(first, last, dtype="datetime64[D]")
    columns = {"et0_mm": np.full(dates.size, et0), "rain_mm": np.full(dates.size, rain)}
    return Weather("daily", dates, columns, 40.0, 0.0)


def this_year(rain=None, et0=5.0, last="2026-07-01"):
    made = years(et0, "2026-01-01", last)
    for day, mm in (rain or {}).items():
        made.columns["rain_mm"][made.dates == np.datetime64(day)] = mm
    return made


def planned(
    square_field, this=None, today=None, sown="moist", given=(), zones=1, design=DESIGN, weather=None, **more
):
    season = Season(sowing=SOWING, sown=sown, today=today)
    field = replace(square_field(design=design), soil=LOAM, source_id="river")
    weather = weather or years()
    demand = crop_demand(MAIZE, LOAM, design, season, weather)
    seasons, shifts, runs = {}, [], {}
    for n in range(1, zones + 1):
        block = BlockFacts(f"A-B{n}", "A", None, 5.0, 100.0, 90.0)
        need = block_demand(demand, 90.0, 5.0, block.application_mm_h)
        seasons[block.block_id] = BlockSeason(block, demand, need)
        shifts.append(Shift("river", n, (block.block_id,), 100.0))
        runs[block.block_id] = BlockRun(30, 20.0)
    farm = Farm(
        "F", "EPSG:32610", (field,), None, (Source("river", 0.0, 0.0, None, 100.0, 22.0),), (), weather,
        season, this_year=this, given=given, **more,
    )  # fmt: skip
    return plan_season(farm, shifts, seasons, runs, 20.0)


def refills(plan):
    return [i for i in plan.calendar.irrigations if i.purpose.startswith("refill")]


def test_monthly_normals_stand_for_the_days_to_come(square_field):
    # 5 mm a day without rain, by months or by days, are the same days
    months = np.arange("2001-01", "2002-01", dtype="datetime64[M]").astype("datetime64[D]")
    normals = Weather("normals", months, {"et0_mm": np.full(12, 5.0), "rain_mm": np.zeros(12)}, 40.0, 0.0)
    daily = planned(square_field, this_year())
    monthly = planned(square_field, this_year(), weather=normals)
    assert refills(monthly)[0].date >= TODAY
    assert [(i.date, i.volume_m3) for i in refills(monthly)] == [
        (i.date, pytest.approx(i.volume_m3)) for i in refills(daily)
    ]


@pytest.mark.parametrize("design", [DESIGN, DEFICIT])
def test_this_year_like_the_design_year_changes_nothing_from_today_on(square_field, design):
    usual, now = planned(square_field, design=design), planned(square_field, this_year(), design=design)
    later = [i for i in refills(usual) if (i.date.month, i.date.day) >= (7, 1)]
    assert [(i.date.month, i.date.day, i.start) for i in refills(now)] == [
        (i.date.month, i.date.day, i.start) for i in later
    ]
    assert [i.volume_m3 for i in refills(now)] == pytest.approx([i.volume_m3 for i in later])
    assert {i.date.year for i in refills(now)} == {2026}
    assert now.shift_days == 0
    # the days before are kept to be drawn
    (series,) = now.series.blocks
    assert series.dates[0] == np.datetime64(SOWING)
    assert series.dates.size == usual.series.blocks[0].dates.size == 150
    np.testing.assert_allclose(series.depletion_mm, usual.series.blocks[0].depletion_mm, atol=1e-6)


def test_rain_moves_irrigations(square_field):
    dry = planned(square_field, this_year())
    wet = planned(square_field, this_year({"2026-06-30": 30.0}))
    assert refills(wet)[0].date > refills(dry)[0].date
    assert refills(wet)[0].date > TODAY
    # 30 mm fell on a soil that lacked less: no more than that is saved
    saved = sum(i.volume_m3 for i in refills(dry)) - sum(i.volume_m3 for i in refills(wet))
    assert 0.0 < saved <= 30.0 / 0.9 * 10.0 * 5.0


def test_a_hotter_year_leaves_the_soil_drier_and_is_told(square_field):
    usual, hot = planned(square_field, this_year()), planned(square_field, this_year(et0=8.0))
    lacks = [next(f for f in p.findings if "re-planned" in f.what).measured for p in (usual, hot)]
    assert lacks[1] > lacks[0]
    assert refills(hot)[0].volume_m3 > refills(usual)[0].volume_m3


def test_irrigations_that_were_not_given_are_lacking_today(square_field):
    # nothing was given in the ten days before today: 10 days of 5 mm at Kc 1.06 to 1.20
    first = [i for i in planned(square_field).calendar.irrigations if (i.date.month, i.date.day) < (6, 21)]
    kept = tuple(GivenWater(i.date.replace(year=2026), i.zone_id, i.volume_m3) for i in first)
    stopped = planned(square_field, this_year(), given=kept)
    (told,) = (f for f in stopped.findings if "re-planned" in f.what)
    assert told.severity == "attention"
    assert told.measured > 100.0
    assert refills(stopped)[0].date == TODAY
    assert refills(stopped)[0].gross_mm > 2.0 * 5.0 * 3.0
    assert any(a.key == "irrigations_until_today" and "given" in a.value for a in stopped.assumptions)


def test_irrigations_given_as_planned_are_as_if_due(square_field):
    before = [i for i in planned(square_field).calendar.irrigations if (i.date.month, i.date.day) < (7, 1)]
    kept = tuple(GivenWater(i.date.replace(year=2026), i.zone_id, i.volume_m3) for i in before)
    due, given = planned(square_field, this_year()), planned(square_field, this_year(), given=kept)
    assert [i.volume_m3 for i in refills(given)] == pytest.approx([i.volume_m3 for i in refills(due)])


def test_given_water_that_reaches_no_soil_is_told(square_field):
    # a zone of an older plan, and the dates of the design year's calendar: 500 + 2 x 300 m3
    kept = tuple(GivenWater(date(*d), zone, m3) for d, zone, m3 in (
        ((2026, 6, 1), "river-Z07", 500.0), ((2009, 6, 1), "river-Z01", 300.0),
        ((2009, 6, 4), "river-Z01", 300.0), ((2026, 6, 4), "river-Z01", 400.0),
    ))  # fmt: skip
    found = [f for f in planned(square_field, this_year(), given=kept).findings if "given_file" in f.what]
    assert [(f.severity, f.measured) for f in found] == [("attention", 1100.0)]
    assert "500 m3 of zones that are not in this plan (river-Z07)" in found[0].what
    assert "600 m3 of days before sowing" in found[0].what
    good = tuple(w for w in kept if w.date.year == 2026 and w.zone_id == "river-Z01")
    plan = planned(square_field, this_year(), given=good)
    assert not [f for f in plan.findings if "given_file" in f.what]


def test_today_within_germination_gives_what_is_still_to_come(square_field):
    plan = planned(square_field, this_year(last="2026-04-27"), sown="dry", zones=2)
    doses = [i for i in plan.calendar.irrigations if i.purpose.startswith("germination")]
    assert {i.purpose[:20] for i in doses} == {"germination, dose 2 ", "germination, dose 3 "}
    # two doses of 400 m3/ha on two zones of 5 ha
    assert sum(i.volume_m3 for i in doses) == pytest.approx(2 * 2 * 5.0 * 400.0)
    assert min(i.date for i in doses) == date(2026, 4, 29)


def test_germination_that_is_over_is_no_longer_told(square_field):
    usual, early, late = (
        planned(square_field, this, sown="dry") for this in (None, this_year(last="2026-04-27"), this_year())
    )
    for plan, told in ((usual, True), (early, True), (late, False)):
        assert any(f.what.startswith("germination in dry soil") for f in plan.findings) is told


def test_tasks_that_are_over_are_gone(square_field):
    plan = planned(square_field, this_year())
    assert plan.tasks
    assert all(t.end_date >= TODAY for t in plan.tasks)
    assert not {"sow", "lay line"} & {t.task for t in plan.tasks}
    assert {"harvest", "take up line"} <= {t.task for t in plan.tasks}


@pytest.mark.parametrize("day", [date(2026, 3, 1), date(2026, 12, 1)])
def test_out_of_season_the_design_year_stands_and_that_is_told(square_field, day):
    plan = planned(square_field, this_year(), today=day)
    (found,) = (f.what for f in plan.findings if "lies in no season" in f.what)
    over, following = (2025, 2026) if day.month < 4 else (2026, 2027)
    assert f"the one sown on 25 April {over} is over, the next is sown on 25 April {following}" in found
    assert refills(plan)[0].date.year < 2026


def test_today_is_the_day_after_the_last_of_the_file(square_field):
    plan = planned(square_field, this_year(last="2026-06-15"))
    assert min(i.date for i in plan.calendar.irrigations) >= date(2026, 6, 15)
    assert any("15 June 2026" in f.what for f in plan.findings)
    # a later day than the file reaches: the design year's days stand in, and that is told
    plan = planned(square_field, this_year(last="2026-06-15"), today=TODAY)
    assert any(f.measured == 16.0 and "stand in" in f.what for f in plan.findings)
