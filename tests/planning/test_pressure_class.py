"""Surge against printed tables, a method of characteristics and the law; classes by hand."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from farmgis import tables
from farmgis.hydraulics.water import water_at
from farmgis.planning.main_network import MainNetwork
from farmgis.planning.pressure_class import (
    BAR_M,
    class_findings,
    closing_flow_m3h,
    needed_bar,
    reach_pressures,
    surge_m,
    transient_findings,
    wave_speed_m_s,
)
from farmgis.records import Pipe

PSI_M = 0.70307  # metres of water in a pound a square inch
FOOT_M = 0.3048


def thin(ratio, elasticity_gpa, **more):
    """A pipe of 100 mm outside with that ratio of outside diameter to wall."""
    wall = 100.0 / ratio
    return Pipe("any", 100.0, 100.0 - 2.0 * wall, 10.0, 1.0, 0.01, elasticity_gpa, **more)


# ---- the wave --------------------------------------------------------------------------------------


def test_surge_of_an_instant_stop_by_hand():
    # a dv / g: 300 to 400 m/s, as plastic pipe has, and 1.5 m/s
    assert surge_m(1.5, 300.0) == pytest.approx(45.9, abs=0.05)
    assert surge_m(1.5, 400.0) == pytest.approx(61.2, abs=0.05)


@pytest.mark.parametrize(
    ("ratio", "printed"), [(17.0, 172), (13.5, 196), (11.0, 221), (9.0, 250), (7.3, 286), (6.0, 327)]
)
def test_wave_speed_printed_table_pex(ratio, printed):
    # a pipe maker's table of wave speeds in cross-linked polyethylene at 20 degrees C, modulus 67,425 psi
    # (text seen). Its speed of sound in water is 1425 m/s, ours of 2.18 GPa 1478: up to 2 % in these pipes
    assert wave_speed_m_s(thin(ratio, 67425.0 * 6894.76e-9)) == pytest.approx(printed, rel=0.02)


@pytest.mark.parametrize(
    ("ratio", "modulus", "psi"),
    [(41.0, 4e5, 11.4), (32.5, 4e5, 12.8), (25.0, 4e5, 14.7), (21.0, 4e5, 16.0), (18.0, 4e5, 17.4),
     (21.0, 1.15e5, 8.8), (17.0, 1.15e5, 9.9), (13.5, 1.15e5, 11.3), (11.0, 1.15e5, 12.7),
     (9.0, 1.15e5, 14.3)],
)  # fmt: skip
def test_surge_printed_table_pvc_and_polyethylene(ratio, modulus, psi):
    # surge of 1 ft/s in PVC (400,000 psi) and polyethylene (115,000 psi) by dimension ratio: a table seen at
    # second hand. Its speed of sound in water is 4660 ft/s or 1420 m/s, ours 1478: up to 2 %. Left out is its
    # row for 51, which is 6 % over its own equation
    found = surge_m(FOOT_M, wave_speed_m_s(thin(ratio, modulus * 6894.76e-9))) / PSI_M
    assert found == pytest.approx(psi, rel=0.022)


def test_wave_in_a_pipe_without_a_wall_is_sound_in_water():
    rigid = Pipe("any", 100.0, 100.0, 10.0, 1.0, 0.01)
    assert wave_speed_m_s(rigid) == pytest.approx(1478.0, abs=5.0)  # sqrt(K / density)
    assert wave_speed_m_s(thin(11.0, 3.0)) < wave_speed_m_s(thin(11.0, 200.0)) < wave_speed_m_s(rigid)


def test_the_tables_materials():
    # 300 to 400 m/s is what water hammer tables have for PVC-U of 10 bar; polyethylene is slower
    kinds = {(p.material, p.pressure_class_bar): p for p in tables.pipes() if p.nominal_mm == 200.0}
    assert 300.0 < wave_speed_m_s(kinds["PVC-U", 10.0]) < 400.0
    assert 180.0 < wave_speed_m_s(kinds["PE100", 10.0]) < 300.0
    # AWWA C906 for SDR 11: class 200, 300 in recurring and 400 psi in occasional surge (seen at second
    # hand, a comparison sheet of 2015); EN 12201 calls the same wall 16 bar
    pe = kinds["PE100", 10.0]
    bar_psi = 14.5038
    assert 16.0 * pe.surge_factor * bar_psi == pytest.approx(300.0, rel=0.01)
    assert 16.0 * pe.trip_factor * bar_psi == pytest.approx(400.0, rel=0.02)


def test_surge_agrees_with_the_method_of_characteristics():
    # one pipe with friction from a reservoir to a valve that closes at once: the head at the valve after
    # the first step is Joukowsky's, and nowhere does it come over working head with the surge
    water, pipe = water_at(20.0), thin(17.0, 1.0)
    wave, length, speed, g, n = wave_speed_m_s(pipe), 600.0, 1.5, 9.80665, 60
    resistance = 0.02 / (2.0 * g * 0.1) * (length / n) / g * g  # loss of a reach over v |v|
    v = np.full(n + 1, speed)
    h = 50.0 - resistance * speed**2 * np.arange(n + 1)
    start = h.copy()
    top = h.copy()
    for step in range(400):
        plus = h[:-1] + wave / g * v[:-1] - resistance * v[:-1] * np.abs(v[:-1])
        minus = h[1:] - wave / g * v[1:] + resistance * v[1:] * np.abs(v[1:])
        h[1:-1], v[1:-1] = (plus[:-1] + minus[1:]) / 2.0, g / wave * (plus[:-1] - minus[1:]) / 2.0
        h[-1], v[-1] = plus[-1], 0.0
        h[0], v[0] = 50.0, (50.0 - minus[0]) * g / wave
        if step == 0:
            joukowsky = start[-1] + surge_m(speed, wave, water)
            assert h[-1] == pytest.approx(joukowsky, abs=0.3)  # friction of the last reach
        top = np.maximum(top, h)
    # line packing: as the stopped water packs the pipe, friction's head is added; never more than it
    assert (top <= start + surge_m(speed, wave, water) + (50.0 - start[-1]) + 0.1).all()
    assert top[-1] > start[-1] + surge_m(speed, wave, water)


# ---- reaches ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Piece:
    main_id: str
    seq: int
    link: int
    pipe: Pipe
    line_m: Any
    start_head_m: Any
    end_head_m: Any


CLASSES = [
    Pipe("PVC-U", 200.0, 190.0, 6.0, 4.0, 0.01, 3.0, 1.0, 1.6),
    Pipe("PVC-U", 200.0, 184.6, 10.0, 6.5, 0.01, 3.0, 1.0, 1.6),
    Pipe("PVC-U", 200.0, 176.2, 16.0, 9.8, 0.01, 3.0, 1.0, 1.6),
]


def piece(low_m, pipe, start=(160.0,), end=(150.0,)):
    """1000 m along which the ground dips in the middle."""
    line = np.array([[0.0, 0.0, 110.0], [500.0, 0.0, low_m], [1000.0, 0.0, 105.0]])
    return Piece("river-M01", 1, 1, pipe, line, np.array(start), np.array(end))


def judged(low_m, pipe, flow=100.0, closing=40.0, level=170.0, **more):
    flows = np.array([[0.0, flow]]), np.array([[0.0, closing]])
    return reach_pressures([piece(low_m, pipe, **more)], *flows, level, CLASSES)[0]


def test_heads_of_a_reach_by_hand():
    # at rest 170 - 95 = 75 m at the dip; running 155 - 95 = 60 m there. 100 m3/h in 184.6 mm is
    # 1.0379 m/s, 40 are 0.4151; wall 7.7: a = 1 / sqrt(998.2 (1/2.18e9 + 184.6/(3e9 x 7.7))) = 344.4 m/s:
    # 36.45 and 14.58 m of surge
    found = judged(95.0, CLASSES[1])
    assert found.static_head_max_m == pytest.approx(75.0)
    assert found.working_head_max_m == pytest.approx(60.0, abs=0.01)
    assert found.wave_speed_m_s == pytest.approx(344.4, abs=0.5)
    assert found.closing_head_m == pytest.approx(74.58, abs=0.05)
    assert found.surge_head_max_m == pytest.approx(96.45, abs=0.1)
    assert found.trip_head_min_m == pytest.approx(45.0 - 36.45, abs=0.1)  # at the end, on 105 m
    assert found.within_class
    assert found.serving == CLASSES[1]  # 61.2 m of the least class are less than 75 at rest
    assert found.class_share == pytest.approx(75.0 / (10.0 * BAR_M), abs=0.01)


@pytest.mark.parametrize(
    ("low", "flow", "closing", "level", "bar"),
    [
        (110.0, 100.0, 1.0, 165.0, 6.0),  # 60 m at rest, 60 m of 61 with its valve
        (103.0, 100.0, 1.0, 165.0, 10.0),  # at rest 62 m of 61.2
        (105.0, 100.0, 60.0, 160.0, 10.0),  # 72 m when a block of 60 m3/h closes
        (105.0, 330.0, 1.0, 160.0, 16.0),  # a trip from 3.4 m/s: 170 m, 10 bar bear 163 and 16 bar 261
    ],
)
def test_the_least_class_that_serves(low, flow, closing, level, bar):
    found = judged(low, CLASSES[0], flow, closing, level)
    own = {p.pressure_class_bar: judged(low, p, flow, closing, level) for p in CLASSES}
    serving = min(b for b, r in own.items() if r.within_class)
    assert found.serving.pressure_class_bar == serving
    assert serving == bar
    assert found.within_class == (serving == 6.0)


def test_what_no_class_bears_is_marked():
    found = judged(-20.0, CLASSES[2], 2.0, 1.0)  # 190 m at rest, 163 m is what 16 bar are
    assert found.serving is None
    assert needed_bar([found], 2).tolist() == [0.0, np.inf]
    (told,) = class_findings([found])
    assert told.severity == "attention"
    assert told.where_id == "river-M01"
    assert (told.measured, told.limit) == pytest.approx((190.0, 16.0 * BAR_M))
    assert "no class on sale" in told.advice


def test_a_class_too_low_names_the_one_that_serves():
    found = judged(95.0, CLASSES[0])
    (told,) = class_findings([found])
    assert "class 10 bar bears it" in told.advice
    assert needed_bar([found], 3).tolist() == [0.0, 10.0, 0.0]
    assert class_findings([judged(95.0, CLASSES[1])]) == ()


def test_shifts_in_which_it_does_not_flow_count_at_rest_only():
    pipe = CLASSES[1]
    still = piece(95.0, pipe, (160.0, np.nan), (150.0, np.nan))
    flows = np.array([[0.0, 100.0], [0.0, 0.0]])
    both = reach_pressures([still], flows, flows, 170.0, CLASSES)[0]
    alone = reach_pressures([piece(95.0, pipe)], flows[:1], flows[:1], 170.0, CLASSES)[0]
    assert replace(both, line_m=None) == replace(alone, line_m=None)
    never = piece(95.0, pipe, (np.nan,), (np.nan,))
    rest = reach_pressures([never], flows[:1], flows[:1], 170.0, CLASSES)[0]
    assert rest.surge_head_max_m == rest.static_head_max_m == pytest.approx(75.0)
    assert rest.within_class


def test_raised_datum_changes_nothing():
    def at(datum):
        lifted = piece(95.0, CLASSES[0], (160.0 + datum,), (150.0 + datum,))
        line = lifted.line_m + np.array([0.0, 0.0, datum])
        flows = np.array([[0.0, 100.0]])
        return reach_pressures([replace(lifted, line_m=line)], flows, flows, 170.0 + datum, CLASSES)[0]

    low, high = at(0.0), at(1000.0)
    assert high.surge_head_max_m == pytest.approx(low.surge_head_max_m)
    assert high.static_head_max_m == pytest.approx(low.static_head_max_m)


# ---- the network -----------------------------------------------------------------------------------


def network(ground, length=600.0):
    """A main that forks: 0 - 1, then 2 and 3, which are valves."""
    return MainNetwork(
        ("river", "J-river-01", "A-V", "B-V"),
        np.array([-1, 0, 1, 1]),
        np.array(ground, dtype=float),
        (np.empty((0, 3)),) * 4,
        np.array([0.0, length, length, length]),
        np.zeros(4),
        np.full(4, -1),
        np.array([-1, -1, 0, 1]),
    )


def test_closing_flow_is_the_largest_open_block_beyond():
    flow = closing_flow_m3h(network([0.0] * 4), np.array([[50.0, 30.0], [0.0, 30.0]]))
    assert flow.tolist() == [[50.0, 50.0, 50.0, 30.0], [30.0, 30.0, 0.0, 30.0]]


def test_long_rising_main_and_falling_heads_are_told():
    reach = judged(95.0, CLASSES[1], flow=150.0)  # 54.7 m of surge from 45 m at the end
    found = transient_findings("river", network([100.0, 108.0, 125.0, 101.0]), [reach])
    assert [f.severity for f in found] == ["attention", "note"]
    assert "1.0 km of its mains" in found[0].what
    assert found[0].measured == pytest.approx(45.0 - 54.7, abs=0.2)
    assert "rises 25 m over 1,200 m to A-V" in found[1].what
    assert f"{2400.0 / reach.wave_speed_m_s:.0f} s" in found[1].what


def test_level_short_mains_call_for_no_engineer():
    reach = judged(95.0, CLASSES[1], flow=50.0)
    assert transient_findings("river", network([100.0, 101.0, 102.0, 101.0]), [reach]) == ()
