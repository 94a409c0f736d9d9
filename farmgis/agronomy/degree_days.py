"""Growing degree days, and how long a crop's stages last by them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from farmgis.records import Floats


def degree_days_c(tmin_c: ArrayLike, tmax_c: ArrayLike, base_c: float, upper_c: float) -> Floats:
    """Degree days of each day: the mean of its extremes, each held between base and upper, over the base.

    The averaging way with cut-offs on both extremes, as is usual for maize (common practice: 10 and 30).

    >>> [float(d) for d in degree_days_c([5.0, 15.0, 20.0], [9.0, 35.0, 30.0], 10.0, 30.0)]
    [0.0, 12.5, 15.0]
    """
    low, high = (np.clip(np.asarray(t, dtype=np.float64), base_c, upper_c) for t in (tmin_c, tmax_c))
    return np.asarray(0.5 * (low + high) - base_c)


def stages_by_degree_days(warmth: Floats, stage_days: Sequence[int]) -> tuple[Floats, Floats]:
    """Days of the four stages in each year (4, years), and the degree days that each needs.

    A stage needs the mean over all years of the degree days of its tabled days. `warmth` are the degree days
    (days, years) from sowing on. A stage that is not reached ends with the days that are known.
    """
    reached = np.cumsum(warmth, axis=0)
    ends = np.cumsum(np.asarray(stage_days))
    needed = reached[ends - 1].mean(axis=1)
    over = reached[None] >= needed[:, None, None] - 1e-9
    day = np.where(over.any(axis=1), np.argmax(over, axis=1) + 1, warmth.shape[0])
    return np.diff(day, axis=0, prepend=0).astype(np.float64), np.diff(needed, prepend=0.0)
