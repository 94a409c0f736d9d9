"""The irrigation calendar: laws against the season's demand, days worked by hand, and short sources."""

import itertools
import re
from collections import defaultdict
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from farmgis.planning import irrigation_calendar, turns
from farmgis.planning.demand import block_demand, crop_demand
from farmgis.planning.irrigation_calendar import BlockSeason, season_calendar
from farmgis.planning.season import find_one_sowing
from farmgis.planning.source_season import SourceSeason
from farmgis.records import BlockFacts, Design, Season, Shift, Source, StageShares, Weather
from farmgis.tables import reader

DESIGN = Design()
LOAM = reader.soil("loam")
# moist soil, irrigated from the first interval on: days that can be counted by hand
AT_ONCE = Season(sown="moist", emergence_days=0, regular_after_days=0)


def weather(et0=6.0, rain=None):
    dates = np.arange("2001-01-01", "2011-01-01", dtype="datetime64[D]")
    columns = {
        "et0_mm": np.full(dates.size, et0),
        "rain_mm": np.zeros(dates.size) if rain is None else rain(dates),
    }
    return Weather("daily", dates, columns, 40.0, 0.0)


def stormy(dates):
    chance = np.random.default_rng(4)
    return np.where(chance.random(dates.size) < 0.1, chance.exponential(8.0, dates.size), 0.0)


def farm_of(
    shifts, flow_m3h=100.0, hours=20.0, crops=("maize",), area_ha=5.0, season=AT_ONCE, design=DESIGN, **more
):
    """Shifts of blocks of a hundred cubic metres an hour in all; returns what season_calendar takes."""
    seasons, groups = {}, []
    told = weather(**more)
    for number in range(1, shifts + 1):
        ids = []
        for i, crop in enumerate(crops):
            block = BlockFacts(f"A-B{number}{i}", "A", None, area_ha, 100.0 / len(crops), 90.0)
            demand = crop_demand(reader.crop(crop), LOAM, design, season, told)
            need = block_demand(demand, 90.0, area_ha, block.application_mm_h)
            seasons[block.block_id] = BlockSeason(block, demand, need)
            ids.append(block.block_id)
        groups.append(Shift("river", number, tuple(ids), 100.0))
    return groups, seasons, [Source("river", 0.0, 0.0, None, flow_m3h, hours)], 20.0


def asked(seasons):
    return sum(s.need.gross_m3 for s in seasons.values())


@pytest.mark.parametrize("rain", [None, stormy])
def test_volumes_are_those_of_the_seasons_demand(rain):
    # four zones that each run up to 4 h fit into every day
    shifts, seasons, sources, hours = farm_of(4, rain=rain, crops=("maize", "sunflower"), area_ha=0.7)
    calendar = season_calendar(shifts, seasons, sources, hours)
    assert calendar.findings == ()
    assert max(i.hours for i in calendar.irrigations) < 5.0
    assert sum(i.volume_m3 for i in calendar.irrigations) == pytest.approx(asked(seasons), rel=1e-9)
    for block_id, season in seasons.items():
        assert calendar.given_m3[block_id] == pytest.approx(season.need.gross_m3, rel=1e-9)
        assert calendar.lost_et_mm[block_id] < 0.01 * season.need.et_crop_mm


def test_days_of_soil_and_source_are_the_calendars():
    shifts, seasons, sources, hours = farm_of(1, rain=stormy, season=Season(sown="moist"))
    calendar = season_calendar(shifts, seasons, sources, hours)
    for block_id, days in calendar.block_days.items():
        demand = seasons[block_id].demand
        assert days.given_mm.sum() == pytest.approx(demand.net_mm.sum())
        # all water comes in time: the soil is where the balance of the demand has it
        np.testing.assert_allclose(days.depletion_mm[-1], demand.depletion_mm[-1], atol=0.01)
    (source,) = calendar.source_days.values()
    assert source.given_m3.sum() == pytest.approx(source.asked_m3.sum())
    assert source.given_m3.max() <= 100.0 * 20.0 + 1e-6


def test_months_of_the_calendar_are_those_of_demand_periods():
    shifts, seasons, sources, hours = farm_of(1)
    calendar = season_calendar(shifts, seasons, sources, hours)
    months = defaultdict(float)
    for i in calendar.irrigations:
        months[i.date.replace(day=1)] += i.volume_m3
    for period in seasons["A-B10"].need.periods:
        assert months[period.period_start.replace(day=1)] == pytest.approx(period.gross_m3)


