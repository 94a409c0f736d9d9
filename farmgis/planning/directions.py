"""The ways to run a field's rows as they were judged: rows of the layer, and what is said of the choice."""

from __future__ import annotations

from typing import Any

import numpy as np

from farmgis.planning.grades import grades
from farmgis.planning.layout import Layout
from farmgis.planning.patterns import Candidate
from farmgis.planning.survey import Survey, row_grades_pct
from farmgis.records import Field, Finding, Table
from farmgis.words import counted

CROSS_SLOPE_PCT = 10.0
"""Side slope from which a machine's manual is to be asked (common practice)."""

BROKEN_PCT = 50.0
"""Land whose rows are too steep in whatever pattern, that make a field broken (common practice)."""

WORDS = {"straight": "straight rows", "facets": "rows in facets", "contour": "contour rows"}


def direction_table(field: Field, layout: Layout) -> Table:
    """A row for each way to run the rows that was judged with the line that was laid."""
    judged = layout.candidates
    chosen = layout.chosen

    def column(values: list[Any], kind: Any = float) -> Any:
        return np.array(values, dtype=kind)

    def finite(values: list[float]) -> Any:
        numbers = column(values)
        return np.where(np.isfinite(numbers), numbers, np.nan)

    return Table(
        {
            "field_id": column([field.field_id] * len(judged), object),
            "pattern": column([c.pattern for c in judged], object),
            "azimuth_deg": column([c.azimuth_deg % 180.0 for c in judged]),
            "dripline": column([layout.dripline.name] * len(judged), object),
            "search": column([c.search for c in judged], object),
            "parts": column([c.parts for c in judged], np.int64),
            "blocks": column([c.blocks for c in judged], np.int64),
            "over_tolerance_ha": column([c.over_ha if c.blocks else np.nan for c in judged]),
            "cost_index": finite([c.cost_index for c in judged]),
            "laid_index": finite([c.laid_index for c in judged]),
            "emission_uniformity_pct": column([c.uniformity_pct for c in judged]),
            "row_grade_mean_pct": column([c.grade_mean_pct for c in judged]),
            "row_grade_over_pct": column([c.grade_over_pct for c in judged]),
            "cross_slope_max_pct": column([c.cross_slope_max_pct for c in judged]),
            "short_rows": column([c.short_rows for c in judged], np.int64),
            "chosen": column([c is chosen for c in judged], bool),
        }
    )


def direction_findings(field: Field, ground: Survey, layout: Layout) -> list[Finding]:
    """What is said of a field's direction: twisted ground, the choice, slopes for machines."""
    contour = ground.contour
    found = _twisted(field, ground, layout) + _broken(field, layout) + _came_to_nothing(field, layout)
    fixed = field.design.row_azimuth_deg is not None or field.kept_rows is not None
    if contour is not None and fixed and layout.pattern == "straight":
        found += _fixed_across(field, ground, contour.azimuth_deg, layout)
    elif contour is not None and layout.pattern == "straight":
        found += _not_the_contour(field, contour.azimuth_deg, layout)
    across = grades(layout.plans, ground).greatest_across_pct
    if across > CROSS_SLOPE_PCT:
        found.append(
            Finding(
                "attention",
                "rows",
                "machines would work across a side slope where they may slide or overturn",
                field.field_id,
                "keep to the machine's manual, with roll-over protection and belt; leave the steep part out",
                across,
                CROSS_SLOPE_PCT,
                "%",
            )
        )
    return found


def _twisted(field: Field, ground: Survey, layout: Layout) -> list[Finding]:
    """Ground that one direction serves badly: what was tried, what was taken, and why."""
    contour, limit = ground.contour, field.design.row_grade_max_pct
    if contour is None or contour.rms_grade_along_pct <= limit:
        if layout.pattern != "straight":
            return [_as_asked(field, layout)]
        return []
    said = (
        "the ground is twisted: along the best single direction rows climb and fall "
        f"{contour.rms_grade_along_pct:.1f} % (root mean square). {_choice(layout)}"
    )
    steep = layout.chosen.grade_over_pct
    return [
        Finding(
            "attention" if steep > 0.5 * BROKEN_PCT else "note",
            "rows",
            said,
            field.field_id,
            "the table `directions` shows what was judged; state `row_pattern` if you want another, or "
            "divide the field along its ridge or valley",
            contour.rms_grade_along_pct,
            limit,
            "%",
        )
    ]


