"""Less pressure in low mains: higher classes, reducing valves with relief, or a pump of their own.

All three are priced in one unit, the user's currency or the relative index, and the cheapest is named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from farmgis.planning.describe import VALVE_LOSS_M
from farmgis.planning.main_network import MainNetwork, chainage_m
from farmgis.planning.main_sizes import LEAST_HEAD_M
from farmgis.planning.pressure_class import BAR_M, ReachPressure
from farmgis.planning.pump import SHUT_OFF_FACTOR
from farmgis.planning.route_graph import Ints
from farmgis.records import Assumption, Finding, Floats, Pipe

REDUCING_VALVE_INDEX = 300.0
"""A reducing valve with strainer, relief and chamber, in the relative index (common practice)."""

PUMP_SET_INDEX = 1500.0
"""A pump with motor, control and check valve, in the relative index (common practice)."""

RELIEF_SHARE = 0.1
LEAST_RELIEF_M = 5.0
"""A relief valve opens this much over what the reducing valve beside it is set to (common practice)."""

UNSERVED_FACTOR = 100.0
"""A metre that no class on sale bears costs this many times the dearest, so that a valve is sought first."""

ALIKE = 1e-6
"""Costs that differ by less than this share are alike: what differs is rounding."""

PUMP_GAIN = 0.02
"""A pump of its own that saves less than this share is no reason for a second source (common practice)."""

Laid = Literal["class", "reducing valve"]
Option = Literal["class", "reducing valve", "separate pump"]


@dataclass(frozen=True)
class ReducingValve:
    """A reducing valve at the upstream end of a link. Heads are pressure above the ground there. [m]

    `level_m` is the head above datum at which the relief beside it opens: what stands below it at rest.
    """

    link: int
    place_m: Floats  # (x, y, z)
    set_head_m: float
    relief_head_m: float
    level_m: float
    saved: float


@dataclass(frozen=True)
class Zones:
    """How pressure is kept down, in the cheaper of the two ways that are laid.

    `static_level_m` (nodes,) is the head above datum at rest in each link. `cost` holds what each way costs,
    in one unit; inf where it leaves a reach that no class bears.
    """

    option: Laid
    valves: tuple[ReducingValve, ...]
    static_level_m: Floats
    cost: dict[Option, float]
    pump_link: int | None = None

    @property
    def pump_pays(self) -> bool:
        """Whether a pump of its own for a branch would cost clearly less than what is laid."""
        laid = self.cost[self.option]
        return self.cost["separate pump"] < ((1.0 - PUMP_GAIN) * laid if np.isfinite(laid) else np.inf)


@dataclass(frozen=True)
class ZonePrices:
    """What is weighed: a metre of each size, a reducing valve with its relief, a pump set."""

    pipe_m: Callable[[Pipe], float]
    reducing_valve: float = REDUCING_VALVE_INDEX
    pump_set: float = PUMP_SET_INDEX


@dataclass(frozen=True)
class _State:
    """Heads in the links with some reducing valves: at rest above datum, and by how much they run lower."""

    level_m: Floats
    drop_m: Floats


def pressure_zones(
    network: MainNetwork,
    pressures: Sequence[ReachPressure],
    pipes: Sequence[Pipe],
    head_m: Floats,
    needed_m: Floats,
    water_level_m: float,
    shut_off_level_m: float,
    prices: ZonePrices,
) -> Zones:
    """The cheaper way to keep every reach within a class; what a pump of its own would cost, to be told.

    `head_m` and `needed_m` (shifts, nodes) are heads above datum as they run and as they are needed, NaN
    where nothing flows or nothing is needed. A reducing valve stands only where every shift has more
    head than the valve takes when it is wide open.
    """
    spare_m = _spare_m(network, head_m, needed_m)
    bill = _Bill(network, pressures, pipes, prices)
    plain = _State(np.full(network.count, shut_off_level_m), np.zeros(network.count))
    valves, reduced = _valves(network, bill, head_m, spare_m, plain)
    with_valves = bill.total(reduced) + len(valves) * prices.reducing_valve
    pump_link, pumped = _own_pump(network, bill, head_m, spare_m, water_level_m, plain)
    cost: dict[Option, float] = {
        "class": np.inf if bill.unserved(plain) else bill.total(plain),
        "reducing valve": with_valves if valves and not bill.unserved(reduced) else np.inf,
        "separate pump": pumped,
    }
    laid: Laid = "reducing valve" if valves and with_valves < bill.total(plain) else "class"
    kept = valves if laid == "reducing valve" else ()
    return Zones(laid, kept, (reduced if kept else plain).level_m, cost, pump_link)


def reduced_heads_m(network: MainNetwork, head_m: Floats, valves: Sequence[ReducingValve]) -> Floats:
    """Heads above datum (shifts, nodes) as they run with reducing valves in the mains. [m]"""
    made, beyond = head_m.copy(), _beyond(network)
    for valve in valves:
        inlet = made[:, network.parent[valve.link]]
        outlet = np.minimum(inlet, valve.set_head_m + float(valve.place_m[2]))
        made[:, beyond[valve.link]] -= (inlet - outlet)[:, None]
    return made


class _Bill:
    """What pipes cost as heads change: each piece in its least class that bears all of it."""

    def __init__(
        self,
        network: MainNetwork,
        pressures: Sequence[ReachPressure],
        pipes: Sequence[Pipe],
        prices: ZonePrices,
    ) -> None:
        self.prices = prices
        self.beyond = _beyond(network)
        self.link = np.array([r.link for r in pressures], dtype=np.int64)
        self.pieces = [np.flatnonzero(np.isin(self.link, own)) for own in self.beyond]
        self.lowest_m = np.array([float(r.line_m[:, 2].min()) for r in pressures])
        self.length_m = np.array([float(chainage_m(r.line_m)[-1]) for r in pressures])
        rows = [_classes(r, pipes, prices) for r in pressures]
        most = max((len(r) for r in rows), default=1)
        none = (-np.inf, np.inf, np.inf)
        table = np.array([[*r, *[none] * (most - len(r))] for r in rows]).reshape(len(rows), most, 3)
        self.bears_m, self.over_m, self.price = table[..., 0], table[..., 1], table[..., 2]

    def _prices(self, state: _State, own: Ints | None = None) -> tuple[Floats, np.ndarray]:
        own = np.arange(self.link.size) if own is None else own
        link, price = self.link[own], self.price[own]
        static, drop = state.level_m[link] - self.lowest_m[own], state.drop_m[link]
        served = (self.bears_m[own] >= static[:, None] - 1e-6) & (self.over_m[own] <= drop[:, None] + 1e-6)
        none = ~served.any(axis=1)
        dearest = np.where(np.isfinite(price), price, 0.0).max(axis=1)
        least = np.where(served, price, np.inf).min(axis=1)
        return np.where(none, UNSERVED_FACTOR * dearest, least), none

    def total(self, state: _State, own: Ints | None = None) -> float:
        """Cost of all pieces, or of some."""
        own = np.arange(self.link.size) if own is None else own
        return float(self._prices(state, own)[0] @ self.length_m[own]) if own.size else 0.0

    def saved(self, network: MainNetwork, valve: ReducingValve, head_m: Floats, state: _State) -> float:
        """What pipes cost less with one more valve."""
        own = self.pieces[valve.link]
        return self.total(state, own) - self.total(self.below(network, valve, head_m, state), own)

    def below(self, network: MainNetwork, valve: ReducingValve, head_m: Floats, state: _State) -> _State:
        """The heads with one more valve: at rest its relief's, running lower by what every shift loses."""
        own = self.beyond[valve.link]
        runs = np.isfinite(head_m[:, valve.link])
        inlet = head_m[runs, network.parent[valve.link]]
        lost = max(float((inlet - valve.set_head_m - float(valve.place_m[2])).min()), 0.0)
        level, drop = state.level_m.copy(), state.drop_m.copy()
        level[own] = np.minimum(level[own], valve.level_m)
        drop[own] = np.maximum(drop[own], lost)
        return _State(level, drop)

    def unserved(self, state: _State) -> bool:
        """Whether some piece is left that no class bears."""
        return bool(self._prices(state)[1].any()) if self.link.size else False

    def least_price_m(self, link: int) -> float:
        """The cheapest metre of what lies in a link."""
        own = self.price[self.link == link]
        return float(own[np.isfinite(own)].min()) if own.size else 0.0


