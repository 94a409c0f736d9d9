"""Friction and water against printed values and other libraries' own tests."""

import numpy as np
import pytest

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import (
    DEFAULT_WATER,
    friction_factor,
    hazen_williams_row,
    head_loss_m,
    pipe_rows,
    velocity_m_s,
)
from farmgis.hydraulics.friction_kernel import loss_per_metre
from farmgis.hydraulics.tree import Tree, solve_tree
from farmgis.hydraulics.water import water_at
from farmgis.records import Dripline, Pipe


def test_friction_factor_swamee_jain_1976():
    """The package fluids' own test of Swamee and Jain: Re 1e5, relative roughness 1e-4."""
    assert friction_factor(1e5, 1e-4) == pytest.approx(0.018452424, abs=1e-7)


def test_friction_factor_laminar():
    """The package fluids' own test of 64 / Re, at 128."""
    assert friction_factor(128.0) == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize(
    ("reynolds", "roughness", "colebrook", "swamee_jain"),
    [
        (4e3, 0.0, 0.03991, 0.04055),
        (1e4, 0.0, 0.03088, 0.03097),
        (5e4, 0.0, 0.02089, 0.02076),
        (1e5, 0.0, 0.01799, 0.01786),
        (1e5, 1e-3, 0.02217, 0.02234),
        (1e5, 1e-2, 0.03850, 0.03875),
        (1e6, 1e-4, 0.01344, 0.01351),
        (1e6, 1e-3, 0.01994, 0.02003),
        (1e7, 1e-4, 0.01217, 0.01221),
    ],
)
def test_friction_factor_grid(reynolds, roughness, colebrook, swamee_jain):
    """Computed with the package fluids 1.3.1 by its own formulas; Swamee-Jain stands for Colebrook."""
    found = friction_factor(reynolds, roughness)
    assert found == pytest.approx(swamee_jain, abs=6e-6)
    assert found == pytest.approx(colebrook, rel=0.02)


def test_transition_joins_both_neighbours():
    """Value and slope are continuous at Reynolds 2000 and 4000 (Dunlop 1991)."""
    for edge in (2000.0, 4000.0):
        low, at, high = (friction_factor(edge + d) for d in (-0.01, 0.0, 0.01))
        assert low == pytest.approx(high, rel=1e-5)
        assert (at - low) == pytest.approx(high - at, abs=2e-9)


@pytest.mark.parametrize(
    ("celsius", "micro_m2_s", "density"),
    [
        (5, 1.5182, 999.97),
        (10, 1.3063, 999.70),
        (15, 1.1386, 999.10),
        (20, 1.0034, 998.21),
        (25, 0.8927, 997.05),
        (30, 0.8007, 995.65),
        (35, 0.7234, 994.04),
        (40, 0.6579, 992.22),
    ],
)
def test_water_iapws(celsius, micro_m2_s, density):
    """Computed with the package iapws 1.5.5 (IAPWS 2008) for liquid water at 1 atm; within 0.5 %."""
    water = water_at(celsius)
    assert water.viscosity_m2_s * 1e6 == pytest.approx(micro_m2_s, rel=5e-3)
    assert water.density_kg_m3 == pytest.approx(density, abs=0.02)


def test_hazen_williams_of_a_handbook_page():
    """An engineering data page: 200 US gallons a minute in 3.048 inches, C 140: 9 ft in 100 ft (9.007)."""
    row = hazen_williams_row(3.048 * 25.4, 140.0)
    flow = 200.0 * 3.785411784e-3 / 60.0
    assert 100.0 * loss_per_metre(flow, row)[0] == pytest.approx(9.0, rel=0.02)


def test_pipe_velocity_of_an_examination():
    """0.062832 m3/s in 0.20 m is 2.00 m/s (a board examination)."""
    assert velocity_m_s(0.062832 * 3600.0, 200.0) == pytest.approx(2.0, abs=0.001)


@pytest.mark.parametrize(
    ("flow_m3h", "inside_mm", "blasius_m"), [(100.0, 147.0, 1.411), (50.0, 101.6, 2.385), (20.0, 67.8, 3.200)]
)
def test_plastic_pipe_against_colebrook(flow_m3h, inside_mm, blasius_m):
    """Loss in 100 m with Colebrook's factor at 1.5 micron, computed apart: Swamee-Jain is within 2 %."""
    assert head_loss_m(flow_m3h, inside_mm, 100.0, 0.0015) == pytest.approx(blasius_m, rel=0.02)


