"""Nutrients with the water: what the crop needs, in which runs, how fast, and how long to rinse.

Phosphorus and potassium are base dressing unless told otherwise, and so is a small part of the nitrogen; the
rest is given with the runs of the crop's growth, in the middle of each, with clean water before and after.
A run carries one product, so that calcium never meets phosphate or sulphate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.irrigation_calendar import Irrigation
from farmgis.planning.upkeep import Task
from farmgis.records import Assumption, BlockFacts, Crop, Fertiliser, Field, Finding, Nutrients, Shift

EDGE_SHARE = 0.25
"""Clean water at each end of a run, at least this share of it (common practice: inject in the middle)."""

LEAST_INJECTION_H = 0.5
"""A run with less time than this in its middle gets no dose (common practice)."""

STOCK_SHARE = 0.5
"""Strength of the stock solution as a share of the product's solubility in cold water (common practice)."""

WATER_LIMIT_G_M3 = 1000.0
"""Product in the water that is given, at most (from memory: a gram in a litre)."""

SEED_WATER = "germination"
"""Runs of that purpose carry nothing: there are no roots yet (common practice)."""

LEAST_KG_HA = 0.5
"""Less of a nutrient on a hectare is neither dressed nor told (common practice: no spreader does less)."""

LIGHT_SOIL_FC = 0.16
"""A soil that holds less than this at field capacity leaches nitrate easily (common practice)."""

INJECTING = (
    "Backflow prevention proven and the injector locked to the pump before anything is injected. Jar-test "
    "the product with this water. Calcium never with phosphate or sulphate; no chlorine while ammonium or "
    "urea is in the line. Rinse tank and injector between products; where no mains are planned, add their "
    "travel time to the rinse. Goggles, gloves; label and local code go "
    "before this."
)


@dataclass(frozen=True)
class NutrientDose:
    """One injection into one run of a zone: a row of `nutrient_doses`."""

    date: date
    zone_id: str
    product: str
    product_kg: float
    n_kg: float
    p2o5_kg: float
    k2o_kg: float
    inject_l_h: float
    inject_start: str
    inject_end: str
    rinse_min: float
    stock_l: float