def _came_to_nothing(field: Field, layout: Layout) -> list[Finding]:
    """That a pattern was asked for, and straight rows are planned all the same."""
    asked = field.design.row_pattern
    if asked not in ("facets", "contour") or field.kept_rows is not None or layout.pattern == asked:
        return []
    if field.design.row_azimuth_deg is not None:
        why, advice = "`row_azimuth_deg` fixes one way", "state one of the two"
    elif asked == "facets":
        why, advice = "no parts of it have contours of unlike directions", "leave `row_pattern` out"
    else:
        why, advice = "no guide along its contours serves", "leave `row_pattern` out"
    what = f"{WORDS[asked]} were asked for, and {WORDS[layout.pattern]} are planned: {why}"
    return [Finding("note", "rows", what, field.field_id, advice)]


def _as_asked(field: Field, layout: Layout) -> Finding:
    chosen = layout.chosen
    what = f"{WORDS[layout.pattern]} in {chosen.parts} parts are planned as asked"
    advice = 'leave `row_pattern` out, or state "straight", to compare'
    if field.kept_rows is not None:
        what = "curved rows are planned beside those that stand"
        advice = 'state `row_pattern = "straight"` to compare'
    return Finding(
        "note",
        "rows",
        f"{what}, where one direction would serve",
        field.field_id,
        advice,
        chosen.grade_over_pct,
        field.design.row_grade_max_pct,
        "%",
    )


def _choice(layout: Layout) -> str:
    """What was taken and against what, in words."""
    best: dict[str, Candidate] = {}
    for c in layout.candidates:
        if c.search == "rough":
            continue
        if c.pattern not in best or c.cost_index < best[c.pattern].cost_index:
            best[c.pattern] = c
    best[layout.pattern] = layout.chosen
    told = [_told(c) for p, c in best.items() if p != layout.pattern]
    own = _told(layout.chosen)
    own = own[:1].upper() + own[1:]
    against = (
        f", against {'; '.join(told)}" if told else "; no other pattern came near, or none was to be tried"
    )
    return f"{own} were taken{against}"


def _told(candidate: Candidate) -> str:
    parts = f" in {candidate.parts} parts" if candidate.parts > 1 else ""
    index = candidate.laid_index if np.isfinite(candidate.laid_index) else candidate.cost_index
    return (
        f"{WORDS[candidate.pattern]}{parts} (index {index:,.0f}, {counted(candidate.blocks, 'block')}, "
        f"rows too steep on {candidate.grade_over_pct:.0f} % of the land)"
    )


def _broken(field: Field, layout: Layout) -> list[Finding]:
    steep = layout.chosen.grade_over_pct
    if not steep > BROKEN_PCT:
        return []
    return [
        Finding(
            "attention",
            "rows",
            f"the ground is too broken for rows: on {steep:.0f} % of it they are steeper than "
            f"{field.design.row_grade_max_pct:g} % along their run, and bare soil washes out",
            field.field_id,
            "keep it under grass or trees, divide it, or raise `row_grade_max_pct` where soil is never bare",
            steep,
            BROKEN_PCT,
            "%",
        )
    ]


def _not_the_contour(field: Field, contour_deg: float, layout: Layout) -> list[Finding]:
    turn = abs((layout.azimuth_deg - contour_deg + 90.0) % 180.0 - 90.0)
    if turn < 1.0:
        return []
    own, first = layout.chosen, layout.candidates[0]
    why = (
        f"that costs less: both searched alike, an index of {own.cost_index:,.0f} with "
        f"{counted(own.blocks, 'block')} against {first.cost_index:,.0f} with {first.blocks} along the "
        "contour"
        if first.blocks
        else f"along it no lateral of {field.design.lateral_min_m:g} m or more fits"
    )
    return [
        Finding(
            "note",
            "rows",
            f"rows run {turn:.0f} degrees off the contour, because {why}",
            field.field_id,
            "state `row_azimuth_deg` for the field if you want another direction",
            own.cost_index,
            first.cost_index if first.blocks else None,
            "index",
        )
    ]


def _fixed_across(field: Field, ground: Survey, contour_deg: float, layout: Layout) -> list[Finding]:
    """What a direction that the user fixed does to the rows, where the contour's would be gentler."""
    fixed, level = (row_grades_pct(ground, a)[0] for a in (layout.azimuth_deg, contour_deg))
    limit = field.design.row_grade_max_pct
    if fixed <= max(limit, level):
        return []
    return [
        Finding(
            "attention",
            "rows",
            f"rows run at {layout.azimuth_deg:.0f} degrees as stated and climb or fall {fixed:.1f} % "
            f"on average; along the contour, at {contour_deg:.0f} degrees, it would be {level:.1f} %",
            field.field_id,
            "leave `row_azimuth_deg` out to have the direction found; on bare soil steep rows also wash out",
            fixed,
            limit,
            "%",
        )
    ]
