"""Shifts: which blocks of a source run together, by integer programming, with a bound and its gap.

Blocks in a shift run as long as the one that needs longest, and the pump lifts as high as the highest needs.
So the least sum of hours is sought, then flows that differ little, then the least sum of heads.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from farmgis.records import Finding, Floats, Shift

HEAD_WEIGHT = 0.1
"""What shifts of equal lift are worth against hours of running (common practice)."""

FLOW_WEIGHT = 0.5
"""What shifts of equal flow are worth against hours of running: pump and filter like one flow (common
practice)."""

GAP = 0.02
FEW, NODES_FEW, NODES_MANY = 40, 200, 3
"""The search stops at this gap (of what the choice can change) or after so many nodes, fewer from this many
blocks times shifts on: never by the clock."""

AT_ONCE, PART = 150, 60
"""Blocks times shifts up to which all are grouped at once; more are taken in parts of about so many, highest
lift first."""

LEAST_GAIN = 1e-6
"""Less cost than this is no gain, but rounding."""

PLACES = 4
"""Decimal places that figures of blocks count to: what differs beyond is not alike on every machine."""


@dataclass(frozen=True)
class Turn:
    """A block as shifts see it: its flow, its hours in a day of the peak, the head line that it needs."""

    block_id: str
    flow_m3h: float
    peak_hours: float
    lift_m: float = 0.0  # elevation of the valve and the head it needs


@dataclass(frozen=True)
class Grouping:
    """Blocks in shifts, each by its place in the list that was given.

    `cost` is the objective reached and `bound` what none can be under; `hours` is what all shifts together
    run in a day of the peak.
    """

    groups: tuple[tuple[int, ...], ...]
    hours: float
    cost: float
    bound: float

    @property
    def gap(self) -> float:
        """Distance of cost from bound, as a share of the cost. [-]"""
        return (self.cost - self.bound) / self.cost if self.cost > 0.0 else 0.0


def shifts_of(source_id: str | None, turns: Sequence[Turn], grouping: Grouping) -> tuple[Shift, ...]:
    """The groups as numbered shifts, those of the highest lift first."""
    made = []
    order = sorted(grouping.groups, key=lambda g: (-max(turns[i].lift_m for i in g), g))
    for number, group in enumerate(order, start=1):
        ids = tuple(sorted(turns[i].block_id for i in group))
        made.append(Shift(source_id, number, ids, float(sum(turns[i].flow_m3h for i in group))))
    return tuple(made)


def least_count(turns: Sequence[Turn], most_flow_m3h: float) -> int:
    """The number of shifts under which no grouping can keep the flow. A block over it counts one."""
    flows = np.array([t.flow_m3h for t in turns])
    large = flows > most_flow_m3h + 1e-6
    rest = math.ceil(flows[~large].sum() / most_flow_m3h - 1e-9) if (~large).any() else 0
    return int(large.sum()) + rest


def grouped(turns: Sequence[Turn], most_flow_m3h: float, count: int) -> Grouping | None:
    """Blocks in a number of shifts, none over a flow; None where that cannot be.

    Figures count to four places, and so does the flow that is kept. A block larger than it runs alone. Up
    to some forty blocks are grouped at once, and `bound` is the integer program's; more are grouped part by
    part, and `bound` counts only what any grouping must have.
    """
    large = [i for i, t in enumerate(turns) if t.flow_m3h > most_flow_m3h + 1e-6]
    turns = [_rounded(t) for t in turns]
    rest = [i for i in range(len(turns)) if i not in set(large)]
    own = count - len(large)
    if own < (1 if rest else 0) or own > len(rest):
        return None
    groups: list[tuple[int, ...]] = [(i,) for i in large]
    bound = None
    if rest:
        found = _parts(turns, rest, most_flow_m3h, own)
        if found is None:
            return None
        groups += [tuple(rest[i] for i in g) for g in found[0]]
        bound = found[1] if not large else None
    cost = _cost(turns, groups, most_flow_m3h)
    floor = _floor(turns, count, most_flow_m3h)
    return Grouping(tuple(groups), _hours(turns, groups), cost, max(floor, bound or 0.0))


def _rounded(turn: Turn) -> Turn:
    return Turn(turn.block_id, *(round(x, PLACES) for x in (turn.flow_m3h, turn.peak_hours, turn.lift_m)))


def _room_m3h(blocks: int) -> float:
    """What flows of so many blocks, rounded, may be over a flow that they keep."""
    return 1e-6 + 0.5 * 10.0**-PLACES * blocks


def judged(turns: Sequence[Turn], groups: Sequence[Sequence[str]], most_flow_m3h: float) -> Grouping:
    """A user's own groups as a grouping; blocks that are in none of them run alone."""
    place = {t.block_id: i for i, t in enumerate(turns)}
    kept = [tuple(place[b] for b in g if b in place) for g in groups]
    kept = [g for g in kept if g]
    named = {i for g in kept for i in g}
    kept += [(i,) for i in range(len(turns)) if i not in named]
    floor = _floor(turns, len(kept), most_flow_m3h)
    return Grouping(tuple(kept), _hours(turns, kept), _cost(turns, kept, most_flow_m3h), floor)


