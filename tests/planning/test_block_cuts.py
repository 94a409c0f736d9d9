"""Cuts of a strip into blocks: against exhaustive search, and against a plain grid on real ground."""

import itertools
import math
from dataclasses import replace
from importlib.metadata import distribution

import numpy as np
import pytest

from farmgis.planning import block_search, block_search_kernel
from farmgis.planning.block_choice import best_blocks
from farmgis.planning.block_cuts import BLOCK_PRICE, EVEN_INDEX, cheapest_cuts, fewest_blocks
from farmgis.planning.block_search import TRENCH_INDEX, VALVE_INDEX, submain_pipes
from farmgis.planning.layout import rules_for
from farmgis.planning.rows import row_plan
from farmgis.planning.strips import bays, chains
from farmgis.planning.survey import survey
from farmgis.records import Design, Surface
from farmgis.tables import reader


def compositions(units):
    """All ways to cut a row of units: 2 ** (units - 1) of them."""
    for marks in itertools.product((False, True), repeat=units - 1):
        edges = [0, *(i + 1 for i, cut in enumerate(marks) if cut), units]
        yield list(itertools.pairwise(edges))


@pytest.mark.parametrize("seed", range(12))
def test_cuts_of_random_tables_equal_exhaustive_search(seed):
    """Costs are first known from above and below only; what is looked at closely has to be enough."""
    rng = np.random.default_rng(seed)
    units, longest = 9, 5
    true = rng.uniform(100.0, 400.0, (units, longest))
    within = rng.random((units, longest)) < 0.7
    within[:, 0] = True
    flows = rng.uniform(8.0, 20.0, units)
    least, most = 30.0, 110.0
    best = np.stack([np.where(within, -0.1, 0.5), true * rng.uniform(1.0, 1.5, true.shape)], axis=-1)
    looked = []

    def look(a, b):
        looked.append((a, b))
        best[a, b - a - 1, 1] = true[a, b - a - 1]

    def price(cuts):
        total = 0.0
        for a, b in cuts:
            if b - a > longest or not within[a, b - a - 1]:
                return math.inf
            flow = flows[a:b].sum()
            lack = max(0.0, 1.0 - flow / least)
            total += BLOCK_PRICE * (1.0 + 0.2 * lack**2) + EVEN_INDEX * (flow / most) ** 2
            total += true[a, b - a - 1]
        return total

    cuts = cheapest_cuts(best, flows, (least, most), true * rng.uniform(0.5, 1.0, true.shape), look)
    wanted = min(price(c) for c in compositions(units))
    assert price(cuts) == pytest.approx(wanted, rel=1e-12)
    assert len(looked) < within.sum()  # and not everything had to be looked at


def test_fewest_blocks_by_flow_are_those_of_exhaustive_search():
    rng = np.random.default_rng(3)
    for _ in range(20):
        flows = rng.uniform(1.0, 9.0, 8)
        most = rng.uniform(9.0, 25.0)
        wanted = min(
            len(c) for c in compositions(8) if all(flows[a:b].sum() <= most * (1 + 1e-9) for a, b in c)
        )
        assert fewest_blocks(flows, most) == wanted


@pytest.fixture(scope="module")
def strip_case(square_field, ground):
    """Makes (strip, axes, survey, rules) of a small field on a window, rows fixed."""

    def make(window, hectares, azimuth_deg, **design):
        field = square_field(hectares, design=Design(**{"row_azimuth_deg": azimuth_deg, **design}))
        found = survey(field, window)
        rules = rules_for(field.design, field.driplines[0], submain_pipes(reader.pipes()))
        rows = row_plan(field, azimuth_deg)
        (chain,) = chains(rows.laterals)
        (strip,) = bays(chain, 0.0, 1, field.design)
        return strip, rows.axes, found, rules

    return make


