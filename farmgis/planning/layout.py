"""The layout of one field: direction, dripline, blocks, chosen by what they cost and laid for real."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from farmgis.errors import FieldError
from farmgis.hydraulics.water import water_at
from farmgis.planning.azimuths import FIRST_STEP_DEG, HOPELESS_SHARE, PREFERENCE, choose_azimuth
from farmgis.planning.block_choice import best_blocks, well_placed
from farmgis.planning.block_search import (
    COARSE,
    MOST_UNITS,
    TRENCH_INDEX,
    VALVE_INDEX,
    BlockChoice,
    Rules,
    first_tightness,
)
from farmgis.planning.cut_again import cut_again
from farmgis.planning.grades import Grades, grades, row_lengths_m
from farmgis.planning.laid_blocks import LaidBlock, apart, lay_blocks, within_tolerance
from farmgis.planning.land import nothing_fits
from farmgis.planning.outline import thinned
from farmgis.planning.patterns import (
    Candidate,
    Ground,
    Judge,
    Scheme,
    graded,
    main_azimuth,
)
from farmgis.planning.rows import Axes, Lines, RowPlan, row_plan
from farmgis.planning.strips import bay_counts, bays, chains, slants
from farmgis.planning.survey import Survey
from farmgis.records import Design, Dripline, Field, Pipe, Surface

LATERAL_INDEX = 0.5
"""A lateral's start and end fittings, in the relative index of `block_search` (common practice)."""

ROW_END_INDEX = 0.5
"""A turn of the machines at the end of a row, in the same index (common practice)."""

LOST_HA_INDEX = 600.0
"""A hectare of the field that rows do not reach, in the same index (common practice)."""

OVER_HA_INDEX = 1000.0
"""A hectare that no submain brings within tolerance, and again for each whole tolerance that it is over."""

LEAST_STRIP_HA = 0.15
"""A strip smaller than this gets no valve of its own: it is left out, and a finding says so."""

UNEVEN_INDEX = LOST_HA_INDEX / 100.0
"""A percent of emission uniformity on a hectare: that much more water and line for the same crop, in the same
index (common practice)."""

STEEP_ROW_INDEX = 60.0
"""A hectare whose rows are 1 % steeper than `row_grade_max_pct`, in the same index (common practice)."""

ERODING_HA_INDEX = 300.0
"""A hectare whose rows are steeper than that at all: half of a lost one (common practice)."""

ALIKE_STEEP_PCT = 10.0
"""Ways to run the rows whose shares of too steep land are no farther apart than this are alike in it."""

NEAR = 1.15
"""Patterns whose index is within this of the least are laid and compared as laid."""

ATTEMPTS = ((0.0, MOST_UNITS), (0.0, 160), (0.1, 160), (0.2, 160))
"""How much less of the tolerance the search may use than at first, and units a strip, tried in turn until the
laid blocks keep it: on steep ground the fall within one of the first units may be more than what was left."""


SEARCH_ROOM = 0.05
"""Share of its tolerance that a block as laid may use beyond what the search could see."""

FEW_FAILED = 0.5
"""Share of a field's blocks up to which those that failed are cut again, and not the whole field."""

CUT_AGAIN_STEPS = (0.0, 0.02, 0.05, 0.1)
"""How much less of the tolerance than before the search of these may use, tried in turn."""

FEWER_ATTEMPTS = ((0.0, MOST_UNITS), (0.1, MOST_UNITS))
"""The same where another dripline is listed that may serve better. Where blocks keep their tolerance and lack
reserve alone, the others are tried too."""


@dataclass(frozen=True)
class Layout:
    """A field laid out with one dripline; the azimuth is that of its largest part."""

    azimuth_deg: float
    dripline: Dripline
    pattern: str
    plans: tuple[RowPlan, ...]
    blocks: tuple[LaidBlock, ...]
    candidates: tuple[Candidate, ...]
    left_out_ha: float

    @property
    def over_tolerance_ha(self) -> float:
        """Land in blocks that are out of tolerance. [ha]"""
        return float(sum(b.area.area for b in self.blocks if not b.within_tolerance)) / 1e4

    @property
    def chosen(self) -> Candidate:
        """What was judged of the way that was laid."""
        own = [c for c in self.candidates if c.pattern == self.pattern and c.search == "laid"]
        return min(own, key=lambda c: abs(c.azimuth_deg - self.azimuth_deg))

    @property
    def mean_block_ha(self) -> float:
        """Mean size of a block. [ha]"""
        return float(sum(b.area.area for b in self.blocks)) / 1e4 / len(self.blocks)

    @property
    def uniformity_pct(self) -> float:
        """Emission uniformity of the blocks, by their land. [%]"""
        areas = np.array([b.area.area for b in self.blocks])
        uniformity = np.array([b.heads.emission_uniformity_pct for b in self.blocks])
        return float((areas * uniformity).sum() / areas.sum())

    @property
    def shortfall(self) -> tuple[float, int]:
        """What makes one layout worse than another: land out of tolerance, then blocks."""
        return self.over_tolerance_ha, len(self.blocks)


