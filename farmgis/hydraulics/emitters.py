"""Emitters: flow by head."""

from __future__ import annotations

import math

import numpy as np

from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.records import Dripline, Floats

TOE_HEAD_M = 0.05
"""From this much over the closing head the flow falls to zero along a straight line."""


def emitter_law(dripline: Dripline) -> Floats:
    """The kernels' law of a dripline's emitters, shape (7,), flow in m3/s.

    A compensating emitter holds its flow from `least_head_m` to `greatest_head_m`, and follows the square
    root of head below and above: outside its range its membrane is a plain orifice (common practice).
    Nothing flows at or under `closing_head_m`, 0 for an emitter that does not close.
    """
    flow_m3_s = dripline.emitter_flow_l_h / 3.6e6
    closing = dripline.closing_head_m
    toe = closing + TOE_HEAD_M
    if dripline.compensating:
        least = dripline.least_head_m
        if least is None or least <= toe:
            raise ValueError(
                f"dripline {dripline.name!r}: exponent 0 is pressure compensating; "
                f"state `least_head_m`, the head from which it compensates, over {toe:g} m"
            )
        k = flow_m3_s / math.sqrt(least)
        return np.array([k, 0.5, least, max(least, dripline.greatest_head_m), flow_m3_s, closing, toe])
    k = flow_m3_s / dripline.nominal_head_m**dripline.exponent
    return np.array([k, dripline.exponent, math.inf, math.inf, 0.0, closing, toe])


def emitter_flow_l_h(head_m: float, dripline: Dripline) -> float:
    """Flow of one emitter at a head. [l/h]

    >>> line = Dripline("a line", 22.2, 0.4, 1.0, nominal_head_m=10.0, exponent=0.5)
    >>> round(emitter_flow_l_h(12.1, line), 3)
    1.1
    """
    return float(emitter_flow(head_m, emitter_law(dripline))[0]) * 3.6e6
