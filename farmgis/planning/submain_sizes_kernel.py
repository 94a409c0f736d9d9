"""Kernel of `submain_sizes`: which runs of units some sizes of the submain bring within tolerance. SI units.

Pieces of any length of two sizes make any loss between those of the widest and the narrowest size that is
not too fast. So from the far end towards the valve each unit has a range of inlet heads, and a block can be
sized where the ranges of both branches and of the valve's own unit share a head.
"""

import math

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
)

TRIES = 5  # places of the band of heads, lowest to highest emitter, about the nominal head


@numba.njit(cache=True)
def band_of(mode, limit, variation, law, x1, least, top, share):
    """Return (lowest, highest) head that emitters may have, the nominal head at a share of the band."""
    if mode == OWN_RANGE:
        return least, top
    if mode == HEAD_VARIATION:
        low = x1 * (1.0 - share * limit)
        return low, low + x1 * limit
    if mode == FLOW_VARIATION:
        ratio = (1.0 - limit) ** (1.0 / law[1])
        high = x1 * (1.0 + (1.0 / ratio - 1.0) * (1.0 - share))
        return high * ratio, high
    lowest = limit / (1.0 - 1.27 * variation)
    return x1 * lowest ** (1.0 / law[1]), top


@numba.njit(cache=True)
def _branch(first, last, step, low, high, ground, reach, flow, narrow, wide_size, rows, top, at):
    """Return the range of heads at the unit beside `first` (inward) that serves a branch; empty: low > high.

    `at` (units, 2) gets each unit's own range of inlet heads.
    """
    below, above = -math.inf, math.inf
    carried = 0.0
    k = last
    while True:
        below, above = max(below, low[k]), min(above, high[k])
        at[k, 0], at[k, 1] = below, above
        if below > above:
            return 1.0, 0.0
        carried += flow[k]
        inner = k - step
        length = reach[k - 1] if step > 0 else reach[k]
        size = 0
        while size < narrow.size - 1 and carried > narrow[size]:
            size += 1
        if carried > narrow[size]:
            return 1.0, 0.0
        rise = ground[k] - ground[inner]
        below += rise + loss_per_metre(carried, rows[wide_size])[0] * length
        above += rise + loss_per_metre(carried, rows[size])[0] * length
        if k == first:
            return below, above
        k -= step


@numba.njit(cache=True)
def _forward(first, last, step, head, least_of, ground, reach, flow, narrow, rows, wide_size, at, heads):
    """Fill `heads` of a branch from the valve's head on: the least (or greatest) that its ranges allow."""
    carried = 0.0
    k = first
    while True:
        carried += flow[k]
        if k == last:
            break
        k += step
    k = first
    before = head
    while True:
        inner = k - step
        length = reach[k - 1] if step > 0 else reach[k]
        size = 0
        while size < narrow.size - 1 and carried > narrow[size]:
            size += 1
        rise = ground[k] - ground[inner]
        low = before - rise - loss_per_metre(carried, rows[size])[0] * length
        high = before - rise - loss_per_metre(carried, rows[wide_size])[0] * length
        before = max(low, at[k, 0]) if least_of else min(high, at[k, 1])
        heads[k] = before
        carried -= flow[k]
        if k == last:
            break
        k += step


