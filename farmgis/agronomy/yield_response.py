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


def stage_sums(values: Floats, stage: NDArray[np.int64]) -> Floats:
    """Sums of days' values over the four stages."""
    return np.asarray(np.bincount(stage, values, STAGES), dtype=np.float64)


def yield_left(
    lacking_mm: Floats,
    full_mm: Floats,
    stage_factors: Sequence[float] | None,
    season_factor: float | None,
) -> float | None:
    """Share of the yield that is left where that is lacking of the stages' full ET (four values each).

    The stages' losses multiply: the product of 1 - Ky (1 - ETa / ETc) (from memory: Rao, Sarma and Chander
    1988). Without factors of the stages eq 90 with the season's; None without either. Not under 0.
    """
    if stage_factors is not None:
        short = lacking_mm / np.maximum(full_mm, 1e-12)
        return float(np.maximum(1.0 - np.asarray(stage_factors) * short, 0.0).prod())
    if season_factor is None:
        return None
    return max(1.0 - season_factor * float(lacking_mm.sum()) / max(float(full_mm.sum()), 1e-12), 0.0)
