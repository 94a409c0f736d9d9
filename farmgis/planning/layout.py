"""The layout of one field: direction, dripline, blocks, chosen by what they cost and laid for real."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from farmgis.errors import FieldError
from farmgis.hydraulics.water import water_at
from farmgis.planning.block_choice import best_blocks, well_placed
from farmgis.planning.block_hydraulics import BlockHeads, solve_block
from farmgis.planning.block_search import MOST_UNITS, BlockChoice, Rules
from farmgis.planning.land import line_azimuth
from farmgis.planning.laterals import DrawnBlock, draw_block
from farmgis.planning.rows import Lines, RowPlan, crop_rows, row_plan
from farmgis.planning.strips import Strip, bay_counts, bays, chains, jumps, slants
from farmgis.planning.survey import Survey
from farmgis.records import Design, Dripline, Field, Floats, Pipe
from farmgis.terrain.gradient import grade_along_pct

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

STEEP_ROW_INDEX = 60.0
"""A hectare whose rows are 1 % steeper than `row_grade_max_pct`, in the same index (common practice)."""

HOPELESS_SHARE = 0.25
"""A dripline that leaves more of a field than this out of tolerance is not laid out if another is listed."""

PREFERENCE = 0.98
"""On ground of 1 % or more another direction than the contour's has to cost less than this share."""

ATTEMPTS = ((0.95, MOST_UNITS), (0.95, 160), (0.85, 160), (0.75, 160))
"""Shares of the tolerance that the search may use, and units a strip, tried in turn until the laid blocks
keep it: on steep ground the fall within one of the first units may be more than what was left over."""


MOSTLY_OVER = 0.5
"""With more of a field than this out of tolerance at the first attempt, more units only make more blocks."""


@dataclass(frozen=True)
class Candidate:
    """A direction that was judged: its blocks and cost in the relative index."""

    azimuth_deg: float
    blocks: int
    over_ha: float
    cost_index: float


@dataclass(frozen=True)
class LaidBlock:
    """A block as laid and solved; `area` and `row_lines` are in the plan's (x, y)."""

    choice: BlockChoice
    drawn: DrawnBlock
    heads: BlockHeads
    area: Any
    row_lines: Any
    rows: int
    row_length_m: float
    within_tolerance: bool


@dataclass(frozen=True)
class Layout:
    """A field laid out with one dripline at one azimuth."""

    azimuth_deg: float
    dripline: Dripline
    rows: RowPlan
    blocks: tuple[LaidBlock, ...]
    candidates: tuple[Candidate, ...]
    left_out_ha: float

    @property
    def over_tolerance_ha(self) -> float:
        """Land in blocks that are out of tolerance. [ha]"""
        return float(sum(b.area.area for b in self.blocks if not b.within_tolerance)) / 1e4

    @property
    def mean_block_ha(self) -> float:
        """Mean size of a block. [ha]"""
        return float(sum(b.area.area for b in self.blocks)) / 1e4 / len(self.blocks)

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
    for k, dripline in enumerate(field.driplines):
        rules = rules_for(field.design, dripline, pipes, source_flow_m3h)
        azimuth, candidates = _choose_azimuth(field, ground, rules)
        last = k + 1 == len(field.driplines)
        if not (last and nearest is None) and _is_hopeless(field, candidates):
            continue
        layout = _at_azimuth(field, ground, rules, azimuth, candidates, another=not last)
        if layout.over_tolerance_ha == 0.0 and not _too_small(field, layout):
            return layout
        if nearest is None or layout.shortfall < nearest.shortfall:
            nearest = layout
    if nearest is None:
        raise FieldError(f"field {field.field_id!r}: no dripline was given")
    return nearest


def _too_small(field: Field, layout: Layout) -> bool:
    """Whether blocks are on average under half the least size."""
    return layout.mean_block_ha < 0.5 * field.design.block_min_ha


