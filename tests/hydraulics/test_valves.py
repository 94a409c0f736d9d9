"""Flow limiters, shut valves and loss curves."""

import numpy as np
import pytest

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import DEFAULT_WATER, pipe_rows
from farmgis.hydraulics.tree import Tree, solve_tree
from farmgis.hydraulics.valves import flow_limiter, loss_curve, shut
from farmgis.records import Dripline, Pipe

LINE = Dripline("a", 16.0, 0.5, 2.0)


def two_arms(**more):
    """A root, a joint, and two arms of ten emitters each that begin at nodes 2 and 12."""
    parent = np.r_[-1, 0, 1, np.arange(2, 11), 1, np.arange(12, 21)]
    n = parent.size
    sizes = pipe_rows((Pipe("PE", 20.0, 16.0, 6.0, 1.0, 0.0015),), DEFAULT_WATER)
    outlets = np.r_[0.0, 0.0, np.ones(n - 2)]
    return Tree(
        parent, np.zeros(n), np.full(n, 1.0), np.zeros(n), np.zeros(n, np.int64), sizes, outlets,
        emitter_law(LINE), np.zeros(n), **more,
    )  # fmt: skip


def at(node, n=22):
    curve = np.full(n, -1)
    curve[node] = 0
    return curve


def test_a_limiter_holds_its_flow_and_lets_less_pass():
    free = solve_tree(two_arms(), "fixed head", 20.0)
    limit = 0.6 * float(free.flow_m3_s[12])
    held = solve_tree(two_arms(curve=at(12), curves=(flow_limiter(limit),)), "fixed head", 20.0)
    assert held.flow_m3_s[12] == pytest.approx(limit, rel=2e-5)  # a millionth for each metre that it takes
    assert held.flow_m3_s[2] > free.flow_m3_s[2]
    wide = two_arms(curve=at(12), curves=(flow_limiter(2.0 * float(free.flow_m3_s[12])),))
    np.testing.assert_allclose(solve_tree(wide, "fixed head", 20.0).head_m, free.head_m, atol=1e-7)


def test_a_shut_arm_takes_nothing_and_the_other_is_alone():
    closed = solve_tree(shut(two_arms(), np.array([12])), "fixed head", 20.0)
    assert closed.flow_m3_s[12] == 0.0
    tree = two_arms()
    alone = Tree(
        tree.parent[:12], tree.ground_m[:12], tree.loss_length_m[:12], tree.minor[:12], tree.size[:12],
        tree.sizes, tree.outlets[:12], tree.law, tree.demand_m3_s[:12],
    )  # fmt: skip
    np.testing.assert_allclose(closed.head_m[:12], solve_tree(alone, "fixed head", 20.0).head_m, atol=1e-8)


@pytest.mark.parametrize(
    ("flow", "loss"), [([0, 20, 10], [0, 1, 2]), ([0, 10, 20], [0, 3, 2]), ([5], [1]), ([-1, 5], [0, 1])]
)
def test_a_curve_that_does_not_rise_is_refused(flow, loss):
    with pytest.raises(ValueError, match="loss curve"):
        loss_curve(flow, loss)


def test_a_limit_of_nothing_is_refused():
    with pytest.raises(ValueError, match="flow limiter of 0"):
        flow_limiter(0.0)
