"""What a plan costs: each quantity at the user's price, by field and part, at first and by year.

Nothing is invented: what has no price has no cost, and sums tell how many of their rows lack one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any

from farmgis.planning.economics import annuity, present_worth, sinking_fund
from farmgis.planning.quantities import DISPOSAL, FARM, Quantity, Tables, farm_totals, pipe_size, rows_of
from farmgis.prices import Price, Prices, plain
from farmgis.records import (
    Assumption,
    Finding,
    Pipe,
)

RUN_LABOUR_H = 0.5
"""Hours that a person spends on each run of a zone: opening, looking, shutting (common practice)."""

ALL = "all"


@dataclass(frozen=True)
class Priced:
    """An item of the whole farm with its price; None where the user gave none."""

    quantity: Quantity
    unit_price: float | None

    @property
    def cost(self) -> float | None:
        """Price of all that is to buy."""
        return None if self.unit_price is None else self.quantity.to_buy * self.unit_price


@dataclass(frozen=True)
class Cost:
    """A row of `costs`: what a part costs in a field, at a source or on the whole farm.

    `lacking` names its items that have no price: the sums leave those out.
    """

    where_id: str
    part: str
    irrigated_ha: float
    first_cost: float | None
    life_years: float | None
    year_cost: float | None
    present_cost: float | None
    lacking: frozenset[tuple[str, ...]] = frozenset()

    @property
    def unpriced(self) -> int:
        """How many of its items have no price; one that lies in several places is one item."""
        return len(self.lacking)

    @property
    def year_cost_ha(self) -> float | None:
        """Cost of a year for each irrigated hectare."""
        return (
            self.year_cost / self.irrigated_ha if self.year_cost is not None and self.irrigated_ha else None
        )


# ---- prices -----------------------------------------------------------------------------------------


def priced(found: Sequence[Quantity], prices: Prices, pipes: Sequence[Pipe]) -> tuple[Priced, ...]:
    """Each item of the whole farm with its price."""
    book = {(plain(p.item), plain(p.size)): p for p in prices.items}
    by_size = {pipe_size(vars(p)): p for p in pipes}
    return tuple(Priced(q, _unit_price(q, book, prices, by_size)) for q in farm_totals(found))


def _unit_price(
    q: Quantity, book: Mapping[tuple[str, str], Price], prices: Prices, by_size: Mapping[str, Pipe]
) -> float | None:
    """The price of that size, else of the item in any size; pipe else by weight, trench by its key."""
    listed = book.get((plain(q.item), plain(q.size))) or book.get((plain(q.item), ""))
    if listed is not None and plain(listed.unit) == plain(q.unit):
        return listed.unit_price
    if q.part == "trench":
        return prices.trench_m
    return pipe_price_m(by_size[q.size], prices) if q.size in by_size else None


def pipe_price_m(pipe: Pipe, prices: Prices) -> float | None:
    """Price of a metre of pipe: its own, else by its weight; None where neither is given."""
    if pipe.price_m is not None:
        return pipe.price_m
    return None if prices.pipe_kg is None else prices.pipe_kg * pipe.weight_kg_m


def price_findings(bought: Sequence[Priced], prices: Prices) -> list[Finding]:
    """What of the user's table could not be used, and which items have no price though others have."""
    found = [f for p in prices.items if (f := _unused(p, bought)) is not None]
    lacking = [b.quantity for b in bought if b.unit_price is None]
    if prices.given and lacking:
        named = "; ".join(dict.fromkeys(q.item for q in lacking))
        what = f"{len(lacking)} of {len(bought)} items have no price, so that costs leave them out: {named}"
        advice = "add rows for them to the price table, with item, size and unit as in the layer `quantities`"
        found.append(Finding("attention", "cost", what, FARM, advice, float(len(lacking)), 0.0, "items"))
    return found


