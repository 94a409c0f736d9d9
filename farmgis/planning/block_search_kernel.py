"""Kernels of `block_search`: what arms do at some inlet heads, and what candidate blocks would cost.

SI units throughout. An arm is the lateral on one side of a submain; a unit is a few neighbouring
lines that are judged by their middle one.
"""

import math
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.hydraulics.friction_kernel import loss_per_metre
from farmgis.hydraulics.lateral_kernel import shoot
from farmgis.terrain.surface_kernel import height

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HEAD_VARIATION, FLOW_VARIATION, EMISSION_UNIFORMITY, OWN_RANGE = 0, 1, 2, 3
FLOW, LOWEST, HIGHEST = 0, 1, 2  # the curves of an arm, each a parabola in inlet head
INFEASIBLE = 1e6
ROUNDING = 1e-9  # an excess, or a saving as a share, that only rounding makes: not alike on every machine


class UnitTable(NamedTuple):
    """A strip's units with its submain at one place; with one more axis before, at several (not `lines`).

    `ground` (units,) at the inlets; `reach` (units,) the submain from unit k to k + 1; `lines` (units,) as
    many as a unit stands for; `arms` (units, 2) their lengths; `curves` (units, 2, 3, 3) and `facts`
    (units, 2, 3) as `arms` fills them.
    """

    ground: Floats
    reach: Floats
    lines: Floats
    arms: Floats
    curves: Floats
    facts: Floats


class PipeTable(NamedTuple):
    """A submain's pipes: `rows` of friction, `fastest` flow, `capacity` (gradients, sizes), `weight` a metre.

    `trench` is what a metre of it costs in the index in which a kilogram of pipe counts 1.
    """

    rows: Floats
    fastest: Floats
    capacity: Floats
    weight: Floats
    trench: float


class Judge(NamedTuple):
    """What blocks are judged by: an emitter's flow at the design head `x1`, its law, the tolerance.

    `mode` and `limit` (a share) are the tolerance, `variation` that of manufacture, `least` and `top` the
    heads that no emitter may be under, no inlet over.
    """

    emitter_flow: float
    x1: float
    law: Floats
    mode: int
    limit: float
    variation: float
    least: float
    top: float


class Bounds(NamedTuple):
    """What no run may be over: flow, range of head within an arm, an arm's length, step to the next unit."""

    flow: float
    spread: float
    arm: float
    step: Floats


class Work(NamedTuple):
    """Room for one trial, each (units,): sizes, heads against the valve's, flows."""

    sizes: Ints
    drop: Floats
    flow: Floats


@numba.njit(cache=True)
def work_of(units):
    """Return room for trials of a strip."""
    return Work(np.zeros(units, np.int64), np.zeros(units), np.zeros(units))


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
def at_share(table, s):
    """Return the units' table with the submain at share s."""
    return UnitTable(
        table.ground[s], table.reach[s], table.lines, table.arms[s], table.curves[s], table.facts[s]
    )


@numba.njit(cache=True)
def _branch(first, last, step, table, pipes, gradient, spend, sized, work):
    """Fill the sizes of one branch (unless `sized`) and `drop`, its heads against the valve's.

    Units run from `first` (beside the valve) to `last` by `step`. Returns False where even the largest
    size is too fast.
    """
    ground, reach, rows, fastest = table.ground, table.reach, pipes.rows, pipes.fastest
    capacity = pipes.capacity[gradient]
    sizes, drop, flow = work.sizes, work.drop, work.flow
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
def _valve_head(a, b, wanted, table, judge, drop):
    """Return the valve head that gives the wanted flow (or the least emitter head), at most the top."""
    lines, curves, x1 = table.lines, table.curves, judge.x1
    head = x1
    if judge.mode == OWN_RANGE:
        head += judge.least - lowest_head(a, b, head, table, judge, drop)
    else:
        for _ in range(3):
            flow, slope = 0.0, 0.0
            for k in range(a, b):
                x = head + drop[k] - x1
                for arm in range(2):
                    c = curves[k, arm, FLOW]
                    flow += lines[k] * _at(c, x)
                    slope += lines[k] * (c[1] + 2.0 * c[2] * x)
            if slope <= 0.0:
                break
            head += (wanted - flow) / slope
    highest = -math.inf
    for k in range(a, b):
        highest = max(highest, head + drop[k])
    return head - max(0.0, highest - judge.top)


