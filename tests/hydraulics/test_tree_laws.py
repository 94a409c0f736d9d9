"""Laws that any solved tree obeys, over trees that hypothesis invents."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import DEFAULT_WATER, hazen_williams_row, pipe_rows
from farmgis.hydraulics.friction_kernel import loss_per_metre
from farmgis.hydraulics.tree import Tree, in_order, solve_tree
from farmgis.records import Dripline, Pipe

LINES = (
    Dripline("plain", 16.0, 0.4, 1.6),
    Dripline("another exponent", 16.0, 0.4, 1.6, exponent=0.46),
    Dripline("compensating", 16.0, 0.4, 1.6, exponent=0.0, least_head_m=4.0, greatest_head_m=25.0),
    Dripline("closing", 16.0, 0.4, 1.6, closing_head_m=1.5),
)
PIPES = tuple(Pipe("PE", mm, mm, 6.0, 1.0, 0.0015) for mm in (16.0, 40.0, 110.0))


def invented(seed, line):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 250))
    back = np.where(rng.random(n - 1) < 0.8, 1, rng.integers(1, 20, n - 1))
    parent = np.r_[-1, np.maximum(np.arange(1, n) - back, 0)]
    return Tree(
        parent=parent,
        ground_m=rng.uniform(-8.0, 8.0) * np.linspace(0.0, 1.0, n) + rng.uniform(-1.0, 1.0, n),
        loss_length_m=np.r_[0.0, rng.uniform(0.1, 8.0, n - 1)],
        minor=rng.uniform(0.0, 1.0, n),
        size=np.repeat(rng.integers(0, 3, n // 20 + 1), 20)[:n],
        sizes=pipe_rows(PIPES, DEFAULT_WATER),
        outlets=np.r_[0.0, rng.integers(0, 3, n - 1)].astype(float),
        law=emitter_law(line),
        demand_m3_s=np.where(rng.random(n) < 0.03, 1e-5, 0.0),
    )


def replaced(tree, **changes):
    return Tree(**{k: getattr(tree, k) for k in tree.__dataclass_fields__} | changes)


trees = st.builds(invented, st.integers(0, 10**6), st.sampled_from(LINES))
LAWS = settings(max_examples=60, deadline=None, derandomize=True)


@LAWS
@given(trees, st.floats(0.0, 40.0))
def test_flow_balances_and_head_falls_by_what_friction_takes(tree, root_head_m):
    solution = solve_tree(tree, "fixed head", root_head_m)
    head, flow = solution.head_m, solution.flow_m3_s
    taken = np.zeros(flow.size)
    np.add.at(taken, tree.parent[1:], flow[1:])
    own = flow - taken
    assert np.all(own >= -1e-9 * flow[0])
    assert own.sum() == pytest.approx(flow[0], rel=1e-9, abs=1e-15)
    for i in range(1, flow.size):
        row = tree.sizes[tree.size[i]]
        loss = loss_per_metre(flow[i], row)[0] * tree.loss_length_m[i] + tree.minor[i] * row[8] * flow[i] ** 2
        p = tree.parent[i]
        fall = head[p] + tree.ground_m[p] - head[i] - tree.ground_m[i]
        assert fall == pytest.approx(loss, abs=1e-7)


@LAWS
@given(trees, st.floats(0.5, 40.0))
def test_marching_runs_changes_nothing(tree, root_head_m):
    marched = solve_tree(tree, "fixed head", root_head_m)
    whole = solve_tree(tree, "fixed head", root_head_m, march_runs=False)
    np.testing.assert_allclose(marched.head_m, whole.head_m, atol=2e-7)
    np.testing.assert_allclose(marched.flow_m3_s[0], whole.flow_m3_s[0], rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("line", LINES, ids=lambda line: line.name)
@pytest.mark.parametrize("seed", range(4))
def test_marching_agrees_to_1e_9_of_every_flow(seed, line):
    """A regular block: what is marched and what Newton on every node gives, both solved to the last digit."""
    rng = np.random.default_rng(seed)
    parent, ground, outlets = [-1, *range(19)], list(np.linspace(0.0, -2.0, 20)), [0.0] * 20
    for k in range(20):
        height = ground[k] + np.cumsum(rng.normal(0.0, 0.02, 80))
        for e in range(80):
            parent.append(len(parent) - 1 if e else k)
            ground.append(float(height[e]))
            outlets.append(1.0)
    n = len(parent)
    size = np.r_[np.ones(20, np.int64), np.zeros(n - 20, np.int64)]
    tree = Tree(
        np.array(parent), np.array(ground), np.full(n, 0.4), np.full(n, 0.1), size,
        pipe_rows(PIPES, DEFAULT_WATER), np.array(outlets), emitter_law(line), np.zeros(n),
    )  # fmt: skip
    marched = solve_tree(tree, "fixed head", 14.0, tolerance_m=1e-11)
    whole = solve_tree(tree, "fixed head", 14.0, tolerance_m=1e-11, march_runs=False)
    np.testing.assert_allclose(marched.flow_m3_s, whole.flow_m3_s, rtol=1e-9)


@LAWS
@given(trees, st.floats(1.0, 40.0), st.floats(-500.0, 500.0))
def test_a_raised_datum_changes_nothing(tree, root_head_m, datum_m):
    raised = replaced(tree, ground_m=tree.ground_m + datum_m)
    np.testing.assert_allclose(
        solve_tree(raised, "fixed head", root_head_m).head_m,
        solve_tree(tree, "fixed head", root_head_m).head_m,
        atol=1e-6,
    )


@LAWS
@given(trees, st.floats(1.0, 30.0), st.floats(0.01, 10.0))
def test_more_head_at_the_root_is_more_everywhere(tree, root_head_m, more_m):
    low = solve_tree(tree, "fixed head", root_head_m)
    high = solve_tree(tree, "fixed head", root_head_m + more_m)
    assert np.all(high.head_m >= low.head_m - 1e-7)
    assert high.flow_m3_s[0] >= low.flow_m3_s[0] - 1e-12


@LAWS
@example(6478, 3.0)  # dry at the head that is tried first
@given(st.integers(0, 10**6), st.floats(3.0, 30.0))
def test_the_three_aims_agree(seed, root_head_m):
    tree = invented(seed, LINES[0])
    tree = replaced(tree, outlets=np.maximum(tree.outlets, 1.0))
    held = solve_tree(tree, "fixed head", root_head_m)
    by_flow = solve_tree(tree, "total flow", float(held.flow_m3_s[0]))
    np.testing.assert_allclose(by_flow.flow_m3_s[0], held.flow_m3_s[0], rtol=1e-6)
    lowest = float(held.head_m[1:].min())
    if lowest > 0.1:
        by_least = solve_tree(tree, "least head", float(held.head_m.min()))
        assert by_least.head_m.min() == pytest.approx(held.head_m.min(), abs=1e-6)
        np.testing.assert_allclose(by_least.head_m, held.head_m, atol=1e-5)


def comb(order):
    """Three laterals on a submain, laid in an order: the mirror of a comb is a comb."""
    parent, ground, outlets = [-1, 0, 1, 2], [0.0, -0.5, -1.0, -1.5], [0.0] * 4
    for k in order:
        for e in range(30):
            parent.append(len(parent) - 1 if e else k)
            ground.append(ground[k] + 0.01 * e)
            outlets.append(1.0)
    n = len(parent)
    return Tree(
        np.array(parent), np.array(ground), np.full(n, 0.5), np.zeros(n), np.zeros(n, np.int64),
        pipe_rows(PIPES, DEFAULT_WATER), np.array(outlets), emitter_law(LINES[0]), np.zeros(n),
    )  # fmt: skip


def test_a_mirrored_tree_gives_a_mirrored_result():
    one = solve_tree(comb([1, 2, 3]), "fixed head", 12.0).head_m[4:].reshape(3, 30)
    other = solve_tree(comb([3, 2, 1]), "fixed head", 12.0).head_m[4:].reshape(3, 30)
    np.testing.assert_allclose(one, other[::-1], atol=1e-8)


@pytest.mark.parametrize("grade", [0.0, -0.3, 0.05])
@pytest.mark.parametrize("emitters", [1, 5, 3000])
def test_cold_starts(emitters, grade):
    """Friction many times the end head, steep falls, one emitter: each converges, nothing flows back."""
    n = emitters + 1
    tree = Tree(
        np.arange(-1, n - 1), 0.4 * grade * np.arange(n), np.full(n, 0.4), np.zeros(n), np.zeros(n, np.int64),
        pipe_rows(PIPES, DEFAULT_WATER), np.r_[0.0, np.ones(emitters)], emitter_law(LINES[0]), np.zeros(n),
    )  # fmt: skip
    for head in (0.0, 1.0, 10.0, 60.0):
        solution = solve_tree(tree, "fixed head", head)
        assert solution.residual_m <= 1e-8
        assert np.all(np.diff(solution.flow_m3_s[1:]) <= 1e-15)


def small(**changes):
    n = 4
    base = {
        "parent": np.arange(-1, n - 1), "ground_m": np.zeros(n), "loss_length_m": np.full(n, 10.0),
        "minor": np.zeros(n), "size": np.ones(n, np.int64), "sizes": pipe_rows(PIPES, DEFAULT_WATER),
        "outlets": np.array([0.0, 0.0, 0.0, 400.0]), "law": emitter_law(LINES[0]), "demand_m3_s": np.zeros(n),
    }  # fmt: skip
    return Tree(**base | changes)


def test_a_regulator_holds_its_set_head_and_passes_through_when_there_is_less():
    setting = np.array([math.inf, 8.0, math.inf, math.inf])
    high = solve_tree(small(setting_m=setting), "fixed head", 30.0)
    assert high.head_m[1] == pytest.approx(8.0, abs=1e-8)
    assert high.head_m[2] < 8.0
    low = solve_tree(small(setting_m=setting), "fixed head", 6.0)
    np.testing.assert_allclose(low.head_m, solve_tree(small(), "fixed head", 6.0).head_m, atol=1e-8)


def test_a_device_loses_what_its_curve_says():
    """A filter that loses 2 m at 0.2 l/s, straight from none: solved by hand from its own flow."""
    curve = np.array([-1, 0, -1, -1])
    points = (np.array([[0.0, 0.0], [2e-4, 2.0]]),)
    solution = solve_tree(small(curve=curve, curves=points), "fixed head", 12.0)
    flow = float(solution.flow_m3_s[1])
    pipe = loss_per_metre(flow, small().sizes[1])[0] * 10.0
    assert 12.0 - solution.head_m[1] == pytest.approx(pipe + 1e4 * flow, abs=1e-7)


def test_hazen_williams_by_hand():
    """Q = 0.2785 C D^2.63 S^0.54 (handbooks), turned round; its rounded powers differ from ours by 2e-3."""
    row = hazen_williams_row(100.0, 150.0)
    flow = 10.0 / 1000.0
    by_hand = (flow / (0.2785 * 150.0 * 0.1**2.63)) ** (1.0 / 0.54)
    assert loss_per_metre(flow, row)[0] == pytest.approx(by_hand, rel=2e-3)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"parent": np.array([-1, 0, 3, 2])}, "node 2 has parent 3"),
        ({"parent": np.array([-1, 0, -1, 2])}, "node 2 has parent -1"),
        ({"parent": np.array([0, 0, 1, 2])}, "node 0 has parent 0"),
        ({"loss_length_m": np.array([0.0, 1.0, -2.0, 1.0])}, "node 2 has `loss_length_m` -2"),
        ({"ground_m": np.array([0.0, 1.0, math.nan, 1.0])}, "node 2 has `ground_m` nan"),
        ({"ground_m": np.array([0.0, 1.0, 120_000.0, 1.0])}, "node 2 has `ground_m` 120000"),
        ({"outlets": np.array([0.0, 1.0, -1.0, 1.0])}, "node 2 has `outlets` -1"),
        ({"size": np.array([0, 1, 7, 1])}, "node 2 has `size` 7"),
        ({"minor": np.zeros(3)}, "`minor` has shape"),
    ],
)
def test_what_cannot_be_is_named_with_its_node(changes, said):
    with pytest.raises(ValueError, match=said):
        solve_tree(small(**changes), "fixed head", 10.0)


@pytest.mark.parametrize("inside_mm", [0.0, -5.0, math.nan, 0.0222, 22200.0])
def test_a_pipe_that_cannot_be_is_named(inside_mm):
    with pytest.raises(ValueError, match="inside diameter"):
        pipe_rows((Pipe("PE", 63.0, inside_mm, 6.0, 1.0, 0.0015),), DEFAULT_WATER)


def test_in_order_sorts_nodes_and_finds_what_is_no_tree():
    parent = np.array([4, 0, 4, 2, -1, 3])
    order = in_order(parent)
    place = np.argsort(order)
    assert all(place[parent[i]] < place[i] for i in range(6) if parent[i] >= 0)
    with pytest.raises(ValueError, match="node 1 is in a cycle"):
        in_order(np.array([-1, 2, 1, 0]))
    with pytest.raises(ValueError, match="2 nodes have no parent"):
        in_order(np.array([-1, -1, 0]))
    with pytest.raises(ValueError, match="node 2 has parent 9"):
        in_order(np.array([-1, 0, 9]))