def flow_m3h_ha(design: Design, dripline: Dripline) -> float:
    """Flow that a hectare of a line takes. [m3/h/ha]

    >>> round(flow_m3h_ha(Design(), Dripline("a line", 22.2, 0.4, 1.0)), 1)
    16.7
    """
    return 10.0 * dripline.emitter_flow_l_h / (dripline.emitter_spacing_m * design.lateral_spacing_m)


def lay_out(
    field: Field, ground: Survey, pipes: tuple[Pipe, ...], source_flow_m3h: float = math.inf
) -> Layout:
    """Lay out a field: the first of its driplines that serves it, else the one that comes nearest.

    A line serves where every block is within tolerance and blocks are not on average under half the least
    size. Raises FieldError where no lateral fits into the field.
    """
    nearest: Layout | None = None
    field = replace(field, area=thinned(field.area))
    whole = Ground(field, ground, lambda plans: row_index(field, plans, grades(plans, ground)))
    for k, dripline in enumerate(field.driplines):
        rules = rules_for(field.design, dripline, pipes, source_flow_m3h)
        schemes, candidates = _schemes(whole, rules)
        last = k + 1 == len(field.driplines)
        if not (last and nearest is None) and _is_hopeless(field, candidates):
            continue
        layout = _best_laid(whole, rules, schemes, candidates, another=not last)
        if layout.over_tolerance_ha == 0.0 and not _too_small(field, layout):
            return layout
        if nearest is None or layout.shortfall < nearest.shortfall:
            nearest = layout
    if nearest is None:
        raise FieldError(f"field {field.field_id!r}: no dripline was given", "give it one")
    return nearest


def _schemes(whole: Ground, rules: Rules) -> tuple[list[Scheme], tuple[Candidate, ...]]:
    """Return the best scheme of each pattern worth laying, straight rows first, and all that was judged."""
    coarse = replace(rules, detail=COARSE)

    def judge(pattern: str, plans: tuple[RowPlan, ...]) -> Candidate:
        return _judge(whole.field, plans, whole.survey, coarse, pattern)

    azimuth, judged = choose_azimuth(
        whole, rules, lambda plans, level: _judge(whole.field, plans, whole.survey, level, "straight")
    )
    straight = next(c for c in judged if c.azimuth_deg == azimuth)
    schemes = [Scheme(straight, (row_plan(whole.field, azimuth),))]
    schemes += _others(whole, judge, straight)
    judged += tuple(s.candidate for s in schemes[1:])
    schemes = [s for s in schemes if math.isfinite(s.candidate.cost_index)] or schemes[:1]
    wanted = whole.wanted
    if wanted != "auto" and any(s.candidate.pattern == wanted for s in schemes):
        schemes = [s for s in schemes if s.candidate.pattern == wanted]
    least = min(s.candidate.cost_index for s in schemes)
    return [s for s in schemes if s.candidate.cost_index <= NEAR * least], judged


def _others(whole: Ground, judge: Judge, straight: Candidate) -> list[Scheme]:
    """Facets and contour rows where they are to be tried; without blocks where rows alone cost too much."""
    asked = [(p, whole.plans(p)) for p in ("contour", "facets") if whole.asked(p)]
    ranked = sorted((whole.row_index(plans), pattern, plans) for pattern, plans in asked if plans)
    area_ha = whole.field.area.area / 1e4
    least = straight.cost_index
    found: list[Scheme] = []
    for index, pattern, plans in ranked:
        hopeless = any(s.candidate.over_ha > HOPELESS_SHARE * area_ha for s in found)
        if whole.wanted == "auto" and (hopeless or index >= PREFERENCE * least):
            found.append(Scheme(_judge(whole.field, plans, whole.survey, None, pattern), plans))
            continue
        found.append(Scheme(judge(pattern, plans), plans))
        least = min(least, found[-1].candidate.cost_index)
    return found


