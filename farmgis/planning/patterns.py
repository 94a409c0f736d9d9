"""Ways to run a field's rows: straight, in facets, along contours; each as plans that are judged alike."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
import shapely

from farmgis.planning.contour_rows import contour_bands, kept_bands
from farmgis.planning.facets import facets
from farmgis.planning.grades import Grades, short_rows
from farmgis.planning.land import BENT_DEG, line_azimuth
from farmgis.planning.parts import Neighbour, along_azimuth, band_plans, facet_plan
from farmgis.planning.rows import RowPlan, row_plan
from farmgis.planning.survey import Survey
from farmgis.records import Field
from farmgis.terrain.gradient import Contour, contour
from farmgis.terrain.surface import cell_centres

GLANCE_M = 1.0
"""To this the outline of a field is true that is judged at a glance."""

SAME_DIRECTION_DEG = 1.5
"""Directions nearer than this are judged once."""


Search = Literal["none", "rough", "close", "laid"]


@dataclass(frozen=True)
class Candidate:
    """A way to run the rows that was judged: its blocks and cost in the relative index.

    `azimuth_deg` is that of the largest part. `search` tells how closely its blocks were searched: "none"
    where its rows alone cost more than another way in all. Uniformity is the search's own estimate, by land,
    until it is laid.
    """

    azimuth_deg: float
    blocks: int
    over_ha: float
    cost_index: float
    pattern: str = "straight"
    parts: int = 1
    grade_mean_pct: float = math.nan
    grade_over_pct: float = math.nan
    cross_slope_max_pct: float = math.nan
    short_rows: int = 0
    uniformity_pct: float = math.nan
    laid_index: float = math.nan
    search: Search = "close"


@dataclass(frozen=True)
class Scheme:
    """A candidate and the plans that it stands for."""

    candidate: Candidate
    plans: tuple[RowPlan, ...]


Judge = Callable[[str, tuple[RowPlan, ...]], Candidate]
"""What judges plans of a pattern."""


@dataclass(frozen=True)
class Ground:
    """A field on its ground, with what is found once and used for each dripline."""

    field: Field
    survey: Survey
    row_index: Callable[[tuple[RowPlan, ...]], float]

    @cached_property
    def fixed_deg(self) -> float | None:
        """Azimuth that the user, or the rows that stand, fix."""
        if self.field.design.row_azimuth_deg is None and self.field.kept_rows is not None:
            return line_azimuth(self.field.kept_rows)[0]
        return self.field.design.row_azimuth_deg

    @cached_property
    def twisted(self) -> bool:
        """Whether rows along the best single direction are steeper than their limit, as a rule."""
        contour = self.survey.contour
        return contour is not None and contour.rms_grade_along_pct > self.field.design.row_grade_max_pct

    @cached_property
    def _outline(self) -> Field:
        """The field and what lies in it with outlines true to a metre: what is judged at a glance."""
        field = self.field
        return replace(
            field,
            area=_thinned(field.area),
            exclusions=None if field.exclusions is None else _thinned(field.exclusions),
            taken=None if field.taken is None else _thinned(field.taken),
        )

    @cached_property
    def _straight(self) -> dict[float, RowPlan]:
        return {}

    def outlined(self, azimuth_deg: float) -> RowPlan:
        """Straight rows over the field's outline at an azimuth, found once."""
        if azimuth_deg not in self._straight:
            self._straight[azimuth_deg] = row_plan(self._outline, azimuth_deg)
        return self._straight[azimuth_deg]

    def plans(self, pattern: str) -> tuple[RowPlan, ...]:
        """Plans of a pattern, found once; none where it comes to nothing."""
        return self.in_facets if pattern == "facets" else self.curved

    @cached_property
    def in_facets(self) -> tuple[RowPlan, ...]:
        """Plans of parts of like direction, each in the direction whose rows alone cost least."""
        areas = facets(self.field.area, self.survey, self.field.design)
        if len(areas) < 2:
            return ()
        azimuths = [self._cheapest(area) for area in areas]
        ways = [Neighbour(a, along_azimuth(d)) for a, d in zip(areas, azimuths, strict=True)]
        return tuple(
            facet_plan(self.field, area, azimuth, ways[:k] + ways[k + 1 :])
            for k, (area, azimuth) in enumerate(zip(areas, azimuths, strict=True))
        )

    def _cheapest(self, area: Any) -> float:
        level = facet_contour(area, self.survey)
        wanted = candidate_azimuths(area, level, self.field.design.row_fall_pct)
        return min(wanted, key=lambda a: self.row_index((facet_plan(self.field, area, a),)))

    @cached_property
    def curved(self) -> tuple[RowPlan, ...]:
        """Plans of bands of contour rows, panel by panel."""
        field = self.field
        if self.bent_rows:
            bands = kept_bands(field.area, field.kept_rows, self.survey, field.design)
        else:
            bands = contour_bands(field.area, self.survey, field.design)
        return tuple(plan for k in range(len(bands)) for plan in band_plans(field, bands, k, self.survey))

    @cached_property
    def bent_rows(self) -> bool:
        """Whether curved rows stand already, which are to be gone on with."""
        field = self.field
        if field.kept_rows is None or field.design.row_azimuth_deg is not None:
            return False
        return field.design.row_pattern != "straight" and line_azimuth(field.kept_rows)[1] > BENT_DEG

    @property
    def wanted(self) -> str:
        """The pattern that is asked for, by the user or by rows that stand; else "auto"."""
        return "contour" if self.bent_rows else self.field.design.row_pattern

    def asked(self, pattern: str) -> bool:
        """Whether a pattern is to be tried besides straight rows: asked for, or called for by the ground."""
        if self.bent_rows:
            return pattern == "contour"
        if self.fixed_deg is not None:
            return False
        wanted = self.wanted
        return wanted == pattern or (wanted == "auto" and self.twisted)