@numba.njit(cache=True)
def lowest_head(a, b, head, table, judge, drop):
    """Return the lowest emitter head of units a to b with a head at their valve."""
    lowest = math.inf
    for k in range(a, b):
        for arm in range(2):
            if table.facts[k, arm, 0] > 0:
                lowest = min(lowest, _at(table.curves[k, arm, LOWEST], head + drop[k] - judge.x1))
    return lowest


@numba.njit(cache=True)
def _excess(a, b, head, mean_flow, table, judge, drop):
    """Return how far a block is over its tolerance, as a share of it; 0 or less is within."""
    facts, curves, law, limit = table.facts, table.curves, judge.law, judge.limit
    lowest, highest = math.inf, -math.inf
    for k in range(a, b):
        x = head + drop[k] - judge.x1
        for arm in range(2):
            if facts[k, arm, 0] > 0:
                lowest = min(lowest, _at(curves[k, arm, LOWEST], x))
                highest = max(highest, _at(curves[k, arm, HIGHEST], x))
    if judge.mode == OWN_RANGE:
        return max((judge.least - lowest) / judge.least, (highest - judge.top) / judge.top)
    q_low, _ = emitter_flow(lowest, law)
    q_high, _ = emitter_flow(highest, law)
    if lowest <= 0.0 or mean_flow <= 0.0:
        return 10.0 - lowest
    if judge.mode == HEAD_VARIATION:
        mean_head = (mean_flow / law[0]) ** (1.0 / law[1])
        return (highest - lowest) / mean_head / limit - 1.0
    if judge.mode == FLOW_VARIATION:
        return (1.0 - q_low / q_high) / limit - 1.0
    uniformity = (1.0 - 1.27 * judge.variation) * q_low / mean_flow
    return (limit - uniformity) / limit * 10.0


@numba.njit(cache=True)
def try_block(a, b, valve, gradient, spend, table, pipes, judge, work):
    """Return (excess, pipe index, valve head) of units a to b fed at unit `valve`, filling `work`.

    The submain is sized by its flows at the design head, then judged with the flows that its own heads give.
    """
    lines, facts, curves, reach = table.lines, table.facts, table.curves, table.reach
    sizes, drop, flow = work.sizes, work.drop, work.flow
    wanted, emitters = 0.0, 0.0
    for k in range(a, b):
        n = lines[k] * (facts[k, 0, 0] + facts[k, 1, 0])
        flow[k] = n * judge.emitter_flow
        emitters += n
        wanted += flow[k]
        sizes[k] = 0
    drop[valve] = 0.0
    excess, head = INFEASIBLE, judge.x1
    for again in range(2):
        for side in range(2):
            first, last, step = (valve + 1, b - 1, 1) if side == 0 else (valve - 1, a, -1)
            if (last - first) * step >= 0 and not _branch(
                first, last, step, table, pipes, gradient, spend, again == 1, work
            ):
                return INFEASIBLE, 0.0, 0.0
        head = _valve_head(a, b, wanted, table, judge, drop)
        total = 0.0
        for k in range(a, b):
            x = head + drop[k] - judge.x1
            flow[k] = lines[k] * (_at(curves[k, 0, FLOW], x) + _at(curves[k, 1, FLOW], x))
            total += flow[k]
        excess = _excess(a, b, head, total / emitters, table, judge, drop)
        if excess > 0.3:
            break
    if excess <= ROUNDING:
        excess = min(excess, 0.0)
    cost = 0.0
    for k in range(a, b):
        if k < valve:
            cost += reach[k] * pipes.weight[sizes[k]]
        elif k > valve:
            cost += reach[k - 1] * pipes.weight[sizes[k]]
    return excess, cost, head