@dataclass(frozen=True)
class NutrientPlan:
    """The season's doses, the base dressing as tasks, and what is told beside them."""

    doses: tuple[NutrientDose, ...] = ()
    tasks: tuple[Task, ...] = ()
    findings: tuple[Finding, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


@dataclass(frozen=True)
class ZoneBlocks:
    """A zone's blocks with their fields, and the minutes that water travels to the last emitter of each.

    `shortest` is the share of the zone's hours for which the block that is done first runs; `delay_days` are
    those by which the zone is sown after the farm's first.
    """

    shift: Shift
    blocks: tuple[BlockFacts, ...]
    fields: tuple[Field, ...]
    travel_min: tuple[float, ...]
    shortest: float
    delay_days: int = 0


def zones_of(
    shifts: Sequence[Shift],
    seasons: Mapping[str, BlockSeason],
    fields: Mapping[str, Field],
    travel_min: Mapping[str, float],
    delay_days: Mapping[str, int],
) -> tuple[ZoneBlocks, ...]:
    """The zones whose blocks all have a computed season; `travel_min` and `delay_days` by block."""
    made = []
    for shift in shifts:
        known = [seasons[i] for i in shift.block_ids if i in seasons]
        own = [s for s in known if s.demand.basis != "assumed"]
        if own and len(own) == len(shift.block_ids):
            hours = [s.gross_factor / s.facts.application_mm_h for s in own]  # for each mm net
            made.append(
                ZoneBlocks(
                    shift,
                    tuple(s.facts for s in own),
                    tuple(fields[s.facts.field_id] for s in own),
                    tuple(travel_min[s.facts.block_id] for s in own),
                    min(hours) / max(hours),
                    max(delay_days[s.facts.block_id] for s in own),
                )
            )
    return tuple(made)


def need_kg_ha(nutrients: Nutrients, crop: str) -> tuple[float, float, float] | None:
    """N, P2O5 and K2O to give: uptake at the target yield less the soil's supply, over recovery. [kg/ha]

    None for a crop whose uptake is in no table.
    """
    uptake = nutrients.uptake_kg_t.get(crop)
    if uptake is None:
        return None
    soil = (nutrients.soil_n_kg_ha, nutrients.soil_p2o5_kg_ha, nutrients.soil_k2o_kg_ha)
    share = nutrients.recovery_pct / 100.0
    n, p, k = (
        max(u * nutrients.target_yield_t_ha - s, 0.0) / share for u, s in zip(uptake, soil, strict=True)
    )
    return n, p, k


def nutrient_plan(
    nutrients: Nutrients | None,
    zones: Sequence[ZoneBlocks],
    runs: Sequence[Irrigation],
    sowing: date | None,
    today: date | None = None,
    sown: Mapping[str, date] | None = None,
) -> NutrientPlan:
    """Doses and base dressing of all zones; empty where no target yield was given or there are no runs.

    `sown` holds the day on which sowing begins in each field, where that is not `sowing`.

    From `today`, where it is given, only the share of the crop's days of uptake that is left is dosed: what
    came before was given. Base dressing is no longer a task then.
    """
    if nutrients is None:
        none = Assumption("nutrients", "none planned", "", "no target yield was given", "common practice")
        return NutrientPlan(assumptions=(none,))
    if sowing is None:
        return NutrientPlan()
    doses: list[NutrientDose] = []
    found: list[Finding] = []
    for zone in zones:
        own = [r for r in runs if r.zone_id == zone.shift.zone_id and not r.purpose.startswith(SEED_WATER)]
        made, told = _zone_doses(nutrients, zone, own, sowing, today)
        doses += made
        found += told
    fields = {f.field_id: f for z in zones for f in z.fields}
    tasks = _preparing(doses, zones, today or date.min)
    days = {key: (sown or {}).get(key, sowing) for key in fields}
    base = [t for f in fields.values() for t in _base(nutrients, f, zones, days[f.field_id])]
    tasks += [t for t in base if today is None or t.date >= today]
    found += _of_crops(nutrients, {f.crop.name: f.crop for f in fields.values()})
    found += [_light(f) for f in fields.values() if f.soil.field_capacity < LIGHT_SOIL_FC]
    doses.sort(key=lambda d: (d.date, d.inject_start, d.zone_id))
    return NutrientPlan(tuple(doses), tuple(tasks), tuple(found), _told(nutrients))


# ---- one zone -------------------------------------------------------------------------------------


def _zone_doses(
    nutrients: Nutrients, zone: ZoneBlocks, runs: Sequence[Irrigation], sowing: date, today: date | None
) -> tuple[list[NutrientDose], list[Finding]]:
    crops = {f.crop.name: f.crop for f in zone.fields}
    where = zone.shift.zone_id
    if len(crops) > 1:
        advice = "give its crops sources of their own, or dose by hand at the block"
        what = f"zone {where} waters {', '.join(sorted(crops))}: no dose serves them all, none is planned"
        return [], [Finding("attention", "season", what, where, advice)]
    (crop,) = crops.values()
    need = need_kg_ha(nutrients, crop.name)
    if need is None:
        return [], []
    area = sum(b.area_ha for b in zone.blocks)
    sowing = sowing + timedelta(days=zone.delay_days)
    feeds = [replace(f, kg=f.kg * area) for f in feeds_kg_ha(nutrients, need, crop)]
    gone = 0 if today is None else (today - sowing).days
    feeds = [f.from_day(gone) for f in feeds]
    taken = _runs_of(feeds, [r for r in runs if _middle(r, zone)[1] > 0.0], sowing)
    doses: list[NutrientDose] = []
    found: list[Finding] = []
    for feed, fit in zip(feeds, taken, strict=True):
        if not fit:
            found += [_no_run(where, feed)] if feed.kg > 0.0 else []
            continue
        inject = [_middle(run, zone)[1] for run in fit]  # shared by time: the injector is set once
        own = [
            _dose(feed.product, zone, run, feed.kg * h / sum(inject))
            for run, h in zip(fit, inject, strict=True)
        ]
        doses += own
        found += [*_strong(own, fit, zone), *_large(own, nutrients, where)]
    return doses, found


@dataclass(frozen=True)
class Feed:
    """A product to be given with the water: how much, and from which day of the season to which. [kg]"""

    product: Fertiliser
    kg: float
    first: int
    last: int

    def from_day(self, day: int) -> Feed:
        """What is left of it from a day on: the share of its days."""
        left = (self.last + 1 - max(self.first, day)) / (self.last + 1 - self.first)
        return replace(self, kg=self.kg * min(max(left, 0.0), 1.0))


def feeds_kg_ha(nutrients: Nutrients, need: tuple[float, float, float], crop: Crop) -> list[Feed]:
    """What goes with the water on a hectare: phosphorus first, then potassium, then nitrogen. [kg/ha]

    What a product holds of the others is counted: no nutrient is given twice.
    """
    first, last = uptake_days(crop)
    growth = sum(crop.stage_days[:2])
    n = need[0] * (1.0 - nutrients.base_n_pct / 100.0)
    p, k = need[1] * nutrients.water_p_pct / 100.0, need[2] * nutrients.water_k_pct / 100.0
    feeds = []
    if nutrients.p_product is not None and p > 0.0:
        kg = p / (nutrients.p_product.p2o5_pct / 100.0)
        n, k = n - kg * nutrients.p_product.n_pct / 100.0, k - kg * nutrients.p_product.k2o_pct / 100.0
        feeds.append(Feed(nutrients.p_product, kg, 0, growth))
    if nutrients.k_product is not None and k > 0.0:
        kg = k / (nutrients.k_product.k2o_pct / 100.0)
        n -= kg * nutrients.k_product.n_pct / 100.0
        feeds.append(Feed(nutrients.k_product, kg, first, last))
    if n > 0.0:
        feeds.append(Feed(nutrients.product, n / (nutrients.product.n_pct / 100.0), first, last))
    return feeds


def given_kg_ha(feeds: Sequence[Feed]) -> tuple[float, float, float]:
    """N, P2O5 and K2O in what goes with the water. [kg/ha]"""
    shares = [(f.kg / 100.0, f.product) for f in feeds]
    return (
        sum(kg * product.n_pct for kg, product in shares),
        sum(kg * product.p2o5_pct for kg, product in shares),
        sum(kg * product.k2o_pct for kg, product in shares),
    )


def stock_l(product: Fertiliser, kg: float) -> float:
    """Volume of the stock solution of so much of a product; a liquid is injected as it comes. [l]"""
    if product.litre_kg is not None:
        return kg / product.litre_kg
    assert product.solubility_g_l is not None
    return kg / (STOCK_SHARE * product.solubility_g_l / 1000.0)


def _runs_of(feeds: Sequence[Feed], runs: Sequence[Irrigation], sowing: date) -> list[list[Irrigation]]:
    """The runs of each product: each run carries one, by the volumes of their solutions."""
    taken: list[list[Irrigation]] = [[] for _ in feeds]
    for run in sorted(runs, key=lambda r: (r.date, r.start)):
        day = (run.date - sowing).days
        due = [k for k, f in enumerate(feeds) if f.kg > 0.0 and f.first <= day <= f.last]
        if due:
            k = min(due, key=lambda k: ((len(taken[k]) + 1) / stock_l(feeds[k].product, feeds[k].kg), k))
            taken[k].append(run)
    return taken


def uptake_days(crop: Crop) -> tuple[int, int]:
    """First and last day from sowing on which nitrogen is given: from the end of the initial stage to the
    first third of the middle one (common practice; maize has taken about a tenth of it by then, and
    most by tasselling).
    """
    initial, development, middle, _ = crop.stage_days
    return initial, initial + development + middle // 3


def _middle(run: Irrigation, zone: ZoneBlocks) -> tuple[float, float]:
    """Hours of clean water at each end of a run, and of injection between, 0 where the run is too short."""
    running = run.hours * zone.shortest
    edge = max(EDGE_SHARE * running, max(zone.travel_min) / 60.0)
    inject = running - 2.0 * edge
    return edge, inject if inject >= LEAST_INJECTION_H else 0.0


def _dose(product: Fertiliser, zone: ZoneBlocks, run: Irrigation, kg: float) -> NutrientDose:
    edge, inject = _middle(run, zone)
    begin = datetime.combine(run.date, time.fromisoformat(run.start)) + timedelta(hours=edge)
    return NutrientDose(
        date=begin.date(),
        zone_id=run.zone_id,
        product=product.name,
        product_kg=kg,
        n_kg=kg * product.n_pct / 100.0,
        p2o5_kg=kg * product.p2o5_pct / 100.0,
        k2o_kg=kg * product.k2o_pct / 100.0,
        inject_l_h=stock_l(product, kg) / inject,
        inject_start=f"{begin:%H:%M}",
        inject_end=f"{begin + timedelta(hours=inject):%H:%M}",
        rinse_min=60.0 * edge,
        stock_l=stock_l(product, kg),
    )


def _strong(doses: Sequence[NutrientDose], runs: Sequence[Irrigation], zone: ZoneBlocks) -> list[Finding]:
    grams = [
        1000.0 * d.product_kg / (zone.shift.flow_m3h * _middle(r, zone)[1])
        for d, r in zip(doses, runs, strict=True)
    ]
    if max(grams) <= WATER_LIMIT_G_M3:
        return []
    what = (
        f"zone {zone.shift.zone_id}: the water would carry {max(grams):,.0f} g/m3 of {doses[0].product}; "
        f"crop and line should have {WATER_LIMIT_G_M3:,.0f} at most"
    )
    advice = "give more of it as base dressing, or a longer interval, so that runs and injections are longer"
    where = zone.shift.zone_id
    return [Finding("attention", "season", what, where, advice, max(grams), WATER_LIMIT_G_M3, "g/m3")]


def _large(doses: Sequence[NutrientDose], nutrients: Nutrients, where: str) -> list[Finding]:
    """That a dose's solution does not fit into the tank at once."""
    most = max(d.stock_l for d in doses)
    if nutrients.tank_l is None or most <= nutrients.tank_l:
        return []
    what = f"zone {where}: the solution of {doses[0].product} for a run is up to {most:,.0f} l"
    advice = "fill the tank again during the run, or take a larger one"
    return [Finding("note", "season", what, where, advice, most, nutrients.tank_l, "l")]


def _no_run(where: str, feed: Feed) -> Finding:
    what = f"zone {where}: no run in the crop's growth is long enough to inject {feed.product.name} within it"
    advice = "give it as dressing, or set a longer `interval_days`"
    return Finding("attention", "season", what, where, advice, feed.kg, unit="kg not planned")


# ---- base dressing, and what is told ---------------------------------------------------------------


def _base(nutrients: Nutrients, field: Field, zones: Sequence[ZoneBlocks], sowing: date) -> list[Task]:
    need = need_kg_ha(nutrients, field.crop.name)
    if need is None:
        return []
    area = sum(b.area_ha for z in zones for b in z.blocks if b.field_id == field.field_id)
    given = given_kg_ha(feeds_kg_ha(nutrients, need, field.crop))
    parts = (needed - with_water for needed, with_water in zip(need, given, strict=True))
    note = "Worked in before sowing. Soil analysis and local limits on nutrients go before this."
    day = sowing - timedelta(days=1)
    return [
        Task(day, day, "base dressing", field.field_id, kg_ha * area, f"kg {name}", note)
        for kg_ha, name in zip(parts, ("N", "P2O5", "K2O"), strict=True)
        if kg_ha > LEAST_KG_HA
    ]


def _preparing(doses: Sequence[NutrientDose], zones: Sequence[ZoneBlocks], soonest: date) -> list[Task]:
    """A task a source, on the day before its first dose (common practice: the jar test stands overnight)."""
    source = {z.shift.zone_id: z.shift.source_id or "farm" for z in zones}
    first: dict[str, date] = {}
    for dose in sorted(doses, key=lambda d: d.date):
        first.setdefault(source[dose.zone_id], dose.date)
    eves = {s: max(day - timedelta(days=1), soonest) for s, day in first.items()}
    return [Task(day, day, "prepare injection", s, None, None, INJECTING) for s, day in eves.items()]


def _of_crops(nutrients: Nutrients, crops: Mapping[str, Crop]) -> list[Finding]:
    """Crops whose uptake nobody tells, and products that bring more of a nutrient than the crop needs."""
    found: list[Finding] = []
    for name, crop in crops.items():
        need = need_kg_ha(nutrients, name)
        if need is None:
            what = f"no nutrient uptake of {name} is tabled: nothing is dosed there"
            advice = "state `n_uptake_kg_t` and its like in `[[crop]]`, as an agronomist tells them"
            found.append(Finding("note", "season", what, "farm", advice))
            continue
        given = given_kg_ha(feeds_kg_ha(nutrients, need, crop))
        found += [
            _surplus(name, symbol, kg, needed)
            for symbol, kg, needed in zip(("N", "P2O5", "K2O"), given, need, strict=True)
            if kg - needed > LEAST_KG_HA
        ]
    return found + _without_share(nutrients)


def _surplus(crop: str, symbol: str, kg_ha: float, needed: float) -> Finding:
    what = (
        f"{crop}: the products that go with the water bring {kg_ha:.0f} kg {symbol}/ha, and {needed:.0f} are "
        "to be given"
    )
    advice = (
        "give less of the other nutrient with the water (`water_k_pct`, `water_p_pct`), or name a product "
        "that does not hold this one"
    )
    return Finding("attention", "season", what, "farm", advice, kg_ha, needed, f"kg {symbol}/ha")


def _without_share(nutrients: Nutrients) -> list[Finding]:
    """A product that is named for the water, and no share of what it is for."""
    pairs = (
        (nutrients.p_product, nutrients.water_p_pct, "water_p_pct", "phosphorus"),
        (nutrients.k_product, nutrients.water_k_pct, "water_k_pct", "potassium"),
    )
    return [
        Finding("note", "season", f"{product.name} is named and `{key}` is 0: all {what} is base dressing",
                "farm", f"state `{key}`, the share that is to go with the water")
        for product, share, key, what in pairs
        if product is not None and share == 0.0
    ]  # fmt: skip


def _light(field: Field) -> Finding:
    what = (
        f"{field.soil.name} loses nitrate to drainage: keep doses small and irrigations short of filling it"
    )
    advice = "watch nitrate in the soil, and mind local rules for water protection"
    held = field.soil.field_capacity
    return Finding("note", "season", what, field.field_id, advice, held, LIGHT_SOIL_FC, "m3/m3")


def _told(nutrients: Nutrients) -> tuple[Assumption, ...]:
    crops: Mapping[str, tuple[float, float, float]] = nutrients.uptake_kg_t
    uptakes = "; ".join(f"{c} {n:g}, {p:g}, {k:g}" for c, (n, p, k) in crops.items())
    limit = f"{WATER_LIMIT_G_M3:g}"
    return (
        Assumption("nutrient_uptake", uptakes, "kg N, P2O5, K2O each t", "table nutrient_uptake", "memory"),
        Assumption("stock_strength", f"{STOCK_SHARE:g}", "of solubility", "", "common practice"),
        Assumption("clean_water_each_end", f"{EDGE_SHARE:g}", "of the run, or travel", "", "common practice"),
        Assumption("product_in_water", limit, "g/m3 at most", "from memory", "memory"),
    )
