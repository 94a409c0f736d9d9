"""What a layout has to tell its reader beside the numbers."""

from __future__ import annotations

from farmgis.planning.directions import direction_findings
from farmgis.planning.laid_blocks import LaidBlock
from farmgis.planning.layout import Layout
from farmgis.planning.survey import Survey
from farmgis.records import Farm, Field, Finding, Table

CUT_CROPS = ("alfalfa",)
"""Crops of the table that are cut several times in a season."""

LEFT_OUT_PCT = 2.0
"""Land of a field that no lateral serves is worth a word from this share on."""


def layout_findings(field: Field, ground: Survey, layout: Layout) -> list[Finding]:
    """Findings of one field: tolerance, land left out, direction, slopes for machines."""
    found = _over(field, layout)
    found += _dry(field, layout)
    found += direction_findings(field, ground, layout)
    lost = 100.0 * layout.left_out_ha / (field.area.area / 1e4)
    if lost > LEFT_OUT_PCT:
        found.append(
            Finding(
                "attention",
                "rows",
                f"{layout.left_out_ha:.2f} ha have rows too short for a lateral, or too few for a valve; "
                "they are not irrigated",
                field.field_id,
                "plan the corners as fields of their own, or make `lateral_min_m` smaller",
                lost,
                LEFT_OUT_PCT,
                "%",
            )
        )
    return found


def _over(field: Field, layout: Layout) -> list[Finding]:
    """One finding for all blocks out of tolerance: how much land, the worst of them, what would serve."""
    over = [(i, b) for i, b in enumerate(layout.blocks, 1) if not b.within_tolerance]
    if not over:
        return []
    number, worst = max(over, key=lambda o: o[1].heads.head_variation_pct)
    said = (
        f"{len(over)} of {len(layout.blocks)} blocks ({layout.over_tolerance_ha:.1f} ha) "
        f"are out of tolerance with {layout.dripline.name}; "
        f"the worst is {field.field_id}-B{number:02d}: "
    )
    what, advice, measured, limit, unit = _why_over(worst, field, layout)
    return [
        Finding(
            "attention",
            "pressure",
            said + what,
            field.field_id,
            advice,
            measured,
            limit,
            unit,
            worst.area.representative_point(),
        )
    ]


def off_design_findings(field: Field, layout: Layout, blocks: Table) -> list[Finding]:
    """What a line would bear if its blocks got a tenth more than their flow."""
    high = blocks.columns["head_max_at_110_m"]
    bears = layout.dripline.greatest_head_m
    over = high > bears
    if not over.any():
        return []
    return [
        Finding(
            "note",
            "pressure",
            f"at 110 % of their flow the line in {int(over.sum())} of {len(high)} blocks would stand "
            f"at up to {high.max():.1f} m, and it bears {bears:g} m",
            field.field_id,
            "regulate each block valve, and check its setting before each season: unregulated, line bursts "
            "first where it lies lowest",
            float(high.max()),
            bears,
            "m",
        )
    ]


def _dry(field: Field, layout: Layout) -> list[Finding]:
    """Blocks of which some emitters get no water at all."""
    closing = layout.dripline.closing_head_m
    dry = [(i, b) for i, b in enumerate(layout.blocks, 1) if b.heads.head_min_m <= closing]
    if not dry:
        return []
    number, worst = min(dry, key=lambda d: d[1].heads.head_min_m)
    laterals = sum(int((b.heads.lateral[:, 2] <= closing).sum()) for _, b in dry)
    return [
        Finding(
            "attention",
            "pressure",
            f"{laterals} laterals in {len(dry)} blocks have emitters that give nothing: their head is "
            f"no more than {closing:g} m; the lowest is in {field.field_id}-B{number:02d}",
            field.field_id,
            "the ground there is too high for the valve: take a compensating line, shorter laterals "
            "or smaller blocks",
            worst.heads.head_min_m,
            closing,
            "m",
        )
    ]


def _why_over(block: LaidBlock, field: Field, layout: Layout) -> tuple[str, str, float, float, str]:
    """Return (what, advice, measured, limit, unit) of a block out of tolerance."""
    heads, dripline, tolerance = block.heads, layout.dripline, field.design.tolerance
    if heads.rest_head_m > dripline.greatest_head_m:
        return (
            f"at rest, on a full submain, its lowest emitters stand under {heads.rest_head_m:.1f} m",
            "make blocks smaller across the slope, or take a line with a stronger wall",
            heads.rest_head_m,
            dripline.greatest_head_m,
            "m",
        )
    if dripline.compensating:
        return (
            f"its heads of {heads.head_min_m:.1f} to {heads.line_head_max_m:.1f} m "
            "do not fit the line's range",
            "make blocks smaller (`block_max_ha`), or take a line with a stronger wall",
            heads.line_head_max_m,
            dripline.greatest_head_m,
            "m",
        )
    return (
        f"heads of {heads.head_min_m:.1f} to {heads.head_max_m:.1f} m, where the ground alone differs by "
        f"{heads.elevation_range_m:.1f} m over its emitters",
        f"{compensating_advice(field)}, or take shorter laterals (`lateral_max_m`)",
        float(getattr(heads, tolerance.kind)),
        tolerance.value,
        "%",
    )


def compensating_advice(field: Field) -> str:
    """To list a compensating line, or where one is listed, to see what it would do."""
    listed = next((d.name for d in field.driplines if d.compensating), None)
    if listed is None:
        return "list a pressure-compensating dripline for this field"
    return f"see in the table `dripline_choices` what {listed!r} would do here"


def farm_findings(farm: Farm) -> list[Finding]:
    """What is told before any total: what was not given, and so is assumed."""
    found = []
    if farm.weather is None:
        found.append(
            Finding(
                "attention",
                "demand",
                "no weather was given: the season (about 4,500 m3/ha gross) and the peak (reference ET of "
                "7 mm/day) are an assumed dry summer's, not computed for this place",
                "farm",
                "give a weather file, daily or monthly, before relying on any volume",
            )
        )
    if not farm.sources:
        found.append(
            Finding(
                "attention",
                "supply",
                "no source was given: mains, pump and energy are not planned, "
                "and the flow is what the farm needs",
                "farm",
                "state the river pump, borehole or hydrant in the farm file",
            )
        )
    return [*found, *_of_one_cut(farm)]


def _of_one_cut(farm: Farm) -> list[Finding]:
    """Crops that are cut again and again, by the table's stages: those of a first cut (FAO-56 table 11)."""
    tabled = [f for f in farm.fields if not f.crop.source.startswith("farm file")]
    own = [f for f in tabled if f.crop.name in CUT_CROPS]
    if farm.weather is None or not own:
        return []
    crop, named = own[0].crop, ", ".join(f.field_id for f in own)
    days = sum(crop.stage_days)
    what = (
        f"{crop.name} is cut several times, and the table's stages are those of a first cut: the season of "
        f"{named} is one of {days} days, and its water that of one cut"
    )
    advice = (
        f'state `[[crop]]` with `like = "{crop.name}"` and stages from its first growth to the last cut: its '
        "coefficients are means over the cuttings"
    )
    return [Finding("attention", "demand", what, own[0].field_id, advice, float(days), None, "days")]
