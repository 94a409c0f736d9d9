"""Kernel of `submain_sizes`: which runs of units some sizes of the submain bring within tolerance. SI units.

Pieces of any length of two sizes make any loss between those of the widest and the narrowest size that is
not too fast. So from the far end towards the valve each unit has a range of inlet heads, and a block can be
sized where the ranges of both branches and of the valve's own unit share a head.
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from farmgis.hydraulics.friction_kernel import loss_per_metre
from farmgis.planning.block_search_kernel import (
    FLOW,
    FLOW_VARIATION,
    HEAD_VARIATION,
    HIGHEST,
    LOWEST,
    OWN_RANGE,
    Floats,
    at_share,
    run_at,
)

TRIES = 5  # places of the band of heads, lowest to highest emitter, about the nominal head


class Room(NamedTuple):
    """Room for one run: inlet heads, flows, heads (units,) and `at` (units, 2), the ranges of inlet heads."""

    low: Floats
    high: Floats
    flow: Floats
    heads: Floats
    at: Floats


@numba.njit(cache=True)
def room_of(units):
    """Return room for runs of a strip."""
    return Room(np.empty(units), np.empty(units), np.empty(units), np.empty(units), np.empty((units, 2)))


@numba.njit(cache=True)
def band_of(judge, share):
    """Return (lowest, highest) head that emitters may have, the nominal head at a share of the band."""
    x1, limit, exponent = judge.x1, judge.limit, judge.law[1]
    if judge.mode == OWN_RANGE:
        return judge.least, judge.top
    if judge.mode == HEAD_VARIATION:
        low = x1 * (1.0 - share * limit)
        return low, low + x1 * limit
    if judge.mode == FLOW_VARIATION:
        ratio = (1.0 - limit) ** (1.0 / exponent)
        high = x1 * (1.0 + (1.0 / ratio - 1.0) * (1.0 - share))
        return high * ratio, high
    lowest = limit / (1.0 - 1.27 * judge.variation)
    return x1 * lowest ** (1.0 / exponent), judge.top


@numba.njit(cache=True)
def _narrowest(flow, fastest):
    """Return the narrowest size that a flow is not too fast in; the widest where it is too fast in all."""
    size = 0
    while size < fastest.size - 1 and flow > fastest[size]:
        size += 1
    return size


@numba.njit(cache=True)
def _inlet_heads(k, lowest, highest, table, judge):
    """Return the range of inlet heads of a unit whose emitters are to lie between two heads."""
    low, high = -math.inf, judge.top
    highest = min(highest, judge.top)
    for arm in range(2):
        if table.facts[k, arm, 0] > 0:
            low = max(low, lowest + judge.x1 - table.curves[k, arm, LOWEST, 0])
            high = min(high, highest + judge.x1 - table.curves[k, arm, HIGHEST, 0])
    return low, high


@numba.njit(cache=True)
def _branch(first, last, step, table, pipes, room):
    """Return the range of heads at the unit beside `first` (inward) that serves a branch; empty: low > high.

    `room.at` gets each unit's own range of inlet heads.
    """
    rows, fastest, reach, ground = pipes.rows, pipes.fastest, table.reach, table.ground
    below, above = -math.inf, math.inf
    carried = 0.0
    k = last
    while True:
        below, above = max(below, room.low[k]), min(above, room.high[k])
        room.at[k, 0], room.at[k, 1] = below, above
        if below > above:
            return 1.0, 0.0
        carried += room.flow[k]
        inner = k - step
        length = reach[k - 1] if step > 0 else reach[k]
        size = _narrowest(carried, fastest)
        if carried > fastest[size]:
            return 1.0, 0.0
        rise = ground[k] - ground[inner]
        below += rise + loss_per_metre(carried, rows[rows.shape[0] - 1])[0] * length
        above += rise + loss_per_metre(carried, rows[size])[0] * length
        if k == first:
            return below, above
        k -= step


@numba.njit(cache=True)
def _forward(first, last, step, head, least_of, table, pipes, room):
    """Fill the heads of a branch from the valve's head on: the least (or greatest) that its ranges allow."""
    rows = pipes.rows
    carried = 0.0
    k = first
    while True:
        carried += room.flow[k]
        if k == last:
            break
        k += step
    k = first
    before = head
    while True:
        length = table.reach[k - 1] if step > 0 else table.reach[k]
        size = _narrowest(carried, pipes.fastest)
        rise = table.ground[k] - table.ground[k - step]
        low = before - rise - loss_per_metre(carried, rows[size])[0] * length
        high = before - rise - loss_per_metre(carried, rows[rows.shape[0] - 1])[0] * length
        before = max(low, room.at[k, 0]) if least_of else min(high, room.at[k, 1])
        room.heads[k] = before
        carried -= room.flow[k]
        if k == last:
            break
        k += step


