"""Salt: the leaching that it calls for, and the yield and transpiration that it costs."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from farmgis.records import Floats


def greatest_ece_ds_m(threshold_ds_m: float, slope_pct: float) -> float:
    """Salinity of the soil at which nothing is yielded, by Maas and Hoffman's line. [dS/m]

    >>> round(greatest_ece_ds_m(1.7, 12.0), 1)
    10.0
    """
    return threshold_ds_m + 100.0 / slope_pct


def relative_yield_pct(ece_ds_m: ArrayLike, threshold_ds_m: float, slope_pct: float) -> Floats:
    """Yield under salt, of that without (FAO-56 eq 89, after Maas and Hoffman). [%]"""
    over = np.asarray(ece_ds_m, dtype=np.float64) - threshold_ds_m
    return np.asarray(np.clip(100.0 - slope_pct * over, 0.0, 100.0))


def leaching_requirement_drip(water_ec_ds_m: ArrayLike, greatest_ece: ArrayLike) -> Floats:
    """Share of the water that has to pass the roots under drip: ECw / (2 max ECe). [fraction]

    For frequent irrigation (from memory: Keller and Bliesner 1990). 1 at most.
    """
    ec = np.asarray(water_ec_ds_m, dtype=np.float64)
    return np.minimum(ec / (2.0 * np.asarray(greatest_ece, dtype=np.float64)), 1.0)


def leaching_requirement_fao29(water_ec_ds_m: ArrayLike, ece_ds_m: ArrayLike) -> Floats:
    """Share of the water that has to pass the roots under surface or sprinkler irrigation. [fraction]

    ECw / (5 ECe - ECw), FAO-29 as quoted in FAO-56 p 180; 1 where the water is too salty for any.
    """
    ec, ece = np.asarray(water_ec_ds_m, dtype=np.float64), np.asarray(ece_ds_m, dtype=np.float64)
    spare = 5.0 * ece - ec
    return np.where(spare > ec, ec / np.maximum(spare, 1e-12), 1.0)


def soil_ece_ds_m(water_ec_ds_m: ArrayLike, leaching_fraction: ArrayLike) -> Floats:
    """Salinity that a soil settles at under a water and a leaching fraction (FAO-56 eq 93). [dS/m]"""
    leached = np.asarray(leaching_fraction, dtype=np.float64)
    return np.asarray(water_ec_ds_m, dtype=np.float64) * (1.0 + leached) / (5.0 * leached)


def salt_stress(
    ece_ds_m: ArrayLike, threshold_ds_m: float, slope_pct: float, yield_response: float
) -> Floats:
    """Share of crop ET that salt leaves, before any lack of water (first factor of FAO-56 eq 91)."""
    over = np.maximum(np.asarray(ece_ds_m, dtype=np.float64) - threshold_ds_m, 0.0)
    return np.maximum(1.0 - slope_pct / (100.0 * yield_response) * over, 0.0)


def leaching_mm(net_mm: ArrayLike, requirement: ArrayLike, least: float = 0.1) -> Floats:
    """Water on top of the net need so that the requirement's share passes the roots. [mm]

    net / (1 - LR) - net, applied only where LR is over `least` (0.1, from memory: Keller and Bliesner).
    Not finite where the requirement reaches 1: such water serves no crop.
    """
    share = np.asarray(requirement, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        extra = np.asarray(net_mm, dtype=np.float64) * share / (1.0 - share)
    return np.where(share > least, extra, 0.0)
