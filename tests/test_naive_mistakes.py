"""Mistakes that a hurried tool makes, each with what it would have got wrong.

The laterals are of line with 22.2 mm inside, 1.0 l/h at 0.4 m, x = 0.5, 290 m long, with 10 m in the mean
and 10 % local losses. Their expected flow variations were computed by marching with Blasius' friction, apart
from this code, and are good to 0.2 of a point: ours has Swamee-Jain and the laminar end. With Blasius
`marched_pct` marches again.
"""

import numpy as np
import pytest
import shapely
from scipy.optimize import brentq

from farmgis.hydraulics.lateral import solve_lateral
from farmgis.hydraulics.uniformity import flow_variation_pct
from farmgis.planning.rows import irrigated_land, row_plan
from farmgis.records import Design, Dripline

LINE = Dripline("22 mm", 22.2, 0.4, 1.0, greatest_head_m=100.0)
LENGTH_M = 290.0


def variation_pct(ground_m):
    """Flow variation of the lateral over some ground, its mean head 10 m."""

    def over(inlet_m):
        return solve_lateral(LINE, ground_m, inlet_m).head_m[1:].mean() - 10.0

    head = solve_lateral(LINE, ground_m, brentq(over, 5.0, 40.0, xtol=1e-6)).head_m[1:]
    return flow_variation_pct(head.min() ** 0.5, head.max() ** 0.5)


def marched_pct(ground_m, viscosity=1.004e-6, g=9.81):
    """The same by plain marching from the closed end: f = 0.3164 / Re^0.25, or 64 / Re, and 10 % on top."""
    area = np.pi / 4.0 * 0.0222**2

    def heads(end_m):
        head, flow = np.empty(ground_m.size - 1), 0.0
        h = end_m
        for i in range(ground_m.size - 1, 0, -1):
            head[i - 1] = h
            flow += (max(h, 1e-9) / 10.0) ** 0.5 / 3.6e6
            v = flow / area
            reynolds = max(v * 0.0222 / viscosity, 1e-9)
            factor = 64.0 / reynolds if reynolds < 2000.0 else 0.3164 / reynolds**0.25
            h += 1.1 * factor * 0.4 / 0.0222 * v * v / (2.0 * g) + ground_m[i] - ground_m[i - 1]
        return head

    head = heads(brentq(lambda end: heads(end).mean() - 10.0, 2.0, 20.0, xtol=1e-6))
    return flow_variation_pct(head.min() ** 0.5, head.max() ** 0.5)


def along():
    return 0.4 * np.arange(round(LENGTH_M / 0.4) + 1)


@pytest.mark.parametrize(("grade_pct", "expected"), [(0.0, 9.7), (1.0, 21.3), (-1.0, 5.7), (-2.0, 15.5)])
def test_not_friction_only_and_not_downhill_always_helps(grade_pct, expected):
    """Friction alone would give 9.7 on every grade; "downhill helps" would stop at the 5.7 of -1 %."""
    assert variation_pct(grade_pct / 100.0 * along()) == pytest.approx(expected, abs=0.2)
    assert marched_pct(grade_pct / 100.0 * along()) == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize(("height_m", "expected"), [(3.0, 19.9), (-3.0, 16.8)])
def test_not_end_elevations_only(height_m, expected):
    """A hump and a hollow of 3 m with level ends; the ends alone would give the 9.7 of level ground."""
    hump = height_m * np.sin(np.pi * along() / LENGTH_M)
    assert variation_pct(hump) == pytest.approx(expected, abs=0.2)
    assert marched_pct(hump) == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize(("grade_pct", "uphill_pct"), [(0.0, 50.0), (0.5, 36.0), (1.0, 26.0)])
def test_not_a_submain_in_the_middle(grade_pct, uphill_pct):
    """A pair of 500 m with 10 m at its inlet: the length uphill at which both lowest heads agree."""

    def lowest(emitters, grade):
        return solve_lateral(LINE, grade * 0.4 * np.arange(emitters + 1), 10.0).head_m[1:].min()

    grade = grade_pct / 100.0
    apart = [abs(lowest(n, grade) - lowest(1250 - n, -grade)) for n in range(250, 651, 5)]
    assert 100.0 * (250 + 5 * int(np.argmin(apart))) / 1250 == pytest.approx(uphill_pct, abs=0.5)


def test_not_an_outlet_factor_in_place_of_the_profile():
    """An outlet factor gives the loss at the end; on a hollow the lowest head is not there."""
    hollow = 3.0 * np.sin(2.0 * np.pi * along() / LENGTH_M)
    heads = solve_lateral(LINE, hollow, 12.0).head_m
    assert int(np.argmin(heads[1:])) < 0.5 * heads.size


def test_not_overlapping_headlands_twice():
    """An L-shaped field: headlands and side margins are one union, so that a corner is counted once."""
    ell = shapely.Polygon([(0, 0), (300, 0), (300, 120), (120, 120), (120, 260), (0, 260)])
    design = Design(headland_m=12.0, side_margin_m=3.0)
    kept = irrigated_land(ell, design)
    inner = shapely.Polygon([(12, 3), (288, 3), (288, 117), (108, 117), (108, 257), (12, 257)])
    assert kept.symmetric_difference(inner).area < 0.01 * inner.area


def test_not_laterals_through_a_pond(square_field):
    """A hole has no laterals, and none comes nearer to it than the headland at a row's end."""
    pond = shapely.Point(10.0, 20.0).buffer(30.0)
    plan = row_plan(square_field(area=shapely.box(-150, -150, 150, 150) - pond), 90.0)
    lines = shapely.linestrings(
        np.stack(
            [
                np.stack(plan.axes.to_xy(u, plan.laterals.v_m), axis=1)
                for u in (plan.laterals.start_u_m, plan.laterals.end_u_m)
            ],
            axis=1,
        )
    )
    assert not np.any(shapely.intersects(lines, pond))
    assert np.any(shapely.distance(lines, pond) < 20.0)  # they do come up to it
