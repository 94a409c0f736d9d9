"""Kernels of `block_search`: what arms do at some inlet heads, and what candidate blocks would cost.

SI units throughout. An arm is the lateral on one side of a submain; a unit is a few neighbouring
lines that are judged by their middle one.
"""

import math

import numba
import numpy as np

from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.hydraulics.friction_kernel import loss_per_metre
from farmgis.hydraulics.lateral_kernel import shoot
from farmgis.terrain.surface_kernel import height

HEAD_VARIATION, FLOW_VARIATION, EMISSION_UNIFORMITY, OWN_RANGE = 0, 1, 2, 3
FLOW, LOWEST, HIGHEST = 0, 1, 2  # the curves of an arm, each a parabola in inlet head
INFEASIBLE = 1e6
ROUNDING = 1e-9  # an excess, or a saving as a share, that only rounding makes: not alike on every machine


@numba.njit(cache=True)
def _parabola(x, y, out):
    """Fill `out` with c0, c1, c2 of the parabola through three points, about x[1]."""
    d0 = (y[0] - y[1]) / (x[0] - x[1])
    d2 = (y[2] - y[1]) / (x[2] - x[1])
    out[2] = (d2 - d0) / (x[2] - x[0])
    out[1] = d0 - out[2] * (x[0] - x[1])
    out[0] = y[1]


@numba.njit(cache=True, parallel=True)
def arms(
    z,
    x0,
    y0,
    cell,
    inlet,
    end,
    longest,
    spacing,
    lump,
    row,
    law,
    factor,
    start_k,
    each_k,
    heads,
    curves,
    facts,
):
    """Fill `curves` and `facts` of arms; the curves of one over the longest stay 0.

    `inlet`, `end`: (arms, 2) in x, y. `heads`: three inlet heads. `curves`: (arms, 3, 3), a parabola
    about heads[1] for flow, lowest and highest emitter head. `facts`: (arms, 3), emitters, lowest
    emitter elevation, inlet elevation.
    """
    for i_arm in numba.prange(inlet.shape[0]):
        k = np.int64(i_arm)
        dx = end[k, 0] - inlet[k, 0]
        dy = end[k, 1] - inlet[k, 1]
        emitters = int(math.hypot(dx, dy) / spacing + 1e-6)
        ground = height(z, x0, y0, cell, inlet[k, 0], inlet[k, 1])
        facts[k, 0] = emitters
        facts[k, 1] = ground
        facts[k, 2] = ground
        curves[k] = 0.0
        if emitters == 0 or emitters * spacing > longest:
            continue
        stations = max(1, int(emitters / lump + 0.5))
        share = emitters / stations
        along = np.empty(stations + 1)
        along[0] = ground
        reach = emitters * spacing / math.hypot(dx, dy) / stations
        for i in range(1, stations + 1):
            along[i] = height(z, x0, y0, cell, inlet[k, 0] + dx * reach * i, inlet[k, 1] + dy * reach * i)
            facts[k, 1] = min(facts[k, 1], along[i])
        seen = np.empty((3, 3))
        end_head = heads[1]
        for h in range(3):
            end_head, q, low, high, _ = shoot(
                heads[h],
                end_head,
                along,
                stations,
                share * spacing * factor,
                share,
                row,
                law,
                start_k,
                each_k,
                1e-4,
            )
            seen[FLOW, h], seen[LOWEST, h], seen[HIGHEST, h] = q, low, high
        for c in range(3):
            _parabola(heads, seen[c], curves[k, c])


@numba.njit(cache=True, inline="always")
def _at(curve, x):
    return curve[0] + x * (curve[1] + x * curve[2])


@numba.njit(cache=True)
def capacities(rows, fastest, gradients, out):
    """Fill `out` (gradients, sizes): the flow that each size carries within velocity and gradient."""
    for g in range(gradients.size):
        for i in range(rows.shape[0]):
            low, high = 0.0, fastest[i]
            if loss_per_metre(high, rows[i])[0] > gradients[g]:
                for _ in range(40):
                    middle = 0.5 * (low + high)
                    if loss_per_metre(middle, rows[i])[0] > gradients[g]:
                        high = middle
                    else:
                        low = middle
            out[g, i] = high


