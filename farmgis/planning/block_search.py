"""Which lines make a block, where its submain crosses, how it is piped: the search over candidates.

Every candidate block is judged by its laterals' real profiles, tabulated once a lateral. The search
works on units of a few lines; what it finds is laid and solved emitter by emitter afterwards.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

import numpy as np

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.hydraulics.friction import dripline_row, pipe_rows
from farmgis.hydraulics.lateral import START_LOSS_K, local_loss_terms
from farmgis.hydraulics.uniformity import emission_uniformity_pct
from farmgis.hydraulics.water import Water
from farmgis.planning import block_search_kernel as kernel
from farmgis.planning.block_search_kernel import Bounds, Judge, PipeTable, UnitTable
from farmgis.planning.rows import Axes
from farmgis.planning.strips import JUMP_SPACINGS, Ints, Strip, jumps
from farmgis.records import Design, Dripline, Floats, Pipe, Surface

SUBMAIN_LOSS_FACTOR = 1.1
"""Friction of a submain with the losses at its offtakes: 10 % more (common practice)."""

RESERVE_M = 1.0
"""A compensating emitter has at least this much over its least head."""

SNAP_M = 6.0
"""No arm is shorter than this: the submain moves to the end of the line instead."""

GRADIENTS = (0.06, 0.025, 0.01, 0.005)
"""Friction slopes that a submain's sizes are tried at."""

LONGEST_SIDESTEP_M = 120.0
"""A submain may run this far along the rows from one line to the next, where pieces are short; it pays for
the pipe."""

PLACES = 6
"""Decimal places that lines are told apart by, in widths between them: what differs beyond is rounding."""

MOST_UNITS = 40
"""A strip is first judged in no more units than this; on steep ground the search may need more."""

VALVE_INDEX = 150.0
"""A valve set, in the relative index in which a kilogram of pipe counts 1 (common practice)."""

TRENCH_INDEX = 2.0
"""A metre of trench in the same index (common practice)."""

_MODES = {
    "head_variation_pct": kernel.HEAD_VARIATION,
    "flow_variation_pct": kernel.FLOW_VARIATION,
    "emission_uniformity_pct": kernel.EMISSION_UNIFORMITY,
}


@dataclass(frozen=True)
class Detail:
    """How closely a search looks: what it tries of each candidate block, and how fine its tables are.

    `shares` places of the submain and `valves` of the valve (both ends, then the middle); units `unit_factor`
    times as wide as the ground asks for, `units_a_block` in a largest block of a strip that would have too
    many; emitters of `station_m` taken together; `bay_counts` numbers of submains side by side. `exact` looks
    again at the blocks that it takes, with sizes by linear program.
    """

    shares: int
    valves: int
    unit_factor: float
    station_m: float
    gradients: tuple[float, ...]
    bay_counts: int
    units_a_block: float
    name: Literal["rough", "close"] = "close"
    exact: bool = False


FINE = Detail(9, 3, 1.0, 3.2, GRADIENTS, 5, 6.0, exact=True)
COARSE = Detail(9, 2, 2.0, 6.4, GRADIENTS[1:3], 5, 5.0)
GLANCE = Detail(5, 2, 4.0, 12.8, GRADIENTS[1:3], 3, 4.0, "rough")
"""What is laid is searched FINE; of ways to run the rows the better are judged COARSE, all at a GLANCE."""


@dataclass(frozen=True)
class Rules:
    """What bounds a block of one field with one dripline.

    `tightness` is the share of the tolerance that the search may use: the rest is kept for what the
    units do not show. A strip is judged in no more than `most_units` units. No
    submains are added whose valves and trenches alone cost more than `enough`.
    """

    design: Design
    dripline: Dripline
    pipes: tuple[Pipe, ...]
    water: Water
    most_flow_m3h: float
    least_flow_m3h: float
    tightness: float = 0.95
    detail: Detail = FINE
    most_units: int = MOST_UNITS
    enough: float = math.inf

    @cached_property
    def pipe_table(self) -> tuple[Floats, Floats, Floats]:
        """The kernels' rows of the submain's pipes, their fastest flows, what each carries at each slope."""
        rows = pipe_rows(self.pipes, self.water)
        rows[:, [1, 2]] *= SUBMAIN_LOSS_FACTOR
        fastest = fastest_flows_m3_s(self.pipes, self.design)
        gradients = np.array(self.detail.gradients)
        capacity = np.empty((gradients.size, fastest.size))
        kernel.capacities(rows, fastest, gradients, capacity)
        return rows, fastest, capacity


