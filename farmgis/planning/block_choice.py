"""The blocks of a strip: searched, cut, sized and placed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from farmgis.planning import block_cuts_kernel, submain_sizes_kernel
from farmgis.planning import block_search_kernel as tables
from farmgis.planning.block_cuts import cheapest_cuts, fewest_blocks
from farmgis.planning.block_search import (
    TRENCH_INDEX,
    VALVE_INDEX,
    BlockChoice,
    Rules,
    Trial,
    Units,
    candidates,
    improve,
    line_sizes,
    piped,
    strip_trial,
    strip_units,
    trial_bounds,
    unit_flows,
    valve_line,
)
from farmgis.planning.block_search_kernel import Bounds, Judge
from farmgis.planning.block_share import Placed, balanced
from farmgis.planning.rows import Axes
from farmgis.planning.strips import Ints, Strip
from farmgis.planning.submain_sizes import (
    REDUCER_INDEX,
    SubmainProblem,
    SubmainSizes,
    changes_of,
    cheapest_sizes,
    of_few_sizes,
    sizes_of_lines,
    widens,
)
from farmgis.records import Floats, Surface

HOPED_COST = 1.3
"""In the coarse search, a block whose submain spends its fall costs this many times its least (memory)."""


def best_blocks(
    strip: Strip, axes: Axes, ground: Surface, slope_pct: float, rules: Rules
) -> list[BlockChoice]:
    """The fewest blocks, and among those the cheapest, that a strip can be cut into.

    Greatest flow is hard. Tolerance is hard where it can be met: a block that nothing brings within it
    is kept with the least excess, and says so.
    """
    units = strip_units(strip, slope_pct, rules)
    shares = np.linspace(0.0, 1.0, rules.detail.shares)
    trial = strip_trial(strip, units, shares, axes, ground, rules)
    bounds = trial_bounds(strip, units, rules)
    flows = unit_flows(strip, units, rules)
    best, choice = candidates(trial, bounds, flows, rules)
    mark = spendable(trial, bounds, best)
    least_cost = np.zeros(best.shape[:2])
    block_cuts_kernel.least_costs(trial.table, trial.pipes, trial.judge.emitter_flow, least_cost)
    perhaps = mark[:, :, 0] >= 0
    if not rules.detail.exact:
        best[perhaps, 0], best[perhaps, 1] = 0.0, HOPED_COST * least_cost[perhaps]
    spent: dict[tuple[int, int], tuple[SubmainProblem, SubmainSizes]] = {}

    def look(a: int, b: int) -> None:
        run = a, b - a - 1
        if not perhaps[run]:
            improve(trial, bounds, rules, a, b, best[run], choice[run])
            return
        s, valve = (int(i) for i in mark[run])
        problem = problem_of(trial, s, a, b, valve)
        sizes = cheapest_sizes(problem)
        if sizes is not None:
            spent[a, b] = problem, sizes
            best[run] = 0.0, sizes.weight_kg + TRENCH_INDEX * float(problem.reach_m[: b - a - 1].sum())

    band = (rules.least_flow_m3h, rules.most_flow_m3h)
    cuts = cheapest_cuts(best, flows, band, least_cost, look if rules.detail.exact else None, perhaps)
    if trial.judge.mode == tables.OWN_RANGE and not rules.detail.exact:
        for a, b in cuts:  # both ends of a submain may serve: not the first, the cheaper one counts
            if not perhaps[a, b - a - 1]:
                improve(trial, bounds, rules, a, b, best[a, b - a - 1], choice[a, b - a - 1])
    at_least = fewest_blocks(flows, rules.most_flow_m3h) / len(cuts)
    found = []
    for a, b in cuts:
        run = a, b - a - 1
        s, valve, g, spend = (int(c) for c in choice[run])
        uniformity = math.nan
        cost = float(best[run][1])
        if (a, b) in spent:
            s, valve = (int(i) for i in mark[run])
            problem, lightest = spent[a, b]
            few = of_few_sizes([problem], lightest, rules.design.submain_sizes_max)
            sizes = _sizes_of_block(units, a, b, valve, problem, few)
            cost += few.weight_kg - lightest.weight_kg
        elif perhaps[run] and best[run][0] <= 0.0:
            sizes = np.zeros(int(units.bounds[b] - units.bounds[a]), np.int64)  # coarse: never drawn
            uniformity = least_uniformity_pct(trial.judge)
        else:
            laid = piped(trial, a, b, s, valve, g, bool(spend))
            sizes, uniformity = line_sizes(trial, units, a, b, s, valve, laid.sizes), laid.uniformity_pct
        first, last = int(units.bounds[a]), int(units.bounds[b])
        found.append(
            BlockChoice(
                strip=strip,
                first=first,
                last=last,
                share=float(shares[s]),
                valve=valve_line(units, a, b, valve),
                sizes=sizes,
                excess=float(best[run][0]),
                cost=cost + VALVE_INDEX,
                area_m2=strip.area_m2(rules.design.lateral_spacing_m, first, last),
                at_least=at_least,
                spent=(a, b) in spent or (bool(perhaps[run]) and not rules.detail.exact),
                uniformity_pct=uniformity,
            )
        )
    return found


def spendable(trial: Trial, bounds: Bounds, best: Floats) -> Ints:
    """Share and valve of each run that no tapering submain serves, but some sizes would; else -1."""
    mark = np.full((*best.shape[:2], 2), -1, np.int64)
    if (best[:, :, 0] > 0.0).any():
        submain_sizes_kernel.mark_runs(*trial, bounds, best, mark)
    return mark


def problem_of(trial: Trial, s: int, a: int, b: int, valve: int, tightness: float = 1.0) -> SubmainProblem:
    """What the sizes of units a to b at a share have to keep; `tightness` is the share of the tolerance."""
    here, pipes, judge = trial.at(s)
    least, most, widest, ratio = _allowed_heads(judge, tightness)
    facts = here.facts[a:b, :, 0]
    compensating = judge.mode == tables.OWN_RANGE
    wanted = float((here.lines[a:b] * facts.sum(axis=1)).sum()) * judge.emitter_flow
    return SubmainProblem(
        valve=valve - a,
        ground_m=here.ground[a:b],
        reach_m=here.reach[a:b],
        lines=here.lines[a:b],
        curves=here.curves[a:b],
        arms=facts > 0.0,
        x1_m=judge.x1,
        rows=pipes.rows,
        fastest_m3_s=pipes.fastest,
        weight_kg_m=pipes.weight,
        least_m=least,
        most_m=most,
        range_m=widest,
        ratio=ratio,
        flow_m3_s=None if compensating else wanted,
    )


def _allowed_heads(judge: Judge, tightness: float) -> tuple[float, float, float, float]:
    """Return (lowest, highest head, their greatest range, their least ratio) that a tolerance leaves."""
    free, x1 = 1e4, judge.x1
    if judge.mode == tables.OWN_RANGE:
        return judge.least, judge.top, free, 0.0
    if judge.mode == tables.HEAD_VARIATION:
        return 0.01, judge.top, judge.limit * tightness * x1, 0.0
    if judge.mode == tables.FLOW_VARIATION:
        return 0.01, judge.top, free, float((1.0 - judge.limit * tightness) ** (1.0 / judge.law[1]))
    lowest = 1.0 - (1.0 - judge.limit / (1.0 - 1.27 * judge.variation)) * tightness
    return x1 * float(lowest ** (1.0 / judge.law[1])), judge.top, free, 0.0


def least_uniformity_pct(judge: Judge) -> float:
    """Emission uniformity of a block that uses the whole of its tolerance, about its mean. [%]"""
    made = 1.0 - 1.27 * judge.variation
    if judge.mode == tables.OWN_RANGE:
        return 100.0 * made
    if judge.mode == tables.EMISSION_UNIFORMITY:
        return 100.0 * judge.limit
    if judge.mode == tables.FLOW_VARIATION:
        return 100.0 * made * (1.0 - judge.limit / 2.0)
    return float(100.0 * made * (1.0 - judge.limit / 2.0) ** judge.law[1])


def _sizes_of_block(
    units: Units, a: int, b: int, valve: int, problem: SubmainProblem, sizes: SubmainSizes
) -> Ints:
    first, last = int(units.bounds[a]), int(units.bounds[b])
    line = valve_line(units, a, b, valve) - first
    return sizes_of_lines(problem, sizes, units.middle[a:b] - first, last - first, line)


def well_placed(
    block: BlockChoice, axes: Axes, ground: Surface, slope_pct: float, rules: Rules
) -> BlockChoice:
    """A block as the search found it, its submain moved to where heads are most even, its sizes the lightest.

    Sizes by the linear program are taken where they are lighter, changes of size counted, and heads no
    less even than with a tapering submain.
    """
    if block.spent:
        return block
    placed = balanced(block, axes, ground, slope_pct, rules)
    found = placed.block
    if found.excess > 0.0 or placed.units.count < 2:
        return found
    return _lighter(placed, rules)


def _lighter(placed: Placed, rules: Rules) -> BlockChoice:
    block, units, trial = placed.block, placed.units, placed.trial
    n = units.count
    valve = int(np.searchsorted(units.bounds, block.valve, side="right")) - 1
    compensating = trial.judge.mode == tables.OWN_RANGE
    problem = problem_of(trial, placed.index, 0, n, valve, 1.0 if compensating else 1.0 + block.excess)
    sizes = cheapest_sizes(problem)
    if sizes is None:
        return block
    most = rules.design.submain_sizes_max
    between = 1.0 if compensating else 1.0 + block.excess / 2.0
    less_even = problem_of(trial, placed.index, 0, n, valve, between)  # half of what is left over
    sizes = of_few_sizes([problem, less_even], sizes, most)
    laid = _sizes_of_block(units, 0, n, valve, problem, sizes)
    line = block.valve - block.first
    pipe = block.cost - VALVE_INDEX - TRENCH_INDEX * float(problem.reach_m[: n - 1].sum())
    gain = pipe - sizes.weight_kg
    price = REDUCER_INDEX * (changes_of(laid, line) - changes_of(block.sizes, line))
    fewer = np.unique(block.sizes).size > max(most, np.unique(laid).size)
    if widens(laid, line) or (not fewer and gain <= price + 1e-6 * pipe):  # a saving, not of rounding
        return block
    return replace(block, sizes=laid, cost=block.cost - gain, spent=True, uniformity_pct=math.nan)
