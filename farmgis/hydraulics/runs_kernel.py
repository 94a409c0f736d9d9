"""Kernel of `tree`: runs, the unbranched ends of a tree, eliminated by marching. SI units.

A run is a chain of nodes of one pipe size, the last a leaf: a lateral with its emitters, as a rule. From
the head at its last node everything in it follows, so that a run is one unknown however long it is.
"""

import math

import numba
import numpy as np

from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.hydraulics.friction_kernel import COLUMNS, loss_per_metre, tabulated_loss

LEAST_RUN = 4  # nodes; marching shorter ends saves nothing
NODES_A_STATION = 16  # of a coarse march
LEAST_STATIONS = 8
HEAD, FLOW, RISE, GAIN, LOWEST, LOWEST_RISE, RESULTS = 0, 1, 2, 3, 4, 5, 6
"""Columns of a march: head asked for at the run's parent, flow, derivatives of both by the end head, the
lowest emitter's head and its derivative."""


@numba.njit(cache=True, nogil=True)
def find(parent, size, kept):
    """Return (first, end) of each run in the order of nodes, and the nodes in none.

    `kept[i]` marks nodes that no run may hold, apart from those with several children.
    """
    n = parent.size
    joint = kept.copy()
    joint[0] = True
    for i in range(1, n):
        if parent[i] != i - 1:
            joint[parent[i]] = True
    first = np.empty(n // LEAST_RUN + 1, np.int64)
    end = np.empty(n // LEAST_RUN + 1, np.int64)
    count = 0
    inside = 0
    i = n - 1
    while i > 0:
        j = i
        leaf = j == n - 1 or parent[j + 1] != j
        if leaf:
            while j > 0 and not joint[j] and size[j] == size[i]:
                j -= 1
                if parent[j + 1] != j:
                    break
        # nodes j + 1 to i are a chain
        if i - j >= LEAST_RUN:
            count += 1
            first[-count] = j + 1
            end[-count] = i + 1
            inside += i - j
            i = j
        else:
            i -= 1
    trunk = np.empty(n - inside, np.int64)
    t = 0
    i = 0
    for r in range(first.size - count, first.size):
        while i < first[r]:
            trunk[t] = i
            t += 1
            i += 1
        i = end[r]
    while i < n:
        trunk[t] = i
        t += 1
        i += 1
    return first[first.size - count :].copy(), end[end.size - count :].copy(), trunk


@numba.njit(cache=True, nogil=True, inline="always")
def _constants(row, law):
    """The constants as scalars, so that the compiler need not read them again at each node."""
    return (
        (row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8]),
        (law[0], law[1], law[2], law[3], law[4], law[5], law[6]),
    )


@numba.njit(cache=True, nogil=True, fastmath={"contract"})  # product and sum in one rounding, no more
def march(first, end, z, above, length, minor, outlets, demand, row, law, head, out):
    """March up a run from `head[end - 1]`; fill its heads, and `out` with the columns named above.

    `above` is the elevation of the run's parent.
    """
    table = row[COLUMNS:]
    row, law = _constants(row, law)
    h, rise = head[end - 1], 1.0
    flow, gain = 0.0, 0.0
    lowest, lowest_rise = math.inf, 1.0
    here = z[end - 1]
    for i in range(end - 1, first - 1, -1):
        head[i] = h
        flow += demand[i]
        emitters = outlets[i]
        if emitters > 0.0:
            q, slope = emitter_flow(h, law)
            flow += emitters * q
            gain += emitters * slope * rise
            if h < lowest:
                lowest, lowest_rise = h, rise
        loss, gradient = tabulated_loss(flow, row, table)
        local = minor[i] * row[8] * flow
        next_z = above if i == first else z[i - 1]
        h += loss * length[i] + local * flow + (here - next_z)
        rise += (gradient * length[i] + 2.0 * local) * gain
        here = next_z
    out[HEAD], out[FLOW], out[RISE], out[GAIN] = h, flow, rise, gain
    out[LOWEST], out[LOWEST_RISE] = lowest, lowest_rise


@numba.njit(cache=True, nogil=True)
def march_coarsely(first, end, z, above, length, minor, outlets, demand, row, law, end_head, out):
    """`march` over a few stations, each for the nodes about it: where a first guess will do."""
    row, law = _constants(row, law)
    n = end - first
    stations = max(LEAST_STATIONS, n // NODES_A_STATION)
    h, rise = end_head, 1.0
    flow, gain = demand[end - 1], 0.0  # an open end takes more than all before it
    lowest, lowest_rise = math.inf, 1.0
    behind, place = end - 1, end - 1.0  # the node whose head is h, and where its lump is centred
    given, given_gain = 0.0, 0.0
    for s in range(stations, 0, -1):
        low = first + (s - 1) * n // stations
        high = first + s * n // stations
        node, centre = (low + high) // 2, 0.5 * (low + high - 1)
        loss, gradient = loss_per_metre(flow, row)
        local = minor[node] * row[8] * flow
        steps = place - centre
        h += (loss * length[node] + local * flow) * steps + z[behind] - z[node]
        rise += (gradient * length[node] + 2.0 * local) * steps * gain
        behind, place = node, centre
        given, given_gain = 0.0, 0.0
        emitters = outlets[node] * (high - low)
        if emitters > 0.0:
            q, slope = emitter_flow(h, law)
            given, given_gain = emitters * q, emitters * slope * rise
            if h < lowest:
                lowest, lowest_rise = h, rise
        flow += given
        gain += given_gain
    # half of the last lump comes in on the way to the inlet: a quarter of it is missing on the average
    mean, mean_gain = flow - 0.25 * given, gain - 0.25 * given_gain
    loss, gradient = loss_per_metre(mean, row)
    metres = length[first] + length[behind] * (place - first)
    local = (minor[first] + minor[behind] * (place - first)) * row[8] * mean
    h += loss * metres + local * mean + z[behind] - above
    rise += (gradient * metres + 2.0 * local) * mean_gain
    out[HEAD], out[FLOW], out[RISE], out[GAIN] = h, flow, rise, gain
    out[LOWEST], out[LOWEST_RISE] = lowest, lowest_rise


@numba.njit(cache=True, nogil=True)
def sweep(coarse, first, end, nodes, rows, law, head, out):
    """March every run from the heads at their ends; `nodes` are the tree's arrays."""
    parent, z, length, minor, size, outlets, demand = nodes
    for r in range(first.size):
        i, e = first[r], end[r]
        row = rows[size[i]]
        above = z[parent[i]]
        if coarse and e - i > 2 * LEAST_STATIONS:
            march_coarsely(i, e, z, above, length, minor, outlets, demand, row, law, head[e - 1], out[r])
        else:
            march(i, e, z, above, length, minor, outlets, demand, row, law, head, out[r])


@numba.njit(cache=True, nogil=True)
def open_end_flows(inlet_head, first, end, nodes, rows, law, most, tol, flow):
    """Fill `flow` with what runs out of each run's open end while its parent keeps `inlet_head`.

    At the end the head is that of the jet's velocity. Newton on the flow, by marches with their
    derivative; 0 where the inlet cannot lift water to the end.
    """
    parent, z, length, minor, size, outlets, _ = nodes
    q = 0.0  # each run begins with what its neighbour gave
    for r in range(first.size):
        row, own = _constants(rows[size[first[r]]], law)
        low, high = 0.0, math.inf
        for _ in range(most):
            h, rise = row[8] * q * q, 2.0 * row[8] * q
            through, gain = q, 1.0
            here = z[end[r] - 1]
            for i in range(end[r] - 1, first[r] - 1, -1):
                given, slope = emitter_flow(h, own)
                through += outlets[i] * given
                gain += outlets[i] * slope * rise
                loss, gradient = loss_per_metre(through, row)
                local = minor[i] * row[8] * through
                next_z = z[parent[i]] if i == first[r] else z[i - 1]
                h += loss * length[i] + local * through + (here - next_z)
                rise += (gradient * length[i] + 2.0 * local) * gain
                here = next_z
            error = inlet_head[r] - h
            if abs(error) <= tol or (q == 0.0 and error <= 0.0):
                break
            if error > 0.0:
                low = q
            else:
                high = q
            step = max(q + error / rise, 0.0)
            kept = low < step < high or step == low == 0.0
            q = step if kept else 0.5 * (low + high)
        flow[r] = q