def _thinned(area: Any) -> Any:
    return shapely.multipolygons(list(shapely.get_parts(shapely.simplify(area, GLANCE_M))))


def facet_contour(area: Any, ground: Survey) -> Contour | None:
    """Contour direction over a part of a field."""
    x, y = cell_centres(ground.surface)
    shapely.prepare(area)
    inside = ground.inside & shapely.contains_xy(area, x, y)
    return contour(ground.surface, inside, ground.noise_m, ground.smoothing_m) if inside.any() else None


def graded(
    candidate: Candidate, pattern: str, plans: tuple[RowPlan, ...], field: Field, laid: Grades
) -> Candidate:
    """A candidate with what its rows are like."""
    return replace(
        candidate,
        pattern=pattern,
        parts=len(plans),
        grade_mean_pct=laid.mean_pct,
        grade_over_pct=laid.over_pct(field.design.row_grade_max_pct),
        cross_slope_max_pct=laid.greatest_across_pct,
        short_rows=short_rows(plans, field.design.lateral_min_m),
    )


def candidate_azimuths(area: Any, level: Contour | None, fall_pct: float | None = None) -> list[float]:
    """Azimuths worth judging: the contour's first, some either side of it, and the land's long sides."""
    wanted: list[float] = []
    if level is not None:
        turns = [0.0, -10.0, 10.0]
        if fall_pct:
            aside = math.degrees(math.asin(min(1.0, fall_pct / level.rms_grade_across_pct)))
            turns += [-aside, aside]
        wanted += [level.azimuth_deg + turn for turn in turns]
    wanted += _side_azimuths(area)
    kept: list[float] = []
    for azimuth in wanted:
        if all(abs((azimuth - k + 90.0) % 180.0 - 90.0) > SAME_DIRECTION_DEG for k in kept):
            kept.append(azimuth % 180.0)
    return kept


def _side_azimuths(area: Any) -> list[float]:
    """Azimuths of the land's long side and of its longest straight run of boundary."""
    outline = shapely.simplify(max(shapely.get_parts(area), key=lambda p: p.area).exterior, 5.0)
    found = []
    for ring in (shapely.minimum_rotated_rectangle(area).exterior, outline):
        step = np.diff(shapely.get_coordinates(ring), axis=0)
        longest = step[np.argmax(np.hypot(step[:, 0], step[:, 1]))]
        found.append(math.degrees(math.atan2(longest[0], longest[1])) % 180.0)
    return found


def main_azimuth(plans: Sequence[RowPlan]) -> float:
    """Azimuth of the rows in the middle of the largest part. [degrees]"""
    plan = max(plans, key=lambda p: p.irrigated.area)
    return azimuth_at(plan, plan.axes.placed(plan.irrigated.representative_point()))


def azimuth_at(plan: RowPlan, point: Any) -> float:
    """Azimuth of a plan's rows at a point of the map. [degrees]"""
    east, north = plan.axes.directions(np.array([point.x]), np.array([point.y]))
    return math.degrees(math.atan2(float(east[0]), float(north[0]))) % 180.0
