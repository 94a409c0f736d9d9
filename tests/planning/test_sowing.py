"""Germination in dry soil: volumes and days by hand, pulses and rests, and the source's hours kept."""

from collections import defaultdict
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from farmgis.planning import sowing as room
from farmgis.planning.block_season import BlockSeason
from farmgis.planning.demand import block_demand, crop_demand
from farmgis.planning.irrigation_calendar import season_calendar
from farmgis.planning.sowing import SeedZone, day_window, plan_sowing
from farmgis.records import BlockFacts, Design, Season, Shift, Source, Weather
from farmgis.tables import reader

DRY = Season(sown="dry")


def farm_of(square_field, zones, soil="loam", hours=20.0, flow=100.0, area_ha=5.0, season=DRY, travel=20.0):
    """Zones of one block of 100 m3/h each; returns what plan_sowing and season_calendar take."""
    dates = np.arange("2001-01-01", "2011-01-01", dtype="datetime64[D]")
    weather = Weather(
        "daily", dates, {"et0_mm": np.full(dates.size, 5.0), "rain_mm": np.zeros(dates.size)}, 40.0, 0.0
    )
    ground = reader.soil(soil)
    field = replace(square_field(), soil=ground)
    demand = crop_demand(reader.crop("maize"), ground, Design(), season, weather)
    seasons, shifts = {}, []
    for number in range(1, zones + 1):
        block = BlockFacts(f"A-B{number}", "A", None, area_ha, 100.0, 90.0)
        need = block_demand(demand, 90.0, area_ha, block.application_mm_h)
        seasons[block.block_id] = BlockSeason(block, demand, need)
        shifts.append(Shift("river", number, (block.block_id,), 100.0))
    sources = [Source("river", 0.0, 0.0, None, flow, hours)]
    sowing = plan_sowing(shifts, seasons, sources, 20.0, {"A": field}, dict.fromkeys(seasons, travel), season)
    return sowing, shifts, seasons, sources


def by_dose(sowing):
    doses = defaultdict(list)
    for run in sowing.runs:
        doses[run.zone_id, run.dose].append(run)
    return doses


def test_one_zone_by_hand(square_field):
    # 400 m3/ha on 5 ha are 2000 m3, 20 h at 100 m3/h. The strip that the line wets holds 0.4 x 0.31 m x
    # 130 mm/m = 16.1 mm, 36 mm reach the soil: three pulses of 6.67 h. Two hours of rest: 04:00 to 10:40,
    # 12:40 to 19:20, 21:20 to midnight, and four hours on the next morning.
    sowing, *_ = farm_of(square_field, 1)
    first = by_dose(sowing)["river-Z01", 1]
    assert [(r.day, r.pulse) for r in first] == [(0, 1), (0, 2), (0, 3), (1, 3)]
    assert [r.start_h for r in first] == pytest.approx(
        [4.0, 12.0 + 2.0 / 3.0, 21.0 + 1.0 / 3.0, 4.0], abs=1e-3
    )
    assert [r.hours for r in first] == pytest.approx([20.0 / 3.0, 20.0 / 3.0, 8.0 / 3.0, 4.0], abs=1e-3)
    days = [by_dose(sowing)["river-Z01", dose][0].day for dose in (1, 2, 3)]
    assert days == [0, 4, 13]
    assert sowing.delay_days == {"A-B1": 0}
    (found,) = sowing.findings
    assert (found.measured, found.limit) == (pytest.approx(20.0), pytest.approx(80.0))


@pytest.mark.parametrize(
    ("zones", "soil", "hours"), [(3, "loam", 20.0), (6, "silt loam", 22.0), (8, "sand", 24.0)]
)
def test_doses_keep_their_days_and_the_sources_hours(square_field, zones, soil, hours):
    sowing, _, _, _ = farm_of(square_field, zones, soil, hours)
    spans = sorted((24.0 * r.day + r.start_h, 24.0 * r.day + r.start_h + r.hours) for r in sowing.runs)
    assert all(after[0] >= before[1] - 1e-3 for before, after in pairwise(spans))  # one zone at a time
    per_day = defaultdict(float)
    for run in sowing.runs:
        per_day[run.day] += run.hours
        assert run.start_h + run.hours <= 24.0 + 1e-3
    assert max(per_day.values()) <= hours + 1e-6
    for (zone, dose), runs in by_dose(sowing).items():
        sown = sowing.delay_days[f"A-B{int(zone[-2:])}"]
        assert sum(h for r in runs for h in r.block_hours.values()) == pytest.approx(20.0)
        begins = runs[0].day - sown
        # at sowing, 4 days on, and 8 to 10 days after that
        assert begins in {1: {0}, 2: {4, 5}, 3: {12, 13, 14}}[dose]
        for a, b in pairwise(runs):
            if a.pulse != b.pulse:
                assert 24.0 * b.day + b.start_h >= 24.0 * a.day + a.start_h + a.hours + 2.0 - 1e-3
    delays = list(sowing.delay_days.values())
    assert delays == sorted(delays)
    assert delays[-1] > 0


def test_more_zones_than_the_source_can_serve_at_once_are_staggered_and_told(square_field):
    sowing, *_ = farm_of(square_field, 6)
    (found,) = sowing.findings
    # six doses of 20 h against four days of 20 h
    assert (found.measured, found.limit) == (pytest.approx(120.0), pytest.approx(80.0))
    assert "staggered" in found.what
    one, *_ = farm_of(square_field, 1)
    assert one.findings[0].what.endswith("Sowing need not be staggered: all zones at once")


