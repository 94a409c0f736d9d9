"""How the mains are to be planned: [supply] and [[shift]] of a farm file, its corridors and barriers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import shapely
from pyproj import CRS

from farmgis.errors import InputError
from farmgis.geodata import crs as crs_room
from farmgis.geodata.boundary_file import Rows, describe, read_rows
from farmgis.geodata.farm_check import beside
from farmgis.geodata.field_marks import LAND_KEYS
from farmgis.records import Barrier, Corridor, Pipe, Supply

Document = Mapping[str, Any]

PRICE, PIPE_MM, CROSSING, NAME = "price", "pipe_mm", "crossing_m", "name"
"""Columns that are read where they are there."""


def supply_of(document: Document, folder: Path, plan: CRS, pipes: tuple[Pipe, ...]) -> Supply:
    """The supply's rules. Raises InputError, CrsError for a file that cannot be used."""
    section = document.get("supply", {})
    numbers = {k: v for k, v in section.items() if k.removesuffix("_layer") not in LAND_KEYS}
    return Supply(
        **numbers,
        shift_groups=tuple(tuple(s["blocks"]) for s in document.get("shift", ())),
        corridors=_corridors(section, folder, plan, pipes),
        barriers=_barriers(section, folder, plan),
    )


def _corridors(section: Document, folder: Path, plan: CRS, pipes: tuple[Pipe, ...]) -> tuple[Corridor, ...]:
    if "corridors" not in section:
        return ()
    rows, shapes = _read(section, "corridors", (NAME, PRICE, PIPE_MM), folder, plan)
    made = []
    for i, shape in shapes:
        price = _number(rows, PRICE, i)
        made.append(
            Corridor(
                line=shape,
                name=_text(rows, NAME, i),
                price=1.0 if price is None else price,
                pipe=_pipe(_number(rows, PIPE_MM, i), pipes, section["corridors"]),
            )
        )
    return tuple(made)


def _pipe(nominal_mm: float | None, pipes: tuple[Pipe, ...], file: str) -> Pipe | None:
    """The pipe that lies in a corridor: the size of that nominal diameter with the highest class on sale."""
    if nominal_mm is None or nominal_mm == 0.0:
        return None
    same = [p for p in pipes if p.nominal_mm == nominal_mm]
    if not same:
        known = ", ".join(f"{d:g}" for d in sorted({p.nominal_mm for p in pipes}))
        raise InputError(
            f"supply.corridors {file}: a pipe of {nominal_mm:g} mm is not among the sizes known ({known}); "
            "give it as [[pipe]], or correct the column pipe_mm"
        )
    return max(same, key=lambda p: (p.pressure_class_bar, p.material))


def _barriers(section: Document, folder: Path, plan: CRS) -> tuple[Barrier, ...]:
    if "barriers" not in section:
        return ()
    rows, shapes = _read(section, "barriers", (NAME, CROSSING), folder, plan)
    return tuple(Barrier(shape, _text(rows, NAME, i), _number(rows, CROSSING, i)) for i, shape in shapes)


def _read(
    section: Document, key: str, wanted: tuple[str, ...], folder: Path, plan: CRS
) -> tuple[Rows, list[tuple[int, Any]]]:
    """A file's rows, and (row, shape in the plan's CRS) of those that have a shape."""
    path, layer = beside(folder, section[key]), section.get(f"{key}_layer")
    told = describe(path, layer, key, LAND_KEYS[key])
    rows = read_rows(path, layer, tuple(c for c in wanted if c in told.columns), None, key, LAND_KEYS[key])
    crs_room.check_coordinates(rows.crs, rows.bounds, f"{key} {Path(path).name}")
    moved = [
        (i, shapely.force_2d(crs_room.transform_shape(rows.crs, plan, s)))
        for i, s in enumerate(rows.shapes)
        if s is not None and not shapely.is_empty(s)
    ]
    return rows, moved


def _number(rows: Rows, column: str, row: int) -> float | None:
    """A number of 0 or more, None where there is none. Raises InputError for anything else."""
    value = rows.attributes[column][row] if column in rows.attributes else None
    if value is None or value == "" or (isinstance(value, float) and math.isnan(value)):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = -1.0
    if not 0.0 <= number < math.inf:
        raise InputError(
            f"layer {rows.layer.name!r}, column {column}, feature {row + 1}: found {value!r}; a number of 0 "
            "or more would do, or none"
        )
    return number


def _text(rows: Rows, column: str, row: int) -> str:
    values = rows.attributes.get(column)
    return "" if values is None or values[row] is None else str(values[row]).strip()
