"""What a farm buys and what it costs, as rows of `quantities`, `field_quantities` and `costs`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from farmgis.planning.costs import (
    cost_assumptions,
    cost_rows,
    costs,
    field_quantity_rows,
    price_findings,
    priced,
    quantity_rows,
)
from farmgis.planning.quantities import Tables, quantities, quantity_assumptions
from farmgis.records import Assumption, Farm, Finding


@dataclass(frozen=True)
class Buying:
    """Rows by layer, and what is told beside them."""

    rows: Mapping[str, list[dict[str, Any]]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


def buying(tables: Tables, farm: Farm) -> Buying:
    """Count what the plan takes and price it; without prices every cost is None and `costs` is empty."""
    lines = {line.name: line for f in farm.fields for line in f.driplines}
    found = quantities(tables, lines, farm.spares, farm.season.laying_ha_day)
    bought = priced(found, farm.prices, farm.pipes)
    told = costs(found, bought, tables, farm.prices) if farm.prices.given else ()
    rows = {
        "quantities": quantity_rows(bought),
        "field_quantities": field_quantity_rows(found),
        "costs": cost_rows(told),
    }
    assumptions = (*quantity_assumptions(), *cost_assumptions(farm.prices)) if found else ()
    return Buying(rows, tuple(price_findings(bought, farm.prices)), assumptions)