def least_flow_shifts(peak_run_hours: float, hours_per_day: float) -> int:
    """How many shifts fit into a day when each runs for `peak_run_hours`: more shifts need less flow.

    >>> least_flow_shifts(5.2, 20.0)
    3
    """
    return max(1, math.floor(hours_per_day / peak_run_hours + 1e-9)) if peak_run_hours > 0.0 else 1


def flow_findings(
    source_id: str | None, turns: Sequence[Turn], made: Sequence[Shift], most_flow_m3h: float
) -> tuple[Finding, ...]:
    """Blocks and shifts that take more than a source gives."""
    found = [_too_large(t, source_id, most_flow_m3h) for t in turns if t.flow_m3h > most_flow_m3h + 1e-6]
    most = most_flow_m3h + 2.0 * _room_m3h(len(turns))  # as found by rounded flows
    over = [s for s in made if s.flow_m3h > most and len(s.block_ids) > 1]
    for shift in over:
        found.append(
            Finding(
                "attention",
                "supply",
                f"the blocks of shift {shift.zone_id} take {shift.flow_m3h:.0f} m3/h together, "
                f"{source_id} gives {most_flow_m3h:.0f}",
                shift.zone_id,
                "take a block out of the group, or leave its shifts to be found",
                shift.flow_m3h,
                most_flow_m3h,
                "m3/h",
            )
        )
    return tuple(found)


# ---- what a grouping costs -------------------------------------------------------------------------


def _hours(turns: Sequence[Turn], groups: Sequence[Sequence[int]]) -> float:
    return float(sum(max(turns[i].peak_hours for i in g) for g in groups))


def _lifts_m(turns: Sequence[Turn]) -> tuple[float, float]:
    """The least lift of some blocks, and how far the greatest is over it, a metre at least."""
    lifts = [t.lift_m for t in turns]
    return min(lifts), max(max(lifts) - min(lifts), 1.0)


def _cost(turns: Sequence[Turn], groups: Sequence[Sequence[int]], most_flow_m3h: float) -> float:
    """The objective: hours, and in small part unequal flows and high heads."""
    return _sum([_told(turns, g) for g in groups], _lifts_m(turns), most_flow_m3h)


def _sum(told: Sequence[Told], lifts_m: tuple[float, float], most_flow_m3h: float) -> float:
    """The objective from what is told of each group."""
    hours, lifts, flows = zip(*told, strict=True)
    low, spread = lifts_m
    uneven = FLOW_WEIGHT * (max(flows) - min(flows)) / most_flow_m3h
    return float(sum(hours) + HEAD_WEIGHT * (sum(lifts) - len(told) * low) / spread + uneven)


def _floor(turns: Sequence[Turn], count: int, most_flow_m3h: float) -> float:
    """What no grouping in so many shifts can cost less than."""
    hours = sorted(t.peak_hours for t in turns)
    volume = sum(t.flow_m3h * t.peak_hours for t in turns) / most_flow_m3h
    each = hours[-1] + sum(hours[: count - 1])
    return max(volume, each) + HEAD_WEIGHT


