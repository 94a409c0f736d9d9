"""Kernel of `block_share`: of the places of a submain that cost about the same, the most even. SI units."""

import math

import numba
import numpy as np

from farmgis.planning.block_search_kernel import INFEASIBLE, OWN_RANGE, at_share, try_block, work_of


@numba.njit(cache=True)
def most_even(allowed, valves, slack, table, pipes, judge, best, choice):
    """Fill `best` (excess, cost) and `choice` (share, valve, gradient, spend) of all units as one block.

    Of what is within tolerance and costs no more than the cheapest and its `slack` share, that of least
    excess is taken; the least valve head for compensating line. Where nothing is within, the least excess.
    """
    shares, units = table.ground.shape
    count = valves * 2 * pipes.capacity.shape[0]
    excess = np.full((shares, count), INFEASIBLE)
    cost = np.full((shares, count), math.inf)
    uneven = np.full((shares, count), math.inf)
    where = np.zeros(count, np.int64)
    work = work_of(units)
    cheapest = math.inf
    for s in range(shares):
        metres = table.reach[s, : units - 1].sum()
        here = at_share(table, s)
        for c in range(count if allowed[s] else 0):
            third = c % valves
            where[c] = 0 if third == 0 else (units - 1 if third == 1 else units // 2)
            g, spend = c // valves // 2, (c // valves) % 2
            e, pipe, head = try_block(0, units, where[c], g, spend == 1, here, pipes, judge, work)
            excess[s, c], cost[s, c] = e, pipe + metres * pipes.trench
            uneven[s, c] = head if judge.mode == OWN_RANGE and e <= 0.0 else e
            if e <= 0.0:
                cheapest = min(cheapest, cost[s, c])
    found = math.inf
    best[0], best[1] = INFEASIBLE, 0.0
    for s in range(shares):
        for c in range(count):
            if math.isfinite(cheapest) and (excess[s, c] > 0.0 or cost[s, c] > cheapest * (1.0 + slack)):
                continue
            if uneven[s, c] < found - 1e-6:
                found = uneven[s, c]
                best[0], best[1] = excess[s, c], cost[s, c]
                choice[0], choice[1] = s, where[c]
                choice[2], choice[3] = c // valves // 2, (c // valves) % 2