@numba.njit(cache=True)
def _flow_from(a, b, valve, head, least_of, table, pipes, judge, room):
    """Return the flow of units a to b with the least (or greatest) heads that a valve's head allows."""
    room.heads[valve] = head
    if valve + 1 < b:
        _forward(valve + 1, b - 1, 1, head, least_of, table, pipes, room)
    if valve > a:
        _forward(valve - 1, a, -1, head, least_of, table, pipes, room)
    total = 0.0
    for k in range(a, b):
        x = room.heads[k] - judge.x1
        for arm in range(2):
            c = table.curves[k, arm, FLOW]
            total += table.lines[k] * (c[0] + x * (c[1] + x * c[2]))
    return total


@numba.njit(cache=True)
def can_spend(a, b, valve, table, pipes, judge, room):
    """Return whether some sizes bring units a to b, fed at unit `valve`, within tolerance."""
    wanted = 0.0
    for k in range(a, b):
        n = table.lines[k] * (table.facts[k, 0, 0] + table.facts[k, 1, 0])
        room.flow[k] = n * judge.emitter_flow
        wanted += room.flow[k]
    for turn in range(1 if judge.mode == OWN_RANGE else TRIES):
        lowest, highest = band_of(judge, turn / (TRIES - 1.0))
        for k in range(a, b):
            room.low[k], room.high[k] = _inlet_heads(k, lowest, highest, table, judge)
        below, above = room.low[valve], room.high[valve]
        if valve + 1 < b:
            one, other = _branch(valve + 1, b - 1, 1, table, pipes, room)
            below, above = max(below, one), min(above, other)
        if valve > a:
            one, other = _branch(valve - 1, a, -1, table, pipes, room)
            below, above = max(below, one), min(above, other)
        if below > above:
            continue
        if judge.mode == OWN_RANGE:
            return True
        least_flow = _flow_from(a, b, valve, below, True, table, pipes, judge, room)
        most_flow = _flow_from(a, b, valve, above, False, table, pipes, judge, room)
        if least_flow <= wanted <= most_flow:
            return True
    return False


@numba.njit(cache=True)
def _alone(k, table, judge):
    """Return whether a unit by itself can be within tolerance at some inlet head."""
    for turn in range(1 if judge.mode == OWN_RANGE else TRIES):
        lowest, highest = band_of(judge, turn / (TRIES - 1.0))
        low, high = _inlet_heads(k, lowest, highest, table, judge)
        if low <= high:
            return True
    return False


@numba.njit(cache=True)
def _served_at(a, b, table, pipes, judge, room):
    """Return the unit at which a valve lets some sizes serve a run (an end, or the middle), or -1."""
    for third in range(3 if b - a > 2 else 2):
        valve = a if third == 0 else (b - 1 if third == 1 else (a + b) // 2)
        if can_spend(a, b, valve, table, pipes, judge, room):
            return valve
    return -1


@numba.njit(cache=True)
def mark_runs(table, pipes, judge, bounds, best, mark):
    """Fill `mark` (units, longest, 2): share and valve of runs that some sizes serve though no taper does.

    -1 where there are none. `best` (units, longest, 2) tells which runs need none. `table` is that of all
    shares.
    """
    shares, units = table.ground.shape
    longest = best.shape[1]
    alone = np.zeros((shares, units), np.bool_)
    for s in range(shares):
        for k in range(units):
            alone[s, k] = _alone(k, at_share(table, s), judge)
    room = room_of(units)
    for a in range(units):
        given_up = np.zeros(shares, np.bool_)
        mark[a] = -1
        for length in range(1, min(longest, units - a) + 1):
            b = a + length
            for s in range(shares):
                if given_up[s]:
                    continue
                here = at_share(table, s)
                kept, carried, _ = run_at(a, b, here, judge, bounds)
                if not kept or not alone[s, b - 1]:
                    given_up[s] = True
                    continue
                known = best[a, length - 1, 0] <= 0.0 or mark[a, length - 1, 0] >= 0
                if carried <= 0.0 or length == 1 or known:
                    continue
                valve = _served_at(a, b, here, pipes, judge, room)
                if valve >= 0:
                    mark[a, length - 1, 0], mark[a, length - 1, 1] = s, valve
                given_up[s] = valve < 0  # a longer run has the same ends, and falls farther
