"""Quantities and costs: a small field counted by hand, and the sample farm against what is drawn."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from farmgis.geodata.farm_file import read_farm
from farmgis.planning.buying import buying
from farmgis.planning.costs import costs, energy_kwh, price_findings, priced
from farmgis.planning.quantities import quantities
from farmgis.prices import Life, Price, Prices, Spares
from farmgis.records import (
    Dripline,
    Pipe,
    Table,
)
from farmgis.run import plan_farm

SAMPLE = Path(__file__).parents[2] / "sample_geodata"
LINE = Dripline("a line", 22.2, 0.4, 1.0, reel_m=500.0)


def table(*rows, geometry=None):
    columns = {k: np.array([r[k] for r in rows], dtype=object) for k in rows[0]}
    shapes = None if geometry is None else np.array(geometry, dtype=object)
    return Table(columns, shapes)


def pipe(nominal_mm, length_m, **more):
    return {
        "material": "PVC-U",
        "nominal_mm": nominal_mm,
        "pressure_class_bar": 6.0,
        "length_m": length_m,
    } | more


@pytest.fixture
def tables():
    """One field of 1.5 ha, one block: 50 laterals of 200 m, a submain of 75 m in two sizes, a main of 300 m.

    The last 75 m of the main lie in the submain's trench; its first 100 m are there already.
    """
    block = {"block_id": "A-B01", "field_id": "A"}
    laterals = [block | {"lateral_id": f"A-B01-L{i:03d}", "length_m": 200.0} for i in range(1, 51)]
    submain = [
        block | pipe(n, m, submain_id="A-B01-S1", seq=s) for s, n, m in ((1, 90.0, 45.0), (2, 63.0, 30.0))
    ]
    main = {"main_id": "river-M01", "source_id": "river"}
    mains = [
        main | pipe(110.0, 100.0, seq=1, existing=True),
        main | pipe(110.0, 200.0, seq=2, existing=False),
    ]
    river = {"source_id": "river", "flow_m3h": 25.0, "duty_head_m": 40.0, "pump_kw": 4.0}
    return {
        "fields": table(
            {"field_id": "A", "status": "planned", "dripline": "a line", "irrigated_ha": 1.5,
             "source_id": "river"}
        ),
        "blocks": table(block | {"shift": 1}),
        "laterals": Table(
            {
                "field_id": np.array([r["field_id"] for r in laterals], dtype=object),
                "length_m": np.array([r["length_m"] for r in laterals]),
            }
        ),
        "rows": table(block | {"spacing_m": 0.75}),
        "submains": table(
            *submain, geometry=shapely.linestrings([[(0, 0, 0), (0, 45, 0)], [(0, 45, 0), (0, 75, 0)]])
        ),
        "mains": table(
            *mains,
            geometry=[
                shapely.linestrings([(300, 0, 0), (200, 0, 0)]),
                shapely.linestrings([(125, 0, 0), (0, 0, 0), (0, 75, 0)]),
            ],
        ),
        "valves": table(block | {"valve_id": "A-B01-V", "nominal_mm": 80.0, "regulated": True}),
        "fittings": table(
            {"fitting_id": "T1", "kind": "air and vacuum", "size_mm": 25.0, "on_id": "A-B01-V"},
            {"fitting_id": "T2", "kind": "drain", "size_mm": 50.0, "on_id": "river-M01"},
            {"fitting_id": "T3", "kind": "check", "size_mm": math.nan, "on_id": "river"},
        ),
        "headworks": table(river | {"filter_micron": 130.0, "filter_flow_m3h": 30.0, "energy_kwh_m3": 0.2}),
        "season_demand": table(block | {"gross_m3": 6000.0}),
        "irrigations": table(*({"zone_id": "river-Z01"} for _ in range(40))),
    }  # fmt: skip


@pytest.fixture
def found(tables):
    return quantities(tables, {"a line": LINE}, Spares(), 15.0)


def drawn(found):
    return {(q.where_id, q.item, q.size): q.drawn for q in found}


def test_quantities_of_a_small_field_by_hand(found):
    assert drawn(found) == pytest.approx({
        ("A", "dripline", "a line"): 10_000.0,
        ("A", "joiner", "22.2 mm line"): 19.0,  # 20 reels of 500 m end to end
        ("A", "offtake", "22.2 mm line"): 50.0,
        ("A", "line end", "22.2 mm line"): 50.0,
        ("A", "submain pipe", "PVC-U, 63 mm, 6 bar"): 30.0,
        ("A", "submain pipe", "PVC-U, 90 mm, 6 bar"): 45.0,
        ("A", "reducer", "90 to 63 mm"): 1.0,
        ("A", "submain end", "63 mm"): 1.0,
        ("A", "block valve", "80 mm"): 1.0,
        ("A", "pressure regulator", "80 mm"): 1.0,
        ("A", "air and vacuum", "25 mm"): 1.0,
        ("A", "trench", ""): 75.0,
        ("A", "laying line", ""): 0.1,
        ("A", "taking up line", ""): 0.1,
        ("A", "disposal of line", "a line"): 10_000.0,
        ("river", "main pipe", "PVC-U, 110 mm, 6 bar"): 200.0,
        ("river", "trench", ""): 124.5,  # the half metre at the submain's side counts as in its trench
        ("river", "pump", "25 m3/h at 40 m, 4 kW"): 1.0,
        ("river", "filter", "130 micron, 30 m3/h"): 1.0,
        ("river", "drain", "50 mm"): 1.0,
        ("river", "check", ""): 1.0,
    })  # fmt: skip


def test_valves_and_regulators_have_no_spares(tables):
    # as the farm file's `fittings_pct` says: 8 % on small fittings; two check valves of 400 mm nobody wants
    kinds = ("regulator", "reducing valve", "check", "pressure relief", "air and vacuum")
    rows = ({"fitting_id": k, "kind": k, "size_mm": 100.0, "on_id": "A-B01-V"} for k in kinds)
    found = quantities(tables | {"fittings": table(*rows)}, {"a line": LINE}, Spares(), 15.0)
    bought = {q.item: q.to_buy for q in found if q.item in kinds}
    assert bought == {k: 2.0 if k == "air and vacuum" else 1.0 for k in kinds}


def test_head_works_are_bought_whole(tables):
    station = {
        "source_id": "river", "flow_m3h": 25.0, "duty_head_m": 40.0, "pump_kw": 4.0, "filter_micron": 130.0,
        "filter_flow_m3h": 30.0, "energy_kwh_m3": 0.2, "filter_kind": "media", "filter_units": 3,
        "filter_unit_mm": 900.0,
        "order": "pump, check valve, sand separator, media filter, injection with its own check valve",
    }  # fmt: skip
    found = quantities(tables | {"headworks": table(station)}, {"a line": LINE}, Spares(), 15.0)
    sizes = {q.item: (q.size, q.unit) for q in found if q.part == "head works"}
    assert sizes == {
        "pump": ("25 m3/h at 40 m, 4 kW", "pieces"),
        "filter": ("3 media units of 900 mm, 130 micron, 30 m3/h", "pieces"),
        "sand separator": ("for 25 m3/h", "sets"),
        "injection with its own check valve": ("for 25 m3/h", "sets"),
    }


def test_spares_apart_and_whole_packs(found):
    line, offtake = (next(q for q in found if q.item == item) for item in ("dripline", "offtake"))
    assert (line.drawn, line.spare_pct, line.to_buy) == (10_000.0, 4.0, 10_500.0)  # 10,400 m are 21 reels
    assert (offtake.drawn, offtake.spare_pct, offtake.to_buy) == (50.0, 8.0, 54.0)


def test_a_flush_valve_at_a_submains_end_stands_in_for_the_end(tables):
    flush = {"fitting_id": "T1", "kind": "flush", "size_mm": 63.0, "on_id": "A-B01-S1"}
    items = drawn(quantities(tables | {"fittings": table(flush)}, {"a line": LINE}, Spares(), 15.0))
    assert ("A", "flush", "63 mm") in items
    assert ("A", "submain end", "63 mm") not in items


def test_line_of_an_orchard_is_laid_once(tables):
    rows = table({"block_id": "A-B01", "field_id": "A", "spacing_m": 5.0})
    found = quantities(tables | {"rows": rows}, {"a line": LINE}, Spares(), 15.0)
    parts = {q.item: q.part for q in found}
    assert parts["dripline"] == "lasting line" == parts["laying line that stays"]
    assert not {"taking up line", "disposal of line"} & set(parts)


# ---- money ------------------------------------------------------------------------------------------

PIPES = (Pipe("PVC-U", 90.0, 86.0, 6.0, 1.2, 0.01), Pipe("PVC-U", 63.0, 60.0, 6.0, 0.6, 0.01, price_m=1.0))
GIVEN = Prices(
    "EUR",
    (
        Price("dripline", "a line", "m", 0.10),
        Price("Offtake", "", "pieces", 0.5),
        Price("pump", "", "km", 9.0),
    ),
    pipe_kg=3.0,
    trench_m=2.0,
    energy_kwh=0.15,
    labour_h=20.0,
    interest_pct=6.0,
    life=Life(seasonal_line_years=1.0, line_fittings_years=5.0),
)


def test_without_prices_nothing_has_a_cost(found, tables):
    bought = priced(found, Prices(), PIPES[:1])
    assert {(b.unit_price, b.cost) for b in bought} == {(None, None)}
    assert price_findings(bought, Prices()) == []
    told = costs(found, bought, tables, Prices())
    assert {(c.first_cost, c.year_cost, c.present_cost) for c in told} == {(None, None, None)}


def test_prices_by_size_by_item_by_weight(found):
    bought = {(b.quantity.item, b.quantity.size): b for b in priced(found, GIVEN, PIPES)}
    assert bought["dripline", "a line"].cost == pytest.approx(1050.0)  # 21 reels of 500 m at 0.10 a metre
    assert bought["offtake", "22.2 mm line"].cost == pytest.approx(27.0)  # in any size, in any case
    assert bought["submain pipe", "PVC-U, 90 mm, 6 bar"].unit_price == pytest.approx(3.6)  # 1.2 kg a metre
    assert bought["submain pipe", "PVC-U, 63 mm, 6 bar"].unit_price == 1.0  # its own
    assert bought["trench", ""].unit_price == 2.0
    assert bought["main pipe", "PVC-U, 110 mm, 6 bar"].unit_price is None  # no such pipe is on sale
    assert bought["pump", "25 m3/h at 40 m, 4 kW"].unit_price is None  # its price is for a kilometre


def test_blanks_in_a_size_do_not_matter(found):
    prices = replace(GIVEN, items=(Price("block  valve", "80mm", "pieces", 90.0),))
    sizes = {
        b.quantity.size: b.unit_price for b in priced(found, prices, ()) if b.quantity.item == "block valve"
    }
    assert sizes == {"80 mm": 90.0}


def test_an_item_without_price_in_two_places_is_one_item(found, tables):
    prices = replace(GIVEN, trench_m=None)  # trench is dug in the field and for the main
    bought = priced(found, prices, PIPES)
    told = {(c.where_id, c.part): c.unpriced for c in costs(found, bought, tables, prices)}
    assert told["A", "trench"] == told["river", "trench"] == told["farm", "trench"] == 1
    assert told["farm", "all"] == sum(b.unit_price is None for b in bought)


def test_a_price_that_cannot_be_used_is_told(found):
    items = (*GIVEN.items, Price("drip-line", "a line", "m", 1.0), Price("tractor", "", "pieces", 1.0))
    prices = replace(GIVEN, items=items)
    told = [f.what for f in price_findings(priced(found, prices, PIPES), prices)]
    assert any("'pump' is for 'km'" in t for t in told)
    assert any("'drip-line' fits no item" in t and "'dripline'" in t for t in told)
    assert any("have no price" in t and "block valve" in t for t in told)
    assert not any("tractor" in t for t in told)  # a price list may hold more than a plan takes


def test_costs_by_hand(found, tables):
    told = {(c.where_id, c.part): c for c in costs(found, priced(found, GIVEN, PIPES), tables, GIVEN)}
    line = told["A", "seasonal line"]
    assert line.first_cost == pytest.approx(1050.0)
    assert line.year_cost == pytest.approx(1050.0 * 1.06)  # bought at the start of each year, told at its end
    energy = told["A", "energy"]  # 6,000 m3 at 0.2 kWh at 0.15
    assert (energy.first_cost, energy.year_cost) == (None, pytest.approx(180.0))
    assert told["farm", "labour"].year_cost == pytest.approx(40 * 0.5 * 20.0)
    # 75 m of trench at the field and 124.5 m for the main, at 2.0 over 20 years at 6 %: (A/P) = 0.08718
    assert told["A", "trench"].year_cost == pytest.approx(150.0 * 0.08718, rel=1e-4)
    assert told["river", "trench"].year_cost == pytest.approx(249.0 * 0.08718, rel=1e-4)


@pytest.mark.parametrize(("life", "share"), [(1.0, 1.0), (2.0, 1.0 / 2.06), (0.5, None)])
def test_line_is_disposed_of_when_its_life_ends(found, tables, life, share):
    # 10,000 m at 0.02: once in two years at 6 % it is x + 1.06 x = 200, hence x = 200 / 2.06 a year
    items = (Price("disposal of line", "", "m", 0.02),)
    prices = replace(GIVEN, items=items, life=Life(seasonal_line_years=life))
    told = {(c.where_id, c.part): c for c in costs(found, priced(found, prices, PIPES), tables, prices)}
    work = told["A", "work"].year_cost
    if share is None:  # taken up and bought anew twice a year
        assert work > 2.0 * 200.0
    else:
        assert work == pytest.approx(200.0 * share)


def test_a_lone_field_carries_the_whole_farm(found, tables):
    told = {(c.where_id, c.part): c for c in costs(found, priced(found, GIVEN, PIPES), tables, GIVEN)}
    field, farm = told["A", "all"], told["farm", "all"]
    assert field.year_cost == pytest.approx(farm.year_cost)
    assert field.first_cost == pytest.approx(farm.first_cost)
    assert farm.year_cost_ha == pytest.approx(farm.year_cost / 1.5)
    own = [c.year_cost for (where, part), c in told.items() if where == "farm" and part != "all"]
    assert sum(c for c in own if c is not None) == pytest.approx(farm.year_cost)


# ---- the sample farm --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sample():
    farm = read_farm(SAMPLE / "farm.toml")
    farm = replace(farm, fields=tuple(f for f in farm.fields if f.field_id in ("OB", "NH")))
    return farm, plan_farm(farm)


def metres(lines):
    """Length along the slope of each line, from its vertices."""
    xyz, of = shapely.get_coordinates(lines, include_z=True, return_index=True)
    step = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    return np.bincount(of[1:], np.where(np.diff(of) == 0, step, 0.0), len(lines))


def bought(plan, item):
    c = plan.tables["quantities"].columns
    return {s: d for i, s, d in zip(c["item"], c["size"], c["drawn"], strict=True) if i == item}


def test_dripline_is_what_is_drawn_within_half_a_percent(sample):
    _, plan = sample
    laterals, fields = plan.tables["laterals"], plan.tables["fields"].columns
    line_of = dict(zip(fields["field_id"], fields["dripline"], strict=True))
    names = np.array([line_of[f] for f in laterals.columns["field_id"]])
    drawn_m = metres(laterals.geometry)
    told = bought(plan, "dripline")
    assert set(told) == set(names)
    for name in told:
        assert told[name] == pytest.approx(drawn_m[names == name].sum(), rel=0.005)
    assert sum(bought(plan, "offtake").values()) == len(drawn_m)


def test_submain_pipe_is_what_is_drawn_within_half_a_percent(sample):
    _, plan = sample
    submains = plan.tables["submains"]
    drawn_m = metres(submains.geometry)
    told = bought(plan, "submain pipe")
    for size, length in told.items():
        mm = float(size.split(",")[1].split()[0])
        assert length == pytest.approx(drawn_m[submains.columns["nominal_mm"] == mm].sum(), rel=0.005)
    assert sum(told.values()) == pytest.approx(drawn_m.sum(), rel=0.005)


def test_fields_and_farm_add_up(sample):
    _, plan = sample
    c = plan.tables["field_quantities"].columns
    for item in ("dripline", "submain pipe", "block valve", "trench"):
        own = sum(d for i, d in zip(c["item"], c["drawn"], strict=True) if i == item)
        assert own == pytest.approx(sum(bought(plan, item).values()))
    assert all(v is None or math.isnan(v) for v in plan.tables["quantities"].columns["cost"])
    assert plan.tables["costs"].columns == {}


def test_energy_is_the_water_at_its_stations_energy(tables):
    assert energy_kwh(tables) == {"A": pytest.approx(1200.0)}


def test_fields_costs_add_up_to_the_farms(sample):
    farm, plan = sample
    prices = Prices(items=(Price("dripline", "", "m", 0.1), Price("block valve", "", "pieces", 90.0)),
                    pipe_kg=3.0, trench_m=2.0, labour_h=20.0)  # fmt: skip
    rows = buying(plan.tables, replace(farm, prices=prices)).rows["costs"]
    whole = [r for r in rows if r["part"] == "all"]
    fields = [r for r in whole if r["where_id"] != "farm"]
    (total,) = [r for r in whole if r["where_id"] == "farm"]
    for key in ("first_cost", "year_cost", "present_cost"):
        assert sum(r[key] for r in fields) == pytest.approx(total[key])
