"""Kernel of `lateral`: exact marching of one lateral from its last emitter to its inlet. SI units."""

import numba

from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.hydraulics.friction_kernel import loss_per_metre


@numba.njit(cache=True)
def march(end_head, z, stations, step, lump, row, law, start_minor, each_minor):
    """March up a lateral from a given head at its last station.

    `z[0]` is the inlet's elevation, `z[1:stations + 1]` those of the stations, `step` metres of loss
    length apart; each station stands for `lump` emitters. Returns inlet head, flow, lowest and highest
    head of the stations, and the derivatives of inlet head and flow by the end head.
    """
    head, d_head = end_head, 1.0
    flow, d_flow = 0.0, 0.0
    lowest = end_head
    highest = end_head
    for i in range(stations, 0, -1):
        q, slope = emitter_flow(head, law)
        flow += lump * q
        d_flow += lump * slope * d_head
        loss, gradient = loss_per_metre(flow, row)
        minor = each_minor * lump * row[8]
        if i == 1:
            minor += start_minor * row[8]
        head += loss * step + minor * flow * flow + z[i] - z[i - 1]
        d_head += (gradient * step + 2.0 * minor * flow) * d_flow
        if i > 1:
            lowest = min(lowest, head)
            highest = max(highest, head)
    return head, flow, lowest, highest, d_head, d_flow


@numba.njit(cache=True)
def shoot(inlet_head, end_head, z, stations, step, lump, row, law, start_minor, each_minor, tol):
    """March with Newton on the end head until the inlet head is met.

    Returns end head, flow, lowest, highest, and the derivative of flow by inlet head.
    """
    low = -1e9  # the end head lies above this, once seen
    high = 1e9
    out = march(end_head, z, stations, step, lump, row, law, start_minor, each_minor)
    for _ in range(60):
        error = out[0] - inlet_head
        if abs(error) <= tol:
            break
        if error > 0.0:
            high = min(high, end_head)
        else:
            low = max(low, end_head)
        end_head -= error / out[4]
        if end_head >= high or end_head <= low:
            end_head = 0.5 * (low + high)
        out = march(end_head, z, stations, step, lump, row, law, start_minor, each_minor)
    return end_head, out[1], out[2], out[3], out[5] / out[4]
