"""Tabulated friction against the equations that it is made from."""

from dataclasses import replace

import numpy as np
import pytest

from farmgis.hydraulics.friction import DEFAULT_WATER, hazen_williams_row, pipe_rows, tabulated
from farmgis.hydraulics.friction_kernel import COLUMNS, loss_per_metre, tabulated_loss
from farmgis.hydraulics.lateral import lateral_tree
from farmgis.hydraulics.tree import solve_tree
from farmgis.records import Dripline, Pipe


@pytest.mark.parametrize(("inside_mm", "roughness_mm"), [(13.6, 0.0015), (22.2, 0.0015), (147.0, 0.1)])
def test_table_is_true_to_1e_6_over_all_flows(inside_mm, roughness_mm):
    pipe = Pipe("PE", inside_mm, inside_mm, 6.0, 1.0, roughness_mm)
    row = tabulated(pipe_rows((pipe,), DEFAULT_WATER))[0]
    exact = row[:COLUMNS]
    for reynolds in np.geomspace(10.0, 3e5, 3000):
        flow = reynolds / row[0]
        loss, gradient = tabulated_loss(flow, exact, row[COLUMNS:])
        true, slope = loss_per_metre(flow, exact)
        assert loss == pytest.approx(true, rel=1e-6)
        assert gradient == pytest.approx(slope, rel=2e-4)


def test_hazen_williams_has_no_table():
    row = tabulated(hazen_williams_row(100.0, 140.0)[None])[0]
    assert tabulated_loss(0.01, row[:COLUMNS], row[COLUMNS:]) == loss_per_metre(0.01, row[:COLUMNS])


@pytest.mark.parametrize("exponent", [0.5, 0.46, 0.0])
def test_a_lateral_by_table_agrees_to_1e_6(exponent):
    line = Dripline("a", 16.0, 0.4, 1.6, exponent=exponent, least_head_m=4.0, greatest_head_m=30.0)
    tree = lateral_tree(line, 0.3 * np.sin(np.arange(401.0) / 25.0))
    exact = solve_tree(tree, "fixed head", 20.0)
    quick = solve_tree(replace(tree, sizes=tabulated(tree.sizes)), "fixed head", 20.0)
    np.testing.assert_allclose(quick.head_m, exact.head_m, rtol=1e-6)
    np.testing.assert_allclose(quick.flow_m3_s, exact.flow_m3_s, rtol=1e-6)
