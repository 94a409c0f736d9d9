"""Kernels of `block_hydraulics`: a drawn block as a tree, and what its solution says. SI units.

Nodes: 0 is the valve's submain vertex; then the vertices of each branch outward; then the emitters of
each lateral from its inlet on.
"""

import math

import numba
import numpy as np

from farmgis.planning.laterals_kernel import emitter_ground


@numba.njit(cache=True, nogil=True)
def number_vertices(lines, valve, node):
    """Fill `node` with the tree's node of each submain vertex."""
    node[valve] = 0
    last = 0
    for k in range(valve + 1, lines):
        last += 1
        node[k] = last
    for k in range(valve - 1, -1, -1):
        last += 1
        node[k] = last


@numba.njit(cache=True, nogil=True)
def build(submain, valve, node, sizes, points, offsets, emitters, line, spacing, factor, submain_factor,
          start_k, each_k, parent, ground, length, minor, size, outlets):  # fmt: skip
    """Fill the arrays of a tree. Size 0 is the dripline, size i + 1 the pipe i of the submain."""
    lines = submain.shape[0]
    for k in range(lines):
        i = node[k]
        ground[i] = submain[k, 2]
        outlets[i] = 0.0
        minor[i] = 0.0
        if k == valve:
            parent[i], length[i], size[i] = -1, 0.0, 0
            continue
        inner = k - 1 if k > valve else k + 1
        dx = submain[k, 0] - submain[inner, 0]
        dy = submain[k, 1] - submain[inner, 1]
        dz = submain[k, 2] - submain[inner, 2]
        parent[i] = node[inner]
        length[i] = math.sqrt(dx * dx + dy * dy + dz * dz) * submain_factor
        size[i] = sizes[k] + 1
    i = lines
    for k in range(emitters.size):
        n = emitters[k]
        emitter_ground(points, offsets[k], offsets[k + 1], spacing, n, ground[i : i + n])
        for e in range(n):
            parent[i] = i - 1 if e > 0 else node[line[k]]
            length[i] = spacing * factor
            minor[i] = each_k + (start_k if e == 0 else 0.0)
            size[i] = 0
            outlets[i] = 1.0
            i += 1


@numba.njit(cache=True, nogil=True)
def per_lateral(head, flow, first, emitters, node, line, facts, where):
    """Fill `facts` (laterals, 6) and `where` (laterals, 2).

    Facts: inlet head, end head, lowest, highest, sum of heads, flow; where: emitters (0 first) with the
    lowest and the highest head.
    """
    i = first
    for k in range(emitters.size):
        n = emitters[k]
        facts[k, 0] = head[node[line[k]]]
        facts[k, 1] = head[i + n - 1]
        low, high, total = math.inf, -math.inf, 0.0
        for e in range(n):
            h = head[i + e]
            total += h
            if h < low:
                low = h
                where[k, 0] = e
            if h > high:
                high = h
                where[k, 1] = e
        facts[k, 2], facts[k, 3], facts[k, 4] = low, high, total
        facts[k, 5] = flow[i]
        i += n


@numba.njit(cache=True, nogil=True)
def travel_time(parent, length, size, flow, area):
    """Return the greatest time for water to go from the root to a node that has flow."""
    n = parent.size
    time = np.zeros(n)
    longest = 0.0
    for i in range(1, n):
        if flow[i] > 0.0:
            time[i] = time[parent[i]] + length[i] * area[size[i]] / flow[i]
            longest = max(longest, time[i])
    return longest