# ---- the integer program ---------------------------------------------------------------------------

Pair = tuple[tuple[int, ...], tuple[int, ...]]
Told = tuple[float, float, float]
Found = tuple[list[tuple[int, ...]], float | None]


def _parts(turns: Sequence[Turn], rest: list[int], most_flow_m3h: float, count: int) -> Found | None:
    """The groups of the blocks in `rest`, by places in it, at once or part by part; and the bound."""
    own = [turns[i] for i in rest]
    if len(own) * count <= AT_ONCE:
        found = _programmed(own, most_flow_m3h, count)
        return None if found is None else (_bettered(own, found[0], most_flow_m3h), found[1])
    order = sorted(
        range(len(own)), key=lambda i: (-round(own[i].peak_hours, 1), -own[i].lift_m, own[i].block_id)
    )
    each = max(2, round(math.sqrt(PART * count / len(own))))
    groups: list[tuple[int, ...]] = []
    while order:
        left = count - len(groups)
        number = left if left < 2 * each else each
        mean = sum(own[i].flow_m3h for i in order) / left
        part = order if number == left else _first(own, order, number * mean)
        found = _programmed([own[i] for i in part], most_flow_m3h, number)
        if found is None:
            return None
        groups += [tuple(part[i] for i in g) for g in found[0]]
        order = [i for i in order if i not in set(part)]
    return (_bettered(own, groups, most_flow_m3h), None)


def _first(turns: Sequence[Turn], order: list[int], flow_m3h: float) -> list[int]:
    """The blocks at the head of a list that come nearest to a flow."""
    total = np.cumsum([turns[i].flow_m3h for i in order])
    return order[: 1 + int(np.abs(total - flow_m3h).argmin())]


def _programmed(turns: Sequence[Turn], most_flow_m3h: float, count: int) -> Found | None:
    """The integer program: which block in which shift. None where no grouping is found.

    Columns: block b in shift k, hours of k over the least, the lift of k, the greatest and the least flow.
    """
    n = len(turns)
    if count < 1 or count > n:
        return None
    if count == 1:
        over = sum(t.flow_m3h for t in turns) > most_flow_m3h + _room_m3h(n)
        return None if over else ([tuple(range(n))], None)
    flow = np.array([t.flow_m3h for t in turns])
    hours = np.array([t.peak_hours for t in turns])
    lift = np.array([t.lift_m for t in turns])
    x = np.arange(n * count).reshape(n, count)
    of_hours, of_lift, most = (
        n * count + np.arange(count),
        n * count + count + np.arange(count),
        n * count + 2 * count,
    )
    least = most + 1
    cost = np.zeros(most + 2)
    cost[of_hours], cost[of_lift] = 1.0, HEAD_WEIGHT / _lifts_m(turns)[1]
    cost[most], cost[least] = FLOW_WEIGHT / most_flow_m3h, -FLOW_WEIGHT / most_flow_m3h
    rows = _Rows(most + 2)
    for b in range(n):
        rows.add(x[b], np.ones(count), 1.0, 1.0)
    for k in range(count):
        rows.add(np.append(x[:, k], most), np.append(flow, -1.0), -np.inf, 0.0)
        rows.add(np.append(x[:, k], least), np.append(flow, -1.0), 0.0, np.inf)
        rows.add(x[:, k], np.ones(n), 1.0, np.inf)
        for b in range(n):
            rows.add(np.array([x[b, k], of_hours[k]]), np.array([hours[b] - hours.min(), -1.0]), -np.inf, 0.0)
            rows.add(np.array([x[b, k], of_lift[k]]), np.array([lift[b] - lift.min(), -1.0]), -np.inf, 0.0)
    low, high = np.zeros(most + 2), np.full(most + 2, np.inf)
    high[: n * count] = 1.0
    low[most], high[most] = flow.sum() / count, most_flow_m3h + _room_m3h(n)
    high[least] = flow.sum() / count
    for place, b in enumerate(np.argsort(-lift, kind="stable")):
        high[x[b, place + 1 :]] = 0.0  # shifts are alike: the i-th highest block is in one of the first i
    whole = np.zeros(most + 2)
    whole[: n * count] = 1.0
    result = milp(
        cost,
        constraints=rows.constraint(),
        bounds=Bounds(low, high),
        integrality=whole,
        options={"node_limit": NODES_FEW if n * count <= FEW else NODES_MANY, "mip_rel_gap": GAP},
    )
    if result.x is None:
        return None
    chosen = np.asarray(result.x[: n * count]).reshape(n, count) > 0.5
    groups = [tuple(int(b) for b in np.flatnonzero(chosen[:, k])) for k in range(count)]
    bound = None if result.mip_dual_bound is None else float(result.mip_dual_bound) + count * hours.min()
    return groups, bound