def test_units_lie_apart_along_the_submain_where_ends_lean(strip_case, ground):
    """Ends that lean 3 m a line: a submain in the middle goes 3.35 m from line to line that lie 1.5 m apart.

    Units of 12 m have 8 lines where ends are straight, and 3 or 4 where they lean.
    """
    strip, _, found, rules = strip_case(ground(lambda x, y: 0.001 * y), 5.5, 90.0)
    lines = strip.number.size
    lean = np.clip(3.0 * (np.arange(lines) - 0.6 * lines), 0.0, None)
    leaning = replace(strip, start_u_m=strip.start_u_m + lean, end_u_m=strip.end_u_m + lean)
    units = block_search.strip_units(leaning, found.slope_p95_pct, replace(rules, most_units=1000))
    straight, leant = np.split(np.diff(units.bounds), [np.searchsorted(units.bounds, 0.6 * lines)])
    assert set(straight[:-1].tolist()) <= {7, 8, 9}  # the last of them reaches into those that lean
    assert set(leant.tolist()) <= {3, 4}
    assert units.bounds[-1] == lines


def every_block(strip, axes, found, rules):
    """Return (least cost of a run that is within tolerance or inf, flows): all candidates, none left out."""
    units = block_search.strip_units(strip, found.slope_p95_pct, rules)
    shares = np.linspace(0.0, 1.0, 9)
    trial = block_search.strip_trial(strip, units, shares, axes, found.surface, rules)
    bounds = block_search.trial_bounds(strip, units, rules)
    n = units.count
    cost = np.full((n, n + 1), math.inf)
    flows = block_search.unit_flows(strip, units, rules)
    work = block_search_kernel.work_of(n)
    for a, b, s in itertools.product(range(n), range(1, n + 1), range(shares.size)):
        if a >= b or not may_be(trial, bounds, a, b, s):
            continue
        metres = trial.table.reach[s, a : b - 1].sum()
        for valve in {a, b - 1, (a + b) // 2 if b - a > 2 else a}:
            for g, spend in itertools.product(range(len(trial.pipes.capacity)), (False, True)):
                excess, pipe, _ = block_search_kernel.try_block(a, b, valve, g, spend, *trial.at(s), work)
                if excess <= 0.0:
                    cost[a, b] = min(cost[a, b], pipe + TRENCH_INDEX * metres)
    return cost, flows


def may_be(trial, bounds, a, b, s):
    """The hard limits: flow, the length of laterals, the step from line to line, the head at rest."""
    here, _, judge = trial.at(s)
    flow = (here.lines[a:b] * here.facts[a:b, :, 0].sum(axis=1)).sum() * judge.emitter_flow
    rest = here.ground[a:b].max() - here.facts[a:b, :, 1].min()
    return (
        0.0 < flow <= bounds.flow
        and here.arms[a:b].max() <= bounds.arm
        and (here.reach[a : b - 1] <= bounds.step[a : b - 1]).all()
        and rest <= judge.top
    )


GROUNDS = {
    "a steady slope": lambda x, y: 0.012 * y,
    "a slope with waves": lambda x, y: 0.010 * y + 0.5 * np.sin(x / 60.0) * np.cos(y / 45.0),
    "a ridge across": lambda x, y: -0.018 * np.abs(y) + 0.004 * x,
}


@pytest.mark.parametrize("name", GROUNDS)
def test_blocks_on_ground_equal_exhaustive_search(strip_case, ground, name):
    """As few blocks as any cuts have and, of those, as cheap: all cuts, shares, valves and sizes compared."""
    case = strip_case(ground(GROUNDS[name]), 5.5, 90.0, block_min_ha=0.5, block_max_ha=3.0)
    case = *case[:3], replace(case[3], most_units=13)
    strip, axes, found, rules = case
    blocks = best_blocks(strip, axes, found.surface, found.slope_p95_pct, rules)
    cost, flows = every_block(*case)
    bounds = block_search.strip_units(strip, found.slope_p95_pct, rules).bounds.tolist()
    least, most = rules.least_flow_m3h, rules.most_flow_m3h

    def price(cuts, costs):
        total = sum(costs)
        for a, b in cuts:
            flow = flows[a:b].sum()
            lack = max(0.0, 1.0 - flow / least)
            total += BLOCK_PRICE * (1.0 + 0.2 * lack**2) + EVEN_INDEX * (flow / most) ** 2
        return total

    assert 2 <= len(blocks) < flows.size <= 13
    wanted = min(price(c, [cost[a, b] for a, b in c]) for c in compositions(flows.size))
    ours = [(bounds.index(b.first), bounds.index(b.last)) for b in blocks]
    assert price(ours, [b.cost - VALVE_INDEX for b in blocks]) == pytest.approx(wanted, rel=1e-9)
    assert all(b.excess <= 0.0 for b in blocks)
    assert sum(b.at_least for b in blocks) <= len(blocks)


def srtm_window(row, column, cells=24):
    """A window of SRTM (public domain) that matplotlib ships, as metres; north up in the file."""
    path = distribution("matplotlib").locate_file("matplotlib/mpl-data/sample_data/jacksboro_fault_dem.npz")
    with np.load(str(path)) as data:
        z, dy = data["elevation"].astype(float), float(data["dy"])
    z = z[row - cells : row + cells + 1, column - cells : column + cells + 1][::-1]
    cell = dy * 111_000.0
    half = cells * cell
    return Surface(np.ascontiguousarray(z), -half, -half, cell)


def plain_grid(strip, axes, found, rules):
    """Return (blocks, index) of the fewest equal blocks within tolerance, submain and valve in the middle."""
    units = block_search.strip_units(strip, found.slope_p95_pct, rules)
    trial = block_search.strip_trial(strip, units, np.array([0.5]), axes, found.surface, rules)
    bounds = block_search.trial_bounds(strip, units, rules)
    n = units.count
    work = block_search_kernel.work_of(n)
    for count in range(1, n + 1):
        edges = np.round(np.linspace(0, n, count + 1)).astype(int)
        total = 0.0
        for a, b in itertools.pairwise(edges.tolist()):
            found_cost = math.inf
            for g in range(len(trial.pipes.capacity)) if may_be(trial, bounds, a, b, 0) else ():
                excess, pipe, _ = block_search_kernel.try_block(
                    a, b, (a + b) // 2, g, False, *trial.at(0), work
                )
                if excess <= 0.0:
                    found_cost = min(found_cost, pipe + TRENCH_INDEX * trial.table.reach[0, a : b - 1].sum())
            total += found_cost + VALVE_INDEX
        if math.isfinite(total):
            return count, total
    return n, math.inf


@pytest.mark.parametrize("place", [(150, 330), (290, 300), (100, 380)])
def test_fewer_and_cheaper_than_a_plain_grid_on_real_ground(strip_case, place):
    """The grid is let off lightly: each strip has its own number of blocks, and each block its own pipe."""
    window = srtm_window(*place)
    window = Surface(window.z_m * 0.15, window.x0_m, window.y0_m, window.cell_m)  # its hills, farmed gently
    found_blocks, grid_blocks, found_index, grid_index = 0, 0, 0.0, 0.0
    for azimuth in (0.0, 45.0, 90.0, 135.0):
        case = strip_case(window, 9.0, azimuth, block_min_ha=0.5, block_max_ha=5.0)
        strip, axes, found, rules = case
        blocks = best_blocks(strip, axes, found.surface, found.slope_p95_pct, rules)
        grid, index = plain_grid(*case)
        if not math.isfinite(index) or any(b.excess > 0.0 for b in blocks):
            continue
        assert len(blocks) <= grid
        found_blocks, grid_blocks = found_blocks + len(blocks), grid_blocks + grid
        found_index, grid_index = found_index + sum(b.cost for b in blocks), grid_index + index
    print(f"{place}: {found_blocks} blocks for {grid_blocks}, index {found_index:.0f} for {grid_index:.0f}")
    assert grid_blocks > 0
    assert found_index < grid_index
