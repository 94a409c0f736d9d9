"""The season's tasks: their order, machine days by hand, cautions where they belong."""

from datetime import date, timedelta

import pytest

from farmgis.planning.upkeep import FieldWork, season_tasks

SOWING, FIRST, LAST, HARVEST = date(2013, 4, 25), date(2013, 5, 20), date(2013, 9, 1), date(2013, 9, 22)


def work(field_id, hectares=30.0, sown="moist", **more):
    given = {"blocks": 5, "laterals": 900, "source_id": "river"} | more
    blocks = given["blocks"]
    dates = {"first_irrigation": FIRST, "last_irrigation": LAST, "harvest": HARVEST,
             "sowings": ((SOWING, hectares, blocks),), "emerged": SOWING + timedelta(days=10)}  # fmt: skip
    return FieldWork(field_id=field_id, irrigated_ha=hectares, sown=sown, **(dates | given))


def named(tasks, task, target=None):
    return [t for t in tasks if t.task == task and target in (None, t.target)]


def test_laying_days_by_hand():
    # 30, 20 and 40 ha at 15 a day are 2, 1.33 and 2.67 days: six in all. The first water is on 20 May, the
    # flush on the 19th: laid from the 13th to the 18th, once the crop stands
    tasks, _ = season_tasks([work("A"), work("B", 20.0), work("C", 40.0)], 15.0)
    laid = named(tasks, "lay line")
    assert [t.quantity for t in laid] == pytest.approx([2.0, 4.0 / 3.0, 8.0 / 3.0])
    assert {t.unit for t in laid} == {"machine days"}
    assert [(t.date.day, t.end_date.day) for t in laid] == [(13, 14), (15, 16), (16, 18)]
    assert laid[-1].end_date == date(2013, 5, 18)
    assert {t.end_date for t in named(tasks, "weed by machine", "A")} == {date(2013, 5, 12)}


def test_dry_sown_line_is_laid_with_the_sowing_before_the_first_dose():
    # the first dose may begin in the night. A: 60 ha before the 25th are four days, 21 to 24 April. B: 15 ha
    # before the 28th, and 30 before the 30th
    later = SOWING + timedelta(days=3)
    parts = ((later, 15.0, 2), (SOWING + timedelta(days=5), 30.0, 3))
    works = [
        work("A", 60.0, "dry", first_irrigation=SOWING),
        work("B", 45.0, "dry", first_irrigation=later, sowings=parts),
    ]
    tasks, found = season_tasks(works, 15.0)
    laid = [(t.target, t.date.day, t.end_date.day) for t in named(tasks, "lay line")]
    assert laid == [("A", 21, 24), ("B", 27, 27), ("B", 28, 29)]
    # no planter drives over line that lies: it sows in the days of laying
    sown = [(t.target, t.date.day, t.end_date.day, t.quantity) for t in named(tasks, "sow")]
    assert sown == [("A", 21, 24, 60.0), ("B", 27, 27, 15.0), ("B", 28, 29, 30.0)]
    assert not named(tasks, "weed by machine")
    assert found == ()
    assert named(tasks, "flush mains")[0].date == date(2013, 4, 24)
    # line is laid until the 29th: nothing is flushed, nor checked, before it lies and water comes
    assert [(t.date.day, t.end_date.day) for t in named(tasks, "flush laterals", "farm")] == [(25, 30)]
    checked = [(t.target, t.date.day, t.quantity) for t in named(tasks, "check pressure and flow")]
    assert checked == [("A", 25, 15.0), ("B", 28, 6.0), ("B", 30, 9.0)]


def test_laying_that_takes_longer_than_the_first_water_waits_is_told():
    # 450 ha are thirty days from 26 April at the soonest, to 25 May: flushed on the 26th, run on the 27th
    tasks, found = season_tasks([work("A", 450.0, harvest=date(2013, 11, 1))], 15.0)
    assert named(tasks, "flush mains")[0].date == date(2013, 5, 26)
    assert named(tasks, "check pressure and flow")[0].date == date(2013, 5, 27)
    assert [(f.severity, f.measured) for f in found] == [("note", 7.0)]


def test_twice_as_fast_takes_half_the_days():
    slow, fast = (sum(t.quantity for t in named(season_tasks([work("A")], r)[0], "lay line"))
                  for r in (15.0, 30.0))  # fmt: skip
    assert fast == pytest.approx(slow / 2.0)


def test_line_is_up_before_each_harvest():
    early = work("E", 45.0, harvest=date(2013, 9, 12))
    tasks, found = season_tasks([work("A", 60.0), early], 15.0)
    (a,), (e,) = named(tasks, "take up line", "A"), named(tasks, "take up line", "E")
    # 60 ha are four days, 18 to 21 September; 45 ha three, 9 to 11
    assert (a.date.day, a.end_date.day) == (18, 21)
    assert (e.date.day, e.end_date.day) == (9, 11)
    assert found == ()