def _is_hopeless(field: Field, candidates: tuple[Candidate, ...]) -> bool:
    """Whether at every azimuth much land is out of tolerance, or blocks come out very small."""
    area_ha = field.area.area / 1e4
    most_over = HOPELESS_SHARE * area_ha
    least_block = 0.5 * field.design.block_min_ha
    return all(c.over_ha > most_over or c.blocks * least_block > area_ha for c in candidates)


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
    )


def _at_azimuth(
    field: Field,
    ground: Survey,
    rules: Rules,
    azimuth: float,
    candidates: tuple[Candidate, ...],
    another: bool,
) -> Layout:
    rows = row_plan(field, azimuth)
    tried: list[Layout] = []
    for tightness, units in ATTEMPTS:
        if tried and tried[0].over_tolerance_ha > MOSTLY_OVER * field.area.area / 1e4:
            units = MOST_UNITS
        choices, left_out = _choices(rows, ground, replace(rules, tightness=tightness, most_units=units))
        if not choices:
            raise FieldError(
                f"field {field.field_id!r}: no lateral of {field.design.lateral_min_m:g} m or more fits "
                f"between headlands of {field.design.headland_m:g} m; make `headland_m` or "
                "`lateral_min_m` smaller, or leave the field out"
            )
        blocks = lay_blocks(choices, rows, ground, rules)
        tried.append(Layout(azimuth, rules.dripline, rows, blocks, candidates, left_out))
        if all(b.within_tolerance or b.choice.excess > 0.0 for b in blocks):
            break  # nothing turned out worse than the search took it to be
        if another and _too_small(field, tried[-1]):
            break  # the next dripline is tried: tighter searches only make blocks smaller
    return min(tried, key=lambda t: t.over_tolerance_ha)


def _choose_azimuth(field: Field, ground: Survey, rules: Rules) -> tuple[float, tuple[Candidate, ...]]:
    """Return the cheapest azimuth, the contour's unless another costs clearly less, and all judged."""
    fixed = field.design.row_azimuth_deg
    if fixed is None and field.kept_rows is not None:
        fixed = line_azimuth(field.kept_rows)[0]
    coarse = replace(rules, fine=False)
    wanted = candidate_azimuths(field, ground) if fixed is None else [fixed % 180.0]
    judged = [_judge(field, wanted[0], ground, coarse)]
    if judged[0].over_ha <= 2.0 * HOPELESS_SHARE * field.area.area / 1e4 or fixed is not None:
        judged += [_judge(field, a, ground, coarse) for a in wanted[1:]]
    possible = [c for c in judged if math.isfinite(c.cost_index)] or judged
    best = min(possible, key=lambda c: c.cost_index)
    if ground.contour is not None and fixed is None and math.isfinite(judged[0].cost_index):
        margin = PREFERENCE if ground.slope_mean_pct >= 1.0 else 1.0
        if best.cost_index >= margin * judged[0].cost_index:
            best = judged[0]
    return best.azimuth_deg, tuple(judged)


def candidate_azimuths(field: Field, ground: Survey) -> list[float]:
    """Azimuths worth judging: the contour's first, some either side of it, and the field's long sides."""
    wanted: list[float] = []
    if ground.contour is not None:
        wanted += [ground.contour.azimuth_deg + turn for turn in (0.0, -10.0, 10.0)]
    wanted += _side_azimuths(field.area)
    kept: list[float] = []
    for azimuth in wanted:
        if all(abs((azimuth - k + 90.0) % 180.0 - 90.0) > 3.0 for k in kept):
            kept.append(azimuth % 180.0)
    return kept


