"""How sure a block is: the chance that it keeps its tolerance, given the error of the ground under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from farmgis.planning.block_hydraulics import block_solution
from farmgis.planning.block_search import BlockChoice, Rules
from farmgis.planning.elevation_error import ElevationError, ErrorGrids, error_grids
from farmgis.planning.laterals import DrawnBlock, DrawnLaterals
from farmgis.planning.layout import Layout, rules_for
from farmgis.planning.strips import Ints
from farmgis.planning.survey import Survey
from farmgis.records import LEAST_CHANCE_PCT, Field, Finding, Floats, Pipe, Table
from farmgis.words import counted

CLOSEST_M, FARTHEST_M = 5.0, 15.0
"""Emitters are looked at so far apart, by the distance over which errors are alike."""

RESERVE_STEP_PCT, MOST_RESERVE_PCT = 5.0, 50.0
"""A reserve of the tolerance is advised in such steps, up to the most that can be kept."""


def with_chances(
    field: Field,
    ground: Survey,
    layout: Layout,
    pipes: tuple[Pipe, ...],
    blocks: Table,
    error_m: tuple[float, float] | None,
) -> tuple[Table, tuple[Finding, ...]]:
    """Return (rows of `blocks` with their chance, a finding where some are unsure).

    `error_m` is the elevation model's vertical error and correlation length; None where it is not known.
    """
    chance = np.full(len(layout.blocks), np.nan)
    found: tuple[Finding, ...] = ()
    if error_m is not None:
        error = ElevationError(error_m[0], error_m[1], ground.smoothing_m)
        grids = error_grids(error, field.area.bounds, field.field_id)
        rules = rules_for(field.design, layout.dripline, pipes)
        apart = max(error.correlation_m, ground.smoothing_m) / 4.0
        chances = [chance_of(b.drawn, b.choice, rules, grids, apart) for b in layout.blocks]
        chance[:] = [c.within_pct for c in chances]
        found = _unsure(field, chances, error, layout.dripline.compensating)
    return Table(blocks.columns | {"chance_within_tolerance_pct": chance}, blocks.geometry), found


def _unsure(
    field: Field, chances: Sequence[Chance], error: ElevationError, compensating: bool
) -> tuple[Finding, ...]:
    few = [c for c in chances if c.within_pct < LEAST_CHANCE_PCT]
    if not few:
        return ()
    least = min(range(len(chances)), key=lambda i: chances[i].within_pct)
    out = 100.0 + RESERVE_STEP_PCT  # no reserve mends what is out of its tolerance as planned
    adds = [c.adds_pct for c in few if c.planned_pct < out]
    advice = "or survey the ground"
    if adds and not compensating:
        advice = f"survey the ground, or {_reserve_advice(max(adds), field.design.tolerance_reserve_pct)}"
    return (
        Finding(
            "note",
            "elevation",
            f"the chance to keep the tolerance is less than {LEAST_CHANCE_PCT:.0f} % in {len(few)} of "
            f"{counted(len(chances), 'block')}, given an error of the elevation model of "
            f"{error.vertical_m:g} m that is alike over {error.correlation_m:g} m; the least sure is "
            f"{field.field_id}-B{least + 1:02d}",
            field.field_id,
            f"state `vertical_error_m` and `correlation_m` if they are known, {advice}",
            chances[least].within_pct,
            LEAST_CHANCE_PCT,
            "%",
        ),
    )


def _reserve_advice(adds_pct: float, now_pct: float) -> str:
    """What reserve of the tolerance, more than now, would make blocks sure, at the price of more of them."""
    steps = max(math.ceil(adds_pct / RESERVE_STEP_PCT), math.floor(now_pct / RESERVE_STEP_PCT) + 1)
    reserve = RESERVE_STEP_PCT * steps
    if reserve > MOST_RESERVE_PCT:
        return "take compensating line: no reserve of the tolerance makes up for such an error"
    return (
        f"plan with `tolerance_reserve_pct = {reserve:.0f}`: four in five of such errors add no more than "
        "that to what a block uses of its tolerance. It may take more blocks, more pipe or another line"
    )


@dataclass(frozen=True)
class Chance:
    """How sure a block is, what share of its tolerance it uses as planned, and what errors add to that: in
    four of five no more than `adds_pct`."""

    within_pct: float
    planned_pct: float
    adds_pct: float


@dataclass(frozen=True)
class Sample:
    """Some of a block's emitters: where they stand, their heads, and how many each stands for."""

    x_m: Floats
    y_m: Floats
    head_m: Floats
    weight: Floats


