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


def christiansen_uniformity_pct(flows: Floats) -> float:
    """Christiansen's coefficient: 100 (1 - mean absolute deviation / mean). [%]

    Christiansen (1942), from memory.

    >>> round(christiansen_uniformity_pct(np.array([0.9, 1.0, 1.1])), 2)
    93.33
    """
    mean = flows.mean()
    return float(100.0 * (1.0 - np.abs(flows - mean).mean() / mean))


def statistical_uniformity_pct(flows: Floats, variation: float = 0.0) -> float:
    """Statistical uniformity: 100 (1 - coefficient of variation of flow). [%]

    The hydraulic variation of `flows` and the manufacturer's, independent of it, add as squares (ASABE
    EP458, from memory).

    >>> round(statistical_uniformity_pct(np.array([1.0, 1.0]), 0.05), 2)
    95.0
    """
    hydraulic = flows.std() / flows.mean()
    return float(100.0 * (1.0 - math.hypot(hydraulic, variation)))


def manufactured(outlets: Floats, variation: float, seed: int) -> Floats:
    """Emitters as they come from the factory: a draw of what each gives, of what its kind gives.

    Normal with standard deviation `variation`, and never under nothing. To be taken as the `outlets` of a
    tree: solved over some seeds, they show what manufacture does on top of the pressures.
    """
    drawn = np.random.default_rng(seed).normal(1.0, variation, outlets.shape)
    return np.asarray(outlets * np.maximum(drawn, 0.0))
