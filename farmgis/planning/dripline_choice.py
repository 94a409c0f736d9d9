"""Every dripline that a field lists, compared: blocks, pipe, evenness, and what the line itself may cost."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from farmgis.planning.block_hydraulics import solve_block
from farmgis.planning.block_search import COARSE, BlockChoice, Rules
from farmgis.planning.laterals import draw_block
from farmgis.planning.layout import LATERAL_INDEX, Layout, blocks_of, rules_for
from farmgis.planning.survey import Survey
from farmgis.records import Dripline, Field, Pipe


@dataclass(frozen=True)
class LineChoice:
    """One dripline on one field, rows as they were chosen: a row of the layer `dripline_choices`.

    `cost_index` is of blocks: submain pipe, trench, valves, each lateral's fittings; in kilograms of pipe.
    `break_even_index_m` is what a metre of the line may cost more than the chosen one's (less, where
    negative) before it is the dearer, by that index alone; `break_even_m` the same in the user's currency.
    """

    field_id: str
    dripline: str
    compensating: bool
    bears_m: float
    blocks: int
    over_tolerance_ha: float
    within_tolerance: bool
    uniformity_pct: float | None
    cost_index: float
    break_even_index_m: float | None
    break_even_m: float | None
    chosen: bool
    why: str


@dataclass(frozen=True)
class _Searched:
    """What the search finds for a line: its blocks, and the evenness of the least even of them."""

    blocks: int
    over_ha: float
    cost_index: float
    uniformity_pct: float | None
    line_m: float


def line_choices(
    field: Field,
    ground: Survey,
    layout: Layout,
    pipes: tuple[Pipe, ...],
    source_flow_m3h: float = math.inf,
    price_kg: float | None = None,
) -> tuple[LineChoice, ...]:
    """All driplines of a field in its order; the chosen one as laid, the others as a coarse search has them.

    For the break-even the chosen line too is taken as the coarse search has it, so that like is compared.
    """
    rows: list[LineChoice] = []
    others = [d for d in field.driplines if d != layout.dripline]
    seen = {d: _searched(field, ground, layout, d, pipes, source_flow_m3h) for d in others}
    own = _searched(field, ground, layout, layout.dripline, pipes, source_flow_m3h) if others else None
    for dripline in field.driplines:
        if dripline == layout.dripline:
            rows.append(_as_laid(field, layout))
            continue
        found = seen[dripline]
        gain = None if own is None or not found.line_m else (own.cost_index - found.cost_index) / found.line_m
        rows.append(
            LineChoice(
                field_id=field.field_id,
                dripline=dripline.name,
                compensating=dripline.compensating,
                bears_m=dripline.greatest_head_m,
                blocks=found.blocks,
                over_tolerance_ha=found.over_ha,
                within_tolerance=found.blocks > 0 and found.over_ha == 0.0,
                uniformity_pct=found.uniformity_pct,
                cost_index=found.cost_index,
                break_even_index_m=gain,
                break_even_m=None if gain is None or price_kg is None else gain * price_kg,
                chosen=False,
                why=_why_not(field, layout, dripline, found),
            )
        )
    return tuple(rows)


def _as_laid(field: Field, layout: Layout) -> LineChoice:
    uniformity = min(b.heads.emission_uniformity_pct for b in layout.blocks)
    over = layout.over_tolerance_ha
    if len(field.driplines) == 1:
        why = "the only one that is listed"
    elif over > 0.0:
        why = f"none keeps every block within tolerance; this leaves least out of it: {over:.1f} ha"
    elif layout.dripline == field.driplines[0]:
        why = "the first that is listed, and every block is within tolerance"
    else:
        why = "the first of the list with every block within tolerance and none too small"
    return LineChoice(
        field_id=field.field_id,
        dripline=layout.dripline.name,
        compensating=layout.dripline.compensating,
        bears_m=layout.dripline.greatest_head_m,
        blocks=len(layout.blocks),
        over_tolerance_ha=over,
        within_tolerance=over == 0.0,
        uniformity_pct=uniformity,
        cost_index=_cost(b.choice for b in layout.blocks),
        break_even_index_m=None,
        break_even_m=None,
        chosen=True,
        why=why,
    )


def _searched(
    field: Field,
    ground: Survey,
    layout: Layout,
    dripline: Dripline,
    pipes: tuple[Pipe, ...],
    source_flow_m3h: float,
) -> _Searched:
    rules = replace(rules_for(field.design, dripline, pipes, source_flow_m3h), detail=COARSE)
    choices = [(rows, c) for rows in layout.plans for c in blocks_of(rows, ground, rules)]
    found = [c for _, c in choices]
    judged = [(rows, c) for rows, c in choices if not c.spent]
    uniformity = None
    if judged:
        rows, worst = max(judged, key=lambda rc: rc[1].excess)
        uniformity = _uniformity_pct(worst, rows, ground, rules)
    line_m = sum(c.area_m2 for c in found) / field.design.lateral_spacing_m
    over_ha = sum(c.area_m2 for c in found if c.excess > 0.0) / 1e4
    return _Searched(len(found), over_ha, _cost(found), uniformity, line_m)


def _uniformity_pct(choice: BlockChoice, rows: Any, ground: Survey, rules: Rules) -> float:
    """Emission uniformity of a block of the coarse search, laid and solved. [%]"""
    drawn = draw_block(choice, rows.axes, ground.surface, rules.dripline)
    return solve_block(drawn, choice, rules).emission_uniformity_pct


def _cost(blocks: Iterable[BlockChoice]) -> float:
    return float(sum(b.cost + 2.0 * LATERAL_INDEX * (b.last - b.first) for b in blocks))


def _why_not(field: Field, layout: Layout, dripline: Dripline, found: _Searched) -> str:
    if not found.blocks:
        return "no block could be made of it"
    if found.over_ha > 0.0:
        return f"{found.over_ha:.1f} ha would be out of tolerance"
    mean_ha = field.area.area / 1e4 / found.blocks
    if mean_ha < 0.5 * field.design.block_min_ha:
        return f"its blocks would be {mean_ha:.1f} ha on average, under half of `block_min_ha`"
    before = field.driplines.index(dripline) < field.driplines.index(layout.dripline)
    if before:
        return "the search takes it to serve; laid and solved it did not"
    return (
        f"it would serve as well, in {found.blocks} blocks for {len(layout.blocks)}: an earlier one is taken"
    )
