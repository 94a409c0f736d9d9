"""The pump against published examples, the affinity laws on a parabola, and hand calculation."""

import math

import numpy as np
import pytest

from farmgis.hydraulics.water import water_at
from farmgis.planning.pump import (
    energy_kwh_m3,
    head_at_m,
    head_limit_m,
    pump_duty,
    pump_findings,
    season_energy,
    shaft_kw,
    shut_off_head_m,
    speed_for,
)
from farmgis.records import PumpCurve, Source

WATER = water_at(20.0)
FULL = np.linspace(0.0, 300.0, 31)
# a parabola, so that the affinity laws can be solved by hand: 60 m at no flow, 40 m at 200 m3/h
PARABOLA = PumpCurve(tuple(FULL), tuple(60.0 - 0.0005 * FULL**2))


def source(curve=None, **more):
    return Source("river", 0.0, 0.0, 100.0, 300.0, pump_curve=curve, **more)


# ---- power -----------------------------------------------------------------------------------------


def test_shaft_power_paes_608():
    # PAES 608:2016, P = Q H / (360 E): 100 m3/h, 40 m, 0.70 -> 15.87 kW (seen at second hand). Its 360 is
    # a round figure for 3600 / (density x gravity) = 367.7: 2.2 % more than water has
    assert shaft_kw(100.0, 40.0, 70.0, WATER) == pytest.approx(15.87, rel=0.025)
    assert shaft_kw(100.0, 40.0, 70.0, WATER) == pytest.approx(100.0 * 40.0 / (367.7 * 0.7), rel=1e-3)


def test_shaft_power_paes_615():
    # PAES 615, H Q / (102 E) with 15 m, 12 l/s, 0.55 -> 3.21 kW (seen at second hand)
    assert shaft_kw(43.2, 15.0, 55.0, WATER) == pytest.approx(3.21, abs=0.01)


@pytest.mark.parametrize(
    ("flow", "head", "pump", "kw"),
    [(0.05, 40.0, 75.0, 26.2), (0.05, 30.0, 75.0, 19.6), (0.02, 30.0, 75.0, 7.85)],
)
def test_shaft_power_of_worked_examples(flow, head, pump, kw):
    # three worked examples of pump calculators' pages (text seen), at 1000 kg/m3 and 9.81 m/s2
    assert shaft_kw(3600.0 * flow, head, pump, WATER) == pytest.approx(kw, rel=0.005)


def test_input_of_a_worked_example():
    # the same page: 30 m, 0.05 m3/s, pump 0.75, motor 0.92 -> 21.3 kW taken in, for 180 m3/h
    assert 180.0 * energy_kwh_m3(30.0, 75.0, 92.0, WATER) == pytest.approx(21.3, rel=0.005)


@pytest.mark.parametrize("head", [64.0, 90.0, 119.0])
def test_energy_of_a_cubic_metre_is_a_law(head):
    # 1 m3 lifted 1 m is 9.81 kJ = 0.002725 kWh
    assert energy_kwh_m3(head, 72.0, 100.0, WATER) == pytest.approx(0.002725 * head / 0.72, rel=3e-3)


# ---- the curve -------------------------------------------------------------------------------------


def test_head_between_points_never_rises():
    steep = PumpCurve((0.0, 50.0, 60.0, 200.0), (50.0, 49.0, 30.0, 29.0))
    heads = [head_at_m(steep, q) for q in np.linspace(0.0, 200.0, 400)]
    assert (np.diff(heads) <= 1e-12).all()
    assert [head_at_m(steep, q) for q in steep.flow_m3h] == pytest.approx(steep.head_m)


def test_shut_off_head_where_the_curve_begins_later():
    # 40 m at 100 and 30 m at 200 m3/h go on straight to 50 m at none: over the true head of a curve that
    # flattens, such as the parabola through both points (43.3 m)
    curve = PumpCurve((100.0, 200.0), (40.0, 30.0))
    assert shut_off_head_m(source(curve), 30.0) == pytest.approx(50.0)
    assert shut_off_head_m(source(PARABOLA), 30.0) == pytest.approx(60.0)
    assert shut_off_head_m(source(), 30.0) == pytest.approx(36.0)  # 1.2 times the duty


def test_head_limit_at_flows():
    assert head_limit_m(PARABOLA, np.array([0.0, 200.0, 301.0])) == pytest.approx([60.0, 40.0, 0.0])
    assert np.isinf(head_limit_m(None, np.array([200.0]))).all()


# ---- affinity --------------------------------------------------------------------------------------


def test_affinity_published_example():
    # an examination's example (seen at second hand): a wheel of 250 mm gives 40 m; at 200 mm, 0.8 of that,
    # 25.6 m. Slowed to 0.8, the pump gives 25.6 m at 0.8 of the flow at which it gave 40 m
    assert head_at_m(PARABOLA, 200.0) == pytest.approx(40.0)
    assert speed_for(PARABOLA, 160.0, 25.6) == pytest.approx(0.8, abs=1e-6)


