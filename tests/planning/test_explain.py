"""Why a figure is so: what is reckoned again agrees on the sample, and does not once a layer is changed."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from farmgis import tables
from farmgis.errors import InputError
from farmgis.geodata.farm_file import read_farm
from farmgis.geodata.plan_file import read_plan
from farmgis.planning.explain import KINDS, explained
from farmgis.planning.quantities import rows_of
from farmgis.planning.redone import gear_of_plan
from farmgis.records import Table
from farmgis.run import plan_farm, write_plan

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    farm = read_farm(SAMPLE / "farm.toml")
    farm = replace(farm, fields=tuple(f for f in farm.fields if f.field_id in ("OB", "NH")))
    return read_plan(write_plan(plan_farm(farm), tmp_path_factory.mktemp("plan")))


def chain(plan, what_id):
    return explained(plan, gear_of_plan(plan), tables.pipes(), what_id)


def with_column(plan, layer, column, change):
    table = plan.tables[layer]
    changed = Table(table.columns | {column: change(table.columns[column])}, table.geometry)
    return replace(plan, tables=plan.tables | {layer: changed})


@pytest.mark.parametrize("layer", KINDS)
def test_what_is_reckoned_again_agrees_for_every_id(plan, layer):
    key = KINDS[layer][0]
    ids = list(dict.fromkeys(str(r[key]) for r in rows_of(plan.tables, layer)))
    assert ids, layer
    seen = 0
    for what_id in ids[:: max(1, len(ids) // 12)]:
        for reason in chain(plan, what_id).reasons:
            assert reason.agrees is not False, (what_id, reason)
            seen += reason.agrees is True
    assert seen >= len(ids[:: max(1, len(ids) // 12)]), "nothing was reckoned again"


@pytest.mark.parametrize(
    ("layer", "column", "what"),
    [
        ("blocks", "flow_m3h", "flow"),
        ("blocks", "head_min_m", "lowest head"),
        ("blocks", "emission_uniformity_pct", "emission uniformity"),
        ("blocks", "dripline_m", "dripline"),
        ("season_demand", "gross_mm", "gross"),
    ],
)
def test_a_figure_that_was_changed_is_caught(plan, layer, column, what):
    changed = with_column(plan, layer, column, lambda v: v * 1.02)
    found = {r.what: r for r in chain(changed, "OB-B01").reasons}
    assert found[what].agrees is False


def test_a_lateral_whose_inlet_head_was_changed_has_another_flow(plan):
    changed = with_column(plan, "laterals", "inlet_head_m", lambda v: v + 1.0)
    found = {r.what: r for r in chain(changed, "OB-B01-L001").reasons}
    assert found["flow"].agrees is False


def test_a_submain_is_held_against_its_laterals(plan):
    changed = with_column(plan, "laterals", "flow_l_h", lambda v: v * 1.05)
    told = [r for r in chain(changed, "OB-B01-S1").reasons if r.what.endswith("flow")]
    assert told
    assert all(r.agrees is False for r in told)


def test_inputs_are_told_with_how_they_are_known(plan):
    told = {a.key: a.known for a in chain(plan, "NH-B01").assumptions}
    assert told["dripline.20 mm, 2.0 l/h, compensating.least_head_m"] == "user"
    assert told["design.crops.hazelnut.row_spacing_m"] == "user"
    assert not any(k.startswith("dripline.22 mm, 1.0 l/h.") for k in told)
    assert any(r.source for r in chain(plan, "NH-B01").reasons)


def test_a_crops_own_design_stands_in_place_of_the_farms(plan):
    hazel = {a.key for a in chain(plan, "NH-B01").assumptions}
    assert "design.crops.hazelnut.row_spacing_m" in hazel
    assert "design.row_spacing_m" not in hazel  # 0.75 m is the maize's
    assert "design.lateral_max_m" in hazel
    assert "design.row_spacing_m" in {a.key for a in chain(plan, "OB-B01").assumptions}


def test_the_farm_is_explained_by_two_layers_each(plan):
    told = {r.what: r for r in chain(plan, "farm").reasons}
    assert chain(plan, plan.name).reasons == chain(plan, "farm").reasons
    for what in ("irrigated area", "dripline", "emitters", "water of the season", "peak"):
        assert told[what].agrees, what
    changed = with_column(plan, "laterals", "length_m", lambda v: v * 1.02)
    again = {r.what: r.agrees for r in chain(changed, "farm").reasons}
    assert again["dripline"] is False
    assert again["emitters"] is True


def test_a_junction_tells_the_mains_that_meet_there(plan):
    mains = rows_of(plan.tables, "mains")
    node = next(r["to_node"] for r in mains if r["to_node"].startswith("J-"))
    fed, feeds = chain(plan, node).reasons
    assert fed.value in {r["main_id"] for r in mains if r["to_node"] == node}
    assert set(feeds.value.split(", ")) == {r["main_id"] for r in mains if r["from_node"] == node}


def test_unknown_id_names_the_nearest(plan):
    with pytest.raises(InputError, match="OB-B0"):
        chain(plan, "OB-B00")
    with pytest.raises(InputError, match="did you mean OB-B01,"):
        chain(plan, "ob-b01")


def test_a_fitting_tells_why_it_stands_there(plan):
    row = next(r for r in rows_of(plan.tables, "fittings") if r["set_head_m"] != r["set_head_m"])
    told = {r.what: r for r in chain(plan, row["fitting_id"]).reasons}
    assert (told["kind"].value, told["kind"].how) == (row["kind"], row["reason"])
    assert told["stands on"].value == row["on_id"]
    assert "set head" not in told  # it holds none


def test_a_finding_is_told_with_its_limit_and_advice(plan):
    row = next(r for r in rows_of(plan.tables, "findings") if r["limit"] == r["limit"])
    found = chain(plan, row["finding_id"])
    assert [f.advice for f in found.findings] == [row["advice"]]
    measured = next(r for r in found.reasons if r.what == "measured")
    assert measured.value == row["measured"]
    assert f"against {row['limit']:,.6g}" in measured.how


def test_a_head_variation_can_be_redone_from_what_is_printed(plan):
    told = {r.what: r for r in chain(plan, "OB-B01").reasons}
    mean = float(re.search(r"their mean ([\d.]+) m", told["head variation"].how)[1])
    by_hand = 100.0 * (told["highest head"].value - told["lowest head"].value) / mean
    assert told["head variation"].value == pytest.approx(by_hand, rel=1e-3)
    least, mean = map(
        float, re.search(r"qmin ([\d.]+), qmean ([\d.]+)", told["emission uniformity"].how).groups()
    )
    assert told["emission uniformity"].value == pytest.approx(
        100.0 * (1.0 - 1.27 * 0.03) * least / mean, rel=1e-3
    )
    assert told["peak"].value == pytest.approx(told["peak depth"].value * told["area"].value * 10.0)


# ---- what it costs ----------------------------------------------------------------------------------


PRICES = """
[prices]
currency = "EUR"
file = "prices.csv"
pipe_kg = 2.0
trench_m = 3.0
energy_kwh = 0.2
labour_h = 20.0
interest_pct = 5.0
life = { seasonal_line_years = 2 }
"""


@pytest.fixture(scope="module")
def priced(tmp_path_factory):
    folder = tmp_path_factory.mktemp("priced")
    for file in SAMPLE.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    (folder / "farm.toml").write_text((SAMPLE / "farm.toml").read_text(encoding="utf-8") + PRICES, "utf-8")
    (folder / "prices.csv").write_text(
        "item,size,unit,unit_price\ndripline,,m,0.1\nofftake,,pieces,0.5\nlaying line,,machine days,650\n"
        "disposal of line,,m,0.01\n"
    )
    farm = read_farm(folder / "farm.toml")
    farm = replace(farm, fields=tuple(f for f in farm.fields if f.field_id in ("OB", "NH")))
    return read_plan(write_plan(plan_farm(farm), folder / "out"))


@pytest.mark.parametrize("what_id", ["farm", "OB", "NH", "river", "borehole"])
def test_costs_are_reckoned_again(priced, what_id):
    told = [r for r in chain(priced, what_id).reasons if r.unit.startswith("EUR")]
    assert told
    assert all(r.agrees is not False for r in told), [r for r in told if r.agrees is False]
    assert all(r.value == r.value for r in told)  # what has no price is not told as a figure


def test_a_cost_that_was_changed_is_caught(priced):
    changed = with_column(priced, "costs", "year_cost", lambda v: v * 1.02)
    told = {r.what: r.agrees for r in chain(changed, "farm").reasons if r.unit == "EUR"}
    assert told["pipe in a year"] is False
    assert told["energy in a year"] is False
    assert told["present cost"] is False


def test_a_years_share_by_hand(priced):
    # 5 % over 20 years: capital recovery 0.08024 (tables of engineering economy, from memory)
    told = {r.what: r for r in chain(priced, "farm").reasons}
    assert told["pipe in a year"].value == pytest.approx(told["pipe at first"].value * 0.08024, rel=1e-4)


def test_without_prices_no_cost_is_told(plan):
    assert not any("in a year" in r.what for r in chain(plan, "farm").reasons)


def test_a_field_that_is_not_planned_says_so(plan):
    fields = plan.tables["fields"]
    blocks = plan.tables["blocks"]
    gone = {k: v[:0] for k, v in blocks.columns.items()}
    status = np.array(["not planned"] * len(fields.columns["field_id"]), dtype=object)
    bare = replace(
        plan,
        tables=plan.tables
        | {
            "blocks": Table(gone, blocks.geometry[:0]),
            "fields": Table(fields.columns | {"status": status}, fields.geometry),
        },
    )
    assert chain(bare, "OB").reasons[-1].value == "not planned"