def _classes(
    reach: ReachPressure, pipes: Sequence[Pipe], prices: ZonePrices
) -> list[tuple[float, float, float]]:
    """Head at rest that each class bears, by how much heads that run are over what it bears, its price."""
    own = (reach.pipe.material, reach.pipe.nominal_mm)
    same = [p for p in pipes if (p.material, p.nominal_mm) == own] or [reach.pipe]
    found = []
    for pipe in sorted(same, key=lambda p: p.pressure_class_bar):
        bar = pipe.pressure_class_bar * BAR_M
        over = max(
            reach.closing_head_m - bar * pipe.surge_factor, reach.surge_head_max_m - bar * pipe.trip_factor
        )
        found.append((bar, over, prices.pipe_m(pipe)))
    return found


def _beyond(network: MainNetwork) -> list[Ints]:
    """Of each link: itself and all that it feeds."""
    fed: list[list[int]] = [[i] for i in range(network.count)]
    for i in range(network.count - 1, 0, -1):
        fed[network.parent[i]] += fed[i]
    return [np.array(sorted(own), dtype=np.int64) for own in fed]


def _spare_m(network: MainNetwork, head_m: Floats, needed_m: Floats) -> Floats:
    """Head to spare at each node and on the way to it, inf where nothing flows, (shifts, nodes). [m]"""
    spare = np.where(np.isfinite(needed_m) & np.isfinite(head_m), head_m - needed_m, np.inf)
    for i, line in enumerate(network.line_m):
        if len(line) > 2:
            share = chainage_m(line)[1:-1] / network.length_m[i]
            head = head_m[:, [network.parent[i]]] * (1.0 - share) + head_m[:, [i]] * share
            on_way = (head - line[1:-1, 2]).min(axis=1) - LEAST_HEAD_M
            spare[:, i] = np.fmin(spare[:, i], on_way)
    return spare


