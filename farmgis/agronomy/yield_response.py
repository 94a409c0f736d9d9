"""What a lack of water costs in yield, each growth stage in its own measure (FAO-33, FAO-56 eq 90)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from farmgis.records import Floats

STAGES = 4


def stage_of_day(days: int, stage_days: Floats) -> NDArray[np.int64]:
    """Stage of each day, 0 to 3: initial, development, middle, late; shape (days, n) for (4, n) lengths.

    >>> stage_of_day(6, [[1], [2], [1], [2]])[:, 0].tolist()
    [0, 1, 1, 2, 3, 3]
    """
    ends = np.cumsum(np.asarray(stage_days, dtype=np.float64), axis=0)[: STAGES - 1]
    number = np.arange(1, days + 1, dtype=np.float64)[:, None]
    return np.asarray((number[None] > ends[:, None, :]).sum(axis=0), dtype=np.int64)


def taken_shares(taken_mm: Floats, full_mm: Floats, stage: NDArray[np.int64]) -> Floats:
    """Share of its full ET that a crop took in each stage; 1 where a stage takes none."""
    taken, full = (np.bincount(stage, own, STAGES) for own in (taken_mm, full_mm))
    return np.where(full > 0.0, taken / np.maximum(full, 1e-12), 1.0)


def yield_left(
    shares: Floats,
    taken_mm: float,
    full_mm: float,
    stage_factors: Sequence[float] | None,
    season_factor: float | None,
) -> float | None:
    """Share of the yield that is left after such shares of full ET in the stages, and so much in the season.

    The stages' losses multiply: the product of 1 - Ky (1 - ETa / ETc) (from memory: Rao, Sarma and Chander
    1988). Without factors of the stages eq 90 with the season's; None without either. Not under 0.
    """
    if stage_factors is not None:
        left = np.maximum(1.0 - np.asarray(stage_factors) * (1.0 - shares), 0.0)
        return float(left.prod())
    if season_factor is None:
        return None
    return max(1.0 - season_factor * (1.0 - taken_mm / max(full_mm, 1e-12)), 0.0)
