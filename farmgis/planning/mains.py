"""From a source to its valves: routes, shifts, sizes and pump heads that together cost least in a year.

How many shifts there are is weighed with the pipes: more shifts need less flow at a time and so thinner
mains, but more hours. Each number of shifts is grouped, sized and priced; the cheapest that fits into the
day's hours is planned, and all are told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from farmgis.hydraulics.friction import DEFAULT_WATER, velocity_m_s
from farmgis.hydraulics.water import Water
from farmgis.planning.economics import annuity
from farmgis.planning.main_network import (
    Ground,
    MainNetwork,
    ValvePlace,
    chainage_m,
    main_network,
    turning_points,
)
from farmgis.planning.main_pieces import Piece, SizedNetwork
from farmgis.planning.main_sizes import Bools, Sizes, SizingProblem, gradients, heads_of, size_mains
from farmgis.planning.pressure_class import closing_flow_m3h, needed_bar, reach_pressures
from farmgis.planning.pump import energy_kwh_m3, head_limit_m, shut_off_head_m
from farmgis.planning.route_graph import Land
from farmgis.planning.routes import TRENCH_INDEX, routes
from farmgis.planning.shifts import Grouping, Turn, grouped, judged, least_count, shifts_of
from farmgis.prices import Prices
from farmgis.records import (
    Finding,
    Floats,
    Pipe,
    Shift,
    Source,
    Supply,
)

ENERGY_INDEX = 0.05
"""A kilowatt-hour in the relative index in which a kilogram of pipe counts 1 (common practice)."""

MORE_SHIFTS = 4
"""How many shifts more than the least are weighed; one where a source has over this many blocks."""

MANY_BLOCKS = 60

CLASS_ROUNDS = 6
"""Times that classes are raised and sizes found anew; classes only rise, so it ends sooner."""


@dataclass(frozen=True)
class Rates:
    """What a kilogram of pipe, a metre of trench, a kWh cost, and a year's share of what is bought.

    In the user's currency where all of them are known, else in the relative index.
    """

    pipe_kg: float = 1.0
    trench_m: float = TRENCH_INDEX
    energy_kwh: float = ENERGY_INDEX
    annuity: float = 0.0
    unit: str = "relative index"

    def pipe_m(self, pipe: Pipe) -> float:
        """Cost of a metre of a size."""
        known = self.unit != "relative index" and pipe.price_m is not None
        return pipe.price_m if known and pipe.price_m is not None else self.pipe_kg * pipe.weight_kg_m


def rates_of(prices: Prices, pipes: Sequence[Pipe]) -> Rates:
    """The user's prices as rates, or those of the relative index where one is missing."""
    share = annuity(prices.interest_pct, prices.life_years)
    priced = prices.pipe_kg is not None or all(p.price_m is not None for p in pipes)
    if not priced or prices.trench_m is None or prices.energy_kwh is None:
        return Rates(annuity=share)
    return Rates(
        prices.pipe_kg or 0.0, prices.trench_m, prices.energy_kwh, share, prices.currency or "currency"
    )


@dataclass(frozen=True)
class MainsJob:
    """All that a source's mains are planned from.

    `turns` and `season_m3` go with `valves`, block by block.
    """

    source: Source
    valves: tuple[ValvePlace, ...]
    turns: tuple[Turn, ...]
    season_m3: Floats
    land: Land
    ground: Ground
    pipes: tuple[Pipe, ...]
    supply: Supply
    rates: Rates
    water: Water = DEFAULT_WATER


@dataclass(frozen=True)
class ShiftChoice:
    """One number of shifts, priced: a row of `shift_choices`. Costs are a year's, in the rates' unit."""

    source_id: str
    shifts: int
    flow_m3h: float
    hours_peak_day: float
    duty_head_m: float
    pipe_kg: float
    energy_kwh: float
    pipe_cost: float
    energy_cost: float
    cost: float
    grouping_gap_pct: float
    fits: bool
    chosen: bool = False