def test_first_irrigation_and_a_midseason_one_by_hand():
    # 6 mm/day at Kc 0.3 is 1.8 a day; three days are 5.4 net, over 0.90 are 6.0 gross: 300 m3 on 5 ha,
    # 3.00 h at 100 m3/h; on the third day after sowing on 15 April, from 04:00 with 20 h a day
    shifts, seasons, sources, hours = farm_of(2)
    first, second = season_calendar(shifts, seasons, sources, hours).irrigations[:2]
    assert (first.date.month, first.date.day, first.start) == (4, 18, "04:00")
    assert first.gross_mm == pytest.approx(6.0)
    assert first.volume_m3 == pytest.approx(300.0)
    assert first.hours == pytest.approx(3.0)
    assert (second.date, second.zone_id, second.start) == (first.date, "river-Z02", "07:00")
    # at Kc 1.20 three days are 21.6 net, 24 gross: 1200 m3, 12 h; the second zone has 8 h, 4 the next day
    peak = [
        i for i in season_calendar(shifts, seasons, sources, hours).irrigations if i.date.month == 7
    ]  # the middle stage is 24 June to 12 August
    assert peak[0].hours == pytest.approx(12.0)
    assert [i.hours for i in peak[1:3]] == pytest.approx([8.0, 4.0])
    assert [i.purpose for i in peak[:3]] == ["refill", "refill, to be continued", "refill"]
    assert peak[2].start == "04:00"
    assert (peak[2].date - peak[1].date).days == 1


def test_one_zone_at_a_time_within_the_hours():
    shifts, seasons, sources, hours = farm_of(5, rain=stormy)
    by_day = defaultdict(list)
    for i in season_calendar(shifts, seasons, sources, hours).irrigations:
        clock = int(i.start[:2]) + int(i.start[3:]) / 60.0
        by_day[i.date].append((clock, clock + i.hours))
    for runs in by_day.values():
        runs.sort()
        assert sum(end - start for start, end in runs) <= 20.0 + 1e-9
        assert runs[0][0] >= 4.0
        assert runs[-1][1] <= 24.0 + 1.0 / 60.0
        for before, after in itertools.pairwise(runs):
            assert after[0] >= before[1] - 1.0 / 60.0  # the start is told to the minute


def test_halved_hours_move_dates_and_show_stress():
    # four zones need 4 x 12 h in three days of the peak: 20 h a day suffice, 10 do not
    whole = season_calendar(*farm_of(4, hours=20.0))
    shifts, seasons, sources, hours = farm_of(4, hours=10.0)
    halved = season_calendar(shifts, seasons, sources, hours)
    assert {i.date for i in halved.irrigations} - {i.date for i in whole.irrigations}
    assert whole.findings == ()
    (found,) = halved.findings
    assert found.where_id == "river"
    assert found.measured == pytest.approx(max(halved.lost_et_mm.values()))
    assert found.measured > 10.0
    given = sum(halved.given_m3.values())
    assert given < asked(seasons)
    missing = float(re.search(r"([\d,]+) m3 of the season's need", found.what)[1].replace(",", ""))
    assert missing == float(f"{asked(seasons) - given:.3g}")  # a sentence carries three figures
    # no block is given more than its crop can use: what it lost in ET it also was not given
    assert given <= asked(seasons) - 0.5 * 50.0 * sum(halved.lost_et_mm.values()) / 0.9


def test_zones_of_a_short_source_take_turns_and_lose_alike(monkeypatch):
    """Four like zones, 10 h a day: in an interval of 3 days each has 7.5 h, though 12 are due at the peak."""
    shifts, seasons, sources, hours = farm_of(4, hours=10.0)
    calendar = season_calendar(shifts, seasons, sources, hours)
    order = [(i.zone_id, i.hours) for i in calendar.irrigations if i.date.month == 7]
    lengths = [sum(h for _, h in turn) for _, turn in itertools.groupby(order, key=lambda o: o[0])]
    assert max(lengths) == pytest.approx(7.5)
    assert {i.purpose for i in calendar.irrigations} == {
        "refill", "refill, to be continued", "refill in part"
    }  # fmt: skip
    zones = [zone for zone, _ in itertools.groupby(order, key=lambda o: o[0])]
    assert all(len(set(four)) == 4 for four in zip(zones, zones[1:], zones[2:], zones[3:], strict=False))
    lost = np.array(list(calendar.lost_et_mm.values()))
    assert np.ptp(lost) < 3 * 6.0 * 1.2  # what the crop takes in an interval at the peak
    # a soil that is filled while others are under stress: the same hours lose more, and more unevenly
    monkeypatch.setattr(turns, "LEAST_TURN_H", np.inf)
    filled = season_calendar(shifts, seasons, sources, hours)
    assert sum(filled.given_m3.values()) < sum(calendar.given_m3.values())
    assert sum(filled.lost_et_mm.values()) > sum(calendar.lost_et_mm.values())
    assert max(filled.lost_et_mm.values()) > lost.max()