def _least_level_m(network: MainNetwork, below: Ints, head_m: Floats, spare_m: Floats) -> tuple[float, float]:
    """Head above datum that a link's inlet needs over all shifts, and the least that it has to spare. [m]"""
    link = int(below[0])
    runs = np.isfinite(head_m[:, link])
    if not runs.any():
        return np.nan, -np.inf
    slack = spare_m[runs][:, below].min(axis=1)
    inlet = head_m[runs, network.parent[link]]
    needed = inlet - slack
    return float(needed.max()), float(slack.min())


def _valves(
    network: MainNetwork, bill: _Bill, head_m: Floats, spare_m: Floats, state: _State
) -> tuple[tuple[ReducingValve, ...], _State]:
    """Reducing valves, the one that saves most first, as long as one saves more than it costs."""
    places = []
    for link in range(1, network.count):
        needed, spare = _least_level_m(network, bill.beyond[link], head_m, spare_m)
        if spare >= VALVE_LOSS_M and len(network.line_m[link]):
            places.append(_valve(network, link, needed))
    made: list[ReducingValve] = []
    savings = np.array([bill.saved(network, v, head_m, state) for v in places])
    while savings.size and savings.max() > bill.prices.reducing_valve * (1.0 + ALIKE):
        best = int(np.argmax(savings >= savings.max() * (1.0 - ALIKE)))  # the first of them from the source
        valve = replace(places[best], saved=float(savings[best]))
        state = bill.below(network, valve, head_m, state)
        made.append(valve)
        savings[best] = -np.inf
        for i, other in enumerate(places):  # only what lies above or below it is changed
            related = valve.link in bill.beyond[other.link] or other.link in bill.beyond[valve.link]
            if related and np.isfinite(savings[i]):
                savings[i] = bill.saved(network, other, head_m, state)
    return tuple(sorted(made, key=lambda v: v.link)), state


