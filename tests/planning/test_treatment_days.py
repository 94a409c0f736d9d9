"""Chlorine and acid keep clear of what is fed, and of each other."""

from datetime import date, timedelta

from farmgis.planning.irrigation_calendar import Irrigation
from farmgis.planning.nutrients import NutrientDose
from farmgis.planning.treatment_days import on_free_days
from farmgis.planning.upkeep import Task
from farmgis.records import Shift

MIDDLE = date(2026, 7, 5)
SHIFTS = [Shift("river", 1, ("A",), 100.0), Shift("borehole", 1, ("B",), 100.0)]
TREATMENTS = [
    Task(MIDDLE, MIDDLE, "treat with chlorine", "river", 50.0, "l", "ten per cent"),
    Task(
        MIDDLE + timedelta(days=7), MIDDLE + timedelta(days=7), "treat with acid", "river", 20.0, "l", "slow"
    ),
    Task(MIDDLE, MIDDLE, "flush laterals", "A", None, None, "open ends"),
]


def run(day, zone="river-Z01"):
    return Irrigation(day, zone, 1, "06:00", 4.0, 8.0, 400.0, "refill")


def dose(day, zone="river-Z01"):
    return NutrientDose(day, zone, "urea", 100.0, 46.0, 0.0, 0.0, 200.0, "07:00", "08:00", 60.0, 300.0)


def days(first, count):
    return [MIDDLE + timedelta(days=first + n) for n in range(count)]


def dates(tasks):
    return {t.task: t.date for t in tasks}


def test_without_doses_they_stay_in_the_middle_of_the_season():
    assert on_free_days(TREATMENTS, [run(d) for d in days(-30, 60)], [], SHIFTS) == tuple(TREATMENTS)


def test_they_move_to_the_nearest_days_on_which_the_source_runs_and_feeds_nothing():
    # every day is fed from 20 days before the middle to 3 days after it
    runs = [run(d) for d in days(-30, 60)]
    made = dates(on_free_days(TREATMENTS, runs, [dose(d) for d in days(-20, 24)], SHIFTS))
    assert made["treat with chlorine"] == MIDDLE + timedelta(days=4)
    # a week after the chlorine at the soonest
    assert made["treat with acid"] == MIDDLE + timedelta(days=11)
    assert made["flush laterals"] == MIDDLE


def test_they_move_to_a_day_on_which_water_runs():
    # a winter crop's line stands still from 20 days before the middle to 9 after it
    runs = [run(d) for d in (*days(-40, 20), *days(10, 20))]
    made = dates(on_free_days(TREATMENTS, runs, [], SHIFTS))
    assert made["treat with chlorine"] == MIDDLE + timedelta(days=10)
    assert made["treat with acid"] == MIDDLE + timedelta(days=17)


def test_what_another_source_feeds_does_not_matter():
    runs = [run(d) for d in days(-30, 60)]
    fed = [dose(d, "borehole-Z01") for d in days(-20, 24)]
    assert dates(on_free_days(TREATMENTS, runs, fed, SHIFTS)) == dates(TREATMENTS)


def test_a_source_that_feeds_on_each_of_its_days_is_told_to_leave_doses_out():
    runs = [run(d) for d in days(-5, 10)]
    made = on_free_days(TREATMENTS, runs, [dose(r.date) for r in runs], SHIFTS)
    chlorine, acid, _ = made
    assert chlorine.date == MIDDLE
    assert acid.date == MIDDLE + timedelta(days=7)
    assert chlorine.note.startswith("No day of its source is free of doses")
    assert chlorine.note.endswith("ten per cent")
