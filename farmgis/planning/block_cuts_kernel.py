"""Kernels of `block_cuts`: the cheapest way through runs of units, and what runs cost at least. SI units."""

import math

import numba
import numpy as np

from farmgis.planning.block_search_kernel import ROUNDING


@numba.njit(cache=True)
def least_costs(table, pipes, emitter_flow, out):
    """Fill `out` (units, longest): what a run costs at least, with pipe no wider than velocity asks for.

    The least over all shares and all places of the valve; friction and heads are left out of account.
    """
    lines, facts, reach, fastest = table.lines, table.facts, table.reach, pipes.fastest
    shares, units = reach.shape
    longest = out.shape[1]
    carried = np.empty(units + 1)
    for a in range(units):
        for length in range(1, min(longest, units - a) + 1):
            b = a + length
            best = math.inf
            for s in range(shares):
                carried[a] = 0.0
                for k in range(a, b):
                    n = lines[k] * (facts[s, k, 0, 0] + facts[s, k, 1, 0])
                    carried[k + 1] = carried[k] + n * emitter_flow
                cost = 0.0
                for k in range(a, b - 1):  # either way: a valve somewhere leaves each reach the lesser flow
                    flow = min(carried[k + 1], carried[b] - carried[k + 1])
                    size = 0
                    while size < fastest.size - 1 and flow > fastest[size]:
                        size += 1
                    cost += reach[s, k] * (pipes.weight[size] + pipes.trench)
                best = min(best, cost)
            out[a, length - 1] = best


@numba.njit(cache=True)
def cheapest_ways(price, cost, came_from):
    """Fill `cost` (units + 1), the least to serve all units before one, and where its last run began."""
    units, longest = price.shape
    cost[0] = 0.0
    for b in range(1, units + 1):
        cost[b] = math.inf
        for a in range(max(0, b - longest), b):
            total = cost[a] + price[a, b - a - 1]
            if total < cost[b] * (1.0 - ROUNDING):
                cost[b], came_from[b] = total, a