@dataclass(frozen=True)
class MainsPlan:
    """A source's supply as planned. Rows of arrays are shifts, in the order of `shifts`.

    `needed_bar` (nodes,) is the class that each link's shut-off head asks for.
    """

    job: MainsJob
    network: MainNetwork
    shifts: tuple[Shift, ...]
    pipes: tuple[Pipe, ...]
    sizes: Sizes
    flow_m3h: Floats
    needed_bar: Floats
    choices: tuple[ShiftChoice, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def sized(self) -> SizedNetwork:
        """The network with its sizes."""
        return SizedNetwork(
            self.job.source.source_id, self.network, self.sizes, self.pipes, self.flow_m3h, self.job.water
        )

    def pieces(self) -> Iterator[Piece]:
        """The mains piece by piece, from the source outward."""
        return self.sized.pieces()

    @property
    def shut_off_m(self) -> float:
        """Head above datum in the mains when the pump works against closed valves. [m]"""
        return shut_off_m(self.job, self.sizes)


@dataclass(frozen=True)
class _Sized:
    """One grouping, sized."""

    shifts: tuple[Shift, ...]
    pipes: tuple[Pipe, ...]
    sizes: Sizes
    flow_m3h: Floats
    needed_bar: Floats
    choice: ShiftChoice


def plan_mains(job: MainsJob) -> MainsPlan | None:
    """The source's mains, shifts and pump heads; None where it has no valve that can be reached."""
    network, lost = _routed(job)
    if network is None:
        return None
    job = _without(job, lost)
    findings = [_unreached(job.source, v) for v in lost]
    tried: list[_Sized] = []
    material = job.supply.main_material
    needed = np.zeros(network.count)
    for grouping in _groupings(job):
        sized = None
        for kind in [material] if material else _materials(job.pipes):
            other = _sized(job, network, grouping, kind, needed)
            if sized is None or other.choice.cost < sized.choice.cost:
                sized, material = other, kind
        if sized is not None:
            tried.append(sized)
            needed = sized.needed_bar
    best = _chosen(tried)
    choices = tuple(replace(s.choice, chosen=s is best) for s in tried)
    return MainsPlan(
        job, network, best.shifts, best.pipes, best.sizes, best.flow_m3h, best.needed_bar, choices,
        tuple(findings),
    )  # fmt: skip


def _chosen(tried: Sequence[_Sized]) -> _Sized:
    """The cheapest that fits into the day's hours, or else the one of the fewest hours."""
    fitting = [s for s in tried if s.choice.fits]
    if fitting:
        return min(fitting, key=lambda s: s.choice.cost)
    return min(tried, key=lambda s: (round(s.choice.hours_peak_day, 6), s.choice.cost))


# ---- routes and groups -----------------------------------------------------------------------------


def _routed(job: MainsJob) -> tuple[MainNetwork | None, tuple[ValvePlace, ...]]:
    """The network, and the valves that no allowed way leads to."""
    places = np.array([[v.x_m, v.y_m] for v in job.valves])
    flows = np.array([v.flow_m3h for v in job.valves])
    count = least_count(job.turns, job.source.flow_m3h)
    source = np.array([job.source.x_m, job.source.y_m])
    ways = routes(source, places, flows, count, job.land)
    lost = tuple(job.valves[i] for i in ways.unreached)
    if len(lost) == len(job.valves):
        return None, lost
    kept = [i for i in range(len(job.valves)) if i not in set(ways.unreached)]
    place = {old: new for new, old in enumerate(kept)}
    ways = replace(ways, valve=np.array([place.get(int(v), -1) for v in ways.valve]))
    valves = [job.valves[i] for i in kept]
    return main_network(job.source.source_id, None, ways, valves, job.ground), lost


def _without(job: MainsJob, lost: Sequence[ValvePlace]) -> MainsJob:
    gone = {v.valve_id for v in lost}
    kept = [i for i, v in enumerate(job.valves) if v.valve_id not in gone]
    return replace(
        job,
        valves=tuple(job.valves[i] for i in kept),
        turns=tuple(job.turns[i] for i in kept),
        season_m3=job.season_m3[kept],
    )


def _groupings(job: MainsJob) -> list[Grouping]:
    """The sets of shifts that are weighed: the user's own, the user's number, or some numbers from the least.

    The least number that can be grouped is always among them.
    """
    most, turns = job.source.flow_m3h, job.turns
    own = {t.block_id for t in turns}
    stated_groups = [g for g in job.supply.shift_groups if own & set(g)]
    if stated_groups:
        return [judged(turns, stated_groups, most)]
    stated = job.source.shifts
    first = min(max(stated or 1, least_count(turns, most)), len(turns))
    more = 0 if stated else MORE_SHIFTS if len(turns) <= MANY_BLOCKS else 1
    found: list[Grouping] = []
    for count in range(first, len(turns) + 1):
        grouping = grouped(turns, most, count)
        if grouping is not None:
            found.append(grouping)
        if len(found) > more or (found and len(found) > 1 and found[-1].hours > 24.0):
            break
    return found


def _materials(pipes: Sequence[Pipe]) -> list[str]:
    return sorted({p.material for p in pipes})


# ---- sizes of one grouping -------------------------------------------------------------------------


def _sized(job: MainsJob, network: MainNetwork, grouping: Grouping, material: str, needed: Floats) -> _Sized:
    """The cheapest sizes for a grouping; classes are raised until each bears head at rest and surge."""
    shifts = shifts_of(job.source.source_id, job.turns, grouping)
    open_ = open_valves(job.valves, shifts)
    own, pipes = _on_sale(job, material)
    problem = _problem(job, network, open_, pipes)
    sizes, needed = _in_classes(job, network, problem, open_, own, needed, None)
    season = open_ @ job.season_m3
    choice = _priced(job, network, grouping, pipes, own, sizes, season, problem)
    return _Sized(shifts, pipes, sizes, problem.flow_m3h, needed, choice)


def lowered(plan: MainsPlan, static_level_m: Floats) -> MainsPlan:
    """The mains as they are, each length in the least class that bears a level at rest in each link.

    `static_level_m` (nodes,) is above datum: what reducing valves with relief leave. Diameters stay, so
    that no head below a reducing valve is less than it was.
    """
    job, network = plan.job, plan.network
    open_ = open_valves(job.valves, plan.shifts)
    own, pipes = _on_sale(job, plan.pipes[0].material)
    problem = _problem(job, network, open_, pipes)
    closing = closing_flow_m3h(network, open_ * np.array([v.flow_m3h for v in job.valves]))
    needed = np.zeros(network.count)
    for _ in range(CLASS_ROUNDS):
        sizes = heads_of(problem, _same_nominal(plan.sizes.length_m, pipes, own, needed))
        laid = SizedNetwork(job.source.source_id, network, sizes, pipes, plan.flow_m3h, job.water)
        reaches = reach_pressures(
            laid.pieces(), plan.flow_m3h, closing, static_level_m, pipes[:own], job.water
        )
        more = np.maximum(needed, needed_bar(reaches, network.count))
        if _same_classes(needed, more, pipes[:own]):
            break
        needed = more
    return replace(plan, sizes=replace(sizes, bound=plan.sizes.bound), needed_bar=needed)


def _same_nominal(length_m: Floats, pipes: Sequence[Pipe], own: int, needed: Floats) -> Floats:
    """Lengths moved to the size of the same nominal diameter in the least class that each link asks for."""
    made = length_m.copy()
    for link, size in zip(*np.nonzero(length_m[:, :own]), strict=True):
        same = [i for i in range(own) if pipes[i].nominal_mm == pipes[size].nominal_mm]
        same.sort(key=lambda i: pipes[i].pressure_class_bar)
        best = next((i for i in same if pipes[i].pressure_class_bar >= needed[link]), same[-1])
        made[link, size] -= length_m[link, size]
        made[link, best] += length_m[link, size]
    return made


def open_valves(valves: Sequence[ValvePlace], shifts: Sequence[Shift]) -> Bools:
    """Which valve is open in which shift, (shifts, valves)."""
    return np.array([[v.block_id in s.block_ids for v in valves] for s in shifts])


def _on_sale(job: MainsJob, material: str) -> tuple[int, tuple[Pipe, ...]]:
    """How many sizes of a material are on sale, and these with the pipes that lie in corridors."""
    own = tuple(p for p in job.pipes if p.material == material)
    return len(own), own + tuple(c.pipe for c in job.land.corridors if c.pipe is not None)


def _in_classes(
    job: MainsJob, network: MainNetwork, problem: SizingProblem, open_: Bools, own: int,
    needed: Floats, static_level_m: Floats | None,
) -> tuple[Sizes, Floats]:  # fmt: skip
    """Sizes and the class that each link asks for, raised until it no longer changes. [bar]"""
    pipes, flow = problem.pipes, problem.flow_m3h
    closing = closing_flow_m3h(network, open_ * np.array([v.flow_m3h for v in job.valves]))
    for _ in range(CLASS_ROUNDS):
        sizes = size_mains(replace(problem, allowed=_allowed(job, network, flow, pipes, own, needed)))
        level = shut_off_m(job, sizes) if static_level_m is None else static_level_m
        laid = SizedNetwork(job.source.source_id, network, sizes, pipes, flow, job.water)
        reaches = reach_pressures(laid.pieces(), flow, closing, level, pipes[:own], job.water)
        more = np.maximum(needed, needed_bar(reaches, network.count))
        if _same_classes(needed, more, pipes[:own]):
            break
        needed = more
    return sizes, needed


def _problem(job: MainsJob, network: MainNetwork, open_: Bools, pipes: tuple[Pipe, ...]) -> SizingProblem:
    flow = network.flow_m3h(open_ * np.array([v.flow_m3h for v in job.valves]))
    required = np.full(flow.shape, np.nan)
    at = np.flatnonzero(network.valve >= 0)
    heads = np.array([v.required_head_m for v in job.valves])[network.valve[at]]
    required[:, at] = np.where(open_[:, network.valve[at]], heads, np.nan)
    level = job.source.water_level_m
    rates = job.rates
    metre = np.array([rates.annuity * rates.pipe_m(p) for p in pipes])
    cost = np.tile(metre, (network.count, 1))
    cost[network.corridor >= 0] = 0.0
    return SizingProblem(
        parent=network.parent,
        ground_m=network.ground_m,
        length_m=network.length_m,
        flow_m3h=flow,
        required_head_m=required,
        highs=_highs(network),
        level_m=float(network.ground_m[0]) if level is None else level,
        station_loss_m=job.supply.station_loss_m,
        pipes=pipes,
        gradient=gradients(flow, pipes, job.water),
        allowed=np.ones((network.count, len(pipes)), dtype=bool),
        pipe_cost=cost,
        head_cost=kwh_per_m3_m(job) * (open_ @ job.season_m3) * rates.energy_kwh,
        head_limit_m=head_limit_m(job.source.pump_curve, flow[:, 0]),
        one_head=job.source.pump_control == "throttled" and job.source.pump_curve is None,
    )


def kwh_per_m3_m(job: MainsJob) -> float:
    """Energy to lift a cubic metre of water by a metre, pump and motor included. [kWh/m3/m]"""
    source = job.source
    return energy_kwh_m3(1.0, source.pump_efficiency_pct, source.motor_efficiency_pct, job.water)


def _highs(network: MainNetwork) -> tuple[tuple[int, float, float], ...]:
    """Points on the way that stand out over both sides: (link, share of its length, ground)."""
    found = []
    for link, line in enumerate(network.line_m):
        if len(line) > 2:
            run = chainage_m(line)
            for i in turning_points(line[:, 2])[0]:
                found.append((link, float(run[i] / run[-1]), float(line[i, 2])))
    return tuple(found)


def shut_off_m(job: MainsJob, sizes: Sizes) -> float:
    """Head above datum in the mains when the pump works against closed valves. [m]"""
    level = float(sizes.head_m[0, 0] - sizes.pump_head_m[0] + job.supply.station_loss_m)
    return level + shut_off_head_m(job.source, float((sizes.pump_head_m + sizes.short_m).max()))


def _same_classes(old: Floats, new: Floats, pipes: Sequence[Pipe]) -> bool:
    classes = np.unique([p.pressure_class_bar for p in pipes])
    return bool((np.searchsorted(classes, old) == np.searchsorted(classes, new)).all())


def _allowed(
    job: MainsJob, network: MainNetwork, flow: Floats, pipes: tuple[Pipe, ...], own: int, needed: Floats
) -> Bools:
    """Which size may lie in which link: of the least class that bears it, and no faster than the limit.

    Where no class bears it the highest is taken, and where none is slow enough the widest: a finding tells.
    """
    inside = np.array([p.inside_mm for p in pipes])
    rating = np.array([p.pressure_class_bar for p in pipes])
    classes = np.unique(rating[:own])
    at = np.minimum(np.searchsorted(classes, needed), len(classes) - 1)
    allowed = rating[None, :] == classes[at][:, None]
    allowed[:, own:] = False
    slow = np.asarray(velocity_m_s(flow.max(axis=0)[:, None], inside)) <= job.supply.main_velocity_m_s + 1e-9
    fits = allowed & slow
    for link in np.flatnonzero(~fits.any(axis=1)):
        fits[link, np.where(allowed[link], inside, 0.0).argmax()] = True
    laid = [i for i, c in enumerate(job.land.corridors) if c.pipe is not None]
    for link in np.flatnonzero(network.corridor >= 0):
        fits[link] = False
        fits[link, own + laid.index(int(network.corridor[link]))] = True
    return np.asarray(fits)


def _priced(
    job: MainsJob, network: MainNetwork, grouping: Grouping, pipes: tuple[Pipe, ...], own: int,
    sizes: Sizes, season_m3: Floats, problem: SizingProblem,
) -> ShiftChoice:  # fmt: skip
    """What a grouping costs in a year: pipes and trenches as they were drawn, and the energy."""
    rates = job.rates
    new = sizes.length_m[:, :own].sum(axis=0)
    kg = float(new @ np.array([p.weight_kg_m for p in pipes[:own]]))
    bought = float(new @ np.array([rates.pipe_m(p) for p in pipes[:own]]))
    trench = rates.trench_m * float(network.trench_m[network.corridor < 0].sum())
    kwh = float(kwh_per_m3_m(job) * (season_m3 @ sizes.pump_head_m))
    pipe_cost, energy_cost = rates.annuity * (bought + trench), rates.energy_kwh * kwh
    return ShiftChoice(
        source_id=job.source.source_id,
        shifts=len(grouping.groups),
        flow_m3h=float(problem.flow_m3h[:, 0].max()),
        hours_peak_day=grouping.hours,
        duty_head_m=float(sizes.pump_head_m.max()),
        pipe_kg=kg,
        energy_kwh=kwh,
        pipe_cost=pipe_cost,
        energy_cost=energy_cost,
        cost=pipe_cost + energy_cost,
        grouping_gap_pct=100.0 * grouping.gap,
        fits=grouping.hours <= job.source.hours_per_day + 1e-6,
    )


def _unreached(source: Source, valve: ValvePlace) -> Finding:
    return Finding(
        "stop",
        "supply",
        f"no allowed way leads from {source.source_id} to valve {valve.valve_id}: roads, streams or closed "
        "ground shut it off",
        valve.valve_id,
        "give a crossing its price in the layer of barriers, or a corridor over it",
    )


def seasons_of(valves: Sequence[ValvePlace], season_m3: Mapping[str, float]) -> Floats:
    """The season's volume of each valve's block, in the order of the valves. [m3]"""
    return np.array([season_m3[v.block_id] for v in valves])