def _best_laid(
    whole: Ground, rules: Rules, schemes: list[Scheme], candidates: tuple[Candidate, ...], another: bool
) -> Layout:
    """Of the schemes, laid, the one of least index; among about equal ones that which is least steep.

    Where those are alike too it is the first, straight rows.
    """
    found: list[tuple[float, float, Layout]] = []
    for scheme in schemes:
        laid = _laid(whole, rules, scheme, another)
        index = _laid_index(laid, scheme.candidate, whole.field)
        found.append((index, scheme.candidate.grade_over_pct, laid))
        candidates = tuple(
            replace(c, uniformity_pct=laid.uniformity_pct, laid_index=index, search="laid")
            if c is scheme.candidate
            else c
            for c in candidates
        )
    least = min(index for index, _, _ in found)
    equal = [(steep, laid) for index, steep, laid in found if PREFERENCE * index <= least]
    gentlest = min(steep for steep, _ in equal)
    best = next(laid for steep, laid in equal if steep <= gentlest + ALIKE_STEEP_PCT)
    return replace(best, candidates=candidates)


def _laid_index(laid: Layout, candidate: Candidate, field: Field) -> float:
    """Index of a scheme as it turned out: cost, what its water lacks of even, land over tolerance."""
    ha = float(field.area.area) / 1e4
    return (
        candidate.cost_index
        + UNEVEN_INDEX * ha * (100.0 - laid.uniformity_pct)
        + OVER_HA_INDEX * max(0.0, laid.over_tolerance_ha - candidate.over_ha)
    )


def _too_small(field: Field, layout: Layout) -> bool:
    """Whether blocks are on average under half the least size."""
    return layout.mean_block_ha < 0.5 * field.design.block_min_ha


def _is_hopeless(field: Field, candidates: tuple[Candidate, ...]) -> bool:
    """Whether at every azimuth much land is out of tolerance, or blocks come out very small."""
    area_ha = field.area.area / 1e4
    most_over = HOPELESS_SHARE * area_ha
    least_block = 0.5 * field.design.block_min_ha
    close = [c for c in candidates if c.search != "rough"]
    return all(c.over_ha > most_over or c.blocks * least_block > area_ha for c in close)


def rules_for(
    design: Design, dripline: Dripline, pipes: tuple[Pipe, ...], source_flow_m3h: float = math.inf
) -> Rules:
    """What bounds the blocks of a field with a dripline and a source."""
    per_ha = flow_m3h_ha(design, dripline)
    return Rules(
        design=design,
        dripline=dripline,
        pipes=pipes,
        water=water_at(design.water_temperature_c),
        most_flow_m3h=min(design.block_max_ha * per_ha, source_flow_m3h),
        least_flow_m3h=design.block_min_ha * per_ha,
        tightness=first_tightness(design),
    )


def _laid(whole: Ground, rules: Rules, scheme: Scheme, another: bool) -> Layout:
    field, ground = whole.field, whole.survey
    tried: list[Layout] = []
    for turn, (less, units) in enumerate((*FEWER_ATTEMPTS, *ATTEMPTS[1:]) if another else ATTEMPTS):
        if another and turn >= len(FEWER_ATTEMPTS) and all(t.over_tolerance_ha > 0.0 for t in tried):
            break  # the next dripline may serve better
        tight = replace(rules, tightness=rules.tightness - less, most_units=units)
        found = [_choices(plan, ground, tight) for plan in scheme.plans]
        if not any(choices for choices, _ in found):
            fixed = whole.fixed_deg is not None
            round_about = () if fixed else (whole.outlined(float(a)) for a in range(0, 180, FIRST_STEP_DEG))
            raise nothing_fits(field, (*scheme.plans, *round_about), LEAST_STRIP_HA)
        drawn = _drawn(whole, rules, scheme, found)
        settled = all(_settled(b, rules) for b in drawn.blocks)
        tried.append(drawn if settled else _mended(whole, tight, scheme, found, drawn))
        if settled or all(_as_searched(b, rules) for b in tried[-1].blocks):
            break  # nothing turned out worse than the search took it to be
        if another and _too_small(field, tried[-1]):
            break  # the next dripline is tried: tighter searches only make blocks smaller
    return _best_tried(tried, rules)


