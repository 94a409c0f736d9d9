"""plan.ics against RFC 5545: read back by a calendar library and by a strict reader of our own."""

import datetime as dt
import re

import icalendar
import numpy as np
import pytest

from farmgis.errors import OutputError
from farmgis.records import Plan, Table
from farmgis.results.calendar_file import calendar_text, escaped, folded, write_calendar

NOTE = "Acid into water; never water into acid, \\ and ünlöslich " + "é" * 90 + "\nsecond line"


def objects(*values):
    made = np.empty(len(values), dtype=object)
    made[:] = values
    return made


@pytest.fixture
def plan():
    irrigations = Table(
        {
            "date": objects(dt.date(2004, 2, 28), dt.date(2004, 3, 2)),
            "zone_id": objects("river, lower-Z01", "river, lower-Z02"),
            "shift": np.array([1, 2]),
            "start": objects("04:00", "23:30"),
            "hours": np.array([3.5, 0.5]),
            "gross_mm": np.array([6.04, 7.0]),
            "volume_m3": np.array([1234.4, 300.0]),
            "purpose": objects("refill", "refill, to be continued"),
        }
    )
    tasks = Table(
        {
            "date": objects(dt.date(2004, 2, 27)),
            "end_date": objects(dt.date(2004, 3, 1)),
            "task": objects("lay line"),
            "target": objects("A"),
            "quantity": np.array([3.2]),
            "unit": objects("machine days"),
            "note": objects(NOTE),
        }
    )
    tables = {"irrigations": irrigations, "season_tasks": tasks}
    return Plan("Farm; of Ö, & sons", "EPSG:32610", tables, (), (), {})


def events(text):
    return icalendar.Calendar.from_ical(text).walk("VEVENT")


def test_lines_keep_to_the_standard(plan):
    data = calendar_text(plan).encode("utf-8")
    assert data.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in data.replace(b"\r\n", b"")
    for line in data.split(b"\r\n"):
        assert len(line) <= 75
        line.decode("utf-8")  # no letter is cut in two
    whole = data.decode("utf-8").replace("\r\n ", "")
    for line in whole.removesuffix("\r\n").split("\r\n"):
        assert re.fullmatch(r"[A-Z-]+(?:;[A-Z]+=[A-Z-]+)*:[^\x00-\x08\x0a-\x1f\x7f]*", line), line
    assert whole.count("BEGIN:VEVENT") == whole.count("END:VEVENT") == whole.count("UID:") == 3
    assert len(re.findall(r"DTSTAMP:\d{8}T000000Z\r\n", whole)) == 3


def test_a_calendar_library_reads_what_was_meant(plan):
    first, second, task = events(calendar_text(plan))
    assert first["SUMMARY"] == "Irrigate river, lower-Z01"
    assert first.decoded("DTSTART") == dt.datetime(2004, 2, 28, 4, 0)  # floating: no zone
    assert first.decoded("DTEND") == dt.datetime(2004, 2, 28, 7, 30)
    assert "6.0 mm, 1,234 m3, 3.5 h: refill" in first["DESCRIPTION"]
    assert second.decoded("DTEND") == dt.datetime(2004, 3, 3, 0, 0)
    assert task["SUMMARY"] == "Lay line: A"
    assert task["DESCRIPTION"] == f"3.2 machine days. {NOTE}"
    assert task.decoded("DTSTART") == dt.date(2004, 2, 27)
    assert task.decoded("DTEND") == dt.date(2004, 3, 2)  # the day after the last: not included


def test_runs_that_follow_each_other_do_not_overlap(plan):
    # 8.0276 h from 02:00:00 is 10:01:40; the next zone's start is written 10:01
    days = objects(dt.date(2004, 4, 25), dt.date(2004, 4, 25))
    columns = {
        "date": days,
        "zone_id": objects("river-Z01", "river-Z02"),
        "shift": np.array([1, 2]),
        "start": objects("02:00", "10:01"),
        "hours": np.array([8.0276, 1.0]),
        "gross_mm": np.array([13.3, 1.7]),
        "volume_m3": np.array([3986.8, 500.0]),
        "purpose": objects("refill", "refill"),
        "blocks": objects("A-B01 8.0 h", ""),
    }
    own = Plan(plan.name, plan.crs, {"irrigations": Table(columns)}, (), (), {})
    first, second = events(calendar_text(own))
    assert first.decoded("DTEND") == second.decoded("DTSTART")
    assert first["DESCRIPTION"].endswith("refill. Opens A-B01 8.0 h")
    assert second["DESCRIPTION"].endswith("refill")