def _unused(price: Price, bought: Sequence[Priced]) -> Finding | None:
    """A price whose item the plan has, but not in that size or unit; or an item that nothing is called."""
    names = {plain(b.quantity.item): b.quantity for b in bought}
    same = names.get(plain(price.item))
    if same is None:
        near = get_close_matches(plain(price.item), names, n=1, cutoff=0.75)
        if not near:
            return None  # a price list may hold more than a plan takes
        said, advice = f"fits no item of the plan; the nearest is {names[near[0]].item!r}", "correct its name"
    elif plain(price.unit) != plain(same.unit):
        said = f"is for {price.unit!r}, and the plan counts in {same.unit!r}: it was not used"
        advice = "convert the price to that unit"
    else:
        return None
    return Finding("attention", "cost", f"the price of {price.item!r} {said}", FARM, advice)


# ---- by place and part ------------------------------------------------------------------------------


def costs(
    found: Sequence[Quantity], bought: Sequence[Priced], tables: Tables, prices: Prices
) -> tuple[Cost, ...]:
    """Each field's and source's parts, then the farm's; a field's and the farm's whole as part `all`.

    A field's whole has, beside its own parts, its share of its source's supply and of the farm's work, by
    irrigated area.
    """
    rows = [r for r in rows_of(tables, "fields") if r["irrigated_ha"] and r["irrigated_ha"] > 0.0]
    area = {str(r["field_id"]): float(r["irrigated_ha"]) for r in rows}
    source = {str(r["field_id"]): str(r["source_id"]) for r in rows}
    ha = area | {FARM: sum(area.values())}
    for field_id, name in source.items():
        ha[name] = ha.get(name, 0.0) + area[field_id]
    parts = [*_bought_parts(found, bought, ha, prices), *_running(tables, ha, prices)]
    own: dict[str, list[Cost]] = {}
    for cost in parts:
        own.setdefault(cost.where_id, []).append(cost)
    made: list[Cost] = []
    for field_id in area:
        mine = own.get(field_id, [])
        shares = [
            _share(c, area[field_id] / ha[where])
            for where in (source[field_id], FARM)
            for c in own.get(where, [])
        ]
        made += [*mine, summed(field_id, ALL, area[field_id], [*mine, *shares])]
    made += [c for where, rest in own.items() if where not in area and where != FARM for c in rest]
    for part in dict.fromkeys(c.part for c in parts):
        made.append(summed(FARM, part, ha[FARM], [c for c in parts if c.part == part]))
    return (*made, summed(FARM, ALL, ha[FARM], parts)) if parts else ()


def _bought_parts(
    found: Sequence[Quantity], bought: Sequence[Priced], ha: Mapping[str, float], prices: Prices
) -> Iterator[Cost]:
    """A row for each place and part, each item's cost shared by what is drawn there."""
    of_item = {b.quantity.key: b for b in bought}
    grouped: dict[tuple[str, str], list[tuple[Quantity, float | None]]] = {}
    for q in found:
        b = of_item[q.key]
        share = None if b.cost is None else b.cost * q.drawn / b.quantity.drawn
        if share is not None and q.item == DISPOSAL:
            share *= sinking_fund(prices.interest_pct, prices.life.seasonal_line_years)
        grouped.setdefault((q.where_id, q.part), []).append((q, share))
    for (where, part), shares in grouped.items():
        life = None if part == "work" else prices.life.of(part)
        lacking = frozenset(q.key for q, share in shares if share is None)
        yield _cost(where, part, ha.get(where, 0.0), _total(s for _, s in shares), life, prices, lacking)


def _cost(
    where: str,
    part: str,
    ha: float,
    money: float | None,
    life: float | None,
    prices: Prices,
    lacking: frozenset[tuple[str, ...]],
) -> Cost:
    """A cost that is paid once in `life` years or, with None, each year."""
    year = money if life is None or money is None else money * annuity(prices.interest_pct, life)
    present = None if year is None else year * present_worth(prices.interest_pct, prices.horizon_years)
    return Cost(where, part, ha, None if life is None else money, life, year, present, lacking)


def _running(tables: Tables, ha: Mapping[str, float], prices: Prices) -> Iterator[Cost]:
    """Energy of each field's water, and the farm's labour for its runs; none where they are not planned."""
    for field_id, kwh in energy_kwh(tables).items():
        money = None if prices.energy_kwh is None else prices.energy_kwh * kwh
        yield _cost(field_id, "energy", ha[field_id], money, None, prices, _lacking("energy", money))
    runs = len(rows_of(tables, "irrigations"))
    if runs:
        hours = runs * RUN_LABOUR_H
        money = None if prices.labour_h is None else prices.labour_h * hours
        yield _cost(FARM, "labour", ha[FARM], money, None, prices, _lacking("labour", money))