@numba.njit(cache=True)
def can_spend(a, b, valve, ground, reach, wide, curves, facts, nominal, rows, narrow, x1, law, mode, limit,
              variation, least, top, low, high, flow, at, heads):  # fmt: skip
    """Return whether some sizes bring units a to b, fed at unit `valve`, within tolerance."""
    wanted = 0.0
    for k in range(a, b):
        n = wide[k] * (facts[k, 0, 0] + facts[k, 1, 0])
        flow[k] = n * nominal
        wanted += flow[k]
    widest = rows.shape[0] - 1
    for turn in range(1 if mode == OWN_RANGE else TRIES):
        lowest, highest = band_of(mode, limit, variation, law, x1, least, top, turn / (TRIES - 1.0))
        highest = min(highest, top)
        for k in range(a, b):
            low[k], high[k] = -math.inf, min(math.inf, top)
            for arm in range(2):
                if facts[k, arm, 0] > 0:
                    low[k] = max(low[k], lowest + x1 - curves[k, arm, LOWEST, 0])
                    high[k] = min(high[k], highest + x1 - curves[k, arm, HIGHEST, 0])
        below, above = low[valve], high[valve]
        if valve + 1 < b:
            one, other = _branch(
                valve + 1, b - 1, 1, low, high, ground, reach, flow, narrow, widest, rows, top, at
            )
            below, above = max(below, one), min(above, other)
        if valve > a:
            one, other = _branch(
                valve - 1, a, -1, low, high, ground, reach, flow, narrow, widest, rows, top, at
            )
            below, above = max(below, one), min(above, other)
        if below > above:
            continue
        if mode == OWN_RANGE:
            return True
        least_flow, most_flow = 0.0, 0.0
        for which in range(2):
            head = below if which == 0 else above
            heads[valve] = head
            if valve + 1 < b:
                _forward(valve + 1, b - 1, 1, head, which == 0, ground, reach, flow, narrow, rows, widest, at,
                         heads)  # fmt: skip
            if valve > a:
                _forward(valve - 1, a, -1, head, which == 0, ground, reach, flow, narrow, rows, widest, at,
                         heads)  # fmt: skip
            total = 0.0
            for k in range(a, b):
                x = heads[k] - x1
                for arm in range(2):
                    c = curves[k, arm, FLOW]
                    total += wide[k] * (c[0] + x * (c[1] + x * c[2]))
            if which == 0:
                least_flow = total
            else:
                most_flow = total
        if least_flow <= wanted <= most_flow:
            return True
    return False


@numba.njit(cache=True)
def _alone(k, curves, facts, x1, law, mode, limit, variation, least, top):
    """Return whether a unit by itself can be within tolerance at some inlet head."""
    for turn in range(1 if mode == OWN_RANGE else TRIES):
        lowest, highest = band_of(mode, limit, variation, law, x1, least, top, turn / (TRIES - 1.0))
        low, high = -math.inf, top
        for arm in range(2):
            if facts[k, arm, 0] > 0:
                low = max(low, lowest + x1 - curves[k, arm, LOWEST, 0])
                high = min(high, min(highest, top) + x1 - curves[k, arm, HIGHEST, 0])
        if low <= high:
            return True
    return False


@numba.njit(cache=True)
def mark_runs(ground, reach, wide, reaches, curves, facts, nominal, rows, narrow, x1, law, mode, limit,
              variation, least, top, most_flow, lateral_max, step_max, best, mark):  # fmt: skip
    """Fill `mark` (units, longest, 2): share and valve of runs that some sizes serve though no taper does.

    -1 where there are none. `best` (units, longest, 2) tells which runs need none.
    """
    shares, units = ground.shape
    longest = best.shape[1]
    alone = np.zeros((shares, units), np.bool_)
    for s in range(shares):
        for k in range(units):
            alone[s, k] = _alone(k, curves[s], facts[s], x1, law, mode, limit, variation, least, top)
    low, high, flow = np.empty(units), np.empty(units), np.empty(units)
    heads, at = np.empty(units), np.empty((units, 2))
    for a in range(units):
        given_up = np.zeros(shares, np.bool_)
        mark[a] = -1
        for length in range(1, min(longest, units - a) + 1):
            b = a + length
            for s in range(shares):
                if given_up[s]:
                    continue
                carried, highest, lowest, ok = 0.0, -math.inf, math.inf, alone[s, b - 1]
                for k in range(a, b):
                    carried += wide[k] * (facts[s, k, 0, 0] + facts[s, k, 1, 0]) * nominal
                    highest = max(highest, ground[s, k])
                    lowest = min(lowest, facts[s, k, 0, 1], facts[s, k, 1, 1])
                ok = ok and max(reaches[s, b - 1, 0], reaches[s, b - 1, 1]) <= lateral_max
                ok = ok and (length == 1 or reach[s, b - 2] <= step_max[b - 2])
                if not ok or carried > most_flow or highest - lowest > top:
                    given_up[s] = True
                    continue
                if (
                    carried <= 0.0
                    or length == 1
                    or best[a, length - 1, 0] <= 0.0
                    or mark[a, length - 1, 0] >= 0
                ):
                    continue
                served = False
                for third in range(3 if length > 2 else 2):
                    valve = a if third == 0 else (b - 1 if third == 1 else (a + b) // 2)
                    if can_spend(a, b, valve, ground[s], reach[s], wide, curves[s], facts[s], nominal, rows,
                                 narrow, x1, law, mode, limit, variation, least, top, low, high, flow, at,
                                 heads):  # fmt: skip
                        mark[a, length - 1, 0], mark[a, length - 1, 1] = s, valve
                        served = True
                        break
                given_up[s] = not served  # a longer run has the same ends, and falls farther