@numba.njit(cache=True)
def size_for(flow, fall, capacity, rows, fastest, size):
    """Return the smallest size, from `size` up, that keeps capacity, or spends no more than the fall."""
    while size < rows.shape[0] - 1:
        if flow <= capacity[size]:
            break
        if fall > 0.0 and flow <= fastest[size] and loss_per_metre(flow, rows[size])[0] <= fall:
            break
        size += 1
    return size


@numba.njit(cache=True)
def _branch(first, last, step, ground, reach, flow, capacity, spend, rows, fastest, sizes, drop, sized):
    """Fill `sizes` of one branch (unless `sized`) and `drop`, its heads against the valve's.

    Units run from `first` (beside the valve) to `last` by `step`; reach[k] is the submain between units
    k and k + 1. Returns False where even the largest size is too fast.
    """
    size = 0
    carried = 0.0
    k = last
    while True:
        carried += flow[k]
        before = k - step
        length = reach[k - 1] if step > 0 else reach[k]
        if sized:
            size = sizes[k]
        else:
            fall = (ground[before] - ground[k]) / length if spend else 0.0
            size = size_for(carried, fall, capacity, rows, fastest, size)
            sizes[k] = size
            if carried > fastest[size]:
                return False
        drop[k] = ground[before] - ground[k] - loss_per_metre(carried, rows[size])[0] * length
        if k == first:
            break
        k -= step
    while True:
        drop[k] += drop[k - step]
        if k == last:
            break
        k += step
    return True


@numba.njit(cache=True)
def _valve_head(a, b, drop, wide, curves, facts, x1, wanted, mode, least, top):
    """Return the valve head that gives the wanted flow (or the least emitter head), at most `top`."""
    head = x1
    if mode == OWN_RANGE:
        head += least - lowest_head(a, b, head, drop, curves, facts, x1)
    else:
        for _ in range(3):
            flow, slope = 0.0, 0.0
            for k in range(a, b):
                x = head + drop[k] - x1
                for arm in range(2):
                    c = curves[k, arm, FLOW]
                    flow += wide[k] * _at(c, x)
                    slope += wide[k] * (c[1] + 2.0 * c[2] * x)
            if slope <= 0.0:
                break
            head += (wanted - flow) / slope
    highest = -math.inf
    for k in range(a, b):
        highest = max(highest, head + drop[k])
    return head - max(0.0, highest - top)


@numba.njit(cache=True)
def lowest_head(a, b, head, drop, curves, facts, x1):
    """Return the lowest emitter head of units a to b with a head at their valve."""
    lowest = math.inf
    for k in range(a, b):
        for arm in range(2):
            if facts[k, arm, 0] > 0:
                lowest = min(lowest, _at(curves[k, arm, LOWEST], head + drop[k] - x1))
    return lowest


@numba.njit(cache=True)
def _excess(a, b, head, drop, curves, facts, x1, law, mode, limit, variation, mean_flow, least, top):
    """Return how far a block is over its tolerance, as a share of it; 0 or less is within."""
    lowest, highest = math.inf, -math.inf
    for k in range(a, b):
        x = head + drop[k] - x1
        for arm in range(2):
            if facts[k, arm, 0] > 0:
                lowest = min(lowest, _at(curves[k, arm, LOWEST], x))
                highest = max(highest, _at(curves[k, arm, HIGHEST], x))
    if mode == OWN_RANGE:
        return max((least - lowest) / least, (highest - top) / top)
    q_low, _ = emitter_flow(lowest, law)
    q_high, _ = emitter_flow(highest, law)
    if lowest <= 0.0 or mean_flow <= 0.0:
        return 10.0 - lowest
    if mode == HEAD_VARIATION:
        mean_head = (mean_flow / law[0]) ** (1.0 / law[1])
        return (highest - lowest) / mean_head / limit - 1.0
    if mode == FLOW_VARIATION:
        return (1.0 - q_low / q_high) / limit - 1.0
    uniformity = (1.0 - 1.27 * variation) * q_low / mean_flow
    return (limit - uniformity) / limit * 10.0