def test_a_block_that_rounding_leaves_waiting_opens_no_valve():
    """A billionth of an hour is no irrigation: the depth is that of the block that runs."""
    shifts, seasons, _, hours = farm_of(1, crops=("maize", "sunflower"))
    own = SourceSeason.of(shifts, seasons, hours, 100.0, [])
    queue = turns.Queue([0], np.array([4.0, 1e-9]), np.zeros(2))
    _, (run,) = queue.run_day(own, 0.0)
    row = irrigation_calendar._row(own, date(2010, 7, 1), run)
    assert row.blocks == "A-B10 4.0 h"
    assert row.gross_mm == pytest.approx(4.0 * 50.0 / 5.0 / 10.0, rel=1e-6)


def test_a_zone_that_lacks_nothing_any_more_holds_up_no_other():
    """Rain has given the first zone what it waited for: the day's hours are the next one's."""
    shifts, seasons, _, hours = farm_of(2)
    own = SourceSeason.of(shifts, seasons, hours, 100.0, [])
    queue = turns.Queue([0, 1], np.array([0.0, 5.0]), np.zeros(2))
    given, runs = queue.run_day(own, 0.0)
    assert given.tolist() == [0.0, 5.0]
    assert [r.zone for r in runs] == [1]
    assert queue.zones == []


@pytest.mark.parametrize(("flow_m3h", "told"), [(120.0, True), (110.0, False), (140.0, False)])
def test_one_zone_less_is_told_of_where_the_source_comes_near_it(flow_m3h, told):
    """Four zones of 100 m3/h are three of 133.3: within 15 % of 120, not of 110; 140 has room for them."""
    calendar = season_calendar(*farm_of(4, flow_m3h=flow_m3h, hours=10.0))
    (found,) = calendar.findings
    assert ("133 m3/h in place of 120, 3 zones would do, each with 33 % more time" in found.advice) == told


@pytest.mark.parametrize(
    ("flow_m3h", "told"),
    [
        (102.0, "less land from it"),  # 2 % left over
        (120.0, "The zones take 100 of its 120 m3/h on average: lines of up to 20 % more flow would"),
        (
            140.0,
            "The zones take 100 of its 140 m3/h on average: blocks of another size",
        ),  # 3 x 140 is over 400
    ],
)
def test_flow_that_zones_leave_over_is_told_with_what_would_use_it(flow_m3h, told):
    (found,) = season_calendar(*farm_of(4, flow_m3h=flow_m3h, hours=10.0)).findings
    assert told in found.advice
    assert ("The zones take" in found.advice) == (flow_m3h > 105.0)


def test_yield_goes_with_the_water_that_comes_late():
    shifts, seasons, sources, hours = farm_of(4, hours=10.0)
    halved = season_calendar(shifts, seasons, sources, hours)
    for block_id, season in seasons.items():
        # no stage answers more than 1.5 (FAO-33), and none takes less in full than the least of them
        least = min(np.bincount(season.demand.stage, season.demand.et_full_mm))
        assert 0.0 < halved.lost_yield_pct[block_id] < 100.0 * 1.5 * halved.lost_et_mm[block_id] / least
    assert "of the yield" in halved.findings[0].what
    whole = season_calendar(*farm_of(4, hours=20.0))
    assert max(whole.lost_yield_pct.values()) < 1.0


