"""Kernel of `emitters`: flow and its derivative by head, from a law of seven numbers.

A law holds: 0 coefficient k, 1 exponent x, 2 and 3 the heads between which flow is constant, 4 that
constant flow, 5 the head up to which nothing flows, 6 the head at which the toe ends.
"""

import math

import numba

LAW = 7


@numba.njit(cache=True, inline="always")
def emitter_flow(head, law):
    """Return (flow, its derivative by head).

    k h^x; constant from law[2] to law[3] and with the square root of head over that; from the head of
    law[5], at and under which nothing flows, a straight line to the law at law[6].
    """
    if head >= law[2]:
        if head <= law[3]:
            return law[4], 0.0
        flow = law[4] * math.sqrt(head / law[3])
        return flow, 0.5 * flow / head
    if head >= law[6]:
        flow = law[0] * math.sqrt(head) if law[1] == 0.5 else law[0] * math.exp(law[1] * math.log(head))
        return flow, law[1] * flow / head
    if head > law[5]:
        slope = law[0] * law[6] ** law[1] / (law[6] - law[5])
        return slope * (head - law[5]), slope
    return 0.0, 0.0
