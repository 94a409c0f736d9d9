"""A plan in plain numbers: what a planner reads first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from farmgis.planning.demand import BlockDemand
from farmgis.records import Farm, FieldPlan, Finding, Shift, Table


def plan_summary(
    farm: Farm,
    plans: Sequence[FieldPlan],
    needs: dict[str, BlockDemand],
    groups: Sequence[Shift],
    tables: dict[str, Table],
    findings: Sequence[Finding],
) -> dict[str, Any]:
    """What a planner reads first, in plain numbers."""
    blocks = [b for p in plans for b in p.blocks]
    facts = tables["blocks"].columns if "blocks" in tables else None
    worst = None
    if facts is not None:
        plain = facts["tolerance_kind"] != "pressure_compensating"
        flat = not plain.any()  # compensating lines hold their flow: there the lowest head is what matters
        worse = -facts["head_min_m"] if flat else np.where(plain, facts["head_variation_pct"], -np.inf)
        i = int(np.argmax(worse))
        worst = {
            "compensating": flat,
            "block_id": str(facts["block_id"][i]),
            "head_variation_pct": float(facts["head_variation_pct"][i]),
            "head_min_m": float(facts["head_min_m"][i]),
            "head_max_m": float(facts["head_max_m"][i]),
        }
    status = [p.facts["status"] for p in plans]
    return {
        "farm": farm.name,
        "crs": farm.crs,
        "fields": len(plans),
        "fields_planned": sum(s != "not planned" for s in status),
        "fields_not_planned": [p.field_id for p in plans if p.facts["status"] == "not planned"],
        "area_ha": sum(p.facts["area_ha"] or 0.0 for p in plans),
        "irrigated_ha": sum(b.area_ha for b in blocks),
        "blocks": len(blocks),
        "blocks_over_tolerance": 0 if facts is None else int((~facts["within_tolerance"].astype(bool)).sum()),
        "shifts": len(groups),
        "laterals": 0 if facts is None else int(facts["laterals"].sum()),
        "emitters": 0 if facts is None else int(facts["emitters"].sum()),
        "dripline_km": 0.0 if facts is None else float(facts["dripline_m"].sum()) / 1000.0,
        "flow_m3h": sum(b.flow_m3h for b in blocks),
        "flow_needed_m3h": max((s.flow_m3h for s in groups), default=0.0) if not farm.sources else None,
        "worst_block": worst,
        "season_m3": sum(n.gross_m3 for n in needs.values()),
        "peak_m3_day": sum(n.peak_m3_day for n in needs.values()),
        "basis": sorted({n.basis for n in needs.values()}),
        "supply": [
            {k: v for k, v in zip(tables["supply_balance"].columns, row, strict=True)}
            for row in zip(*tables["supply_balance"].columns.values(), strict=True)
        ],
        "pumping": _pumping(tables),
        "findings": {s: sum(f.severity == s for f in findings) for s in ("stop", "attention", "note")},
    }


def _pumping(tables: dict[str, Table]) -> list[dict[str, Any]]:
    """Each source's mains and pump in plain numbers; none without sources."""
    if "headworks" not in tables:
        return []
    works, mains, duties = (tables[n].columns for n in ("headworks", "mains", "pump_duties"))
    return [
        {
            "source_id": str(source),
            "shifts": int((duties["source_id"] == source).sum()),
            "flow_m3h": float(works["flow_m3h"][i]),
            "duty_head_m": float(works["duty_head_m"][i]),
            "pump_kw": float(works["pump_kw"][i]),
            "energy_kwh_m3": float(works["energy_kwh_m3"][i]),
            "mains_km": float(mains["length_m"][mains["source_id"] == source].sum()) / 1000.0,
            "widest_mm": float(mains["nominal_mm"][mains["source_id"] == source].max(initial=0.0)),
        }
        for i, source in enumerate(works["source_id"])
    ]
