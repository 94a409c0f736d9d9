"""Rows and laterals as lines for a machine's terminal: GeoJSON (RFC 7946), in degrees of WGS 84."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely

from farmgis.records import Plan, Table
from farmgis.results.whole_file import write_whole

STRAIGHT_M = 0.01
"""A vertex closer than this to the straight line is left out: a terminal drives no more exactly."""

DECIMALS = 8  # of a degree: a millimetre


def write_guidance(
    path: Path | str,
    plan: Plan,
    kinds: Collection[str] = ("row", "lateral"),
    fields: Collection[str] = (),
    overwrite: bool = False,
) -> Path:
    """Write rows and laterals, of all fields or of some; returns the file."""
    return write_whole(path, guidance_text(plan, kinds, fields).encode("utf-8"), overwrite)


def guidance_text(plan: Plan, kinds: Collection[str], fields: Collection[str] = ()) -> str:
    """The feature collection, a feature a line."""
    to_degrees = pyproj.Transformer.from_crs(plan.crs, "OGC:CRS84", always_xy=True)
    lines: list[str] = []
    for kind, layer, parts in (("row", "rows", _rows), ("lateral", "laterals", _laterals)):
        table = plan.tables.get(layer)
        if kind in kinds and table is not None and table.columns:
            lines += [_feature(to_degrees, kind, *part) for part in parts(table, fields)]
    body = ",\n".join(lines)
    return f'{{"type":"FeatureCollection","features":[\n{body}\n]}}\n'


def _rows(table: Table, fields: Collection[str]) -> Iterator[tuple[str, dict[str, Any], Any]]:
    """Each crop row of each block."""
    c = table.columns
    for i, shape in enumerate(table.geometry):
        if fields and c["field_id"][i] not in fields:
            continue
        block_id = str(c["block_id"][i])
        about = {"field_id": str(c["field_id"][i]), "block_id": block_id}
        for number, line in enumerate(shapely.get_parts(shape), start=1):
            yield f"{block_id}-R{number:03d}", about, line


def _laterals(table: Table, fields: Collection[str]) -> Iterator[tuple[str, dict[str, Any], Any]]:
    c = table.columns
    for i, shape in enumerate(table.geometry):
        if not fields or c["field_id"][i] in fields:
            about = {"field_id": str(c["field_id"][i]), "block_id": str(c["block_id"][i])}
            yield str(c["lateral_id"][i]), about | {"length_m": round(float(c["length_m"][i]), 2)}, shape


def _feature(to_degrees: Any, kind: str, name: str, about: dict[str, Any], line: Any) -> str:
    plain = shapely.simplify(shapely.force_2d(line), STRAIGHT_M)
    lon, lat = to_degrees.transform(*shapely.get_coordinates(plain).T)
    places = np.round(np.column_stack([lon, lat]), DECIMALS).tolist()
    geometry = {"type": "LineString", "coordinates": places}
    told = {
        "type": "Feature",
        "id": name,
        "properties": {"name": name, "kind": kind} | about,
        "geometry": geometry,
    }
    return json.dumps(told, ensure_ascii=False, separators=(",", ":"))
