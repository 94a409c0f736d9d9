"""What lies in the fields: areas that are not planted, tracks, and rows that stand already."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from farmgis.geodata import crs as crs_room
from farmgis.geodata.boundary_file import Kind, Rows, describe, read_rows
from farmgis.geodata.fields import Boundaries, Parcel
from farmgis.geodata.shapes import polygons_of
from farmgis.records import Finding

TRACK_WIDTH_M = 4.0
"""Width of a track whose width is not stated (common practice)."""

CLEARANCE_COLUMN, WIDTH_COLUMN = "clearance_m", "width_m"
"""Columns that are read where they are there and no other is named."""

MOST_M = 200.0
"""A stated clearance or width over this is no such thing."""


@dataclass(frozen=True)
class Marks:
    """Files of what lies in the fields, as the farm file names them."""

    exclusions: str | Path | None = None
    exclusions_layer: str | None = None
    exclusions_clearance: str | None = None
    tracks: str | Path | None = None
    tracks_layer: str | None = None
    tracks_width: str | None = None
    track_width_m: float = TRACK_WIDTH_M
    rows: str | Path | None = None
    rows_layer: str | None = None
    input_crs: str | None = None


def with_marks(boundaries: Boundaries, marks: Marks) -> Boundaries:
    """The boundaries with what lies in each field. Raises InputError, CrsError for a file as a whole."""
    parcels, told = list(boundaries.parcels), boundaries.findings
    for add, path in (
        (_with_exclusions, marks.exclusions),
        (_with_tracks, marks.tracks),
        (_with_rows, marks.rows),
    ):
        if path is not None:
            parcels, found = add(parcels, boundaries.crs, path, marks)
            told += found
    return replace(boundaries, parcels=tuple(parcels), findings=told)


# ---- areas -----------------------------------------------------------------------------------------


def _with_exclusions(
    parcels: list[Parcel], plan: CRS, path: str | Path, marks: Marks
) -> tuple[list[Parcel], tuple[Finding, ...]]:
    """Parcels with the part of each exclusion that lies in them; one with a clearance takes that too."""
    shapes, clear, found = _read(
        path, marks.exclusions_layer, marks.exclusions_clearance, CLEARANCE_COLUMN, plan, marks, "areas"
    )
    valid = [
        shapely.make_valid(shapely.force_2d(s), method="structure", keep_collapsed=False) for s in shapes
    ]
    unusable = sum(1 for s in valid if not polygons_of(s))
    if unusable:
        found += (_note(f"{unusable} exclusions in {Path(path).name} are no areas and are left out."),)
    plain = [p for s, c in zip(valid, clear, strict=True) if math.isnan(c) for p in polygons_of(s)]
    wide = [
        shapely.buffer(p, c, quad_segs=4)
        for s, c in zip(valid, clear, strict=True)
        if not math.isnan(c)
        for p in polygons_of(s)
    ]
    inside, taken = _cut(plain, parcels), _cut(wide, parcels)
    made = [
        replace(p, exclusions=a, taken=_joined(p.taken, b))
        for p, a, b in zip(parcels, inside, taken, strict=True)
    ]
    if not any(a is not None or b is not None for a, b in zip(inside, taken, strict=True)):
        found += (_elsewhere(path, "exclusion"),)
    return made, found


def _with_tracks(
    parcels: list[Parcel], plan: CRS, path: str | Path, marks: Marks
) -> tuple[list[Parcel], tuple[Finding, ...]]:
    """Parcels less the tracks through them, each as wide as it says."""
    shapes, width, found = _read(
        path, marks.tracks_layer, marks.tracks_width, WIDTH_COLUMN, plan, marks, "lines"
    )
    half = np.where(np.isnan(width), marks.track_width_m, width) / 2.0
    wide = [
        p
        for s, h in zip(shapes, half, strict=True)
        for p in polygons_of(shapely.buffer(shapely.force_2d(s), float(h), cap_style="flat"))
    ]
    taken = _cut(wide, parcels)
    if not any(t is not None for t in taken):
        found += (_elsewhere(path, "track"),)
    return [replace(p, taken=_joined(p.taken, t)) for p, t in zip(parcels, taken, strict=True)], found


def _cut(areas: list[Any], parcels: list[Parcel]) -> list[Any]:
    """For each parcel the part of the areas that lies in it, or None."""
    tree = shapely.STRtree(areas)
    cut = []
    for parcel in parcels:
        near = [areas[i] for i in sorted(tree.query(parcel.area, predicate="intersects").tolist())]
        inside = polygons_of(shapely.intersection(parcel.area, shapely.union_all(near))) if near else []
        cut.append(shapely.multipolygons(inside) if inside else None)
    return cut


def _joined(one: Any, other: Any) -> Any:
    if one is None or other is None:
        return other if one is None else one
    return shapely.multipolygons(polygons_of(shapely.union(one, other)))


# ---- rows ------------------------------------------------------------------------------------------


def _with_rows(
    parcels: list[Parcel], plan: CRS, path: str | Path, marks: Marks
) -> tuple[list[Parcel], tuple[Finding, ...]]:
    """Parcels with the rows that stand in them."""
    shapes, _, found = _read(path, marks.rows_layer, None, "", plan, marks, "lines")
    lines = [p for s in shapes for p in _lines_of(shapely.force_2d(s))]
    tree = shapely.STRtree(lines)
    made = []
    for parcel in parcels:
        near = [lines[i] for i in sorted(tree.query(parcel.area, predicate="intersects").tolist())]
        inside = [p for s in near for p in _lines_of(shapely.intersection(s, parcel.area)) if p.length > 1.0]
        made.append(replace(parcel, kept_rows=shapely.multilinestrings(inside) if inside else None))
    if not any(p.kept_rows is not None for p in made):
        found += (_elsewhere(path, "row that stands already"),)
    return made, found


def _lines_of(shape: Any) -> list[Any]:
    """The lines in a shape, however it is nested."""
    if shape.geom_type in ("LineString", "LinearRing"):
        return [] if shape.is_empty else [shape]
    return [p for part in getattr(shape, "geoms", ()) for p in _lines_of(part)]


# ---- reading ---------------------------------------------------------------------------------------


def _read(
    path: str | Path,
    layer: str | None,
    column: str | None,
    usual: str,
    plan: CRS,
    marks: Marks,
    kind: Kind,
) -> tuple[list[Any], list[float], tuple[Finding, ...]]:
    """Shapes in the plan's CRS, the number in a column of each (NaN where there is none), what was odd."""
    what = f"{Path(path).name}"
    if column is None and usual and usual in describe(path, layer, what, kind).columns:
        column = usual
    columns = (column,) if column else ()
    stated = None if describe(path, layer, what, kind).crs else marks.input_crs
    rows = read_rows(path, layer, columns, stated, what, kind)
    crs_room.check_coordinates(rows.crs, rows.bounds, what)
    have = [i for i, s in enumerate(rows.shapes) if s is not None]
    shapes = [crs_room.transform_shape(rows.crs, plan, rows.shapes[i]) for i in have]
    told = tuple(_note(text) for text in rows.notes)
    numbers, odd = _numbers(rows, column, have)
    if odd:
        told += (
            _note(f"{odd} values of {column!r} in {what} are no widths from 0 to {MOST_M:g} m; not used."),
        )
    return shapes, numbers, told


def _numbers(rows: Rows, column: str | None, have: list[int]) -> tuple[list[float], int]:
    if column is None:
        return [math.nan] * len(have), 0
    values = [_number(rows.attributes[column][i]) for i in have]
    return [math.nan if v is None else v for v in values], sum(v is None for v in values)


def _number(value: Any) -> float | None:
    """A width; NaN where there is none, None where it is no width."""
    if value is None or (isinstance(value, float) and math.isnan(value)) or value == "":
        return math.nan
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if 0.0 <= number <= MOST_M else None


def _note(what: str) -> Finding:
    return Finding("attention", "input", what, "farm", "Nothing to do, if that was meant.")


def _elsewhere(path: str | Path, kind: str) -> Finding:
    what = f"No {kind} of {Path(path).name} lies in any field: the plan does without it."
    return Finding("attention", "input", what, "farm", "Check its coordinates and its CRS, or leave it out.")


MARK_KEYS: Mapping[str, Kind] = {"exclusions": "areas", "tracks": "lines", "rows": "lines"}
"""Keys of the farm file that name such a file, and what it holds."""

LAND_KEYS: Mapping[str, Kind] = {"corridors": "lines", "barriers": "any"}
"""Keys of [supply] that name a file, and what it holds."""