class _Rows:
    """Rows of a sparse matrix as they come, with their limits."""

    def __init__(self, columns: int) -> None:
        self.columns = columns
        self.at: list[np.ndarray] = []
        self.values: list[Floats] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def add(self, at: np.ndarray, values: Floats, low: float, high: float) -> None:
        self.at.append(at)
        self.values.append(values)
        self.low.append(low)
        self.high.append(high)

    def constraint(self) -> LinearConstraint:
        row = np.repeat(np.arange(len(self.at)), [len(a) for a in self.at])
        shape = (len(self.at), self.columns)
        matrix = coo_array((np.concatenate(self.values), (row, np.concatenate(self.at))), shape=shape)
        return LinearConstraint(matrix.tocsc(), self.low, self.high)


def _bettered(
    turns: Sequence[Turn], groups: Sequence[tuple[int, ...]], most_flow_m3h: float
) -> list[tuple[int, ...]]:
    """Groups after moves and swaps of blocks between two of them, for as long as these make them cost less.

    Of many groups only those near each other exchange: they lie by lift.
    """
    sets = [tuple(sorted(g)) for g in groups]
    reach = len(sets) if len(turns) * len(sets) <= AT_ONCE else 2
    limit, lifts = most_flow_m3h + _room_m3h(len(turns)), _lifts_m(turns)
    told = [_told(turns, g) for g in sets]
    cost, before = _sum(told, lifts, most_flow_m3h), math.inf
    while cost < before - LEAST_GAIN:
        before = cost
        for one, other in combinations(range(len(sets)), 2):
            if other - one > reach:
                continue
            for pair in _exchanges(sets[one], sets[other]):
                new = list(told)
                new[one], new[other] = (_told(turns, g) for g in pair)
                if max(new[one][2], new[other][2]) > limit:
                    continue
                then = _sum(new, lifts, most_flow_m3h)
                if then < cost - LEAST_GAIN:
                    told, cost = new, then
                    sets[one], sets[other] = pair
                    break
    return sets


def _exchanges(one: tuple[int, ...], other: tuple[int, ...]) -> Iterator[Pair]:
    """Two groups after each move of a block, and after each swap of two, that leaves neither empty."""
    for a in ((), *((i,) for i in one)):
        for b in ((), *((i,) for i in other)):
            left, right = {*one}.difference(a).union(b), {*other}.difference(b).union(a)
            if left and right and a != b:
                yield tuple(sorted(left)), tuple(sorted(right))


def _told(turns: Sequence[Turn], group: Sequence[int]) -> Told:
    """What a group's cost comes from: its hours, its lift, its flow."""
    own = [turns[i] for i in group]
    return max(t.peak_hours for t in own), max(t.lift_m for t in own), sum(t.flow_m3h for t in own)


def _too_large(turn: Turn, source_id: str | None, most_flow_m3h: float) -> Finding:
    return Finding(
        "attention",
        "supply",
        f"block {turn.block_id} alone takes {turn.flow_m3h:.0f} m3/h, more than the {most_flow_m3h:.0f} m3/h "
        f"that {source_id} gives",
        turn.block_id,
        "set a smaller `block_max_ha`, or bind the field to a larger source",
        turn.flow_m3h,
        most_flow_m3h,
        "m3/h",
    )