def test_calendar_of_a_managed_deficit_gives_what_the_soil_balance_asks():
    design = Design(deficit_need=StageShares(development_pct=50.0, late_pct=50.0))
    shifts, seasons, sources, hours = farm_of(4, rain=stormy, area_ha=0.7, design=design)
    calendar = season_calendar(shifts, seasons, sources, hours)
    assert calendar.findings == ()
    for block_id, season in seasons.items():
        demand = season.demand
        assert demand.et_crop_mm.sum() < demand.et_full_mm.sum() - 10.0
        assert calendar.given_m3[block_id] == pytest.approx(season.need.gross_m3)
        # day by day the same soil, the crop's stress in it
        np.testing.assert_allclose(calendar.block_days[block_id].depletion_mm, demand.depletion_mm, atol=0.01)


def test_zone_larger_than_its_source_runs_longer():
    full, half = farm_of(1), farm_of(1, flow_m3h=50.0)
    a, b = (season_calendar(*f).irrigations[0] for f in (full, half))
    assert b.hours == pytest.approx(2.0 * a.hours)
    assert b.volume_m3 == pytest.approx(a.volume_m3)


def test_no_block_runs_once_its_season_is_over():
    # one zone of maize (150 days) in the queue of zones of trees (240): what it still waits for is dropped
    groups, seasons, _, _ = farm_of(1, area_ha=8.0)
    trees, theirs, _, _ = farm_of(3, crops=("hazelnut",), area_ha=8.0)
    for group in trees:
        ids = tuple(f"T{group.number}{i}" for i, _ in enumerate(group.block_ids))
        for old, new in zip(group.block_ids, ids, strict=True):
            own = theirs[old]
            facts = replace(own.facts, block_id=new)
            seasons[new] = BlockSeason(facts, own.demand, own.need)
        groups.append(Shift("river", group.number + 1, ids, 100.0))
    calendar = season_calendar(groups, seasons, [Source("river", 0.0, 0.0, None, 100.0, 6.0)], 20.0)
    over = calendar.sowing + timedelta(days=150)
    runs = {
        zone: [r.date for r in calendar.irrigations if r.zone_id == zone]
        for zone in ("river-Z01", "river-Z02")
    }
    assert max(runs["river-Z01"]) < over < max(runs["river-Z02"])
    assert calendar.given_m3["A-B10"] < seasons["A-B10"].need.gross_m3


def test_one_sowing_of_several_crops_is_told():
    (found,) = find_one_sowing(farm_of(1, crops=("maize", "sunflower"))[1])
    assert "from 15 April on, is taken for maize, sunflower" in found.what
    assert find_one_sowing(farm_of(2)[1]) == []


def test_without_weather_there_is_no_calendar():
    block = BlockFacts("A-B1", "A", None, 5.0, 100.0, 90.0)
    demand = crop_demand(reader.crop("maize"), LOAM, Design(), Season(), None)
    season = BlockSeason(block, demand, block_demand(demand, 90.0, 5.0, block.application_mm_h))
    calendar = season_calendar([Shift(None, 1, ("A-B1",), 100.0)], {"A-B1": season}, [], 20.0)
    assert calendar.irrigations == ()
    assert calendar.findings == ()


def test_without_a_source_zones_run_within_the_hours_told():
    shifts, seasons, _, hours = farm_of(2)
    free = [Shift(None, s.number, s.block_ids, s.flow_m3h) for s in shifts]
    calendar = season_calendar(free, seasons, [], hours)
    assert {i.zone_id for i in calendar.irrigations} == {"farm-Z01", "farm-Z02"}
    assert sum(i.volume_m3 for i in calendar.irrigations) == pytest.approx(asked(seasons))
    assert all(isinstance(i.date, date) for i in calendar.irrigations)


def test_each_run_tells_whose_valves_open_and_for_how_long():
    # the named blocks' hours times their flow are the run's volume: 50 m3/h each
    shifts, seasons, sources, hours = farm_of(2, rain=stormy, crops=("maize", "sunflower"))
    runs = season_calendar(shifts, seasons, sources, hours).irrigations
    members = {s.zone_id: set(s.block_ids) for s in shifts}
    counts = set()
    for run in runs:
        opened = dict(part.removesuffix(" h").split(" ") for part in run.blocks.split(", "))
        counts.add(len(opened))
        assert set(opened) <= members[run.zone_id]
        assert max(map(float, opened.values())) == pytest.approx(run.hours, abs=0.051)
        assert 50.0 * sum(map(float, opened.values())) == pytest.approx(run.volume_m3, abs=50.0 * 0.101)
    assert counts == {1, 2}  # sunflower is done sooner: then only maize's valve opens
