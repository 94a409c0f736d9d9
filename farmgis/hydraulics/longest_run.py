"""How long a lateral may be on even ground before its emitters differ too much."""

from __future__ import annotations

import numpy as np

from farmgis.hydraulics.friction import DEFAULT_WATER
from farmgis.hydraulics.lateral import Lateral, lateral_tree
from farmgis.hydraulics.tree import solve_tree
from farmgis.hydraulics.uniformity import emission_uniformity_pct, flow_variation_pct, head_variation_pct
from farmgis.hydraulics.water import Water
from farmgis.records import Dripline, Floats, Tolerance

LONGEST_M = 1500.0
"""No lateral longer than this is looked at."""


def lateral_at_nominal_flow(
    dripline: Dripline, grade_pct: float, emitters: int, water: Water = DEFAULT_WATER
) -> Lateral:
    """A lateral on an even grade, rising where that is positive, whose mean emitter gives its nominal flow.

    Compensating line is fed so that its lowest emitter has 1 m over its least head.
    """
    ground_m = grade_pct / 100.0 * dripline.emitter_spacing_m * np.arange(emitters + 1.0)
    tree = lateral_tree(dripline, ground_m, water)
    if dripline.compensating:
        heads = solve_tree(tree, "least head", (dripline.least_head_m or 0.0) + 1.0)
    else:
        heads = solve_tree(tree, "total flow", emitters * dripline.emitter_flow_l_h / 3.6e6)
    return Lateral(heads.head_m, float(heads.flow_m3_s[0]) * 3.6e6, heads)


def keeps_tolerance(lateral: Lateral, dripline: Dripline, tolerance: Tolerance) -> bool:
    """Whether a lateral's emitters differ by no more than a tolerance, and its line bears its head."""
    head = lateral.head_m[1:]
    if lateral.head_m.max() > dripline.greatest_head_m:
        return False
    if dripline.compensating:
        return True  # its lowest head is held, and its highest is within its range
    low, high, mean = float(head.min()), float(head.max()), float(head.mean())
    if low <= 0.0:
        return False
    share = (low / high) ** dripline.exponent
    if tolerance.kind == "head_variation_pct":
        return head_variation_pct(low, high, mean) <= tolerance.value
    if tolerance.kind == "flow_variation_pct":
        return flow_variation_pct(share, 1.0) <= tolerance.value
    lowest_of_mean = dripline.emitter_flow_l_h * (low / dripline.nominal_head_m) ** dripline.exponent
    uniformity = emission_uniformity_pct(lowest_of_mean, dripline.emitter_flow_l_h, dripline.variation)
    return uniformity >= tolerance.value


def longest_run_m(
    dripline: Dripline, grade_pct: float, tolerance: Tolerance, water: Water = DEFAULT_WATER
) -> float:
    """Greatest length of a lateral on an even grade that keeps a tolerance, as all shorter ones do. [m]

    `grade_pct` is positive where the lateral climbs. `LONGEST_M` where none is too long, 0 where even one
    emitter is.

    >>> line = Dripline("a line", 22.2, 0.4, 1.0, greatest_head_m=20.0)
    >>> 290.0 < longest_run_m(line, 0.0, Tolerance("flow_variation_pct", 10.0)) < 300.0
    True
    """

    def keeps(emitters: int) -> bool:
        lateral = lateral_at_nominal_flow(dripline, grade_pct, emitters, water)
        return keeps_tolerance(lateral, dripline, tolerance)

    most = int(LONGEST_M / dripline.emitter_spacing_m)
    stride = max(1, round(10.0 / dripline.emitter_spacing_m))
    kept = 0
    for emitters in range(stride, most + stride, stride):  # from short to long: it need not be monotonic
        if not keeps(min(emitters, most)):
            break
        kept = min(emitters, most)
    low, high = kept, min(kept + stride, most + 1)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if keeps(middle) else (low, middle)
    return low * dripline.emitter_spacing_m


def longest_runs_m(
    dripline: Dripline, grades_pct: Floats, tolerance: Tolerance, water: Water = DEFAULT_WATER
) -> Floats:
    """`longest_run_m` over grades, of their shape. [m]"""
    return np.array([longest_run_m(dripline, float(g), tolerance, water) for g in grades_pct])
