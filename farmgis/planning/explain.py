"""Why a figure is what it is: for an id of a plan the chain of inputs, formulas and sources, reckoned again.

What can be reckoned from the layers is, and set beside what the layer says. What needs the elevation model
or the weather is told as such.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from farmgis.errors import InputError
from farmgis.planning.explain_block import block_reasons, lateral_reasons, submain_reasons, valve_reasons
from farmgis.planning.explain_costs import cost_reasons
from farmgis.planning.explain_farm import (
    farm_reasons,
    field_reasons,
    finding_reasons,
    fitting_reasons,
    junction_reasons,
    main_reasons,
    point_reasons,
    source_reasons,
    zone_reasons,
)
from farmgis.planning.quantities import FARM, Row, rows_of
from farmgis.planning.reasons import Reason
from farmgis.planning.redone import Gear
from farmgis.records import Assumption, Finding, Pipe, Plan

Reasons = Callable[[Row, Plan, Gear, Sequence[Pipe]], Iterator[Reason]]

KINDS: Mapping[str, tuple[str, str, Reasons]] = {
    "fields": ("field_id", "a field", field_reasons),
    "blocks": ("block_id", "a block", block_reasons),
    "laterals": ("lateral_id", "a lateral", lateral_reasons),
    "submains": ("submain_id", "a submain", submain_reasons),
    "valves": ("valve_id", "a block valve", valve_reasons),
    "supply_balance": ("source_id", "a source", source_reasons),
    "mains": ("main_id", "a main", main_reasons),
    "zones": ("zone_id", "an irrigation zone", zone_reasons),
    "test_points": ("point_id", "a point to measure", point_reasons),
}


COSTED = ("fields", "supply_balance")
"""Layers whose ids have rows in `costs`."""

TOLD: Mapping[str, tuple[str, str, Callable[[Row, Plan], Iterator[Reason]]]] = {
    "fittings": ("fitting_id", "a fitting", fitting_reasons),
    "findings": ("finding_id", "a finding", finding_reasons),
}
"""What is told with its reason, and is not to be reckoned from the layers."""


@dataclass(frozen=True)
class Explanation:
    """All that is told of one id."""

    what_id: str
    kind: str
    reasons: tuple[Reason, ...]
    assumptions: tuple[Assumption, ...]
    findings: tuple[Finding, ...]


def explained(plan: Plan, gear: Gear, pipes: Sequence[Pipe], what_id: str) -> Explanation:
    """The chain behind an id's figures. Raises InputError with the nearest ids where there is none."""
    if what_id in (FARM, plan.name):
        told = (*farm_reasons(plan), *cost_reasons(FARM, plan))
        return Explanation(what_id, "the farm", told, _prices(plan), _findings(plan, {FARM}))
    known: list[str] = []
    for layer, (key, kind, reasons) in KINDS.items():
        rows = rows_of(plan.tables, layer)
        own = [r for r in rows if str(r[key]) == what_id]
        if own:
            told = tuple(reason for row in own for reason in reasons(row, plan, gear, pipes))
            if layer in COSTED:
                told += tuple(cost_reasons(what_id, plan))
            about = _names_of(own[0], what_id)
            return Explanation(what_id, kind, told, _assumptions(plan, own[0]), _findings(plan, about))
        known += [str(r[key]) for r in rows]
    for layer, (key, kind, why) in TOLD.items():
        rows = rows_of(plan.tables, layer)
        for row in (r for r in rows if str(r[key]) == what_id):
            own_words = _findings(plan, {what_id}) if layer != "findings" else _same(plan, row)
            return Explanation(what_id, kind, tuple(why(row, plan)), (), own_words)
        known += [str(r[key]) for r in rows]
    joined = tuple(junction_reasons(what_id, plan))
    if joined:
        return Explanation(what_id, "a junction of mains", joined, (), _findings(plan, {what_id}))
    known.append(FARM)
    by_plain = {name.casefold(): name for name in known}
    near = [by_plain[n] for n in get_close_matches(what_id.casefold(), by_plain, n=4, cutoff=0.4)]
    hint = f"did you mean {', '.join(near)}?" if near else "ids are those of the layers, such as a block's"
    raise InputError(f"{what_id!r} is no id of this plan; {hint}")


def _names_of(row: Row, what_id: str) -> set[str]:
    """Ids whose findings concern it: its own and its block's."""
    return {what_id, *(str(row[k]) for k in ("block_id", "zone_id") if row.get(k))}


def _findings(plan: Plan, about: set[str]) -> tuple[Finding, ...]:
    return tuple(f for f in plan.findings if f.where_id in about)


def _same(plan: Plan, row: Row) -> tuple[Finding, ...]:
    """The finding of a row of the layer `findings`."""
    return tuple(f for f in plan.findings if (f.what, f.where_id) == (row["what"], row["where_id"]))[:1]


def _prices(plan: Plan) -> tuple[Assumption, ...]:
    """What costs rest on."""
    return tuple(a for a in plan.assumptions if a.key.startswith("prices."))


def _assumptions(plan: Plan, row: Row) -> tuple[Assumption, ...]:
    """What of the assumptions bears on it: its line, its crop's design, its source."""
    fields = {r["field_id"]: r for r in rows_of(plan.tables, "fields")}
    blocks = {r["block_id"]: r for r in rows_of(plan.tables, "blocks")}
    field_id = row.get("field_id") or blocks.get(row.get("block_id"), {}).get("field_id")
    field = fields.get(field_id, {})
    wanted = [f"dripline.{field.get('dripline')}.", f"design.crops.{field.get('crop')}."] if field else []
    wanted += ["design."] if field else []
    wanted += [f"source.{row['source_id']}."] if row.get("source_id") else []
    own_crop, every_crop = f"design.crops.{field.get('crop')}.", "design.crops."
    own = {a.key.removeprefix(own_crop) for a in plan.assumptions if a.key.startswith(own_crop)}
    return tuple(
        a
        for a in plan.assumptions
        if any(a.key.startswith(w) for w in wanted)
        and not (a.key.startswith(every_crop) and not a.key.startswith(own_crop))
        and a.key.removeprefix("design.") not in own  # what its crop has of its own stands in place of it
    )
