"""The report's words and tables against the layers, on rows made by hand."""

import datetime as dt

import pandas

from farmgis.results import report_parts as parts


def day(number):
    return dt.date(2013, 4, 1) + dt.timedelta(days=number - 1)


def test_depth_of_a_zones_runs_is_its_volume_over_its_area():
    # 10 ha; a run over half of it at 20 mm, one over all of it at 10 mm: 1000 m3 each, 20 mm in all, not 30
    runs = pandas.DataFrame(
        {
            "date": [day(1), day(2)],
            "zone_id": ["river-Z01"] * 2,
            "hours": [8.0, 4.0],
            "gross_mm": [20.0, 10.0],
            "volume_m3": [1000.0, 1000.0],
        }
    )
    zones = pandas.DataFrame({"zone_id": ["river-Z01"], "area_ha": [10.0]})
    table = parts.zone_irrigations({"irrigations": runs, "zones": zones})
    assert table.rows == [["river-Z01", "2", "12", "2,000", "20", "1 Apr", "2 Apr"]]
    assert "days of 2013" in table.caption


def tasks(*told):
    columns = ("date", "end_date", "task", "target", "quantity", "unit", "note")
    return {"season_tasks": pandas.DataFrame([(*t, "") for t in told], columns=columns)}


def test_amounts_of_tasks_are_counted_or_rounded_as_they_are_worked_by():
    rows = parts.tasks(
        tasks(
            (day(1), day(1), "flush laterals", "farm", 7966.0, "laterals"),
            (day(1), day(1), "lay line", "MR", 0.0886, "machine days"),
            (day(1), day(1), "sow", "CL", 13.968, "ha"),
            (day(1), day(1), "flush mains", "farm", float("nan"), None),
        )
    )
    where = [row["where"] for row in rows]
    assert where == ["farm (7,966 laterals)", "MR (0.1 machine days)", "CL (14 ha)", "farm"]


def test_a_task_is_one_row_for_the_fields_of_a_week_and_another_a_month_later():
    found = parts.tasks(
        tasks(
            (day(1), day(1), "sow", "A", 3.0, "ha"),
            (day(1), day(1), "check pressure and flow", "A", 3.0, "points"),
            (day(3), day(3), "sow", "B", 4.0, "ha"),
            (day(31), day(31), "sow", "C", 5.0, "ha"),
        )
    )
    assert [(row["days"], row["task"], row["where"]) for row in found] == [
        ("1 Apr to 3 Apr", "sow", "A 1 Apr (3 ha), B 3 Apr (4 ha)"),
        ("1 Apr", "check pressure and flow", "A (3 points)"),
        ("1 May", "sow", "C (5 ha)"),
    ]


def test_what_a_farm_costs_is_the_layers_sum_with_its_currency():
    # first cost of the whole farm is what `costs` has, without a year's work, as the command line tells it
    costs = pandas.DataFrame(
        {
            "where_id": ["A", "farm", "farm"],
            "part": ["all", "work", "all"],
            "first_cost": [1000.0, float("nan"), 1500.0],
            "year_cost": [200.0, 30.0, 280.0],
            "unpriced": [1, 0, 2],
        }
    )
    told = pandas.DataFrame({"key": ["prices.currency"], "value": ["EUR"]})
    (tile,) = parts.cost_tile({"costs": costs, "assumptions": told})
    assert (tile["name"], tile["value"]) == ("cost at first", "EUR 1,500")
    assert tile["note"] == "280 a year, at the prices given; no price for 2 items"
    assert list(parts.cost_tile({"costs": costs.iloc[:0], "assumptions": told})) == []