def chance_of(
    block: DrawnBlock, choice: BlockChoice, rules: Rules, grids: ErrorGrids, apart_m: float
) -> Chance:
    """The share of the errors under which a block still keeps its tolerance, its valve set as planned.

    Ground that is higher than the model by an error lowers the head there by as much, against the
    valve's own ground. Flows change by half a percent for each percent of head, and friction with them:
    that is left out, which takes heads to differ by a little more than they would. Compensating line is
    held to its own range without the reserve that is kept for this; what the wall bears is not judged.
    """
    sample = sampled(block, choice, rules, apart_m)
    valve = block.submain_m[block.valve]
    x, y = np.append(sample.x_m, valve[0]), np.append(sample.y_m, valve[1])
    error = grids.at(x, y)
    used = used_share(sample.head_m[None, :] - (error[:, :-1] - error[:, -1:]), sample.weight, rules)
    planned = float(used_share(sample.head_m[None, :], sample.weight, rules)[0])
    added = float(np.quantile(used, LEAST_CHANCE_PCT / 100.0)) - planned
    return Chance(100.0 * float((used <= 1.0).mean()), 100.0 * planned, 100.0 * added)


def sampled(block: DrawnBlock, choice: BlockChoice, rules: Rules, apart_m: float) -> Sample:
    """Emitters of a block some metres apart along and across, with all that are lowest or highest."""
    node, _, solution = block_solution(block, choice, rules)
    head = solution.head_m[len(node) :]
    gap = min(max(apart_m, CLOSEST_M), FARTHEST_M)
    which, weight = _picked(block.laterals, rules, gap, head)
    x, y = emitter_places(block.laterals, rules.dripline.emitter_spacing_m, which)
    return Sample(x, y, head[which], weight)


def _picked(laterals: DrawnLaterals, rules: Rules, gap_m: float, head: Floats) -> tuple[Ints, Floats]:
    """Return (emitters, emitters that each stands for): a grid, the ends, and each lateral's extremes."""
    step = max(1, round(gap_m / rules.dripline.emitter_spacing_m))
    skip = max(1, round(gap_m / rules.design.lateral_spacing_m))
    first = np.concatenate([[0], np.cumsum(laterals.emitters)])
    last_line = laterals.line.max()
    found: list[Ints] = []
    for k in range(laterals.count):
        a, b = int(first[k]), int(first[k + 1])
        if laterals.line[k] % skip and laterals.line[k] != last_line:
            continue
        own = head[a:b]
        ends = np.array([b - 1, a + int(own.argmin()), a + int(own.argmax())])
        found.append(np.union1d(np.arange(a, b, step), ends))
    which = np.concatenate(found)
    extremes = np.array([head.argmin(), head.argmax()])
    which = np.union1d(which, extremes)
    return which, np.full(which.size, head.size / which.size)


def emitter_places(laterals: DrawnLaterals, spacing_m: float, which: Ints) -> tuple[Floats, Floats]:
    """Return (x, y) of some emitters, counted from the first of the first lateral. [m]"""
    points = laterals.points_m
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    step[laterals.offsets[1:-1] - 1] = 1.0  # from one lateral's end to the next one's inlet
    along = np.concatenate([[0.0], np.cumsum(step)])
    first = np.concatenate([[0], np.cumsum(laterals.emitters)])
    lateral = np.searchsorted(first, which, side="right") - 1
    at = along[laterals.offsets[lateral]] + (which - first[lateral] + 1) * spacing_m
    return np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])


def used_share(heads_m: Floats, weight: Floats, rules: Rules) -> Floats:
    """Share of its tolerance that a block uses, for each row of emitter heads; over 1 it is out of it."""
    dripline, tolerance = rules.dripline, rules.design.tolerance
    low, high = heads_m.min(axis=1), heads_m.max(axis=1)
    if dripline.compensating:
        least, most = dripline.least_head_m or 0.0, dripline.greatest_head_m
        return np.asarray(1.0 + np.maximum(least - low, high - most) / (most - least))
    share = weight / weight.sum()
    if tolerance.kind == "head_variation_pct":
        return np.asarray(100.0 * (high - low) / (heads_m @ share) / tolerance.value)
    q_low, q_high = (_flow(h, rules) for h in (low, high))
    if tolerance.kind == "flow_variation_pct":
        return np.asarray(100.0 * (q_high - q_low) / q_high / tolerance.value)
    uniformity = 100.0 * (1.0 - 1.27 * dripline.variation) * q_low / (_flow(heads_m, rules) @ share)
    return np.asarray((100.0 - uniformity) / (100.0 - tolerance.value))


def _flow(head_m: Floats, rules: Rules) -> Floats:
    """Flow of an emitter in nominal flows. [-]"""
    head = np.maximum(head_m, 0.0) / rules.dripline.nominal_head_m
    return np.asarray(head**rules.dripline.exponent)