@pytest.mark.parametrize(
    ("outlets", "factor"), [(1, 1.0), (2, 0.6385), (5, 0.4568), (10, 0.4022), (50, 0.3607), (200, 0.3531)]
)
def test_many_outlets_christiansen_1942(outlets, factor):
    """F of equal outlets, the first a whole spacing on, with the power 1.852: the sum itself, as printed.

    A lateral of fixed take-offs in a pipe of Hazen-Williams loses F times what it would with all water
    going to its end.
    """
    n = outlets + 1
    each = 1e-5
    tree = Tree(
        np.arange(-1, n - 1), np.zeros(n), np.full(n, 3.0), np.zeros(n), np.zeros(n, np.int64),
        hazen_williams_row(30.0, 150.0)[None], np.zeros(n), emitter_law(Dripline("none", 16.0, 0.4, 1.0)),
        np.r_[0.0, np.full(outlets, each)],
    )  # fmt: skip
    head = solve_tree(tree, "fixed head", 500.0).head_m
    whole = loss_per_metre(outlets * each, tree.sizes[0])[0] * 3.0 * outlets
    assert (head[0] - head[-1]) / whole == pytest.approx(factor, abs=5e-4)


TWO_LOOPS_CUT = {  # node: (from, inside inches, flow of its pipe as the tree carries it, m3/h)
    2: (1, 18, 1120.0), 3: (2, 10, 370.0), 4: (2, 16, 650.0), 5: (3, 10, 270.0), 6: (4, 16, 530.0),
    7: (6, 10, 200.0),
}  # fmt: skip


def test_two_loop_network_alperovits_shamir_1977_cut_to_a_tree():
    """Its pipes 4 and 8 left out: heads by hand from Hazen-Williams, pipe by pipe, with known flows."""
    elevation = {1: 210.0, 2: 150.0, 3: 160.0, 4: 155.0, 5: 150.0, 6: 165.0, 7: 160.0}
    demand = {2: 100.0, 3: 100.0, 4: 120.0, 5: 270.0, 6: 330.0, 7: 200.0}
    order = [1, 2, 3, 4, 5, 6, 7]
    place = {k: i for i, k in enumerate(order)}
    n = len(order)
    inches = np.array([18.0] + [TWO_LOOPS_CUT[k][1] for k in order[1:]])
    tree = Tree(
        np.array([-1] + [place[TWO_LOOPS_CUT[k][0]] for k in order[1:]]),
        np.array([elevation[k] for k in order]), np.full(n, 1000.0), np.zeros(n), np.arange(n),
        np.array([hazen_williams_row(i * 25.4, 130.0) for i in inches]), np.zeros(n),
        emitter_law(Dripline("none", 16.0, 0.4, 1.0)),
        np.array([0.0] + [demand[k] / 3600.0 for k in order[1:]]),
    )  # fmt: skip
    solution = solve_tree(tree, "fixed head", 0.0)
    by_hand = {1: 210.0}
    for k in order[1:]:
        origin, inch, flow = TWO_LOOPS_CUT[k]
        assert solution.flow_m3_s[place[k]] * 3600.0 == pytest.approx(flow)
        loss = 10.667 * 1000.0 * (flow / 3600.0) ** 1.852 / (130.0**1.852 * (inch * 0.0254) ** 4.871)
        by_hand[k] = by_hand[origin] - loss
        assert solution.head_m[place[k]] == pytest.approx(by_hand[k] - elevation[k], abs=1e-6)
    # EPANET's printed pressure of node 2, which the tree shares with the looped network: 53.247 m
    assert solution.head_m[place[2]] == pytest.approx(53.247, abs=0.005)


def test_rows_of_pipes_are_in_order():
    rows = pipe_rows(tuple(Pipe("PE", d, d, 6.0, 1.0, 0.0015) for d in (50.0, 110.0)), DEFAULT_WATER)
    assert loss_per_metre(0.01, rows[0])[0] > loss_per_metre(0.01, rows[1])[0]