def test_one_machine_does_not_work_in_two_fields_at_once():
    works = [work(f"F{i}", 7.0 + 11.0 * i) for i in range(6)]
    tasks, _ = season_tasks(works, 15.0)
    for task in ("lay line", "take up line"):
        days = sorted(named(tasks, task), key=lambda t: t.date)
        for before, after in zip(days, days[1:]):  # noqa: B905, RUF007
            assert after.date >= before.end_date  # a day may be shared, half and half
        span = (days[-1].end_date - days[0].date).days + 1
        assert span - 1 <= sum(t.quantity for t in days) <= span


def test_taking_up_that_meets_the_irrigations_is_told():
    _, found = season_tasks([work("A", 600.0)], 15.0)  # forty days before 22 September
    told = [f for f in found if "taking up" in f.what]
    # up from 13 August on, the last water on 1 September: twenty days of it
    assert [(f.severity, f.measured) for f in told] == [("attention", 20.0)]
    assert "in A before the last irrigation" in told[0].what


def test_flush_runs_from_mains_to_laterals_before_the_first_water():
    tasks, _ = season_tasks([work("A"), work("B")], 15.0)
    first = [t for t in tasks if t.date == FIRST - timedelta(days=1) and t.task.startswith("flush")]
    assert [t.task for t in first] == ["flush mains", "flush submains", "flush laterals"]
    assert [t.quantity for t in first] == [None, 10.0, 1800.0]
    assert max(t.end_date for t in named(tasks, "lay line")) < first[0].date


def test_laterals_are_flushed_at_least_monthly():
    tasks, _ = season_tasks([work("A")], 15.0)
    days = [FIRST - timedelta(days=1), *(t.date for t in named(tasks, "flush laterals", "A")), LAST]
    assert all((b - a).days <= 31 for a, b in zip(days, days[1:]))  # noqa: B905, RUF007


def test_what_stood_still_is_not_flushed_again():
    # water until 10 June and again from 8 August: on 19 July there is nothing to wash out
    ran = {"river": [FIRST + timedelta(days=n) for n in (*range(22), *range(80, 105))]}
    tasks, _ = season_tasks([work("A")], 15.0, ran=ran)
    assert [f"{t.date:%d %b}" for t in named(tasks, "flush laterals", "A")] == ["19 Jun", "18 Aug"]
    assert [f"{t.date:%d %b}" for t in named(tasks, "service filter")] == ["19 May", "19 Jun", "18 Aug"]
    always = {"river": [FIRST + timedelta(days=n) for n in range(105)]}
    assert season_tasks([work("A")], 15.0, ran=always) == season_tasks([work("A")], 15.0)


def test_pipes_are_emptied_for_a_long_standstill_and_flushed_before_water_runs_again():
    # a winter crop: water until 10 June and again from 25 August, 76 days; a gap of 30 days is none
    days = [*range(22), *range(98, 105), *range(134, 140)]
    tasks, _ = season_tasks([work("A")], 15.0, ran={"river": [FIRST + timedelta(days=n) for n in days]})
    last, again = FIRST + timedelta(days=21), FIRST + timedelta(days=98)
    assert [t.date for t in named(tasks, "empty for winter", "river")] == [last + timedelta(days=1)]
    before = [t for t in tasks if t.target == "river" and t.date == again - timedelta(days=1)]
    assert [t.task for t in before if "flush" in t.task] == [
        "flush mains",
        "flush submains",
        "flush laterals",
    ]
    assert all("pressure" in t.note for t in before if "flush" in t.task)
    assert not [t for t in named(tasks, "flush laterals", "A") if last < t.date < again]


def test_lines_of_trees_stay():
    tasks, _ = season_tasks([work("T", sown="standing")], 15.0)
    assert not {"lay line", "take up line", "sow"} & {t.task for t in tasks}
    assert named(tasks, "flush laterals", "T")


def test_pipes_are_emptied_once_nobody_needs_them():
    # trees keep their leaves into December, their last water is in September
    late = work("T", sown="standing", harvest=date(2013, 12, 21))
    for works, day in (([late], LAST), ([work("A"), late], HARVEST)):
        (empty,) = named(season_tasks(works, 15.0)[0], "empty for winter")
        assert empty.date == day + timedelta(days=1)


def test_treatment_gives_no_amount_and_stands_with_its_cautions():
    tasks, _ = season_tasks([work("A"), work("B", source_id="borehole")], 15.0)
    treated = named(tasks, "treat with acid or chlorine")
    assert [t.target for t in treated] == ["river", "borehole"]
    for task in treated:
        assert task.quantity is None
        assert named(tasks, "test water", task.target)[0].date < task.date
        for caution in (
            "Test the water first", "Acid and hypochlorite never together", "Acid into water, never water",
            "ammonium, urea or pesticide", "Backflow", "goggles", "Label", "local code", "re-entry",
        ):  # fmt: skip
            assert caution in task.note


def test_tasks_run_by_date_and_end_after_they_begin():
    tasks, _ = season_tasks([work("A"), work("B", 55.0), work("T", sown="standing")], 15.0)
    assert [t.date for t in tasks] == sorted(t.date for t in tasks)
    assert all(t.end_date >= t.date for t in tasks)
    assert season_tasks([], 15.0) == ((), ())
