"""The root zone's water from day to day (FAO-56 chapter 8), as depletion below field capacity.

Within a day the rain and the irrigation come first, what the root zone cannot hold drains, and then the
crop takes: the order of the figures printed in FAO-56 example 38. The book's eq 85 and 88, read to the
letter, let the crop take first, which counts more of the rain as used; ours is the safe side.

Arrays have shape (days,) or (days, n): n years or places at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from farmgis.records import Floats


@dataclass(frozen=True)
class RootZone:
    """What came of each day. depletion is at the day's end; all [mm], stress (Ks) [1]."""

    depletion_mm: Floats
    stress: Floats
    et_mm: Floats
    irrigation_mm: Floats
    deep_percolation_mm: Floats


def total_available_mm(
    field_capacity: ArrayLike, wilting_point: ArrayLike, root_depth_m: ArrayLike
) -> Floats:
    """Water that a root zone holds between field capacity and wilting point (FAO-56 eq 82). [mm]"""
    held = np.asarray(field_capacity, dtype=np.float64) - np.asarray(wilting_point, dtype=np.float64)
    return np.asarray(1000.0 * held * np.asarray(root_depth_m, dtype=np.float64))


def depletion_fraction(tabled: ArrayLike, crop_et_mm: ArrayLike) -> Floats:
    """Share of that water which the crop takes without stress (FAO-56 table 22, note 2).

    >>> [round(float(p), 2) for p in depletion_fraction(0.55, [7.0, 3.0])]
    [0.47, 0.63]
    """
    fraction = np.asarray(tabled, dtype=np.float64) + 0.04 * (5.0 - np.asarray(crop_et_mm, dtype=np.float64))
    return np.clip(fraction, 0.1, 0.8)


def readily_available_mm(total_mm: ArrayLike, fraction: ArrayLike) -> Floats:
    """Water that the crop takes without stress (FAO-56 eq 83). [mm]"""
    return np.asarray(fraction, dtype=np.float64) * np.asarray(total_mm, dtype=np.float64)


def stress_coefficient(depletion_mm: ArrayLike, total_mm: ArrayLike, readily_mm: ArrayLike) -> Floats:
    """Share of its full ET that a crop keeps at a depletion (Ks, FAO-56 eq 84)."""
    total, readily = np.asarray(total_mm, dtype=np.float64), np.asarray(readily_mm, dtype=np.float64)
    left = total - np.asarray(depletion_mm, dtype=np.float64)
    return np.clip(left / np.maximum(total - readily, 1e-12), 0.0, 1.0)


def root_depth_m(
    day_number: ArrayLike, stage_days: Sequence[float] | Floats, start_m: float, full_m: float
) -> Floats:
    """Root depth on days of the season, 1 on the day of sowing. [m]

    Grows evenly from sowing to the end of the development stage.
    """
    grown = np.asarray(day_number, dtype=np.float64) / np.maximum(stage_days[0] + stage_days[1], 1.0)
    return np.asarray(start_m + np.clip(grown, 0.0, 1.0) * (max(full_m, start_m) - start_m))


def root_zone_balance(
    crop_et_mm: Floats,
    rain_mm: Floats,
    irrigation_mm: Floats,
    total_mm: Floats,
    readily_mm: Floats,
    start_depletion_mm: ArrayLike = 0.0,
) -> RootZone:
    """The root zone under given irrigations, the crop's ET cut by stress (FAO-56 eq 85).

    Stress follows from the depletion after the day's water has come in. Closes: depletion at the end =
    at the start + ET + deep percolation - rain - irrigation.
    """
    shape = np.shape(crop_et_mm)
    end, stress, taken, drained = (np.empty(shape) for _ in range(4))
    depletion = np.broadcast_to(np.asarray(start_depletion_mm, dtype=np.float64), shape[1:])
    for day in range(shape[0]):
        depletion, drained[day] = _wetted(depletion, rain_mm[day] + irrigation_mm[day])
        stress[day] = stress_coefficient(depletion, total_mm[day], readily_mm[day])
        taken[day] = stress[day] * crop_et_mm[day]
        depletion = depletion + taken[day]
        end[day] = depletion
    return RootZone(end, stress, taken, np.array(irrigation_mm, dtype=np.float64), drained)


def _wetted(depletion_mm: Floats, water_mm: Floats) -> tuple[Floats, Floats]:
    """Depletion after water came in, and what drained past the roots (FAO-56 eq 88, before ET). [mm]"""
    balance = depletion_mm - water_mm
    return np.maximum(balance, 0.0), np.maximum(-balance, 0.0)