@pytest.mark.parametrize(("flow", "head"), [(60.0, 20.0), (150.0, 33.0), (200.0, 39.0), (250.0, 20.0)])
def test_speed_on_a_parabola_by_hand(flow, head):
    # s2 (60 - k (Q/s)2) = H gives s = sqrt((H + k Q2) / 60); points 10 m3/h apart leave 1e-5 of it
    by_hand = math.sqrt((head + 0.0005 * flow**2) / 60.0)
    assert speed_for(PARABOLA, flow, head) == pytest.approx(by_hand, rel=1e-4)


def test_more_than_full_speed_gives_is_no_speed():
    assert speed_for(PARABOLA, 200.0, 40.1) is None
    assert speed_for(PARABOLA, 301.0, 1.0) is None


def test_no_slower_than_the_curves_end():
    # at 5 m the pump could turn slower than 150 / 300, where nothing is known of it: it stays there and gives
    # 0.25 x 15 m = 3.75 m at 0.5; 1 m is less than that
    assert speed_for(PARABOLA, 150.0, 1.0) == pytest.approx(0.5)
    duty = pump_duty(source(PARABOLA), 1, 150.0, 1.0)
    assert duty.pump_head_m == pytest.approx(3.75)
    assert "slowest speed" in pump_findings(source(PARABOLA), [duty])[0].what


# ---- duties ----------------------------------------------------------------------------------------


def test_duty_without_a_curve():
    duty = pump_duty(source(pump_efficiency_pct=80.0, motor_efficiency_pct=90.0), 3, 100.0, 40.0)
    assert (duty.shift, duty.speed_pct, duty.short_m, duty.throttled_m) == (3, None, 0.0, 0.0)
    assert duty.pump_kw == pytest.approx(100.0 * 40.0 / (367.7 * 0.8), rel=1e-3)
    assert duty.energy_kwh_m3 * 100.0 == pytest.approx(duty.pump_kw / 0.9)
    assert pump_findings(source(), [duty]) == ()


def test_throttled_pump_pays_for_its_own_head():
    # at 200 m3/h the parabola gives 40 m; 28 m are asked for: 12 m or 30 % go into the throttle
    throttled = pump_duty(source(PARABOLA, pump_control="throttled"), 1, 200.0, 28.0)
    slowed = pump_duty(source(PARABOLA), 1, 200.0, 28.0)
    assert (throttled.pump_head_m, throttled.throttled_m) == pytest.approx((40.0, 12.0))
    assert slowed.pump_head_m == pytest.approx(28.0)
    assert slowed.pump_kw / throttled.pump_kw == pytest.approx(0.7)
    (found,) = pump_findings(source(PARABOLA, pump_control="throttled"), [throttled])
    assert "30 % of its energy" in found.what
    assert (found.measured, found.limit) == pytest.approx((40.0, 28.0))
    assert pump_findings(source(PARABOLA), [slowed]) == ()


def test_efficiency_moves_with_the_point_of_the_curve():
    # slowed to 0.8, 160 m3/h are the curve's 200, where it is 75 % efficient
    curve = PumpCurve(PARABOLA.flow_m3h, PARABOLA.head_m, tuple(75.0 - 0.001 * (FULL - 200.0) ** 2))
    duty = pump_duty(source(curve), 1, 160.0, 25.6)
    assert (duty.speed_pct, duty.efficiency_pct) == pytest.approx((80.0, 75.0), abs=1e-3)


def test_a_pump_too_small_says_by_how_much():
    short = pump_duty(source(PARABOLA), 2, 200.0, 43.0)
    assert short.short_m == pytest.approx(3.0)
    past = pump_duty(source(PARABOLA), 4, 320.0, 10.0)
    assert past.beyond_curve
    found = pump_findings(source(PARABOLA), [short, past])
    assert [f.severity for f in found] == ["attention", "attention"]
    assert (found[0].measured, found[0].limit) == pytest.approx((320.0, 300.0))
    assert (found[1].measured, found[1].limit) == pytest.approx((43.0, 40.0))
    assert "short by 3.0 m" in found[1].what


def test_far_from_its_best_flow_is_told():
    curve = PumpCurve(PARABOLA.flow_m3h, PARABOLA.head_m, tuple(75.0 - 0.001 * (FULL - 200.0) ** 2))
    # 50 m3/h at 58 m: nearly full speed (0.9947), a quarter of the best flow
    (found,) = pump_findings(source(curve), [pump_duty(source(curve), 1, 50.0, 58.0)])
    assert found.measured == pytest.approx(100.0 * 50.0 / 0.99478 / 200.0, abs=0.05)
    assert found.limit == 70.0


def test_season_energy_adds_up():
    duties = [pump_duty(source(), 1, 100.0, 40.0), pump_duty(source(), 2, 100.0, 60.0)]
    season = season_energy(duties, {1: 1000.0, 2: 3000.0}, 0.2)
    by_hand = (0.002720 * 40.0 * 1000.0 + 0.002720 * 60.0 * 3000.0) / 0.63  # 998.2 kg/m3
    assert season.energy_kwh == pytest.approx(by_hand, rel=1e-3)
    assert season.cost == pytest.approx(0.2 * season.energy_kwh)
    assert season.energy_kwh_m3 == pytest.approx(season.energy_kwh / 4000.0)
    assert season_energy(duties, {1: 1.0}).cost is None
