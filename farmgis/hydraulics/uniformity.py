"""How equal the emitters of a block are, each measure with its definition."""

from __future__ import annotations

import math

import numpy as np

from farmgis.records import Floats


def head_variation_pct(lowest_m: float, highest_m: float, mean_m: float) -> float:
    """100 (max - min) / mean of emitter heads. [%]"""
    return 100.0 * (highest_m - lowest_m) / mean_m


def flow_variation_pct(lowest: float, highest: float) -> float:
    """100 (max - min) / max of emitter flows. [%]"""
    return 100.0 * (highest - lowest) / highest


def emission_uniformity_pct(
    lowest_flow: float, mean_flow: float, variation: float, emitters_per_plant: float = 1.0
) -> float:
    """Design emission uniformity 100 (1 - 1.27 Cv / sqrt n) qmin / qmean. [%]

    ASABE EP405 (from memory). `variation` is the manufacturer's coefficient of variation Cv.

    >>> round(emission_uniformity_pct(0.95, 1.0, 0.05), 2)
    88.97
    """
    return 100.0 * (1.0 - 1.27 * variation / math.sqrt(emitters_per_plant)) * lowest_flow / mean_flow


def low_quarter_uniformity_pct(flows: Floats) -> float:
    """Distribution uniformity: mean of the lowest quarter over the mean of all. [%]"""
    ordered = np.sort(flows)
    quarter = max(1, round(ordered.size / 4))
    return float(100.0 * ordered[:quarter].mean() / ordered.mean())