@numba.njit(cache=True)
def _own_spread(k, table):
    """Return the greatest difference of head within an arm of a unit, at the middle inlet head."""
    spread = 0.0
    for arm in range(2):
        if table.facts[k, arm, 0] > 0:
            spread = max(spread, table.curves[k, arm, HIGHEST, 0] - table.curves[k, arm, LOWEST, 0])
    return spread


@numba.njit(cache=True)
def _try_run(a, b, s, valves, thorough, table, pipes, judge, work, best, choice):
    """Try the valves and gradients of one run at share s; return (least excess, nothing is cheaper).

    `table` is that of the share.
    """
    metres = 0.0
    for k in range(a, b - 1):
        metres += table.reach[k]
    smallest = INFEASIBLE
    cheapest = False
    for where in range(valves):
        valve = a if where == 0 else (b - 1 if where == 1 else (a + b) // 2)
        if (where == 1 and b - a == 1) or (where == 2 and b - a < 3):
            continue
        for g in range(2 * pipes.capacity.shape[0]):
            spend = 1 - g % 2
            excess, cost, _ = try_block(a, b, valve, g // 2, spend == 1, table, pipes, judge, work)
            cost += metres * pipes.trench
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
def run_at(a, b, table, judge, bounds):
    """Return (a run keeps all bounds, its flow, the greatest range of head within one of its arms)."""
    ground, facts, reach = table.ground, table.facts, table.reach
    carried, spread = 0.0, 0.0
    highest, lowest = -math.inf, math.inf
    ok = True
    for k in range(a, b):
        carried += table.lines[k] * (facts[k, 0, 0] + facts[k, 1, 0]) * judge.emitter_flow
        highest = max(highest, ground[k])
        lowest = min(lowest, facts[k, 0, 1], facts[k, 1, 1])
        ok = ok and max(table.arms[k, 0], table.arms[k, 1]) <= bounds.arm
        spread = max(spread, _own_spread(k, table))
        if k > a:
            ok = ok and reach[k - 1] <= bounds.step[k - 1]
    return ok and carried <= bounds.flow and highest - lowest <= judge.top, carried, spread


@numba.njit(cache=True)
def try_range(a, b, served, thorough, given_up, valves, table, pipes, judge, bounds, work, best, choice):
    """Try one run of units at all shares that are not `given_up`, from `served` on; return which served.

    `table` is that of all shares. `thorough` looks for the cheapest; else the first share and valve within
    tolerance will do.
    """
    shares = table.ground.shape[0]
    for turn in range(shares):
        s = (served + turn) % shares
        if given_up[s]:
            continue
        here = at_share(table, s)
        kept, carried, spread = run_at(a, b, here, judge, bounds)
        if not kept:
            given_up[s] = True
            continue
        if carried <= 0.0:
            continue
        smallest, cheapest = _try_run(a, b, s, valves, thorough, here, pipes, judge, work, best, choice)
        given_up[s] = b - a > 1 and (smallest > 0.4 or spread > bounds.spread)
        if not thorough and (cheapest or smallest <= 0.0):
            return s
    return served


@numba.njit(cache=True, parallel=True, nogil=True)
def try_ranges(valves, table, pipes, judge, bounds, best, choice):
    """Fill `best` (units, longest, 2: excess, cost) and `choice` (share, valve, gradient, spend).

    A block is a run of units from a on. A share at which a run was far out of tolerance is not tried for
    longer runs from the same start.
    """
    shares, units = table.ground.shape
    longest = best.shape[1]
    for i in numba.prange(units):
        # every other start, so that two threads have runs of all lengths
        a = np.int64(2 * i if 2 * i < units else 2 * (i - (units + 1) // 2) + 1)
        work = work_of(units)
        given_up = np.zeros(shares, np.bool_)
        served = np.int64(0)  # no literals here: each would have all below compiled once more
        for length in range(1, longest + 1):
            best[a, length - 1, 0] = INFEASIBLE
            best[a, length - 1, 1] = 0.0
            if a + length <= units:
                served = try_range(
                    a, a + length, served, units < 0, given_up, valves,
                    table, pipes, judge, bounds, work, best[a, length - 1], choice[a, length - 1],
                )  # fmt: skip
