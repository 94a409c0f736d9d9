"""The commands that work on a plan's file: what they print and write, and how they refuse."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from farmgis.cli import main
from farmgis.geodata.farm_file import read_farm
from farmgis.prices import Price, Prices
from farmgis.run import plan_farm, write_plan

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


def run(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def table(path):
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


@pytest.fixture(scope="module")
def plans(tmp_path_factory):
    """The same field without prices, and priced with a longer horizon."""
    farm = read_farm(SAMPLE / "farm.toml")
    farm = replace(farm, fields=tuple(f for f in farm.fields if f.field_id == "CR"))
    prices = Prices("EUR", (Price("dripline", "", "m", 0.1),), pipe_kg=2.0, trench_m=3.0, energy_kwh=0.2)
    return [
        write_plan(plan_farm(replace(farm, prices=p)), tmp_path_factory.mktemp("plan"))
        for p in (Prices(), prices)
    ]


def test_a_plan_has_its_quantities_beside_it(plans):
    names = {p.name for p in plans[0].parent.iterdir()}
    assert {"plan.gpkg", "quantities.csv", "quantities.xlsx"} <= names
    rows = table(plans[0].parent / "quantities.csv")
    assert all(r["cost"] == "" for r in rows)
    priced = table(plans[1].parent / "quantities.csv")
    line = next(r for r in priced if r["item"] == "dripline")
    assert float(line["cost"]) == pytest.approx(0.1 * float(line["to_buy"]))


def test_summary_tells_the_cost_where_there_are_prices(plans):
    from farmgis.cli.summary import _cost_lines
    from farmgis.geodata.plan_file import read_plan

    assert _cost_lines(read_plan(plans[0])) == []
    (line,) = _cost_lines(read_plan(plans[1]))
    whole = json.loads(run("compare", *plans, "--json").output)["rows"]
    year = next(r["values"][1] for r in whole if r["what"] == "cost of a year")
    assert line.startswith("  cost ")
    assert f"{year:,.0f} a year" in line
    assert "items that have no price" in line


def test_summary_has_a_dash_for_a_sum_that_is_not_known():
    from farmgis.cli.summary import COST_KEYS, _cost_lines
    from farmgis.records import Plan, Table

    columns = dict(zip(COST_KEYS, (["farm"], ["all"], [None], [180.4], [float("nan")], [7]), strict=True))
    (line,) = _cost_lines(Plan("A", "EPSG:32633", {"costs": Table(columns)}, (), (), {}))
    assert line == "  cost - at first, 180 a year (- a hectare), without 7 items that have no price"


def test_compare_puts_plans_side_by_side(plans):
    shown = run("compare", *plans)
    assert shown.exit_code == 0, shown.output
    told = json.loads(run("compare", *plans, "--json").output)
    rows = {r["what"]: r["values"] for r in told["rows"]}
    assert rows["dripline"][0] == rows["dripline"][1] > 0.0
    assert rows["cost of a year"][0] is None
    assert rows["cost of a year"][1] > 0.0
    # energy of the season at its price is among the costs of a year
    assert rows["cost of a year"][1] > 0.2 * rows["energy of the season"][1]
    assert any("has no prices" in c for c in told["cautions"])
    assert any("lacks a price for" in c for c in told["cautions"])
    assert "Mind:" in shown.output


def test_compare_needs_two(plans):
    assert run("compare", plans[0]).exit_code == 2


def test_a_file_that_is_no_plan_is_refused(plans, tmp_path):
    other = tmp_path / "notes.txt"
    other.write_text("hello")
    for words in (("compare", plans[0], other), ("test-points", other, "--output", tmp_path / "s.csv")):
        shown = run(*words)
        assert shown.exit_code == 2
        assert "notes.txt" in shown.output
    assert not (tmp_path / "s.csv").exists()


def test_sheet_to_the_field_and_back(plans, tmp_path):
    sheet = tmp_path / "sheet.csv"
    assert run("test-points", plans[0], "--output", sheet).exit_code == 0
    assert run("test-points", plans[0], "--output", sheet).exit_code == 3
    rows = table(sheet)
    for row in rows:
        row["flow_l_h"], row["pressure_kpa"] = row["expected_flow_l_h"], row["expected_pressure_kpa"]
    dry = next(r for r in rows if r["kind"] == "emitter")
    dry["flow_l_h"] = "0"
    with sheet.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    told = json.loads(run("check-field", plans[0], sheet, "--json").output)["blocks"]
    assert {b["emitters"] for b in told} == {32}
    by_block = {b["block_id"]: b for b in told}
    assert by_block[dry["block_id"]]["zeros"] == 1
    others = [b for b in told if b["block_id"] != dry["block_id"]]
    assert {b["grade"] for b in others} == {"excellent"}
    assert all(b["performance_pct"] == pytest.approx(100.0, abs=1.0) for b in told if b in others)
    shown = run("check-field", plans[0], sheet).output
    assert "1 of 32 emitters give nothing" in shown