def _valve(network: MainNetwork, link: int, needed_level_m: float) -> ReducingValve:
    place = np.asarray(network.line_m[link][0])
    head = max(needed_level_m - float(place[2]), LEAST_HEAD_M)
    relief = head + max(RELIEF_SHARE * head, LEAST_RELIEF_M)
    return ReducingValve(link, place, head, relief, relief + float(place[2]), 0.0)


def _own_pump(
    network: MainNetwork,
    bill: _Bill,
    head_m: Floats,
    spare_m: Floats,
    water_level_m: float,
    state: _State,
) -> tuple[int | None, float]:
    """The branch that a pump and a main of its own would serve best, and what all would then cost."""
    best, least = None, np.inf
    away = network.path_m()
    for link in range(1, network.count):
        needed, _ = _least_level_m(network, bill.beyond[link], head_m, spare_m)
        if not np.isfinite(needed) or not len(network.line_m[link]):
            continue
        at_rest = water_level_m + SHUT_OFF_FACTOR * max(needed - water_level_m, 0.0)
        lowered = bill.below(network, replace(_valve(network, link, needed), level_m=at_rest), head_m, state)
        if bill.unserved(lowered):
            continue
        trunk = float(away[network.parent[link]])
        cost = bill.total(lowered) + bill.prices.pump_set + trunk * bill.least_price_m(link)
        if cost < least * (1.0 - ALIKE):
            best, least = link, cost
    return best, least


def zone_findings(source_id: str, network: MainNetwork, zones: Zones, unit: str) -> tuple[Finding, ...]:
    """Each reducing valve with what it asks for, and a pump of its own where that is cheapest."""
    told = "; ".join(f"{k} {v:,.0f}" for k, v in zones.cost.items() if np.isfinite(v)) or "none serves"
    found = [
        Finding(
            "note",
            "pressure",
            f"a reducing valve where the main to {network.node_id[v.link]} begins, set to "
            f"{v.set_head_m:.0f} m, with relief at {v.relief_head_m:.0f} m, keeps the mains below in a lower "
            f"class (cost in {unit}: {told})",
            source_id,
            "never without the relief beside it, led off to where water harms nobody; check both before each "
            "season; a licensed engineer decides",
            v.set_head_m,
            v.relief_head_m,
            "m",
            shapely.points(v.place_m[:2]),
        )
        for v in zones.valves
    ]
    if zones.pump_link is not None and zones.pump_pays:
        found.append(
            Finding(
                "note",
                "pressure",
                f"a pump and a main of its own for what lies beyond {network.node_id[zones.pump_link]} would "
                f"cost less than higher classes or reducing valves (cost in {unit}: {told})",
                source_id,
                "plan those fields as a source of their own and compare",
            )
        )
    return tuple(found)


def tell_zones() -> tuple[Assumption, ...]:
    """What reducing valves and pumps are weighed with."""
    return (
        Assumption(
            "index_of_a_reducing_valve", f"{REDUCING_VALVE_INDEX:g}", "kg of pipe", "", "common practice"
        ),
        Assumption("index_of_a_pump_set", f"{PUMP_SET_INDEX:g}", "kg of pipe", "", "common practice"),
        Assumption(
            "relief_over_reducing_valve",
            f"{100 * RELIEF_SHARE:g} %, at least {LEAST_RELIEF_M:g}",
            "m",
            "",
            "common practice",
        ),
    )