@dataclass(frozen=True)
class BlockChoice:
    """A block as found: line indices `first` to `last` (exclusive) of a strip, and its submain.

    `at_least` is its part of the fewest blocks that its strip could be cut into by flow alone; `spent` tells
    that its sizes spend the submain's fall, found by a linear program. `uniformity_pct` is by the search's
    tables; what the tolerance leaves where a linear program is still to size it, and NaN where it has.
    """

    strip: Strip
    first: int
    last: int
    share: float
    valve: int
    sizes: Ints  # pipe of each line's reach towards the valve
    excess: float
    cost: float
    area_m2: float
    at_least: float = 1.0
    spent: bool = False
    uniformity_pct: float = math.nan

    @property
    def over(self) -> float:
        """Land out of tolerance, weighted by how far: m2 (1 + excess), 0 within."""
        return self.area_m2 * (1.0 + self.excess) if self.excess > 0.0 else 0.0


@dataclass(frozen=True)
class Units:
    """A strip's lines in units: `bounds` are line indices, shape (units + 1,)."""

    bounds: Ints
    middle: Ints

    @property
    def count(self) -> int:
        """Number of units."""
        return int(self.middle.size)


def valve_line(units: Units, a: int, b: int, valve: int) -> int:
    """The line at which the valve stands: a block's end lines when it is fed from an end."""
    if valve == a:
        return int(units.bounds[a])
    return int(units.bounds[b]) - 1 if valve == b - 1 else int(units.middle[valve])


