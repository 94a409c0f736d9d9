"""Kernel of `emitters`: flow and its derivative by head, from a law of four numbers.

A law holds: 0 coefficient k, 1 exponent x, 2 head from which flow is constant, 3 toe head.
"""

import math

import numba


@numba.njit(cache=True, inline="always")
def emitter_flow(head, law):
    """Return (flow, its derivative by head): k h^x; constant from law[2] up; linear below the toe."""
    if head >= law[2]:
        return law[0] * law[2] ** law[1], 0.0
    if head >= law[3]:
        flow = law[0] * math.sqrt(head) if law[1] == 0.5 else law[0] * head ** law[1]
        return flow, law[1] * flow / head
    if head > 0.0:
        slope = law[0] * law[3] ** (law[1] - 1.0)
        return slope * head, slope
    return 0.0, 0.0
