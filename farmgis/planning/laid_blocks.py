"""Blocks as they are laid: drawn line by line, solved emitter by emitter, with the land that they water."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import shapely

from farmgis.planning.block_hydraulics import BlockHeads, solve_block
from farmgis.planning.block_search import BlockChoice, Rules
from farmgis.planning.laterals import DrawnBlock, draw_block
from farmgis.planning.patterns import azimuth_at
from farmgis.planning.rows import Lines, RowPlan, crop_rows
from farmgis.planning.strips import Strip, jumps
from farmgis.planning.survey import Survey
from farmgis.records import Floats


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
    azimuth_deg: float = 0.0


def lay_blocks(
    choices: list[BlockChoice],
    rows: RowPlan,
    ground: Survey,
    rules: Rules,
    known: Mapping[int, LaidBlock] = MappingProxyType({}),
) -> tuple[LaidBlock, ...]:
    """Draw and solve blocks, and judge each against the whole of its tolerance.

    `known` holds blocks that were solved already, by the id of their choice.
    """
    lands = [_polygons(shapely.intersection(_strip_area(c, rows.laterals), rows.irrigated)) for c in choices]
    return tuple(
        _lay_block(c, land, rows, ground, rules, known.get(id(c)))
        for c, land in zip(choices, apart(lands), strict=True)
    )


def _lay_block(
    choice: BlockChoice, land: Any, rows: RowPlan, ground: Survey, rules: Rules, known: LaidBlock | None
) -> LaidBlock:
    drawn = known.drawn if known else draw_block(choice, rows.axes, ground.surface, rules.dripline)
    heads = known.heads if known else solve_block(drawn, choice, rules)
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
        azimuth_deg=azimuth_at(rows, rows.axes.placed(land.representative_point())),
    )


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


def apart(areas: list[Any], thin_m: float = 0.01) -> list[Any]:
    """Areas without what an earlier one already covers: slivers between lines where strips meet."""
    tree = shapely.STRtree(areas)
    kept = list(areas)
    for i, area in enumerate(areas):
        earlier = [areas[j] for j in tree.query(area, predicate="intersects") if j < i]
        over = [e for e in earlier if shapely.area(shapely.intersection(area, e)) > 1e-6]
        if over:
            kept[i] = _polygons(area - shapely.union_all(over), thin_m)
    return kept


def _polygons(land: Any, thin_m: float = 0.01) -> Any:
    """The polygons of a geometry, thinned to a centimetre, as one MultiPolygon."""
    parts: Floats = shapely.get_parts(shapely.simplify(land, thin_m) if thin_m > 0.0 else land)
    return shapely.multipolygons(
        [p for p in shapely.get_parts(parts) if p.geom_type == "Polygon" and p.area > 0.01]
    )