def test_light_soil_gets_more_pulses_and_a_slow_line_fewer(square_field):
    def pulses(**more):
        return farm_of(square_field, 1, **more)[0].runs[0].pulses

    # sand holds 75 mm/m: 9.3 mm of 36 a pulse
    assert (pulses(), pulses(soil="sand")) == (3, 4)
    # water that travels 140 min fills no more than two pulses of 20 h four times over
    assert pulses(travel=140.0) == 2


def test_slow_soil_rests_longer(square_field):
    # 2 mm/h over the field are 5 mm/h on the strip: clay takes 1 mm/h, so a pulse begins five pulses later
    sowing, *_ = farm_of(square_field, 1, soil="clay")
    first = by_dose(sowing)["river-Z01", 1]
    begins = [24.0 * r.day + r.start_h for n in (1, 2) for r in first if r.pulse == n]
    pulse_h = 20.0 / first[0].pulses
    assert begins[1] - begins[0] >= 5.0 * pulse_h - 1e-3


def test_calendar_with_germination_gives_what_the_soil_balance_asks(square_field):
    sowing, shifts, seasons, sources = farm_of(square_field, 3, area_ha=3.0)
    sown = {key: replace(own, delay_days=sowing.delay_days[key]) for key, own in seasons.items()}
    calendar = season_calendar(shifts, sown, sources, 20.0, sowing.runs)
    doses = [i for i in calendar.irrigations if i.purpose.startswith("germination")]
    assert sum(i.volume_m3 for i in doses) == pytest.approx(3 * 3 * 3.0 * 400.0)
    assert sum(i.volume_m3 for i in calendar.irrigations) == pytest.approx(
        sum(s.need.gross_m3 for s in seasons.values())
    )
    first = min(i.date for i in calendar.irrigations if i.purpose == "refill")
    assert 20 <= (first - calendar.sowing).days <= 35
    for days in calendar.block_days.values():
        assert days.given_mm.shape == days.depletion_mm.shape
    assert sum(s.given_m3.sum() for s in calendar.source_days.values()) == pytest.approx(
        sum(i.volume_m3 for i in calendar.irrigations)
    )


def test_too_few_hours_are_told_and_nothing_is_lost(square_field):
    sowing, *_ = farm_of(square_field, 4, hours=3.0)
    assert sowing.findings[0].severity == "attention"
    assert "not every dose" in sowing.findings[0].what
    assert sum(r.hours for r in sowing.runs) == pytest.approx(4 * 3 * 20.0)


def test_a_zone_leaves_room_for_the_next(monkeypatch):
    # five zones of 24 h a dose in 22 h a day: the first rests 12 h between its two pulses
    zones = [SeedZone(f"Z{n}", n, {f"B{n}": 24.0}, 3 if n else 2, 2.0 if n else 12.0) for n in range(5)]
    days, in_time = room._sown_days(zones, (0, 4, 13), day_window(22.0))
    assert in_time
    assert days == sorted(days)
    monkeypatch.setattr(room, "WAYS", 1)
    alone, _ = room._sown_days(zones, (0, 4, 13), day_window(22.0))
    assert days[-1] < alone[-1]


@pytest.mark.parametrize(("doses", "days"), [(1, [0]), (2, [0, 3]), (4, [0, 3, 10, 17])])
def test_stated_doses_other_than_three(square_field, doses, days):
    season = Season(
        sown="dry", germination_m3_ha=250.0, germination_doses=doses, second_dose_days=3, third_dose_days=7
    )
    sowing, shifts, seasons, sources = farm_of(square_field, 1, season=season)
    first = {dose: runs[0].day for (_, dose), runs in by_dose(sowing).items()}
    assert [first[dose + 1] for dose in range(doses)] == days
    # 250 m3/ha on 5 ha, each
    calendar = season_calendar(shifts, seasons, sources, 20.0, sowing.runs)
    own = [i for i in calendar.irrigations if i.purpose.startswith("germination")]
    assert sum(i.volume_m3 for i in own) == pytest.approx(doses * 250.0 * 5.0)
    assert all(f"of {doses}" in i.purpose for i in own)
    need = seasons["A-B1"].need
    assert need.germination_mm == pytest.approx(25.0 * doses)
    assert calendar.given_m3["A-B1"] == pytest.approx(need.gross_m3, rel=0.02)


@pytest.mark.parametrize(
    ("zones", "soil", "hours"), [(3, "loam", 20.0), (6, "silt loam", 22.0), (4, "loam", 15.3)]
)
def test_the_days_end_leaves_no_shreds_of_runs(square_field, zones, soil, hours):
    sowing, shifts, seasons, sources = farm_of(square_field, zones, soil=soil, hours=hours)
    calendar = season_calendar(shifts, seasons, sources, 20.0, sowing.runs)
    cut = [i for i in calendar.irrigations if "continued" in i.purpose]
    assert cut
    assert min(i.hours for i in cut) >= 0.5 - 1e-6
    assert min(r.hours for r in sowing.runs) >= 0.5 - 1e-6


def test_moist_soil_needs_no_germination(square_field):
    sowing, *_ = farm_of(square_field, 3, season=Season(sown="moist"))
    assert (sowing.runs, sowing.findings, sowing.delay_days) == ((), (), {})