def _side_azimuths(area: Any) -> list[float]:
    """Azimuths of the field's long side and of its longest straight run of boundary."""
    outline = shapely.simplify(max(shapely.get_parts(area), key=lambda p: p.area).exterior, 5.0)
    found = []
    for ring in (shapely.minimum_rotated_rectangle(area).exterior, outline):
        step = np.diff(shapely.get_coordinates(ring), axis=0)
        longest = step[np.argmax(np.hypot(step[:, 0], step[:, 1]))]
        found.append(math.degrees(math.atan2(longest[0], longest[1])) % 180.0)
    return found


def _judge(field: Field, azimuth_deg: float, ground: Survey, rules: Rules) -> Candidate:
    rows = row_plan(field, azimuth_deg)
    choices, left_out = _choices(rows, ground, rules)
    if not choices:
        return Candidate(azimuth_deg, 0, field.area.area / 1e4, math.inf)
    lost_ha = (field.area.area - rows.irrigated.area) / 1e4 + left_out
    cost = (
        sum(c.cost for c in choices)
        + OVER_HA_INDEX * sum(c.over for c in choices) / 1e4
        + LATERAL_INDEX * rows.laterals.number.size
        + ROW_END_INDEX * rows.rows.number.size
        + LOST_HA_INDEX * lost_ha
    )
    steep = _steepness(ground, azimuth_deg, field.design.row_grade_max_pct)
    cost += STEEP_ROW_INDEX * steep * field.area.area / 1e4
    over_ha = sum(c.area_m2 for c in choices if c.excess > 0.0) / 1e4
    return Candidate(azimuth_deg, len(choices), over_ha, cost)


def _steepness(ground: Survey, azimuth_deg: float, limit_pct: float) -> float:
    """Mean of how much steeper than a limit rows would be, over the field. [%]"""
    grade = np.abs(grade_along_pct(ground.dz_dx[ground.inside], ground.dz_dy[ground.inside], azimuth_deg))
    return float(np.maximum(grade - limit_pct, 0.0).mean())


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
        if rules.fine:
            surface, slope = ground.surface, ground.slope_p95_pct
            blocks = [well_placed(b, rows.axes, surface, slope, rules) for b in blocks]
        found += blocks
        left_out += lost
    return found, left_out


def _chain_blocks(
    chain: Lines, rows: RowPlan, ground: Survey, rules: Rules
) -> tuple[list[BlockChoice], float]:
    """The best of a chain's slants and bay counts, by tolerance and then cost; and what it loses."""
    best: tuple[list[BlockChoice], float] = ([], 0.0)
    best_key = (math.inf, math.inf)
    for slant in slants(chain):
        for count in bay_counts(chain, slant, rules.design):
            strips = bays(chain, slant, count, rules.design)
            large = [s for s in strips if s.area_m2(chain.spacing_m) >= LEAST_STRIP_HA * 1e4]
            lost = sum(s.area_m2(chain.spacing_m) for s in strips) - sum(
                s.area_m2(chain.spacing_m) for s in large
            )
            blocks = [
                b
                for strip in large
                for b in best_blocks(strip, rows.axes, ground.surface, ground.slope_p95_pct, rules)
            ]
            over = sum(b.over for b in blocks)
            key = (over, sum(b.cost for b in blocks) + LOST_HA_INDEX * lost / 1e4)
            if key < best_key:
                best, best_key = (blocks, lost / 1e4), key
            if over == 0.0:
                break
    return best


def lay_blocks(
    choices: list[BlockChoice], rows: RowPlan, ground: Survey, rules: Rules
) -> tuple[LaidBlock, ...]:
    """Draw and solve blocks, and judge each against the whole of its tolerance."""
    lands = [_polygons(shapely.intersection(_strip_area(c, rows.laterals), rows.irrigated)) for c in choices]
    return tuple(
        _lay_block(c, land, rows, ground, rules) for c, land in zip(choices, _apart(lands), strict=True)
    )


