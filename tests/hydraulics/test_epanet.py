"""EPANET 2.2, at its own constants, gives every emitter the flow that the tree solver gives it."""

from dataclasses import replace
from importlib.metadata import distribution

import numpy as np
import pytest
from scipy.ndimage import map_coordinates, maximum_filter, minimum_filter

from farmgis.hydraulics.tree import solve_tree

CLOSE = 1e-4  # relative, every emitter
LINE = (16.0, 0.0015)
SUBMAIN = (75.0, 0.0015)


def chain(network, ground, step, **more):
    """A lateral: its inlet, then an emitter at each step."""
    n = ground.size
    return network(
        parent=np.arange(-1, n - 1),
        ground_m=ground,
        length_m=np.r_[0.0, np.full(n - 1, step)],
        pipe=np.zeros(n, np.int64),
        pipes=(LINE,),
        emitters=np.r_[0.0, np.ones(n - 1)],
        **more,
    )


def block(network, laterals, emitters, slope, fall, seed=1):
    """A submain from its top, a lateral at each of its vertices, on ground that undulates."""
    rng = np.random.default_rng(seed)
    n = laterals + laterals * emitters
    parent, ground, length = np.empty(n, np.int64), np.empty(n), np.empty(n)
    down = -fall * 1.5 * np.arange(laterals)
    parent[:laterals], ground[:laterals], length[:laterals] = np.arange(-1, laterals - 1), down, 1.5
    along = 0.4 * np.arange(1, emitters + 1)
    for k in range(laterals):
        own = slice(laterals + k * emitters, laterals + (k + 1) * emitters)
        parent[own] = np.arange(own.start - 1, own.stop - 1)
        parent[own.start] = k
        phase = rng.uniform(0.0, 6.0)
        ground[own] = down[k] + slope * along + 0.2 * np.sin(along / 9.0 + phase) - 0.2 * np.sin(phase)
        length[own] = 0.4
    pipe = np.zeros(n, np.int64)
    pipe[:laterals] = 1
    outlets = np.r_[np.zeros(laterals), np.ones(laterals * emitters)]
    minor = np.r_[np.zeros(laterals), np.full(laterals * emitters, 0.1)]
    return network(parent, ground, length, pipe, (LINE, SUBMAIN), outlets, minor_k=minor)


def random_tree(network, seed, n=300):
    """Any tree: joints and chains, emitters and take-offs, thin pipes and wide."""
    rng = np.random.default_rng(seed)
    reach = np.minimum(np.arange(1, n), rng.choice([1, 1, 1, 30], n - 1))
    parent = np.r_[-1, np.arange(1, n) - 1 - rng.integers(0, reach)]
    return network(
        parent=parent,
        ground_m=np.r_[0.0, rng.uniform(-6.0, 3.0, n - 1)],
        length_m=np.r_[0.0, rng.uniform(0.3, 12.0, n - 1)],
        pipe=rng.integers(0, 3, n),
        pipes=((20.0, 0.0015), (32.0, 0.01), (63.0, 0.1)),
        emitters=np.r_[0.0, rng.integers(0, 4, n - 1)].astype(float),
        flow_l_h=rng.uniform(0.5, 4.0),
        exponent=float(rng.choice([0.4, 0.5, 0.6])),
        minor_k=rng.uniform(0.0, 2.0, n),
        demand_l_h=np.where(rng.random(n) < 0.05, rng.uniform(0.0, 60.0, n), 0.0),
    )


def check(network, epanet, root_head_m, marched):
    solution = solve_tree(network.tree(), "fixed head", root_head_m, march_runs=marched)
    head, taken = epanet(network, root_head_m)
    emits = network.emitters > 0.0
    assert head[emits].min() > 0.5  # under the toe the two laws differ, and are said to
    own = np.append(solution.flow_m3_s, 0.0)
    given = solution.flow_m3_s.copy()
    np.subtract.at(given, network.parent[1:], own[1:-1])
    np.testing.assert_allclose(given[1:] * 3.6e6, taken[1:], rtol=CLOSE, atol=1e-6)
    np.testing.assert_allclose(solution.head_m, head, atol=1e-3)


@pytest.mark.parametrize("marched", [True, False])
@pytest.mark.parametrize("grade", [0.0, 0.01, -0.01, -0.03])
@pytest.mark.parametrize("emitters", [3, 40, 400])
def test_lateral(network, epanet, grade, emitters, marched):
    check(chain(network, 0.4 * grade * np.arange(emitters + 1.0), 0.4), epanet, 12.0, marched)


@pytest.mark.parametrize("exponent", [0.46, 0.7, 1.0])
def test_lateral_of_another_exponent(network, epanet, exponent):
    humped = 1.5 * np.sin(np.linspace(0.0, np.pi, 301))
    check(chain(network, humped, 0.4, exponent=exponent), epanet, 14.0, True)


@pytest.mark.parametrize(("slope", "fall"), [(0.0, 0.0), (0.01, 0.02), (-0.01, 0.03)])
def test_block_on_undulating_ground(network, epanet, slope, fall):
    check(block(network, 20, 120, slope, fall), epanet, 13.0, True)


def test_block_of_50_000_emitters(network, epanet):
    check(block(network, 125, 400, 0.002, 0.01), epanet, 16.0, True)


def test_block_of_50_000_emitters_on_real_ground(network, epanet):
    """SRTM (public domain, shipped by the package matplotlib), its gentlest 200 m, cells of 30 m."""
    path = distribution("matplotlib").locate_file("matplotlib/mpl-data/sample_data/jacksboro_fault_dem.npz")
    with np.load(str(path)) as data:
        z = data["elevation"].astype(float)
    rough = maximum_filter(z, 9) - minimum_filter(z, 9)
    i, j = np.unravel_index(np.argmin(rough[8:-8, 8:-8]), rough[8:-8, 8:-8].shape)
    made = block(network, 125, 400, 0.0, 0.0)
    k = np.repeat(np.arange(125), 400)
    u = 0.4 * np.tile(np.arange(1, 401), 125)
    row = np.r_[1.5 * np.arange(125), 1.5 * k] / 30.0 + i + 4
    column = np.r_[np.zeros(125), u] / 30.0 + j + 4
    ground = map_coordinates(z, [row, column], order=1)
    assert np.ptp(ground) > 2.0
    check(replace(made, ground_m=ground), epanet, 30.0 + float(np.ptp(ground)), True)


@pytest.mark.parametrize("seed", range(12))
def test_random_tree(network, epanet, seed):
    check(random_tree(network, seed), epanet, 40.0, seed % 2 == 0)


def test_water_of_another_temperature_is_told_apart(network):
    """What real constants change against EPANET's own: some 1e-4 of the flow, not more, not nothing."""
    from farmgis.hydraulics.water import water_at

    lateral = chain(network, np.zeros(401), 0.4)
    theirs, ours = (
        solve_tree(t, "fixed head", 12.0).flow_m3_s[0] for t in (lateral.tree(), lateral.tree(water_at(20.0)))
    )
    assert 1e-5 < abs(theirs / ours - 1.0) < 3e-3
