"""Emitters: flow by head."""

from __future__ import annotations

import math

import numpy as np

from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.records import Dripline, Floats

TOE_HEAD_M = 0.05
"""Below this head the flow falls to zero along a straight line; at or under zero there is none."""


def emitter_law(dripline: Dripline) -> Floats:
    """The kernels' law of a dripline's emitters, shape (4,), flow in m3/s.

    A compensating emitter holds its flow from `least_head_m` up, and follows the square root of head
    below it.
    """
    flow_m3_s = dripline.emitter_flow_l_h / 3.6e6
    if dripline.compensating:
        if dripline.least_head_m is None or dripline.least_head_m <= TOE_HEAD_M:
            raise ValueError(
                f"dripline {dripline.name!r}: exponent 0 is pressure compensating; "
                "state `least_head_m`, the head from which it compensates"
            )
        return np.array(
            [flow_m3_s / math.sqrt(dripline.least_head_m), 0.5, dripline.least_head_m, TOE_HEAD_M]
        )
    k = flow_m3_s / dripline.nominal_head_m**dripline.exponent
    return np.array([k, dripline.exponent, math.inf, TOE_HEAD_M])


def emitter_flow_l_h(head_m: float, dripline: Dripline) -> float:
    """Flow of one emitter at a head. [l/h]

    >>> line = Dripline("a line", 22.2, 0.4, 1.0, nominal_head_m=10.0, exponent=0.5)
    >>> round(emitter_flow_l_h(12.1, line), 3)
    1.1
    """
    return float(emitter_flow(head_m, emitter_law(dripline))[0]) * 3.6e6
