"""Grades along and across rows as they are laid, straight or curved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from farmgis.planning.rows import RowPlan
from farmgis.planning.survey import Survey
from farmgis.records import Floats
from farmgis.terrain.surface import cell_centres

SHORT_ROWS = 5.0
"""A piece of a row shorter than this many least laterals is a short row (common practice)."""


@dataclass(frozen=True)
class Grades:
    """Signed grade along the rows and magnitude across them, a value a cell of the field. [%]"""

    along_pct: Floats
    across_pct: Floats

    @property
    def mean_pct(self) -> float:
        """Mean magnitude along the rows. [%]"""
        return float(np.abs(self.along_pct).mean()) if self.along_pct.size else 0.0

    @property
    def greatest_pct(self) -> float:
        """Greatest magnitude along the rows. [%]"""
        return float(np.abs(self.along_pct).max(initial=0.0))

    @property
    def greatest_across_pct(self) -> float:
        """Greatest magnitude across the rows. [%]"""
        return float(self.across_pct.max(initial=0.0))

    def excess_pct(self, limit_pct: float) -> float:
        """Mean of how much steeper than a limit rows are. [%]"""
        over = np.maximum(np.abs(self.along_pct) - limit_pct, 0.0)
        return float(over.mean()) if over.size else 0.0

    def over_pct(self, limit_pct: float) -> float:
        """Share of the land on which rows are steeper than a limit. [%]"""
        return 100.0 * float((np.abs(self.along_pct) > limit_pct).mean()) if self.along_pct.size else 0.0

    def lack_pct(self, fall_pct: float) -> float:
        """Mean of what rows lack of half a wanted fall, all one way. [%]"""
        way = 1.0 if self.along_pct.mean() >= 0.0 else -1.0
        return float(np.maximum(0.5 * fall_pct - way * self.along_pct, 0.0).mean())


def grades(plans: Sequence[RowPlan], ground: Survey) -> Grades:
    """Grades over all cells of a field, each by the rows of its part."""
    along, across = [], []
    x, y = cell_centres(ground.surface)
    for plan in plans:
        inside = ground.inside
        if plan.part is not None:
            shapely.prepare(plan.part)
            inside = inside & shapely.contains_xy(plan.part, x, y)
        gx, gy = ground.dz_dx[inside], ground.dz_dy[inside]
        east, north = plan.axes.directions(x[inside], y[inside])
        along.append(100.0 * (gx * east + gy * north))
        across.append(100.0 * np.abs(gx * north - gy * east))
    return Grades(np.concatenate(along), np.concatenate(across))


def row_lengths_m(plans: Sequence[RowPlan]) -> Floats:
    """Length of each row that machines run: within a band from panel to panel without a stop. [m]"""
    found = []
    for plan in plans:
        if plan.band is None:
            found.append(plan.rows.end_u_m - plan.rows.start_u_m)
    for band in sorted({p.band for p in plans if p.band is not None}):
        rows = [p.rows for p in plans if p.band == band]
        number = np.concatenate([r.number for r in rows])
        length = np.concatenate([r.end_u_m - r.start_u_m for r in rows])
        found.append(np.bincount(number - number.min(initial=0), weights=length).astype(np.float64))
    lengths = np.concatenate(found)
    return np.asarray(lengths[lengths > 0.0])


def short_rows(plans: Sequence[RowPlan], lateral_min_m: float) -> int:
    """Rows that are short for the machines."""
    return int((row_lengths_m(plans) < SHORT_ROWS * lateral_min_m).sum())