def test_injections_are_in_the_calendar_with_their_cautions(plan):
    doses = Table(
        {
            "date": objects(dt.date(2004, 6, 2)),
            "zone_id": objects("river-Z01"),
            "product": objects("urea"),
            "product_kg": np.array([78.3]),
            "inject_l_h": np.array([25.34]),
            "inject_start": objects("21:38"),
            "inject_end": objects("00:54"),
            "rinse_min": np.array([218.07]),
            "stock_l": np.array([184.2]),
        }
    )
    (dose,) = events(calendar_text(Plan(plan.name, plan.crs, {"nutrient_doses": doses}, (), (), {})))
    assert dose["SUMMARY"] == "Inject urea: river-Z01"
    assert dose.decoded("DTSTART") == dt.datetime(2004, 6, 2, 21, 38)
    assert dose.decoded("DTEND") == dt.datetime(2004, 6, 3, 0, 54)  # past midnight
    assert "78.3 kg in 184 l of stock, 25.3 l/h; then 219 min of clean water" in dose["DESCRIPTION"]
    for caution in ("backflow prevention", "Goggles", "label", "local code"):
        assert caution in dose["DESCRIPTION"]
    small = Table(doses.columns | {"product_kg": np.array([0.42]), "stock_l": np.array([1.44])})
    (dose,) = events(calendar_text(Plan(plan.name, plan.crs, {"nutrient_doses": small}, (), (), {})))
    assert "0.42 kg in 1.44 l of stock" in dose["DESCRIPTION"]  # of a small field: no "0 kg"


def test_two_parts_of_a_field_on_one_day_are_two_events(plan):
    two = plan.tables["season_tasks"].columns
    doubled = Table({name: np.concatenate([values, values]) for name, values in two.items()})
    found = events(calendar_text(Plan(plan.name, plan.crs, {"season_tasks": doubled}, (), (), {})))
    assert len({str(e["UID"]) for e in found}) == 2


def test_season_is_moved_to_the_stated_sowing(plan):
    moved = Plan(plan.name, plan.crs, plan.tables, (), (), {}, 365)
    first, *_ = events(calendar_text(moved))
    assert first.decoded("DTSTART").date() == dt.date(2005, 2, 27)  # 2004 has a 29 February in between


def test_same_plan_same_bytes_and_ids_of_their_own(plan):
    assert calendar_text(plan) == calendar_text(plan)
    ids = [str(e["UID"]) for e in events(calendar_text(plan))]
    assert len(set(ids)) == 3
    other = Plan("Another farm", plan.crs, plan.tables, (), (), {})
    assert not set(ids) & {str(e["UID"]) for e in events(calendar_text(other))}


@pytest.mark.parametrize("length", [74, 75, 76, 149, 150, 151])
@pytest.mark.parametrize("letter", ["a", "é", "水", "🌽"])
def test_folding_unfolds(length, letter):
    line = "X:" + letter * length
    assert folded(line).replace("\r\n ", "") == line
    assert max(len(p.encode()) for p in folded(line).split("\r\n")) <= 75


@pytest.mark.parametrize("text", ["a,b;c\\d", "\\n", "one\ntwo", "one\r\ntwo", "\x00\x07bell", ""])
def test_escaping_comes_back(text):
    back = icalendar.Event.from_ical(f"BEGIN:VEVENT\r\nSUMMARY:{escaped(text)}\r\nEND:VEVENT\r\n")["SUMMARY"]
    assert back == text.replace("\r\n", "\n").replace("\x00", "").replace("\x07", "")


def test_file_is_written_whole_and_not_over_another(plan, tmp_path):
    path = write_calendar(tmp_path / "plan.ics", plan)
    assert path.read_bytes() == calendar_text(plan).encode("utf-8")
    assert [p.name for p in tmp_path.iterdir()] == ["plan.ics"]
    with pytest.raises(OutputError, match="overwrite"):
        write_calendar(path, plan)
    assert write_calendar(path, plan, overwrite=True) == path


def test_failed_writing_leaves_the_old_file(plan, tmp_path, monkeypatch):
    path = tmp_path / "plan.ics"
    path.write_text("old")

    def fail(*_):
        raise OSError("disk full")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(OutputError, match="disk full"):
        write_calendar(path, plan, overwrite=True)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.ics"]


def test_plan_without_a_season_leaves_no_calendar(tmp_path):
    bare = Plan("bare", "EPSG:32610", {}, (), (), {})
    (tmp_path / "plan.ics").write_text("of an older plan")
    assert write_calendar(tmp_path / "plan.ics", bare, overwrite=True) is None
    assert list(tmp_path.iterdir()) == []