@numba.njit(cache=True)
def try_block(
    a,
    b,
    valve,
    capacity,
    spend,
    ground,
    reach,
    wide,
    curves,
    facts,
    nominal,
    rows,
    fastest,
    weight,
    x1,
    law,
    mode,
    limit,
    variation,
    least,
    top,
    sizes,
    drop,
    flow,
):
    """Return (excess, pipe index, valve head) of units a to b fed at unit `valve`, filling `sizes`.

    `nominal` is the flow of one emitter at the design head. The submain is sized by its flows there,
    then judged with the flows that its own heads give.
    """
    wanted, emitters = 0.0, 0.0
    for k in range(a, b):
        n = wide[k] * (facts[k, 0, 0] + facts[k, 1, 0])
        flow[k] = n * nominal
        emitters += n
        wanted += flow[k]
        sizes[k] = 0
    drop[valve] = 0.0
    excess, head = INFEASIBLE, x1
    for again in range(2):
        for side in range(2):
            first, last, step = (valve + 1, b - 1, 1) if side == 0 else (valve - 1, a, -1)
            if (last - first) * step >= 0 and not _branch(
                first,
                last,
                step,
                ground,
                reach,
                flow,
                capacity,
                spend,
                rows,
                fastest,
                sizes,
                drop,
                again == 1,
            ):
                return INFEASIBLE, 0.0, 0.0
        head = _valve_head(a, b, drop, wide, curves, facts, x1, wanted, mode, least, top)
        total = 0.0
        for k in range(a, b):
            x = head + drop[k] - x1
            flow[k] = wide[k] * (_at(curves[k, 0, FLOW], x) + _at(curves[k, 1, FLOW], x))
            total += flow[k]
        excess = _excess(
            a, b, head, drop, curves, facts, x1, law, mode, limit, variation, total / emitters, least, top
        )
        if excess > 0.3:
            break
    if excess <= ROUNDING:
        excess = min(excess, 0.0)
    cost = 0.0
    for k in range(a, b):
        if k < valve:
            cost += reach[k] * weight[sizes[k]]
        elif k > valve:
            cost += reach[k - 1] * weight[sizes[k]]
    return excess, cost, head


@numba.njit(cache=True)
def _own_spread(k, curves, facts):
    """Return the greatest difference of head within an arm of a unit, at the middle inlet head."""
    spread = 0.0
    for arm in range(2):
        if facts[k, arm, 0] > 0:
            spread = max(spread, curves[k, arm, HIGHEST, 0] - curves[k, arm, LOWEST, 0])
    return spread


