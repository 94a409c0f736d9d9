"""Nutrient doses: need by hand, sums, and clean water at both ends of every injection."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from farmgis.planning.irrigation_calendar import Irrigation
from farmgis.planning.nutrients import ZoneBlocks, feeds_kg_ha, need_kg_ha, nutrient_plan, uptake_days
from farmgis.records import BlockFacts, Fertiliser, Nutrients, Shift
from farmgis.tables import reader

UREA = reader.fertiliser("urea")
MAIZE = Nutrients(12.0, UREA, {"maize": (20.0, 8.0, 14.0)}, soil_n_kg_ha=60.0)
SOWING = date(2013, 4, 25)


def runs(hours=8.0, every=3, days=150, start="04:00"):
    return [
        Irrigation(SOWING + timedelta(days=d), "river-Z01", 1, start, hours, 16.0, 800.0, "refill")
        for d in range(every, days, every)
    ]


@pytest.fixture
def zone(square_field):
    field = square_field()
    block = BlockFacts("A-B01", "A", None, 5.0, 100.0, 90.0)
    return ZoneBlocks(Shift("river", 1, ("A-B01",), 100.0), (block,), (field,), (40.0,), 1.0)


def hours(text):
    return int(text[:2]) + int(text[3:]) / 60.0


def test_need_by_hand():
    # 12 t x 20 = 240, less 60 is 180, over 0.8 is 225 kg N/ha; 12 x 8 / 0.8 = 120; 12 x 14 / 0.8 = 210
    assert need_kg_ha(MAIZE, "maize") == pytest.approx((225.0, 120.0, 210.0))
    assert need_kg_ha(replace(MAIZE, soil_n_kg_ha=500.0), "maize")[0] == 0.0
    assert need_kg_ha(MAIZE, "hazelnut") is None


def test_doses_and_base_add_up_to_the_need(zone):
    plan = nutrient_plan(MAIZE, [zone], runs(), SOWING)
    base = {t.unit: t.quantity for t in plan.tasks if t.task == "base dressing"}
    assert base == pytest.approx({"kg N": 225.0, "kg P2O5": 600.0, "kg K2O": 1050.0})  # on 5 ha, a fifth of N
    assert sum(d.n_kg for d in plan.doses) == pytest.approx(0.8 * 225.0 * 5.0)
    assert sum(d.product_kg for d in plan.doses) == pytest.approx(900.0 / 0.46)
    assert sum(d.p2o5_kg + d.k2o_kg for d in plan.doses) == 0.0


def test_doses_come_while_the_crop_takes_up(zone):
    # stages 30/40/50/30: from day 30 to a third into the middle stage, 30 + 40 + 16
    assert uptake_days(zone.fields[0].crop) == (30, 86)
    days = [(d.date - SOWING).days for d in nutrient_plan(MAIZE, [zone], runs(), SOWING).doses]
    assert days == list(range(30, 87, 3))


def test_a_zone_that_is_sown_later_is_fed_later(zone):
    later = replace(zone, delay_days=21)
    days = [(d.date - SOWING).days for d in nutrient_plan(MAIZE, [later], runs(), SOWING).doses]
    assert days == list(range(51, 108, 3))
    # 28 of its 57 days of uptake are over: what the other 29 take is still to come
    today = SOWING + timedelta(days=21 + 30 + 28)
    left = nutrient_plan(MAIZE, [later], [r for r in runs() if r.date >= today], SOWING, today)
    assert sum(d.n_kg for d in left.doses) == pytest.approx(900.0 * 29.0 / 57.0)


def test_cautions_stand_before_the_first_dose(zone):
    plan = nutrient_plan(MAIZE, [zone], runs(), SOWING)
    (task,) = (t for t in plan.tasks if t.task == "prepare injection")
    assert (task.target, task.date) == ("river", plan.doses[0].date - timedelta(days=1))
    for caution in (
        "Backflow",
        "Calcium never with phosphate or sulphate",
        "no chlorine",
        "Goggles",
        "label",
    ):
        assert caution in task.note


def test_injector_is_set_once(zone):
    mixed = [replace(r, hours=h) for r, h in zip(runs(), [6.0, 8.0, 12.0] * 20, strict=False)]
    plan = nutrient_plan(MAIZE, [zone], mixed, SOWING)
    rates = {round(d.inject_l_h, 6) for d in plan.doses}
    assert len(rates) == 1
    assert len({round(d.n_kg, 6) for d in plan.doses}) == 3
    assert sum(d.n_kg for d in plan.doses) == pytest.approx(900.0)


@pytest.mark.parametrize("travel_min", [40.0, 150.0])
@pytest.mark.parametrize("shortest", [1.0, 0.9])
def test_injection_is_in_the_middle_with_clean_water_at_both_ends(zone, travel_min, shortest):
    own = replace(zone, travel_min=(travel_min,), shortest=shortest)
    plan = nutrient_plan(MAIZE, [own], runs(hours=8.0), SOWING)
    assert plan.doses
    for dose in plan.doses:
        before = hours(dose.inject_start) - 4.0
        after = 4.0 + 8.0 * shortest - hours(dose.inject_end)
        assert min(before, after) >= travel_min / 60.0 - 1.0 / 60.0
        assert after * 60.0 >= dose.rinse_min - 1e-9 >= travel_min - 1e-9
        injected = dose.inject_l_h * (hours(dose.inject_end) - hours(dose.inject_start))
        assert injected == pytest.approx(dose.product_kg / 0.425, rel=0.02)  # half of 850 g/l


def test_run_too_short_for_the_middle_gets_no_dose(zone):
    own = replace(zone, travel_min=(60.0,))
    plan = nutrient_plan(MAIZE, [own], runs(hours=2.4), SOWING)  # 2 h of clean water leave 0.4 h
    assert plan.doses == ()
    assert [f.measured for f in plan.findings] == [pytest.approx(900.0 / 0.46)]


FED = replace(
    MAIZE,
    product=reader.fertiliser("calcium nitrate"),
    p_product=reader.fertiliser("monoammonium phosphate"),
    k_product=reader.fertiliser("potassium sulphate"),
    water_p_pct=50.0,
    water_k_pct=60.0,
)


def test_feeds_by_hand():
    # on a hectare 225 kg N, 120 P2O5, 210 K2O (above). Half the P: 60 / 0.61 = 98.4 kg with 11.8 kg N; K: 126
    # / 0.50 = 252 kg; of the 180 kg N with the water 168.2 are left: 168.2 / 0.155 = 1085.1 kg
    crop = reader.crop("maize")
    feeds = {f.product.name: f.kg for f in feeds_kg_ha(FED, need_kg_ha(FED, "maize"), crop)}
    assert feeds == pytest.approx(
        {"monoammonium phosphate": 98.361, "potassium sulphate": 252.0, "calcium nitrate": 1085.13}, rel=1e-4
    )


def test_several_products_add_up_and_calcium_never_meets_phosphate_or_sulphate(zone):
    plan = nutrient_plan(FED, [zone], runs(), SOWING)
    assert sum(d.n_kg for d in plan.doses) == pytest.approx(0.8 * 225.0 * 5.0)
    assert sum(d.p2o5_kg for d in plan.doses) == pytest.approx(0.5 * 120.0 * 5.0)
    assert sum(d.k2o_kg for d in plan.doses) == pytest.approx(0.6 * 210.0 * 5.0)
    base = {t.unit: t.quantity for t in plan.tasks if t.task == "base dressing"}
    assert base == pytest.approx({"kg N": 225.0, "kg P2O5": 300.0, "kg K2O": 420.0})
    by_run = {}
    for dose in plan.doses:
        by_run.setdefault(dose.date, []).append(dose.product)
    for together in by_run.values():
        assert len(together) == 1  # one product a run, with clean water at both ends
    given = {product for together in by_run.values() for product in together}
    assert given == {"calcium nitrate", "monoammonium phosphate", "potassium sulphate"}


def test_tank_that_is_too_small_is_told(zone):
    plan = nutrient_plan(replace(MAIZE, tank_l=200.0), [zone], runs(), SOWING)
    # 1957 kg of urea in 19 runs are 103 kg, 242 l of a solution of 425 g/l
    assert [d.stock_l for d in plan.doses] == pytest.approx([900.0 / 0.46 / 19.0 / 0.425] * 19)
    (found,) = plan.findings
    assert (found.measured, found.limit) == (pytest.approx(242.3, abs=0.1), 200.0)


def test_a_liquid_is_injected_as_it_comes(zone):
    """900 kg N in a liquid of 32 % and 1.32 kg/l are 2812.5 kg, 2130.7 l, in 19 runs 112.1 l each."""
    liquid = Fertiliser("liquid nitrogen", 32.0, 0.0, 0.0, litre_kg=1.32)
    plan = nutrient_plan(replace(MAIZE, product=liquid), [zone], runs(), SOWING)
    assert [d.stock_l for d in plan.doses] == pytest.approx([900.0 / 0.32 / 1.32 / 19.0] * 19)
    assert sum(d.product_kg for d in plan.doses) == pytest.approx(2812.5)


def test_germination_water_carries_nothing(zone):
    own = runs()
    seed = [replace(r, purpose="germination, dose 1 of 3") for r in own[:20]]
    plan = nutrient_plan(FED, [zone], [*seed, *own[20:]], SOWING)
    assert plan.doses
    assert not {d.date for d in plan.doses} & {r.date for r in seed}


def test_from_today_the_share_of_the_days_that_are_left_is_dosed(zone):
    # days 30 to 86 are 57; on day 58 there are 29 left
    today = SOWING + timedelta(days=58)
    later = [r for r in runs() if r.date >= today]
    plan = nutrient_plan(MAIZE, [zone], later, SOWING, today)
    assert sum(d.n_kg for d in plan.doses) == pytest.approx(900.0 * 29.0 / 57.0)
    assert not any(t.task == "base dressing" for t in plan.tasks)


def test_water_too_strong_is_told(zone):
    # all in one run: 900 kg N are 1957 kg of urea in 4 h of 100 m3/h, 4891 g/m3
    one = [Irrigation(SOWING + timedelta(days=40), "river-Z01", 1, "04:00", 8.0, 16.0, 800.0, "refill")]
    (found,) = nutrient_plan(MAIZE, [zone], one, SOWING).findings
    assert found.measured == pytest.approx(4891.3, abs=0.1)
    assert "4,891 g/m3 of urea" in found.what


def test_what_a_product_brings_beside_is_taken_off_the_base_and_too_much_is_told(zone):
    # K2O: 210 kg/ha, all with the water, are 456.5 kg of potassium nitrate, and bring 59.3 kg N of the 225
    k_product = reader.fertiliser("potassium nitrate")
    fed = replace(MAIZE, k_product=k_product, water_k_pct=100.0, base_n_pct=80.0)
    plan = nutrient_plan(fed, [zone], runs(), SOWING)
    base = {t.unit: t.quantity for t in plan.tasks if t.task == "base dressing"}
    nitrogen = 210.0 / 0.46 * 0.13
    assert base == pytest.approx({"kg N": 5.0 * (225.0 - nitrogen), "kg P2O5": 600.0})
    assert sum(d.n_kg for d in plan.doses) + base["kg N"] == pytest.approx(5.0 * 225.0)
    assert plan.findings == ()
    # a soil that gives 220 of the 240 leaves 25 kg N/ha to be given: 34 too much, and none before the season
    plan = nutrient_plan(replace(fed, soil_n_kg_ha=220.0), [zone], runs(), SOWING)
    assert {t.unit for t in plan.tasks if t.task == "base dressing"} == {"kg P2O5"}
    (found,) = plan.findings
    assert (found.severity, found.limit) == ("attention", pytest.approx(25.0))
    assert found.measured == pytest.approx(nitrogen)


def test_product_without_a_share_is_told(zone):
    fed = replace(MAIZE, p_product=reader.fertiliser("monoammonium phosphate"))
    (found,) = nutrient_plan(fed, [zone], runs(), SOWING).findings
    assert "`water_p_pct` is 0" in found.what


def test_base_is_worked_in_before_the_planter_comes(zone):
    begins = SOWING - timedelta(days=4)  # sown dry from the 21st on, first dose on the 25th
    for sown, day in ((None, SOWING), ({"A": begins}, begins)):
        plan = nutrient_plan(MAIZE, [zone], runs(), SOWING, sown=sown)
        assert {t.date for t in plan.tasks if t.task == "base dressing"} == {day - timedelta(days=1)}


def test_zone_of_several_crops_and_crops_without_uptake_are_told(zone):
    other = replace(zone.fields[0], field_id="B", crop=reader.crop("sunflower"))
    mixed = replace(zone, blocks=zone.blocks * 2, fields=(zone.fields[0], other), travel_min=(40.0, 40.0))
    plan = nutrient_plan(MAIZE, [mixed], runs(), SOWING)
    assert plan.doses == ()
    assert "maize, sunflower" in plan.findings[0].what
    alone = replace(zone, fields=(other,))
    plan = nutrient_plan(MAIZE, [alone], runs(), SOWING)
    assert (plan.doses, plan.tasks) == ((), ())
    assert "sunflower" in plan.findings[0].what


def test_light_soil_is_told(zone):
    sandy = replace(zone, fields=(replace(zone.fields[0], soil=reader.soil("sand")),))
    assert any("nitrate" in f.what for f in nutrient_plan(MAIZE, [sandy], runs(), SOWING).findings)


def test_without_a_target_yield_nothing_is_planned_and_that_is_said(zone):
    plan = nutrient_plan(None, [zone], runs(), SOWING)
    assert (plan.doses, plan.tasks) == ((), ())
    assert [a.key for a in plan.assumptions] == ["nutrients"]


def test_products_contain_what_their_formula_says():
    # molar masses: N 14.007, urea CO(NH2)2 60.06, NH4NO3 80.04, (NH4)2SO4 132.14
    assert reader.fertiliser("urea").n_pct == pytest.approx(100 * 2 * 14.007 / 60.06, rel=0.02)
    assert reader.fertiliser("ammonium nitrate").n_pct == pytest.approx(100 * 2 * 14.007 / 80.04, rel=0.04)
    assert reader.fertiliser("ammonium sulphate").n_pct == pytest.approx(100 * 2 * 14.007 / 132.14, rel=0.02)
    assert isinstance(UREA, Fertiliser)