def _lay_block(choice: BlockChoice, land: Any, rows: RowPlan, ground: Survey, rules: Rules) -> LaidBlock:
    drawn = draw_block(choice, rows.axes, ground.surface, rules.dripline)
    heads = solve_block(drawn, choice, rules)
    lines = crop_rows(land, rows.rows.first_v_m, rules.design)
    ends = np.stack([lines.start_u_m, lines.end_u_m], axis=1)
    coords = np.stack([ends, np.repeat(lines.v_m[:, None], 2, axis=1)], axis=-1)
    row_lines = shapely.multilinestrings(shapely.linestrings(coords))
    return LaidBlock(
        choice=choice,
        drawn=drawn,
        heads=heads,
        area=rows.axes.placed(land),
        row_lines=rows.axes.placed(row_lines),
        rows=int(np.unique(lines.number).size),
        row_length_m=lines.length_m,
        within_tolerance=within_tolerance(heads, rules),
    )


def blocks_of(rows: RowPlan, ground: Survey, rules: Rules) -> list[BlockChoice]:
    """The blocks that the search finds for a field's rows with a dripline; none is laid."""
    return _choices(rows, ground, rules)[0]


def within_tolerance(heads: BlockHeads, rules: Rules) -> bool:
    """Whether a solved block keeps its tolerance, and its line what the wall bears."""
    dripline, tolerance = rules.dripline, rules.design.tolerance
    bears = max(heads.line_head_max_m, heads.rest_head_m) <= dripline.greatest_head_m + 1e-6
    if dripline.compensating:
        least = dripline.least_head_m or 0.0
        return bears and heads.head_min_m >= least + 1.0 - 1e-6
    if tolerance.kind == "emission_uniformity_pct":
        return bears and heads.emission_uniformity_pct >= tolerance.value
    return bears and float(getattr(heads, tolerance.kind)) <= tolerance.value


def _strip_area(choice: BlockChoice, lines: Lines) -> Any:
    """The ground of a block's lines, half a spacing to each side, in (u, v)."""
    strip: Strip = choice.strip
    which = slice(choice.first, choice.last)
    number, v = strip.number[which], strip.v_m[which]
    low, high = strip.start_u_m[which], strip.end_u_m[which]
    below, above = lines.edge_below_m(number[0]), lines.edge_below_m(number[-1] + 1)
    v = np.concatenate([[below], v, [above]])
    one_side = _edge(np.concatenate([low[:1], low, low[-1:]]), v, lines.spacing_m)
    other = _edge(np.concatenate([high[:1], high, high[-1:]]), v, lines.spacing_m)[::-1]
    return shapely.make_valid(shapely.polygons(np.concatenate([one_side, other])))


def _edge(u: Floats, v: Floats, spacing_m: float) -> Floats:
    """The line through (u, v), with a step midway between two lines whose ends jump."""
    after = jumps(u, u, spacing_m)
    middle = (v[after] + v[after + 1]) / 2.0
    steps = np.column_stack([np.repeat(middle, 2), np.stack([u[after], u[after + 1]], axis=1).ravel()])
    at = np.repeat(after + 1, 2)
    return np.insert(np.column_stack([u, v]), at, steps[:, ::-1], axis=0)


def _apart(areas: list[Any]) -> list[Any]:
    """Areas without what an earlier one already covers: slivers between lines where strips meet."""
    tree = shapely.STRtree(areas)
    kept = list(areas)
    for i, area in enumerate(areas):
        earlier = [areas[j] for j in tree.query(area, predicate="intersects") if j < i]
        over = [e for e in earlier if shapely.area(shapely.intersection(area, e)) > 1e-6]
        if over:
            kept[i] = _polygons(area - shapely.union_all(over))
    return kept


def _polygons(land: Any) -> Any:
    """The polygons of a geometry, thinned to a centimetre, as one MultiPolygon."""
    parts: Floats = shapely.get_parts(shapely.simplify(land, 0.01))
    return shapely.multipolygons(
        [p for p in shapely.get_parts(parts) if p.geom_type == "Polygon" and p.area > 0.01]
    )