def _best_tried(tried: Sequence[Layout], rules: Rules) -> Layout:
    """The layout with least land out of tolerance; where all have some, the fewest blocks of those alike.

    What is worth no valve of its own is worth no tenfold of them either.
    """
    least_ha = min(t.over_tolerance_ha for t in tried)
    if least_ha == 0.0:
        return min(tried, key=lambda t: (t.over_tolerance_ha, _over_ha(t, rules)))
    alike = [t for t in tried if t.over_tolerance_ha < least_ha + LEAST_STRIP_HA]
    return min(alike, key=lambda t: (len(t.blocks), t.over_tolerance_ha))


Found = list[tuple[list[BlockChoice], float]]
"""The blocks found for each plan of a scheme, and the hectares that no strip serves."""


def _drawn(whole: Ground, rules: Rules, scheme: Scheme, found: Found, before: Layout | None = None) -> Layout:
    """What was found, laid and solved; blocks that stand in an earlier layout are not solved again."""
    known = {} if before is None else {id(b.choice): b for b in before.blocks}
    blocks = tuple(
        block
        for plan, (choices, _) in zip(scheme.plans, found, strict=True)
        if choices
        for block in lay_blocks(choices, plan, whole.survey, rules, known)
    )
    if len(scheme.plans) > 1:  # slivers where parts meet
        areas = apart([b.area for b in blocks], 0.0)
        blocks = tuple(replace(b, area=a) for b, a in zip(blocks, areas, strict=True))
    left_out = sum(lost for _, lost in found)
    way = scheme.candidate
    return Layout(way.azimuth_deg, rules.dripline, way.pattern, scheme.plans, blocks, (), left_out)


def _mended(whole: Ground, rules: Rules, scheme: Scheme, found: Found, drawn: Layout) -> Layout:
    """A layout of which few blocks turned out over their tolerance, with these cut again; else as it is."""
    best, ground = drawn, whole.survey
    for less in CUT_AGAIN_STEPS:
        failed = [not _settled(b, rules) for b in drawn.blocks]
        if not any(failed) or sum(failed) > FEW_FAILED * len(failed):
            break
        flags = iter(failed)
        tight = replace(rules, tightness=rules.tightness - less)
        found = [
            (cut_again(own, [next(flags) for _ in own], *_searched(plan, ground), tight), lost)
            for plan, (own, lost) in zip(scheme.plans, found, strict=True)
        ]
        drawn = _drawn(whole, rules, scheme, found, drawn)
        best = min(best, drawn, key=lambda t: (t.over_tolerance_ha, _over_ha(t, rules)))
    return best


def _searched(plan: RowPlan, ground: Survey) -> tuple[Axes, Surface, float]:
    return *plan.searched_on(ground.surface), ground.slope_p95_pct


def _settled(block: LaidBlock, rules: Rules) -> bool:
    """Whether a block as laid is what the search took it to be, be it that nothing keeps its tolerance."""
    return block.choice.excess > 0.0 or _as_searched(block, rules)


def _as_searched(block: LaidBlock, rules: Rules) -> bool:
    """Whether a block as laid is within its tolerance, and its reserve is about what was asked for."""
    allowed = rules.design.tolerance.narrowed(min(1.0, first_tightness(rules.design) + SEARCH_ROOM))
    return within_tolerance(block.heads, replace(rules, design=replace(rules.design, tolerance=allowed)))


def _over_ha(layout: Layout, rules: Rules) -> float:
    """Land in blocks that use more of their tolerance than a search may use. [ha]"""
    return float(sum(b.area.area for b in layout.blocks if not _as_searched(b, rules))) / 1e4