def strip_units(strip: Strip, slope_pct: float, rules: Rules) -> Units:
    """Units fine enough for the ground and the block band: at most 12 m, 0.25 m of fall, and no jump.

    Of what is to be laid they are so far apart along the submain, of what is only compared across the rows.
    """
    lines = strip.number.size
    width = (float(strip.v_m[-1]) - float(strip.v_m[0])) / max(lines - 1, 1) or rules.design.lateral_spacing_m
    mean_length = float((strip.end_u_m - strip.start_u_m).mean())
    area_width = rules.design.block_max_ha * 1e4 / max(mean_length, 1.0) / 16.0
    fall_width = 0.25 / max(slope_pct / 100.0, 1e-6)
    reach = min(12.0, area_width, fall_width) * rules.detail.unit_factor
    apart = _apart_in_lines(strip, width) if rules.detail.exact else np.arange(lines + 1.0)
    most = max(rules.most_units, rules.detail.units_a_block * lines * width / max(16.0 * area_width, width))
    size = max(1, round(reach / width), math.ceil(lines / most))
    edges = np.concatenate(
        [[0], jumps(strip.start_u_m, strip.end_u_m, rules.design.lateral_spacing_m) + 1, [lines]]
    )
    bounds = np.concatenate(
        [_evenly(low, high, size, apart) for low, high in itertools.pairwise(edges.tolist())]
    )
    bounds = np.append(bounds, lines)
    return Units(bounds, (bounds[:-1] + bounds[1:]) // 2)


def _apart_in_lines(strip: Strip, width: float) -> Floats:
    """Where each line and the last one's far side lie along a submain in the middle, in widths between lines.

    Where ends lean the submain does too: its way from line to line is longer than the lines are apart.
    """
    step = np.hypot(1.0, np.diff(strip.start_u_m + strip.end_u_m) / 2.0 / width)
    return np.round(np.concatenate([[0.0], np.cumsum(np.append(step, 1.0))]), PLACES)


def _evenly(low: int, high: int, size: float, apart: Floats) -> Ints:
    """Line indices from `low` on, below `high`, about `size` apart on the submain."""
    own = apart[low : high + 1] - apart[low]
    count = max(1, min(round(round(float(own[-1]) / size, PLACES)), high - low))
    places = np.interp(np.arange(count) * (own[-1] / count), own, np.arange(high - low + 1))
    places = np.minimum(np.round(np.round(places, PLACES)), high - low - 1)
    return low + np.unique(places.astype(np.int64))


def unit_flows(strip: Strip, units: Units, rules: Rules) -> Floats:
    """Flow of each unit at the design head. [m3/h]"""
    emitters = (strip.end_u_m - strip.start_u_m) / rules.dripline.emitter_spacing_m
    total = np.concatenate([[0.0], np.cumsum(emitters)])
    return np.diff(total[units.bounds]) * rules.dripline.emitter_flow_l_h / 1000.0


class Trial(NamedTuple):
    """What the kernels judge candidate blocks by: the units' table at several shares, the pipes, the rule."""

    table: UnitTable
    pipes: PipeTable
    judge: Judge

    def at(self, s: int) -> tuple[UnitTable, PipeTable, Judge]:
        """The same with the submain at one share."""
        t = self.table
        here = UnitTable(t.ground[s], t.reach[s], t.lines, t.arms[s], t.curves[s], t.facts[s])
        return here, self.pipes, self.judge

    @property
    def units(self) -> int:
        """Number of units."""
        return int(self.table.lines.size)


def strip_trial(
    strip: Strip, units: Units, shares: Floats, axes: Axes, ground: Surface, rules: Rules
) -> Trial:
    """The tables of a strip's units with the submain at each of some shares of its width."""
    dripline = rules.dripline
    m = units.middle
    inlet_u = np.stack([strip.inlet_u_m(float(s), SNAP_M)[m] for s in shares])
    v = np.broadcast_to(strip.v_m[m], inlet_u.shape)
    ends = np.stack(
        [
            np.broadcast_to(strip.start_u_m[m], inlet_u.shape),
            np.broadcast_to(strip.end_u_m[m], inlet_u.shape),
        ],
        axis=-1,
    )
    law = emitter_law(dripline)
    law[3] = math.inf  # heads over the range are refused: the tables need no kink there
    heads = inlet_heads(dripline)
    curves, facts, inlet_z = _tabulate(inlet_u, ends, v, axes, ground, rules, law, heads)
    reach = np.zeros(inlet_u.shape)
    reach[:, :-1] = np.sqrt(sum((a[:, 1:] - a[:, :-1]) ** 2 for a in (inlet_u, v, inlet_z)))
    arms = np.abs(ends - inlet_u[..., None])
    table = UnitTable(inlet_z, reach, np.diff(units.bounds).astype(float), arms, curves, facts)
    weight = np.array([p.weight_kg_m for p in rules.pipes])
    pipes = PipeTable(*rules.pipe_table, weight, TRENCH_INDEX)
    mode, limit = tolerance_mode(rules)
    kept_back = own_range_kept_back_m(rules)
    judge = Judge(
        emitter_flow=dripline.emitter_flow_l_h / 3.6e6,
        x1=float(heads[1]),
        law=law,
        mode=mode,
        limit=limit,
        variation=dripline.variation,
        least=(dripline.least_head_m or 0.0) + RESERVE_M + kept_back,
        top=dripline.greatest_head_m - kept_back,
    )
    return Trial(table, pipes, judge)


def trial_bounds(strip: Strip, units: Units, rules: Rules) -> Bounds:
    """What else bounds the runs of a strip's units."""
    across = np.append(np.diff(strip.v_m[units.middle]), 0.0)
    return Bounds(
        rules.most_flow_m3h / 3600.0,
        _greatest_spread_m(rules),
        rules.design.lateral_max_m + rules.dripline.emitter_spacing_m,
        JUMP_SPACINGS * across + LONGEST_SIDESTEP_M,
    )


def candidates(trial: Trial, bounds: Bounds, flows: Floats, rules: Rules) -> tuple[Floats, Ints]:
    """Return (excess and cost, choice) of every run of units, as the kernel fills them."""
    longest = _longest_run(flows, rules.most_flow_m3h)
    best = np.empty((flows.size, longest, 2))
    choice = np.zeros((flows.size, longest, 4), np.int64)
    kernel.try_ranges(rules.detail.valves, *trial, bounds, best, choice)
    return best, choice


def improve(trial: Trial, bounds: Bounds, rules: Rules, a: int, b: int, best: Floats, choice: Ints) -> None:
    """Look through all shares and valves for a chosen run, and keep what is cheaper, or nearer."""
    given_up = np.zeros(trial.table.ground.shape[0], bool)
    work = kernel.work_of(trial.units)
    kernel.try_range(a, b, 0, True, given_up, rules.detail.valves, *trial, bounds, work, best, choice)


@dataclass(frozen=True)
class Piped:
    """A candidate block as the search judged it: pipe of each unit's reach, and how even its emitters are."""

    sizes: Ints
    uniformity_pct: float


def piped(trial: Trial, a: int, b: int, s: int, valve: int, g: int, spend: bool) -> Piped:
    """Pipe and uniformity of units a to b at a share, with the valve and gradient that the search chose."""
    here, pipes, judge = trial.at(s)
    work = kernel.work_of(trial.units)
    _, _, head = kernel.try_block(a, b, valve, g, spend, here, pipes, judge, work)
    lowest = kernel.lowest_head(a, b, head, here, judge, work.drop)
    emitters = float((here.lines[a:b] * here.facts[a:b, :, 0].sum(axis=1)).sum())
    mean = float(work.flow[a:b].sum()) / emitters if emitters else 0.0
    if lowest <= 0.0 or mean <= 0.0:
        return Piped(work.sizes, 0.0)
    least = float(emitter_flow(lowest, judge.law)[0])
    return Piped(work.sizes, max(0.0, emission_uniformity_pct(least, mean, judge.variation)))


def line_sizes(trial: Trial, units: Units, a: int, b: int, s: int, valve: int, sizes: Ints) -> Ints:
    """Pipe of each line's reach towards the valve, for a block whose units have `sizes`.

    The lines of the valve's own unit have the pipe of the next unit outward on their side.
    """
    before = sizes[valve - 1] if valve > a else None
    after = sizes[valve + 1] if valve < b - 1 else None
    own_size = sizes[valve]
    if before is None and after is None:  # one unit: as large as its flow asks for
        here, pipes, judge = trial.at(s)
        flow = here.lines[a] * here.facts[a, :, 0].sum() * judge.emitter_flow
        own_size = kernel.size_for(flow, 0.0, pipes.capacity[1], pipes.rows, pipes.fastest, 0)
    lines = np.repeat(sizes[a:b], np.diff(units.bounds)[a:b])
    first = int(units.bounds[a])
    own = slice(int(units.bounds[valve]) - first, int(units.bounds[valve + 1]) - first)
    if after is not None:
        lines[own] = after
    elif before is not None:
        lines[own] = before
    else:
        lines[own] = own_size
    if before is not None and after is not None:
        lines[own.start : valve_line(units, a, b, valve) - first] = before
    return lines


def _tabulate(
    inlet_u: Floats,
    ends: Floats,
    v: Floats,
    axes: Axes,
    ground: Surface,
    rules: Rules,
    law: Floats,
    heads: Floats,
) -> tuple[Floats, Floats, Floats]:
    """Return (curves, facts, inlet elevations) of the arms of each share and unit."""
    inlets = np.stack(axes.to_xy(inlet_u, v), axis=-1)
    inlets = np.repeat(inlets[:, :, None, :], 2, axis=2)
    tips = np.stack(axes.to_xy(ends, np.broadcast_to(v[..., None], ends.shape)), axis=-1)
    arms = inlets.shape[:3]
    curves = np.empty((*arms, 3, 3))
    facts = np.empty((*arms, 3))
    factor, each_k = local_loss_terms(rules.dripline)
    spacing = rules.dripline.emitter_spacing_m
    kernel.arms(
        ground.z_m,
        ground.x0_m,
        ground.y0_m,
        ground.cell_m,
        inlets.reshape(-1, 2),
        tips.reshape(-1, 2),
        rules.design.lateral_max_m + spacing,
        spacing,
        max(1.0, rules.detail.station_m / spacing),
        dripline_row(rules.dripline, rules.water),
        law,
        factor,
        START_LOSS_K,
        each_k,
        heads,
        curves.reshape(-1, 3, 3),
        facts.reshape(-1, 3),
    )
    return curves, facts, np.ascontiguousarray(facts[:, :, 0, 2])


def inlet_heads(dripline: Dripline) -> Floats:
    """Three inlet heads between which a dripline is used. [m]"""
    if dripline.compensating:
        return dripline.greatest_head_m * np.array([0.9, 0.95, 1.0])
    return dripline.nominal_head_m * np.array([0.8, 1.0, 1.2])


def submain_pipes(pipes: tuple[Pipe, ...]) -> tuple[Pipe, ...]:
    """Pipes for submains: of the lowest pressure class on sale, the material with the lightest sizes.

    Behind its regulator a submain stands under little more than the line's own greatest head.
    """
    lowest = min(p.pressure_class_bar for p in pipes)
    kinds = sorted({p.material for p in pipes if p.pressure_class_bar == lowest})
    series = [[p for p in pipes if p.material == k and p.pressure_class_bar == lowest] for k in kinds]
    lightest = min(series, key=lambda s: sum(p.weight_kg_m / p.inside_mm**2 for p in s) / len(s))
    return tuple(sorted(lightest, key=lambda p: p.inside_mm))


def fastest_flows_m3_s(pipes: tuple[Pipe, ...], design: Design) -> Floats:
    """The flow at which each size reaches the submain's greatest velocity. [m3/s]"""
    inside = np.array([p.inside_mm for p in pipes]) / 1000.0
    return np.pi / 4.0 * inside**2 * design.submain_velocity_m_s


def tolerance_mode(rules: Rules) -> tuple[int, float]:
    """Return the kernels' (mode, limit as a share) of a tolerance, tightened."""
    tolerance = rules.design.tolerance.narrowed(rules.tightness)
    if rules.dripline.compensating:
        return kernel.OWN_RANGE, 0.0
    if tolerance.kind == "emission_uniformity_pct":
        return kernel.EMISSION_UNIFORMITY, tolerance.value / 100.0
    return _MODES[tolerance.kind], tolerance.value / 100.0


def first_tightness(design: Design) -> float:
    """Share of the tolerance that a search may use at first; of a compensating line's own range it is all."""
    return 1.0 - design.tolerance_reserve_pct / 100.0


def own_range_kept_back_m(rules: Rules) -> float:
    """Head at each end of a compensating line's range that a tighter search than the first keeps free. [m]"""
    dripline = rules.dripline
    if not dripline.compensating:
        return 0.0
    wide = dripline.greatest_head_m - (dripline.least_head_m or 0.0) - RESERVE_M
    return max(0.0, 0.5 * (first_tightness(rules.design) - rules.tightness) * wide)


def _greatest_spread_m(rules: Rules) -> float:
    """Head difference within one arm beyond which no block can be within tolerance. [m]"""
    dripline, tolerance = rules.dripline, rules.design.tolerance
    if dripline.compensating:
        return dripline.greatest_head_m
    if tolerance.kind == "head_variation_pct":
        return 1.2 * dripline.nominal_head_m * tolerance.value / 100.0
    return dripline.greatest_head_m


def _longest_run(flows: Floats, most: float) -> int:
    """Most units that some block could have under the greatest flow."""
    longest, first, carried = 1, 0, 0.0
    for last, flow in enumerate(flows):
        carried += float(flow)
        while carried > most and first < last:
            carried -= float(flows[first])
            first += 1
        longest = max(longest, last - first + 1)
    return longest
