"""Plans side by side: what each takes, how even it is, and what it costs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from farmgis.planning.costs import ALL, energy_kwh
from farmgis.planning.quantities import FARM, Tables, rows_of
from farmgis.records import Plan

Value = float | str | None


@dataclass(frozen=True)
class Line:
    """A row of the comparison: what, its unit, and each plan's value (None where a plan does not tell)."""

    what: str
    unit: str
    values: tuple[Value, ...]
    digits: int = 0


def comparison(plans: Sequence[Plan]) -> tuple[Line, ...]:
    """The rows of plans side by side, in the order of the plans."""
    wanted: tuple[tuple[str, str, int, Callable[[Tables], Value]], ...] = (
        ("irrigated area", "ha", 1, lambda t: _sum(t, "blocks", "area_ha")),
        ("fields not planned", "", 0, lambda t: _count(t, "fields", "status", "not planned")),
        ("blocks", "", 0, lambda t: float(len(rows_of(t, "blocks")))),
        ("blocks out of tolerance", "", 0, lambda t: _count(t, "blocks", "within_tolerance", False)),
        ("greatest head variation of plain line", "%", 1, _head_variation),
        ("least emission uniformity", "%", 1, lambda t: _least(t, "blocks", "emission_uniformity_pct")),
        ("dripline", "km", 1, lambda t: _item(t, "dripline", 1000.0)),
        ("submain pipe", "m", 0, lambda t: _item(t, "submain pipe")),
        ("main pipe to buy", "m", 0, lambda t: _item(t, "main pipe")),
        ("trench", "m", 0, lambda t: _item(t, "trench")),
        ("block valves", "", 0, lambda t: _item(t, "block valve")),
        ("pump power, all sources", "kW", 0, lambda t: _sum(t, "headworks", "pump_kw")),
        ("water of the season", "m3", 0, lambda t: _sum(t, "season_demand", "gross_m3")),
        ("peak of a day", "m3/day", 0, lambda t: _sum(t, "season_demand", "peak_m3_day")),
        ("energy of the season", "kWh", 0, lambda t: sum(energy_kwh(t).values()) or None),
        ("sources that do not suffice", "", 0, _short),
        ("first cost", "currency", 0, lambda t: _cost(t, "first_cost")),
        ("cost of a year", "currency", 0, lambda t: _cost(t, "year_cost")),
        ("cost of a year and hectare", "currency/ha", 0, lambda t: _cost(t, "year_cost_ha")),
        ("present cost", "currency", 0, lambda t: _cost(t, "present_cost")),
        ("items without a price", "", 0, lambda t: _cost(t, "unpriced")),
    )
    lines = [
        Line(what, _unit(unit, plans), tuple(value(p.tables) for p in plans), digits)
        for what, unit, digits, value in wanted
    ]
    return tuple(lines)


def cautions(plans: Sequence[Plan], names: Sequence[str]) -> tuple[str, ...]:
    """What makes the plans' costs not comparable, in words."""
    told = []
    priced = [p for p in plans if _cost(p.tables, "year_cost") is not None]
    currencies = sorted({p.currency or "none stated" for p in priced})
    if len(currencies) > 1:
        told.append(f"costs are in different currencies: {', '.join(currencies)}")
    for plan, name in zip(plans, names, strict=True):
        missing = _cost(plan.tables, "unpriced")
        if _cost(plan.tables, "year_cost") is None:
            told.append(f"{name} has no prices, so that it has no cost")
        elif missing:
            told.append(f"{name} lacks a price for {missing:.0f} items: its costs are at least so much")
    for key in ("prices.interest_pct", "prices.horizon_years"):
        values = {a.value for p in plans for a in p.assumptions if a.key == key}
        if len(values) > 1:
            told.append(f"{key} differs: {', '.join(sorted(values))}")
    return tuple(told)


def _unit(unit: str, plans: Sequence[Plan]) -> str:
    names = {p.currency for p in plans} - {""}
    return unit.replace("currency", names.pop()) if len(names) == 1 else unit


def _sum(tables: Tables, layer: str, column: str) -> float | None:
    values = _known(r[column] for r in rows_of(tables, layer))
    return float(sum(values)) if values else None


def _known(values: Iterable[float | None]) -> list[float]:
    return [float(v) for v in values if v is not None and np.isfinite(v)]


def _least(tables: Tables, layer: str, column: str) -> float | None:
    return min(_known(r[column] for r in rows_of(tables, layer)), default=None)


def _count(tables: Tables, layer: str, column: str, value: object) -> float:
    return float(sum(r[column] == value for r in rows_of(tables, layer)))


def _head_variation(tables: Tables) -> float | None:
    plain = [r for r in rows_of(tables, "blocks") if r["tolerance_kind"] != "pressure_compensating"]
    return max(_known(r["head_variation_pct"] for r in plain), default=None)


def _item(tables: Tables, item: str, divisor: float = 1.0) -> float:
    return float(sum(r["drawn"] for r in rows_of(tables, "quantities") if r["item"] == item)) / divisor


def _short(tables: Tables) -> Value:
    """The sources that are short, and those whose season was only assumed, so that none can be judged."""
    rows = rows_of(tables, "supply_balance")
    short = [str(r["source_id"]) for r in rows if str(r["verdict"]).startswith("short")]
    unjudged = [f"{r['source_id']} not judged" for r in rows if r["verdict"] == "not judged"]
    return ", ".join([*short, *unjudged]) or ("none" if rows else None)


def _cost(tables: Tables, column: str) -> float | None:
    rows = [r for r in rows_of(tables, "costs") if r["where_id"] == FARM and r["part"] == ALL]
    known = _known(r[column] for r in rows)
    return known[0] if known else None
