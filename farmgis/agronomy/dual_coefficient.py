"""The dual crop coefficient (FAO-56 chapter 7): what plants take, and what the wet soil between them loses.

Transpiration follows the basal coefficient Kcb. Evaporation follows how wet the top layer is where the
ground is both wetted and open to the sun; under drip that is a small part of the field.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from farmgis.agronomy.crop_coefficient import climate_adjustment
from farmgis.agronomy.dual_coefficient_kernel import run_places
from farmgis.records import Floats

LAYER_DEPTH_M = 0.10
"""Depth that dries by evaporation (FAO-56 p 144: 0.10 to 0.15 m)."""

DRIP_SHADE = 0.67
"""Emitters stand at the plants: 1 less two thirds of the cover is left of what they wet (FAO-56 p 151)."""

ORGANIC_MULCH_SAVES = 0.5
PLASTIC_MULCH_SAVES = 0.8
"""Share of the evaporation that a full cover keeps back (FAO-56 chapter 10, from memory)."""


@dataclass(frozen=True)
class EvaporationLayer:
    """The top layer: what it holds in all and what leaves freely (TEW, REW), and how water reaches it.

    `wetted_fraction` is irrigation's, rain of 3 mm or more wets all. `mulch_factor` is the share of the
    evaporation that a mulch leaves.
    """

    total_mm: float
    readily_mm: float
    wetted_fraction: float = 1.0
    drip: bool = False
    mulch_factor: float = 1.0
    start_depletion_mm: float = 0.0


@dataclass(frozen=True)
class DualBalance:
    """Day by day, arrays (days, places). `depletion_mm` and `layer_mm` at each day's end; `stress` is Ks."""

    evaporation_mm: Floats
    transpiration_mm: Floats
    ke: Floats
    stress: Floats
    deep_percolation_mm: Floats
    depletion_mm: Floats
    layer_mm: Floats

    @property
    def et_mm(self) -> Floats:
        """Evaporation and transpiration together. [mm]"""
        return np.asarray(self.evaporation_mm + self.transpiration_mm)


def total_evaporable_mm(
    field_capacity: ArrayLike, wilting_point: ArrayLike, depth_m: ArrayLike = LAYER_DEPTH_M
) -> Floats:
    """Water that the top layer can lose by evaporation (TEW, FAO-56 eq 73). [mm]

    >>> float(total_evaporable_mm(0.23, 0.10))
    18.0
    """
    held = np.asarray(field_capacity, dtype=np.float64) - 0.5 * np.asarray(wilting_point, dtype=np.float64)
    return np.asarray(np.round(1000.0 * held * np.asarray(depth_m, dtype=np.float64), 9))


def kc_max(kcb: ArrayLike, wind_2m_m_s: ArrayLike, rh_min_pct: ArrayLike, height_m: ArrayLike) -> Floats:
    """Greatest crop coefficient after a wetting, of the grass reference (FAO-56 eq 72)."""
    basal = np.asarray(kcb, dtype=np.float64)
    return np.maximum(1.2 + climate_adjustment(wind_2m_m_s, rh_min_pct, height_m), basal + 0.05)


def canopy_cover(kcb: ArrayLike, kc_greatest: ArrayLike, height_m: ArrayLike, kc_min: float = 0.15) -> Floats:
    """Share of the ground that leaves cover (FAO-56 eq 76), 0 to 0.99.

    >>> round(float(canopy_cover(0.9, 1.3, 1.0)), 2)
    0.53
    """
    basal = np.asarray(kcb, dtype=np.float64) - kc_min
    share = np.maximum(basal, 0.0) / np.maximum(np.asarray(kc_greatest, dtype=np.float64) - kc_min, 0.01)
    return np.clip(share ** (1.0 + 0.5 * np.asarray(height_m, dtype=np.float64)), 0.0, 0.99)


def exposed_wetted(cover: ArrayLike, wetted_fraction: ArrayLike, drip: bool = False) -> Floats:
    """Share of the ground both wetted and in the sun (few, FAO-56 eq 75; p 151 for drip), 0.01 at least."""
    c, wet = np.asarray(cover, dtype=np.float64), np.asarray(wetted_fraction, dtype=np.float64)
    if drip:
        wet = (1.0 - DRIP_SHADE * c) * wet
    return np.clip(np.minimum(1.0 - c, wet), 0.01, 1.0)


def mulch_factor(kind: str, cover: float) -> float:
    """Share of the evaporation that a mulch over a share of the ground leaves (FAO-56 chapter 10, memory).

    >>> mulch_factor("organic", 0.5), mulch_factor("none", 0.9)
    (0.75, 1.0)
    """
    saves = {"none": 0.0, "organic": ORGANIC_MULCH_SAVES, "plastic": PLASTIC_MULCH_SAVES}[kind]
    return 1.0 - saves * cover


def dual_balance(
    et0_mm: Floats,
    rain_mm: Floats,
    irrigation_mm: Floats,
    kcb: Floats,
    kc_greatest: Floats,
    cover: Floats,
    total_mm: Floats,
    depletion_fraction: Floats | float,
    layer: EvaporationLayer,
    start_depletion_mm: float = 0.0,
    *,
    early: bool = True,
    adjust_fraction: bool = True,
) -> DualBalance:
    """Evaporation, transpiration and both stores, day by day (FAO-56 eq 71 to 88), for places at once.

    Arrays have shape (days,) or (days, places). `early`: rain and irrigation come in the morning, drain, and
    then the crop takes, as in FAO-56 examples 35 and 38; else the day's ET goes first, as eq 77 and 88 read
    to the letter. `adjust_fraction`: table 22's fraction by the day's ET (note 2), or as given. Closes in
    both orders: depletion at the end = at the start + ET + percolation - rain - irrigation.
    """
    shape = np.shape(et0_mm)
    wide = (shape[0], 1) if len(shape) == 1 else shape
    days = [
        np.ascontiguousarray(np.broadcast_to(np.reshape(a, (shape[0], -1)) if np.ndim(a) else a, wide), float)
        for a in (et0_mm, rain_mm, irrigation_mm, kcb, kc_greatest, cover, total_mm, depletion_fraction)
    ]
    out = np.zeros((7, *wide))
    run_places(
        *days, layer.total_mm, layer.readily_mm, layer.wetted_fraction, layer.drip, layer.mulch_factor,
        layer.start_depletion_mm, start_depletion_mm, early, adjust_fraction, out,
    )  # fmt: skip
    return DualBalance(*(a.reshape(shape) for a in out))
