"""Why a farm, a field or a source costs what it costs: every part from its first cost to its years."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from farmgis.planning.costs import ALL, RUN_LABOUR_H, energy_kwh
from farmgis.planning.economics import annuity, present_worth, sinking_fund
from farmgis.planning.quantities import DISPOSAL, FARM, Row, rows_of
from farmgis.planning.reasons import Reason, gaps_as_none
from farmgis.records import Plan

RECOVERY = "capital recovery i / (1 - (1 + i)^-n)"


def cost_reasons(where_id: str, plan: Plan) -> Iterator[Reason]:
    """Each part's cost there, then all of it; nothing without prices."""
    costs = [gaps_as_none(r) for r in rows_of(plan.tables, "costs")]
    told = {a.key: a.value for a in plan.assumptions}
    interest = float(told.get("prices.interest_pct", "nan"))
    horizon = float(told.get("prices.horizon_years", "nan"))
    unit = plan.currency or "currency"
    own = [r for r in costs if r["where_id"] == where_id]
    for row in own:
        if row["part"] == ALL:
            yield from _all(row, own, costs, plan, unit)
        else:
            yield from _first(row, plan, unit)
            yield from _year(row, plan, unit, interest, told)
    for row in own:
        if row["part"] == ALL and row["year_cost"] is not None:
            how = f"cost of a year x (1 - (1 + i)^-n) / i, i {interest:g} %, n {horizon:g} years"
            again = _known(row["year_cost"] * present_worth(interest, horizon))
            yield Reason("present cost", row["present_cost"], unit, how, again=again)


def _first(row: Row, plan: Plan, unit: str) -> Iterator[Reason]:
    """What a part costs at first; of the farm it is what `quantities` has of that part."""
    if row["first_cost"] is None:
        return
    if row["where_id"] == FARM:
        how, again = "its items in `quantities`, to buy x unit price", _bought(plan, row["part"])
    else:
        how, again = "each item's cost on the farm, shared by what is drawn here", None
    yield Reason(f"{row['part']} at first", row["first_cost"], unit, how + _lacking(row), again=again)


def _lacking(row: Row) -> str:
    return f"; {row['unpriced']} of its items have no price and are left out" if row["unpriced"] else ""


def _bought(plan: Plan, part: str) -> float:
    rows = [gaps_as_none(r) for r in rows_of(plan.tables, "quantities") if r["part"] == part]
    return _sum(rows, "cost")


def _year(row: Row, plan: Plan, unit: str, interest: float, told: dict[str, str]) -> Iterator[Reason]:
    """What a part costs each year: a share of its first cost, or what is paid each year."""
    if row["year_cost"] is None:
        return
    part, life = row["part"], row["life_years"]
    how, again = _paid_each_year(row, plan, told)
    if life is not None and row["first_cost"] is not None:
        how = f"first cost x {annuity(interest, life):.5f}: {RECOVERY}, i {interest:g} %, n {life:g} years"
        again = _known(row["first_cost"] * annuity(interest, life))
    yield Reason(f"{part} in a year", row["year_cost"], unit, how, again=again)


def _paid_each_year(row: Row, plan: Plan, told: dict[str, str]) -> tuple[str, float | None]:
    part, here = row["part"], row["where_id"]
    if part == "energy":
        price = float(told.get("prices.energy_kwh", "nan"))
        kwh = sum(v for field, v in energy_kwh(plan.tables).items() if here in (FARM, field))
        how = f"{kwh:,.0f} kWh (each block's season at the energy of its shift) x {price:g}"
        return how, _known(kwh * price)
    if part == "labour":
        price, runs = float(told.get("prices.labour_h", "nan")), len(rows_of(plan.tables, "irrigations"))
        return f"{runs:,} runs of zones x {RUN_LABOUR_H:g} h x {price:g}", _known(runs * RUN_LABOUR_H * price)
    how = "its items in `quantities`, paid each year; of disposal a year's share of its line's life"
    return how + _lacking(row), _work(plan, told) if here == FARM else None


def _work(plan: Plan, told: dict[str, str]) -> float | None:
    """What is paid for work each year, disposal at the end of the line's life; None where it is not told."""
    rate, life = (
        float(told.get(f"prices.{key}", "nan")) for key in ("interest_pct", "life.seasonal_line_years")
    )
    items = [gaps_as_none(r) for r in rows_of(plan.tables, "quantities") if r["part"] == "work"]
    gone = _sum([r for r in items if r["item"] == DISPOSAL], "cost")
    return _known(_sum(items, "cost") - gone + (gone * sinking_fund(rate, life) if gone else 0.0))


def _known(value: float) -> float | None:
    """A figure; None where the plan does not tell a rate or a price that it needs."""
    return value if math.isfinite(value) else None


def _all(row: Row, own: Sequence[Row], costs: Sequence[Row], plan: Plan, unit: str) -> Iterator[Reason]:
    """The whole: its parts and, of a field, its share of its source's and of the farm's by irrigated area."""
    parts = [r for r in own if r["part"] != ALL]
    shares = [] if row["where_id"] == FARM else _shares(row, costs, plan)
    also = "".join(f"; {100.0 * share:.3g} % of what lies at {where}" for where, share, _ in shares)
    for key, what in (("first_cost", "cost at first"), ("year_cost", "cost of a year")):
        if row[key] is not None:
            again = _sum(parts, key) + sum(share * _sum(rows, key) for _, share, rows in shares)
            yield Reason(what, row[key], unit, f"its parts together{also}{_lacking(row)}", again=again)
    if row["year_cost_ha"] is not None:
        how = f"cost of a year over {row['irrigated_ha']:.4g} ha"
        again = row["year_cost"] / row["irrigated_ha"]
        yield Reason("cost of a year and hectare", row["year_cost_ha"], f"{unit}/ha", how, again=again)


def _shares(row: Row, costs: Sequence[Row], plan: Plan) -> list[tuple[str, float, list[Row]]]:
    """What a field bears of other places: (place, share by irrigated area, the place's parts)."""
    fields = {r["field_id"]: r for r in rows_of(plan.tables, "fields")}
    source = fields[row["where_id"]]["source_id"]
    served = sum(f["irrigated_ha"] or 0.0 for f in fields.values() if f["source_id"] == source)
    at_source = [r for r in costs if r["where_id"] == source]
    farm = {r["part"]: r for r in costs if r["where_id"] == FARM}
    elsewhere = [r for r in costs if r["where_id"] != FARM and r["part"] != ALL]
    rest = []
    for part, whole in farm.items():
        apart = [r for r in elsewhere if r["part"] == part]
        if part != ALL:
            keys = ("first_cost", "year_cost")
            rest.append({key: (whole[key] or 0.0) - _sum(apart, key) for key in keys})
    area = row["irrigated_ha"]
    found = [(str(source), area / served, at_source)] if at_source and served else []
    return [*found, (FARM, area / farm[ALL]["irrigated_ha"], rest)]


def _sum(rows: Sequence[Row], key: str) -> float:
    return float(sum(r[key] or 0.0 for r in rows))
