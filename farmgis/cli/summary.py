"""The summary that `farmgis plan` prints, for a person."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import click

from farmgis.words import counted

if TYPE_CHECKING:
    from farmgis.records import Finding, Plan

MOST_FINDINGS = 12
WIDTH = 98


def print_summary(plan: Plan, path: str, report: str) -> None:
    """Print fields, blocks, water, what needs attention and where the files are."""
    for line in summary_lines(plan, path, report):
        click.echo(line)


def summary_lines(plan: Plan, path: str, report: str) -> list[str]:
    """The lines of the summary, numbers rounded to what they can bear."""
    s = plan.summary
    grave = [f for f in plan.findings if f.severity != "note"]
    first = [f for f in grave if f.where_id == "farm"]  # what was not given comes before any total
    grave = [f for f in grave if f.where_id != "farm"]
    lines = [line for f in first for line in _finding_lines(f)]
    lines += [
        f"{s['farm']}: {s['fields_planned']} of {s['fields']} fields planned, "
        f"{s['irrigated_ha']:.1f} ha irrigated of {s['area_ha']:.1f} ha"
    ]
    if s["blocks"]:
        lines += _layout_lines(s) + _water_lines(s) + _cost_lines(plan)
    if grave:
        lines += ["", "Needs attention:"]
        for finding in grave[:MOST_FINDINGS]:
            lines += _finding_lines(finding)
        if len(grave) > MOST_FINDINGS:
            lines.append(f"  and {len(grave) - MOST_FINDINGS} more in the layer `findings`")
    notes = s["findings"]["note"]
    told = f"{counted(notes, 'note')} and {len(plan.assumptions)} assumptions are in the layers."
    return [*lines, "", told, f"Written: {path}", f"To read and to print: {report}"]


def _layout_lines(s: dict[str, Any]) -> list[str]:
    worst = s["worst_block"]
    over = s["blocks_over_tolerance"]
    lines = [
        f"  {counted(s['blocks'], 'block')} in {counted(s['shifts'], 'shift')}, {s['laterals']:,} laterals, "
        f"{s['dripline_km']:,.0f} km of dripline, {s['emitters']:,} emitters",
        f"  {'all blocks are' if over == 0 else f'{over} blocks are NOT'} within tolerance",
    ]
    if worst is not None:
        lines.append(
            f"  worst block {worst['block_id']}: heads {worst['head_min_m']:.1f} to "
            f"{worst['head_max_m']:.1f} m, "
            + (
                "compensating line"
                if worst["compensating"]
                else f"variation {worst['head_variation_pct']:.0f} %"
            )
        )
    return lines


def _water_lines(s: dict[str, Any]) -> list[str]:
    assumed = " (assumed, not computed for this place)" if "assumed" in s["basis"] else ""
    lines = [f"  season {s['season_m3']:,.0f} m3, peak {s['peak_m3_day']:,.0f} m3/day{assumed}"]
    if s["flow_needed_m3h"] is not None:
        lines.append(f"  flow that the farm needs: {s['flow_needed_m3h']:,.0f} m3/h, 20 h a day")
    for source in s["supply"]:
        share = source["peak_share_pct"]
        lines.append(
            f"  {source['source_id']}: {source['verdict']}, peak {source['peak_m3_day']:,.0f} of "
            f"{source['available_m3_day']:,.0f} m3/day" + (f" ({share:.0f} %)" if share is not None else "")
        )
    for p in s["pumping"]:
        mains = f"{p['mains_km']:.1f} km of mains up to {p['widest_mm']:.0f} mm"
        lines.append(
            f"  {p['source_id']}: {counted(p['shifts'], 'shift')} of up to {p['flow_m3h']:.0f} m3/h, "
            f"{mains}, pump {p['duty_head_m']:.0f} m, {p['pump_kw']:.0f} kW, {p['energy_kwh_m3']:.2f} kWh/m3"
        )
    return lines


COST_KEYS = ("where_id", "part", "first_cost", "year_cost", "year_cost_ha", "unpriced")


def _cost_lines(plan: Plan) -> list[str]:
    """What the farm costs, where prices were given."""
    costs = plan.tables["costs"].columns
    rows = zip(*(costs[k] for k in COST_KEYS), strict=True) if costs else ()
    currency = f"{plan.currency} " if plan.currency else ""
    lines = []
    for where, part, first, year, hectare, unpriced in rows:
        if (where, part) == ("farm", "all"):
            paid = f"{_money(first)} at first, {_money(year)} a year ({_money(hectare)} a hectare)"
            without = f", without {_no_price(int(unpriced))}" if unpriced else ""
            lines.append(f"  cost {currency}{paid}{without}")
    return lines


def _no_price(items: int) -> str:
    return f"{counted(items, 'item')} that {'has' if items == 1 else 'have'} no price"


def _money(value: float | None) -> str:
    """A sum to the unit, a dash where none is known."""
    return "-" if value is None or value != value else f"{value:,.0f}"


def _finding_lines(finding: Finding) -> list[str]:
    mark = {"stop": "STOP", "attention": "look"}[finding.severity]
    where = "" if finding.where_id == "farm" else f"{finding.where_id}: "
    advice = finding.advice.rstrip(".")
    text = f"{mark}  {where}{finding.what.rstrip('.')}. {advice[:1].upper()}{advice[1:]}."
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="        ")
