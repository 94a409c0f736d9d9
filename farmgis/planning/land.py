"""What the land and the machines allow: land that is too steep or too small, rows that stand already."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely

from farmgis.errors import LandError
from farmgis.planning.rows import RowPlan, wheel_shift_m
from farmgis.planning.strips import chains
from farmgis.planning.survey import Survey, cells_land
from farmgis.records import Design, Field, Finding
from farmgis.terrain.gradient import Mask, slope_pct

LEAST_FIELD_HA = 0.15
"""Less land than this is worth no valve (common practice)."""

STEEP_SHARE = 0.5
"""A field of which more than this is too steep is not planned (common practice)."""

STEEP_TOLD_PCT = 2.0
"""Land too steep is worth a word from this share of a field on."""

BENT_DEG = 10.0
"""Rows that stand already and whose directions spread more than this are no straight rows."""

FORGOTTEN_ROWS_DEG = 1.0


def steepest_pct(design: Design) -> float:
    """Slope over which no direction keeps both row grade and cross-slope. [%]"""
    return math.hypot(design.cross_slope_max_pct, design.row_grade_max_pct)


def refuse_land(field: Field, ground: Survey) -> None:
    """Raise LandError for a field that is too small, or of which most is too steep, to be planned."""
    size_ha = field.land.area / 1e4
    if size_ha < LEAST_FIELD_HA:
        raise LandError(
            f"field {field.field_id!r} is too small: {size_ha:.2f} ha without what is not planted, "
            f"under {LEAST_FIELD_HA:g} ha",
            "join it to a field beside it, or leave it out",
            size_ha,
            LEAST_FIELD_HA,
            "ha",
        )
    limit = steepest_pct(field.design)
    share = float(_too_steep(ground, limit)[ground.inside].mean())
    if share > STEEP_SHARE:
        slope = slope_pct(ground.dz_dx[ground.inside], ground.dz_dy[ground.inside])
        half = float(np.median(slope))
        raise LandError(
            f"field {field.field_id!r} is too steep: {100 * share:.0f} % of it falls more than "
            f"{limit:.1f} %, so that rows keep neither {field.design.cross_slope_max_pct:g} % across nor "
            f"{field.design.row_grade_max_pct:g} % along; half of it falls over {half:.1f} %",
            "leave it to grass or trees, or terrace it; where machines do work there, state their "
            "`cross_slope_max_pct`; elevations in feet make slopes 3.28 times too steep",
            half,
            limit,
            "%",
        )


def nothing_fits(field: Field, plans: Iterable[RowPlan], least_strip_ha: float) -> LandError:
    """What to say of a field in which no plan of its rows has a strip worth a valve."""
    design = field.design
    longest_m, most_ha = 0.0, 0.0
    for plan in plans:
        lines = plan.laterals
        length_m = lines.end_u_m - lines.start_u_m
        longest_m = max(longest_m, float(length_m.max(initial=0.0)))
        pieces = chains(lines.chosen(length_m >= design.lateral_min_m))
        most_ha = max([most_ha, *(piece.length_m * piece.spacing_m / 1e4 for piece in pieces)])
    if longest_m < design.lateral_min_m:
        return LandError(
            f"field {field.field_id!r}: no lateral of {design.lateral_min_m:g} m or more fits between "
            f"headlands of {design.headland_m:g} m; the longest is {longest_m:.0f} m",
            "make `headland_m` or `lateral_min_m` smaller, join it to a field beside it, or leave it out",
            longest_m,
            design.lateral_min_m,
            "m",
        )
    return LandError(
        f"field {field.field_id!r}: laterals of {design.lateral_min_m:g} m or more lie on {most_ha:.2f} ha "
        f"in one piece at most, and under {least_strip_ha:g} ha is worth no valve",
        "make `headland_m` or `side_margin_m` smaller, join it to a field beside it, or leave it out",
        most_ha,
        least_strip_ha,
        "ha",
    )


def _too_steep(ground: Survey, limit_pct: float) -> Mask:
    return np.asarray(ground.inside & (slope_pct(ground.dz_dx, ground.dz_dy) > limit_pct))


def land_findings(field: Field, ground: Survey) -> list[Finding]:
    """The part of a field that is too steep, with its place."""
    limit = steepest_pct(field.design)
    steep = _too_steep(ground, limit)
    share = 100.0 * float(steep[ground.inside].mean())
    if share <= STEEP_TOLD_PCT:
        return []
    slope = slope_pct(ground.dz_dx[steep], ground.dz_dy[steep])
    return [
        Finding(
            "attention",
            "field",
            f"{share:.0f} % of the field falls more than {limit:.1f} %: rows there keep neither the greatest "
            f"cross-slope nor the greatest row grade; the steepest is {slope.max():.0f} %",
            field.field_id,
            "give that part as an exclusion and leave it to grass; the layer shows where it is",
            float(slope.max()),
            limit,
            "%",
            cells_land(ground.surface, steep),
        )
    ]


def line_azimuth(lines: Any) -> tuple[float, float]:
    """Return (mean azimuth of lines by length, how far their pieces spread about it), both in degrees.

    The mean is that of doubled angles, as lines have no front; the spread is the circular standard
    deviation.
    """
    points, which = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    step = np.diff(points, axis=0)[which[1:] == which[:-1]]
    length = np.hypot(step[:, 0], step[:, 1])
    twice = 2.0 * np.arctan2(step[:, 0], step[:, 1])
    s, c = float((length * np.sin(twice)).sum()), float((length * np.cos(twice)).sum())
    agreement = min(1.0, math.hypot(s, c) / float(length.sum()))
    spread = math.degrees(math.sqrt(-2.0 * math.log(agreement)) / 2.0) if agreement > 0.0 else 90.0
    return math.degrees(math.atan2(s, c)) / 2.0 % 180.0, spread


def row_findings(field: Field, pattern: str = "straight") -> list[Finding]:
    """Rows that stand already and cannot be kept as they are; laterals that no shift frees of wheels.

    `pattern` is that of the rows that were laid.
    """
    found = []
    design = field.design
    if field.kept_rows is not None:
        azimuth, spread = line_azimuth(field.kept_rows)
        stated = design.row_azimuth_deg
        turn = 0.0 if stated is None else abs((stated - azimuth + 90.0) % 180.0 - 90.0)
        if spread > BENT_DEG and pattern == "straight":
            what = (
                "do not run one way and no curve could be laid beside them; straight rows in their mean "
                "direction are planned"
            )
            advice = (
                "draw one of them from end to end of the field, no sharper than `turn_radius_m`, or divide "
                "the field where they turn"
            )
            found.append(_kept(field, what, advice, spread, BENT_DEG))
        if turn > FORGOTTEN_ROWS_DEG:
            found.append(_kept(field, f"run at {azimuth:.0f} degrees and `row_azimuth_deg` says "
                               f"{stated:.0f}; what was stated is planned",
                               "leave `row_azimuth_deg` out to keep the rows", turn, 0.0))  # fmt: skip
    if not wheel_shift_m(design)[1]:
        found.append(
            Finding(
                "attention",
                "rows",
                "wheels run over laterals: no place between their rows is free of the tyres",
                field.field_id,
                "take another gauge or number of planter rows, or narrower tyres",
                design.tyre_width_m,
                design.row_spacing_m,
                "m",
            )
        )
    return found


def _kept(field: Field, what: str, advice: str, measured: float, limit: float) -> Finding:
    words = f"the rows that stand already {what}"
    return Finding("attention", "rows", words, field.field_id, advice, measured, limit, "degrees")