def _lacking(what: str, money: float | None) -> frozenset[tuple[str, ...]]:
    return frozenset() if money is not None else frozenset({(what,)})


def energy_kwh(tables: Tables) -> dict[str, float]:
    """Energy of the season's water by field, at its shift's energy for a cubic metre. [kWh]"""
    each = {
        (r["source_id"], r["shift"]): r["energy_kwh_m3"]
        for r in rows_of(tables, "pump_duties")
        if r.get("energy_kwh_m3") is not None
    }
    mean = {r["source_id"]: r["energy_kwh_m3"] for r in rows_of(tables, "headworks")}
    source = {r["field_id"]: r["source_id"] for r in rows_of(tables, "fields")}
    shift = {r["block_id"]: r["shift"] for r in rows_of(tables, "blocks")}
    found: dict[str, float] = {}
    for row in rows_of(tables, "season_demand"):
        place = source[row["field_id"]]
        kwh_m3 = each.get((place, shift[row["block_id"]]), mean.get(place))
        if kwh_m3 is not None and kwh_m3 == kwh_m3:
            found[row["field_id"]] = found.get(row["field_id"], 0.0) + kwh_m3 * row["gross_m3"]
    return found


def _share(cost: Cost, share: float) -> Cost:
    def of(money: float | None) -> float | None:
        return None if money is None else money * share

    return replace(
        cost,
        first_cost=of(cost.first_cost),
        year_cost=of(cost.year_cost),
        present_cost=of(cost.present_cost),
    )


def summed(where_id: str, part: str, irrigated_ha: float, rows: Sequence[Cost]) -> Cost:
    """Costs as one row; its life is theirs where they share one."""
    lives = {c.life_years for c in rows}
    return Cost(
        where_id,
        part,
        irrigated_ha,
        _total(c.first_cost for c in rows),
        lives.pop() if len(lives) == 1 else None,
        _total(c.year_cost for c in rows),
        _total(c.present_cost for c in rows),
        frozenset().union(*(c.lacking for c in rows)),
    )


def _total(money: Iterable[float | None]) -> float | None:
    """The sum of what is known; None where nothing is."""
    known = [m for m in money if m is not None]
    return sum(known) if known else None


# ---- rows of the layers -----------------------------------------------------------------------------


def quantity_rows(bought: Sequence[Priced]) -> list[dict[str, Any]]:
    """The rows of `quantities`."""
    return [
        {
            "item": b.quantity.item,
            "size": b.quantity.size,
            "unit": b.quantity.unit,
            "drawn": float(b.quantity.drawn),
            "spare_pct": b.quantity.spare_pct,
            "to_buy": float(b.quantity.to_buy),
            "unit_price": b.unit_price,
            "cost": b.cost,
            "part": b.quantity.part,
            "pack": b.quantity.pack,
            "packs": None if b.quantity.pack is None else round(b.quantity.to_buy / b.quantity.pack),
        }
        for b in bought
    ]


def field_quantity_rows(found: Sequence[Quantity]) -> list[dict[str, Any]]:
    """The rows of `field_quantities`."""
    return [
        {
            "where_id": q.where_id,
            "item": q.item,
            "size": q.size,
            "unit": q.unit,
            "drawn": float(q.drawn),
            "part": q.part,
        }
        for q in found
    ]


def cost_rows(found: Sequence[Cost]) -> list[dict[str, Any]]:
    """The rows of `costs`."""
    columns = ("where_id", "part", "irrigated_ha", "first_cost", "life_years", "year_cost", "present_cost")
    return [{name: getattr(c, name) for name in (*columns, "unpriced", "year_cost_ha")} for c in found]


def cost_assumptions(prices: Prices) -> tuple[Assumption, ...]:
    """What the costs rest on that no key of the farm file states."""
    if not prices.given:
        return ()
    return (
        Assumption("run_labour", f"{RUN_LABOUR_H:g}", "h of a person for each run", "", "common practice"),
    )
