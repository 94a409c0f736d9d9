"""Longest runs against marching with another friction formula, and against laws."""

import math

import numpy as np
import pytest

from farmgis.hydraulics.longest_run import lateral_at_nominal_flow, longest_run_m, longest_runs_m
from farmgis.hydraulics.uniformity import flow_variation_pct
from farmgis.records import Dripline, Tolerance

LINE = Dripline("22 mm", 22.2, 0.4, 1.0, greatest_head_m=100.0)
TEN = Tolerance("flow_variation_pct", 10.0)


def blasius_variation_pct(emitters, grade_pct):
    """Flow variation marched with Blasius' friction (64 / Re up to 2000), 10 m in the mean head."""
    diameter, nu, g = 22.2e-3, 1.004e-6, 9.80665
    area = math.pi / 4 * diameter**2

    def heads(end_m):
        head, flow, found = end_m, 0.0, []
        for _ in range(emitters):
            found.append(head)
            flow += 1.0 / 3.6e6 * math.sqrt(head / 10.0)
            v = flow / area
            re = v * diameter / nu
            f = 64.0 / re if re < 2000.0 else 0.3164 / re**0.25
            head += 1.1 * f * 0.4 / diameter * v * v / (2 * g) + grade_pct / 100.0 * 0.4
        return np.array(found)

    low, high = 2.0, 20.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if heads(middle).mean() < 10.0 else (low, middle)
    found = heads(low)
    return flow_variation_pct(math.sqrt(found.min()), math.sqrt(found.max()))


@pytest.mark.parametrize("grade_pct", [0.0, 1.0, -1.0, -2.0])
def test_variation_of_725_emitters_against_blasius(grade_pct):
    lateral = lateral_at_nominal_flow(LINE, grade_pct, 725)
    head = lateral.head_m[1:]
    ours = flow_variation_pct(math.sqrt(head.min()), math.sqrt(head.max()))
    assert ours == pytest.approx(blasius_variation_pct(725, grade_pct), abs=0.3)


@pytest.mark.parametrize("grade_pct", [-0.5, 0.0, 0.5, 1.0])
def test_the_longest_run_keeps_the_tolerance_and_one_emitter_more_does_not(grade_pct):
    run_m = longest_run_m(LINE, grade_pct, TEN)
    emitters = round(run_m / LINE.emitter_spacing_m)

    def variation(n):
        head = lateral_at_nominal_flow(LINE, grade_pct, n).head_m[1:]
        return flow_variation_pct(math.sqrt(head.min()), math.sqrt(head.max()))

    assert variation(emitters) <= 10.0 < variation(emitters + 1)


def test_gently_down_is_longer_than_level_and_up_is_shorter():
    up, level, down = longest_runs_m(LINE, np.array([1.0, 0.0, -0.5]), TEN)
    assert up < level < down


def test_a_line_that_bears_little_ends_the_run():
    thin = Dripline("thin", 22.2, 0.4, 1.0, greatest_head_m=10.5)
    assert longest_run_m(thin, 0.0, TEN) < longest_run_m(LINE, 0.0, TEN)
    assert longest_run_m(Dripline("none", 22.2, 0.4, 1.0, greatest_head_m=9.0), 0.0, TEN) == 0.0


def test_an_emitters_loss_as_heads_or_as_length():
    """A loss of K velocity heads is that of K D / f of line: the same at the flow for which f was taken."""
    from farmgis.hydraulics.friction import friction_factor
    from farmgis.hydraulics.lateral import solve_lateral

    level = np.zeros(201)
    plain = solve_lateral(Dripline("a", 16.0, 0.4, 2.0, emitter_loss_k=0.0), level, 15.0)
    by_k = solve_lateral(Dripline("a", 16.0, 0.4, 2.0, emitter_loss_k=0.5), level, 15.0)
    factor = friction_factor(0.9 * plain.flow_l_h / 3.6e6 * 4 / (math.pi * 0.016 * 1.0034e-6))
    length_m = 0.5 * 0.016 / factor
    by_length = solve_lateral(Dripline("a", 16.0, 0.4, 2.0, emitter_loss_length_m=length_m), level, 15.0)
    lost = [15.0 - s.head_m[-1] for s in (plain, by_k, by_length)]
    assert lost[2] - lost[0] == pytest.approx(lost[1] - lost[0], rel=0.1)
