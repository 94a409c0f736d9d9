"""Which way straight rows run: judged all round at a glance, the best of them closely."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from farmgis.planning.block_search import COARSE, GLANCE, TRENCH_INDEX, VALVE_INDEX, Rules
from farmgis.planning.patterns import SAME_DIRECTION_DEG, Candidate, Ground, candidate_azimuths
from farmgis.planning.rows import RowPlan, row_plan

Plans = tuple[RowPlan, ...]
Judge = Callable[[Plans, Rules | None], Candidate]
"""What judges plans by the detail of some rules; of rows alone without."""

PREFERENCE = 0.98
"""On ground of 1 % or more another direction than the contour's has to cost less than this share."""

HOPELESS_SHARE = 0.25
"""A dripline that leaves more of a field than this out of tolerance is not laid out if another is listed."""

CLOSE_LOOKS = 4
"""So many of the directions that are best at a glance are judged closely, besides the contour's."""

FIRST_STEP_DEG = 3
"""All round, every so many degrees are judged first."""

PROMISING = 1.15
"""Then those between, beside directions of no more than this many times the least index."""

DEARER = 1.15
"""At a glance, no more submains are tried where their valves and trenches alone would take an index over this
many times the least."""

GLANCE_UNITS = 12
"""A strip is judged at a glance in no more units than this, or in four a block."""


def choose_azimuth(whole: Ground, rules: Rules, judge: Judge) -> tuple[float, tuple[Candidate, ...]]:
    """Return the cheapest azimuth, the contour's unless another costs clearly less, and all judged.

    The contour's comes first, then those that were judged closely.
    """
    field, ground, fixed = whole.field, whole.survey, whole.fixed_deg
    coarse = replace(rules, detail=COARSE)

    def closely(azimuth_deg: float) -> Candidate:
        return judge((row_plan(field, azimuth_deg),), coarse)

    wanted = candidate_azimuths(field.area, ground.contour, field.design.row_fall_pct)
    judged = [closely(wanted[0] if fixed is None else fixed % 180.0)]
    rough: list[Candidate] = []
    none, over_ha = judged[0].blocks == 0, judged[0].over_ha  # across a narrow field no row may fit
    if fixed is None and (none or over_ha <= 2.0 * HOPELESS_SHARE * field.area.area / 1e4):
        rough = all_round(whole, rules, judge, wanted[1:], judged[0].cost_index)
        judged += [closely(c.azimuth_deg) for c in _best_apart(rough, judged[0].azimuth_deg)]
    possible = [c for c in judged if math.isfinite(c.cost_index)] or judged
    best = min(possible, key=_index)
    if ground.contour is not None and fixed is None and math.isfinite(judged[0].cost_index):
        margin = PREFERENCE if ground.slope_mean_pct >= 1.0 else 1.0
        if best.cost_index >= margin * judged[0].cost_index:
            best = judged[0]
    close = {c.azimuth_deg for c in judged}
    return best.azimuth_deg, (*judged, *(c for c in rough if c.azimuth_deg not in close))


def all_round(
    whole: Ground, rules: Rules, judge: Judge, wanted: Iterable[float], least: float
) -> list[Candidate]:
    """Directions all round, judged at a glance: every third degree, and each beside those that promise.

    Those go first whose rows cost least: where rows and what no piping goes under cost more than another way
    in all (`least` at first), no block is searched for.
    """
    glance = replace(rules, detail=GLANCE, most_units=GLANCE_UNITS)
    found: dict[float, Candidate] = {}

    def look(azimuths: Iterable[float]) -> None:
        nonlocal least
        plans = {a: whole.outlined(a) for a in azimuths if a not in found}
        for index, a in sorted((whole.row_index((plan,)), a) for a, plan in plans.items()):
            refused = index + least_piping(plans[a], rules) >= least
            level = None if refused else replace(glance, enough=DEARER * least - index)
            found[a] = judge((plans[a],), level)
            least = min(least, found[a].cost_index)

    look([*(float(a) for a in range(0, 180, FIRST_STEP_DEG)), *wanted])
    promising = [a for a, c in found.items() if c.cost_index <= PROMISING * least]
    look({float(a) for a in range(180) if any(_apart(a, p) < FIRST_STEP_DEG for p in promising)})
    return sorted(found.values(), key=lambda c: c.azimuth_deg)


def least_piping(plan: RowPlan, rules: Rules) -> float:
    """Index that no piping of rows goes under: valves for their flow, trench for laterals of most length."""
    design, line, line_m = rules.design, rules.dripline, plan.laterals.length_m
    flow_m3h = line_m / line.emitter_spacing_m * line.emitter_flow_l_h / 1000.0
    trench_m = line_m / (2.0 * design.lateral_max_m) * design.lateral_spacing_m
    return VALVE_INDEX * max(1.0, flow_m3h / rules.most_flow_m3h) + TRENCH_INDEX * trench_m


def _best_apart(rough: Sequence[Candidate], first_deg: float) -> list[Candidate]:
    """The cheapest at a glance that differ from each other, and from the first that was judged."""
    kept: list[Candidate] = []
    for c in sorted(rough, key=_index):
        if len(kept) == CLOSE_LOOKS or not math.isfinite(c.cost_index):
            break
        turns = [first_deg, *(k.azimuth_deg for k in kept)]
        if all(_apart(c.azimuth_deg, k) > SAME_DIRECTION_DEG for k in turns):
            kept.append(c)
    return kept


def _index(candidate: Candidate) -> float:
    """The index to a thousandth: of directions that are alike but for rounding, the first is taken."""
    return round(candidate.cost_index, 3)


def _apart(a_deg: float, b_deg: float) -> float:
    """Angle between two directions of rows. [degrees]"""
    return abs((a_deg - b_deg + 90.0) % 180.0 - 90.0)
