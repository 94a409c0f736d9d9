"""Boundaries made fit to plan with: flat, valid, polygons only, slivers left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

REPAIR_LIMIT_PCT = 5.0  # a repair that changes the area by more has guessed what was meant
SLIVER_M2 = 25.0
SLIVER_WIDTH_M = 1.0  # twice area over perimeter: the width of a long thin strip


@dataclass(frozen=True)
class Cleaned:
    """A shape after cleaning. `area` is None where nothing is left, and `refused` says why."""

    area: Any
    notes: tuple[str, ...] = ()
    refused: str | None = None
    change_pct: float = 0.0


def clean_area(shape: Any) -> Cleaned:
    """A valid 2-D MultiPolygon made of a shape in metres, with what was done to it.

    Refused: nothing there, points or lines, coordinates that are not finite, a boundary whose repair
    changes the area by more than 5 %.
    """
    if shape is None or shape.is_empty:
        return Cleaned(None, refused="it has no boundary (its geometry is empty)")
    flat = shapely.force_2d(shape)
    if not np.isfinite(shapely.get_coordinates(flat)).all():
        return Cleaned(None, refused="its boundary has coordinates that are not finite")
    if not len(polygons_of(flat)):
        return Cleaned(None, refused=f"its geometry is a {shape.geom_type}, not an area")
    notes: tuple[str, ...] = ()
    change_pct = 0.0
    if not flat.is_valid:
        why = shapely.is_valid_reason(flat)
        flat, change_pct = repaired(flat)
        if change_pct > REPAIR_LIMIT_PCT:
            refused = f"its boundary crosses itself ({why}), and a repair would change its area by"
            return Cleaned(None, refused=f"{refused} {_share(change_pct)}", change_pct=change_pct)
        notes += (
            f"its boundary crossed itself ({why}); the repair changed its area by {_share(change_pct)}",
        )
    parts, dropped = without_slivers(flat)
    if not len(parts):
        return Cleaned(None, refused=f"its area is {flat.area:.1f} m2: a sliver, nothing to plan on")
    if dropped:
        plural = "part" if dropped == 1 else "parts"
        notes += (f"{dropped} {plural} too small or thin to plan on left out",)
    return Cleaned(shapely.normalize(shapely.multipolygons(parts)), notes, None, change_pct)


def repaired(shape: Any) -> tuple[Any, float]:
    """A valid shape, and by how much the repair changed its area. [%]"""
    before_m2 = sum(abs(p.area) for p in polygons_of(shape))
    valid = shapely.make_valid(shape, method="structure", keep_collapsed=False)
    after_m2 = valid.area
    return valid, 100.0 * abs(after_m2 - before_m2) / max(after_m2, before_m2, 1e-9)


def polygons_of(shape: Any) -> list[Any]:
    """The polygons in a shape, however it is nested."""
    if shape.geom_type == "Polygon":
        return [] if shape.is_empty else [shape]
    return [p for part in getattr(shape, "geoms", ()) for p in polygons_of(part)]


def without_slivers(shape: Any) -> tuple[list[Any], int]:
    """The polygons that are worth planning on, and how many were not."""
    parts = polygons_of(shape)
    kept = [p for p in parts if p.area >= SLIVER_M2 and 2.0 * p.area / p.length >= SLIVER_WIDTH_M]
    return kept, len(parts) - len(kept)


def overlaps(areas: list[Any], least_m2: float = 1.0) -> list[tuple[int, int, Any]]:
    """Pairs of areas that lie over each other, in order, with the shape they share."""
    if len(areas) < 2:
        return []
    tree = shapely.STRtree(areas)
    first, second = tree.query(areas, predicate="intersects")
    found = []
    for i, j in sorted(zip(first.tolist(), second.tolist(), strict=True)):
        if i < j:
            shared = shapely.intersection(areas[i], areas[j])
            if shared.area > least_m2:
                found.append((i, j, shapely.multipolygons(polygons_of(shared))))
    return found


def _share(change_pct: float) -> str:
    return f"{change_pct:.1f} %" if change_pct >= 0.1 else f"{change_pct:.1g} %"