def _judge(
    field: Field, plans: tuple[RowPlan, ...], ground: Survey, rules: Rules | None, pattern: str
) -> Candidate:
    """What plans cost, over the part of the field that they are for; of rows alone without rules."""
    part_ha = (field.area.area if plans[0].part is None else sum(p.part.area for p in plans)) / 1e4
    first = plans[0].axes
    azimuth = first.azimuth_deg if isinstance(first, Axes) and len(plans) == 1 else main_azimuth(plans)
    found = [] if rules is None else [_choices(plan, ground, rules) for plan in plans]
    choices = [c for own, _ in found for c in own]
    laid = grades(plans, ground)
    if rules is None or not choices:
        none = Candidate(azimuth, 0, part_ha, math.inf, search="none")
        return graded(none, pattern, plans, field, laid)
    cost = (
        sum(c.cost for c in choices)
        + OVER_HA_INDEX * sum(c.over for c in choices) / 1e4
        + LOST_HA_INDEX * sum(lost for _, lost in found)
        + row_index(field, plans, laid)
    )
    over_ha = sum(c.area_m2 for c in choices if c.excess > 0.0) / 1e4
    areas = np.array([c.area_m2 for c in choices])
    even = float((areas * [c.uniformity_pct for c in choices]).sum() / areas.sum())
    judged = Candidate(azimuth, len(choices), over_ha, cost, uniformity_pct=even, search=rules.detail.name)
    return graded(judged, pattern, plans, field, laid)


def row_index(field: Field, plans: tuple[RowPlan, ...], laid: Grades) -> float:
    """Index of rows alone, before any pipe: their ends and laterals, land that they do not reach, grades."""
    part_ha = (field.area.area if plans[0].part is None else sum(p.part.area for p in plans)) / 1e4
    design = field.design
    steep = laid.excess_pct(design.row_grade_max_pct) + laid.lack_pct(design.row_fall_pct or 0.0)
    return float(
        LATERAL_INDEX * sum(p.laterals.number.size for p in plans)
        + ROW_END_INDEX * row_lengths_m(plans).size
        + LOST_HA_INDEX * (part_ha - sum(p.irrigated.area for p in plans) / 1e4)
        + STEEP_ROW_INDEX * steep * part_ha
        + ERODING_HA_INDEX * laid.over_pct(design.row_grade_max_pct) / 100.0 * part_ha
    )


def _choices(rows: RowPlan, ground: Survey, rules: Rules) -> tuple[list[BlockChoice], float]:
    """Return the blocks of every strip of a field, and the hectares that no strip serves."""
    lines = rows.laterals
    long_enough = lines.end_u_m - lines.start_u_m >= rules.design.lateral_min_m
    left_out = (lines.length_m - lines.chosen(long_enough).length_m) * lines.spacing_m / 1e4
    found: list[BlockChoice] = []
    for chain in chains(lines.chosen(long_enough)):
        size_ha = chain.length_m * chain.spacing_m / 1e4
        if size_ha < LEAST_STRIP_HA:
            left_out += size_ha
            continue
        blocks, lost = _chain_blocks(chain, rows, ground, rules)
        if rules.detail.exact:
            axes, surface = rows.searched_on(ground.surface)
            blocks = [well_placed(b, axes, surface, ground.slope_p95_pct, rules) for b in blocks]
        found += blocks
        left_out += lost
    return found, left_out


def _chain_blocks(
    chain: Lines, rows: RowPlan, ground: Survey, rules: Rules
) -> tuple[list[BlockChoice], float]:
    """The best of a chain's slants and bay counts, by tolerance and then cost; and what it loses."""
    axes, surface = rows.searched_on(ground.surface)
    across_m = float(chain.v_m[-1] - chain.v_m[0])
    best: tuple[list[BlockChoice], float] = ([], 0.0)
    best_key = (math.inf, math.inf)
    for slant in slants(chain):
        for count in bay_counts(chain, slant, rules.design, rules.detail.bay_counts):
            if best[0] and count * (VALVE_INDEX + TRENCH_INDEX * across_m) > rules.enough:
                break
            strips = bays(chain, slant, count, rules.design)
            large = [s for s in strips if s.area_m2(chain.spacing_m) >= LEAST_STRIP_HA * 1e4]
            lost = sum(s.area_m2(chain.spacing_m) for s in strips) - sum(
                s.area_m2(chain.spacing_m) for s in large
            )
            blocks = [
                b for strip in large for b in best_blocks(strip, axes, surface, ground.slope_p95_pct, rules)
            ]
            over = sum(b.over for b in blocks)
            key = (over, sum(b.cost for b in blocks) + LOST_HA_INDEX * lost / 1e4)
            if key < best_key:
                best, best_key = (blocks, lost / 1e4), key
            if over == 0.0:
                break
    return best


def blocks_of(rows: RowPlan, ground: Survey, rules: Rules) -> list[BlockChoice]:
    """The blocks that the search finds for a field's rows with a dripline; none is laid."""
    return _choices(rows, ground, rules)[0]