@numba.njit(cache=True)
def _try_run(
    a,
    b,
    s,
    valves,
    thorough,
    metres,
    ground,
    reach,
    wide,
    curves,
    facts,
    nominal,
    rows,
    fastest,
    capacity,
    weight,
    trench,
    x1,
    law,
    mode,
    limit,
    variation,
    least,
    top,
    sizes,
    drop,
    flow,
    best,
    choice,
):
    """Try the valves and gradients of one run at one share; return (least excess, nothing is cheaper)."""
    smallest = INFEASIBLE
    cheapest = False
    for where in range(valves):
        valve = a if where == 0 else (b - 1 if where == 1 else (a + b) // 2)
        if (where == 1 and b - a == 1) or (where == 2 and b - a < 3):
            continue
        for g in range(2 * capacity.shape[0]):
            spend = 1 - g % 2
            excess, cost, _ = try_block(
                a,
                b,
                valve,
                capacity[g // 2],
                spend == 1,
                ground,
                reach,
                wide,
                curves,
                facts,
                nominal,
                rows,
                fastest,
                weight,
                x1,
                law,
                mode,
                limit,
                variation,
                least,
                top,
                sizes,
                drop,
                flow,
            )
            cost += metres * trench
            smallest = min(smallest, excess)
            cheaper = best[0] > 0.0 or cost < best[1] * (1.0 - ROUNDING)
            if (excess <= 0.0 and cheaper) or (excess > 0.0 and excess < best[0] - ROUNDING):
                best[0], best[1] = excess, cost
                choice[0], choice[1], choice[2], choice[3] = s, valve, g // 2, spend
            if excess <= 0.0 and not thorough:  # gradients fall: what follows is mostly dearer
                cheapest = cheapest or g == 0
                break
        if smallest <= 0.0 and not thorough:
            break
    return smallest, cheapest


@numba.njit(cache=True)
def try_range(
    a,
    b,
    served,
    thorough,
    given_up,
    valves,
    ground,
    reach,
    wide,
    reaches,
    curves,
    facts,
    nominal,
    rows,
    fastest,
    capacity,
    weight,
    trench,
    x1,
    law,
    mode,
    limit,
    variation,
    least,
    top,
    most_flow,
    spread_max,
    lateral_max,
    step_max,
    sizes,
    drop,
    flow,
    best,
    choice,
):
    """Try one run of units at all shares that are not `given_up`, from `served` on; return which served.

    `thorough` looks for the cheapest; else the first share and valve within tolerance will do.
    """
    shares = ground.shape[0]
    for turn in range(shares):
        s = (served + turn) % shares
        if given_up[s]:
            continue
        carried, metres = 0.0, 0.0
        highest, lowest = -math.inf, math.inf
        ok = True
        own = 0.0
        for k in range(a, b):
            carried += wide[k] * (facts[s, k, 0, 0] + facts[s, k, 1, 0]) * nominal
            highest = max(highest, ground[s, k])
            lowest = min(lowest, facts[s, k, 0, 1], facts[s, k, 1, 1])
            ok = ok and max(reaches[s, k, 0], reaches[s, k, 1]) <= lateral_max
            own = max(own, _own_spread(k, curves[s], facts[s]))
            if k > a:
                metres += reach[s, k - 1]
                ok = ok and reach[s, k - 1] <= step_max[k - 1]
        if not ok or carried > most_flow or highest - lowest > top:
            given_up[s] = True
            continue
        if carried <= 0.0:
            continue
        smallest, cheapest = _try_run(
            a,
            b,
            s,
            valves,
            thorough,
            metres,
            ground[s],
            reach[s],
            wide,
            curves[s],
            facts[s],
            nominal,
            rows,
            fastest,
            capacity,
            weight,
            trench,
            x1,
            law,
            mode,
            limit,
            variation,
            least,
            top,
            sizes,
            drop,
            flow,
            best,
            choice,
        )
        given_up[s] = b - a > 1 and (smallest > 0.4 or own > spread_max)
        if not thorough and (cheapest or smallest <= 0.0):
            return s
    return served


@numba.njit(cache=True, parallel=True, nogil=True)
def try_ranges(
    longest,
    valves,
    ground,
    reach,
    wide,
    reaches,
    curves,
    facts,
    nominal,
    rows,
    fastest,
    capacity,
    weight,
    trench,
    x1,
    law,
    mode,
    limit,
    variation,
    least,
    top,
    most_flow,
    spread_max,
    lateral_max,
    step_max,
    best,
    choice,
):
    """Fill `best` (units, longest, 2: excess, cost) and `choice` (share, valve, gradient, spend).

    `ground`, `reach`: (shares, units); `curves`: (shares, units, 2, 3, 3); `facts`: (shares, units, 2, 3);
    `reaches`: (shares, units, 2) the arms' lengths. A block is a run of units from a on. A share at which
    a run was far out of tolerance is not tried for longer runs from the same start.
    """
    shares, units = ground.shape
    for i in numba.prange(units):
        # every other start, so that two threads have runs of all lengths
        a = np.int64(2 * i if 2 * i < units else 2 * (i - (units + 1) // 2) + 1)
        sizes = np.zeros(units, np.int64)
        drop = np.zeros(units)
        flow = np.zeros(units)
        given_up = np.zeros(shares, np.bool_)
        served = np.int64(0)  # no literals here: each would have all below compiled once more
        for length in range(1, longest + 1):
            best[a, length - 1, 0] = INFEASIBLE
            best[a, length - 1, 1] = 0.0
            if a + length <= units:
                served = try_range(
                    a,
                    a + length,
                    served,
                    units < 0,
                    given_up,
                    valves,
                    ground,
                    reach,
                    wide,
                    reaches,
                    curves,
                    facts,
                    nominal,
                    rows,
                    fastest,
                    capacity,
                    weight,
                    trench,
                    x1,
                    law,
                    mode,
                    limit,
                    variation,
                    least,
                    top,
                    most_flow,
                    spread_max,
                    lateral_max,
                    step_max,
                    sizes,
                    drop,
                    flow,
                    best[a, length - 1],
                    choice[a, length - 1],
                )
