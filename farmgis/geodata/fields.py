"""Field boundaries read into the plan's CRS: parcels to plan, parcels refused, and what was odd."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import shapely
from pyproj import CRS

from farmgis.errors import InputError
from farmgis.geodata import crs as crs_room
from farmgis.geodata.boundary_file import STRAY_KM, Layer, Rows, describe, read_rows
from farmgis.geodata.shapes import REPAIR_LIMIT_PCT, Cleaned, clean_area, overlaps
from farmgis.records import Finding, RefusedField

# what a column is for -> the name it has when the user says nothing
COLUMN_NAMES = {
    "id": "field_id",
    "name": "name",
    "crop": "crop",
    "soil": "soil",
    "dripline": "dripline",
    "source": "source",
    "row_azimuth_deg": "row_azimuth_deg",
}
ID_LENGTH = 64
ODD_IN_NAMES = set("/\\:*?\"<>|;'`$&=+@")
OVERLAPS_TOLD = 50
STRAY = f"it lies over {STRAY_KM:g} km from the other fields, so its coordinates must be wrong"


@dataclass(frozen=True)
class Parcel:
    """A field as its boundary file has it. `attributes` holds text or numbers, by what they are for."""

    field_id: str
    name: str
    area: Any
    attributes: dict[str, Any]
    exclusions: Any = None
    taken: Any = None
    kept_rows: Any = None


@dataclass(frozen=True)
class Boundaries:
    """All fields of a boundary file in the plan's CRS."""

    file_crs: CRS
    crs: CRS
    parcels: tuple[Parcel, ...]
    refused: tuple[RefusedField, ...]
    findings: tuple[Finding, ...]
    columns: dict[str, str]  # what is read from which column

    @property
    def bounds(self) -> crs_room.Bounds:
        """Bounds of all fields to plan. [m, plan's CRS]"""
        if not self.parcels:
            raise InputError("no field can be planned; the findings say why for each")
        west, south, east, north = shapely.total_bounds([p.area for p in self.parcels]).tolist()
        return west, south, east, north

    @property
    def latitude_deg(self) -> float:
        """Latitude of the fields' middle. [deg, WGS 84]"""
        _, south, _, north = crs_room.lonlat_bounds(self.crs, self.bounds)
        return 0.5 * (south + north)


def read_fields(
    path: str | Path,
    *,
    layer: str | None = None,
    columns: dict[str, str] | None = None,
    input_crs: str | None = None,
) -> Boundaries:
    """The fields of a boundary file, in a CRS fit to plan in.

    `columns` says which column holds what (keys of COLUMN_NAMES; "" for none); a column that is not
    named is read where it has the name in COLUMN_NAMES. Raises InputError and CrsError for the file as a
    whole; one bad field is among the refused.
    """
    told = describe(path, layer)
    used = columns_used(told, columns or {})
    rows = read_rows(path, told.name, tuple(used.values()), input_crs)
    strays = rows.strays()
    near = replace(rows, shapes=rows.shapes[~strays])
    plan, findings = crs_room.plan_crs(rows.crs, near.bounds, f"fields {Path(path).name}")
    findings += tuple(_note(text) for text in rows.notes)
    if told.curved:
        findings += (_note("The boundaries hold arcs; they are read as short straight pieces."),)
    if shapely.has_z(rows.shapes).any():
        findings += (
            _note("The boundaries hold heights; they are left out, the elevation model gives them."),
        )
    ids, told_ids = field_ids(rows, used.get("id"))
    parcels, refused, told_shapes = _parcels(rows, plan, ids, used, strays.tolist())
    findings += told_ids + told_shapes + _overlap_findings(parcels)
    return Boundaries(rows.crs, plan, tuple(parcels), tuple(refused), findings, used)


def columns_used(layer: Layer, stated: dict[str, str]) -> dict[str, str]:
    """What is read from which column: those stated, and those that bear the usual name."""
    used = {}
    for purpose, usual in COLUMN_NAMES.items():
        if purpose in stated:
            if stated[purpose]:
                used[purpose] = stated[purpose]
        elif usual in layer.columns:
            used[purpose] = usual
    return used


def field_ids(rows: Rows, column: str | None) -> tuple[list[str], tuple[Finding, ...]]:
    """An id for each row, with what was made or mended. Raises InputError for doubled ids.

    Without a column, or where a row has none, the id is the row's number: F01, F02, ...
    """
    count = len(rows.shapes)
    width = max(2, len(str(count)))
    numbered = [f"F{i + 1:0{width}d}" for i in range(count)]
    if column is None:
        what = (
            f"No column holds the fields' ids: they are numbered in the file's order, F{1:0{width}d} and on."
        )
        return numbered, (_note(what, "Add a column `field_id`, so that ids stay when the file changes."),)
    given = [_text(v) for v in rows.attributes[column]]
    ids = [_clean_id(text) if text else number for text, number in zip(given, numbered, strict=True)]
    findings = []
    for text, i in zip(given, ids, strict=True):
        if not text:
            findings.append(_note(f"A field has no id in {column!r}: it is called {i}.", where_id=i))
        elif text != i:
            findings.append(
                _note(f"An id was shortened, or lost signs that do not print: {i!r}.", where_id=i)
            )
    odd = [i for i in ids if ODD_IN_NAMES & set(i) or i.startswith((".", "-"))]
    if odd:
        what = f"{len(odd)} ids have signs that are odd in names, such as {odd[0]!r}; they are kept."
        findings.append(_note(what))
    doubled = sorted({i for i in ids if ids.count(i) > 1}) if len(set(ids)) < len(ids) else []
    if doubled:
        shown = ", ".join(map(repr, doubled[:10])) + (" and more" if len(doubled) > 10 else "")
        raise InputError(
            f"layer {rows.layer.name!r}, column {column!r}: ids that stand more than once: {shown}; "
            "give each field its own id"
        )
    return ids, tuple(findings)


def _parcels(
    rows: Rows, plan: CRS, ids: list[str], used: dict[str, str], strays: list[bool]
) -> tuple[list[Parcel], list[RefusedField], tuple[Finding, ...]]:
    parcels, refused, findings = [], [], []
    moved = crs_room.transform_shape(rows.crs, plan, rows.shapes)
    for i, field_id in enumerate(ids):
        attributes = {p: rows.attributes[c][i] for p, c in used.items() if p not in ("id", "name")}
        name = _text(rows.attributes[used["name"]][i]) if "name" in used else ""
        cleaned = Cleaned(None, refused=STRAY) if strays[i] else clean_area(moved[i])
        if cleaned.area is None:
            told = _refusal(field_id, cleaned.refused or "", cleaned.change_pct)
            refused.append(
                RefusedField(field_id, name or field_id, None, _text(attributes.get("crop")), told)
            )
            continue
        findings += [_note(f"Field {field_id}: {note}.", where_id=field_id) for note in cleaned.notes]
        parcels.append(Parcel(field_id, name or field_id, cleaned.area, attributes))
    return parcels, refused, tuple(findings)


def _refusal(field_id: str, why: str, change_pct: float) -> Finding:
    return Finding(
        severity="stop",
        about="field",
        what=f"Field {field_id} is not planned: {why}.",
        where_id=field_id,
        advice="Mend its boundary in a GIS and plan again.",
        measured=change_pct or None,
        limit=REPAIR_LIMIT_PCT if change_pct else None,
        unit="%" if change_pct else None,
    )


def _overlap_findings(parcels: list[Parcel]) -> tuple[Finding, ...]:
    found = overlaps([p.area for p in parcels])
    told = [
        Finding(
            severity="attention",
            about="field",
            what=f"Fields {parcels[i].field_id} and {parcels[j].field_id} lie over each other.",
            where_id=parcels[j].field_id,
            advice="Mend their common boundary: what they share is planned, and counted, twice.",
            measured=shared.area / 1e4,
            limit=0.0,
            unit="ha",
            geometry=shared,
        )
        for i, j, shared in found[:OVERLAPS_TOLD]
    ]
    if len(found) > OVERLAPS_TOLD:
        told.append(_note(f"{len(found)} pairs of fields overlap; the first {OVERLAPS_TOLD} are told."))
    return tuple(told)


def _note(
    what: str,
    advice: str = "Nothing to do, if that was meant.",
    where_id: str = "farm",
    severity: Any = "note",
) -> Finding:
    return Finding(severity=severity, about="input", what=what, where_id=where_id, advice=advice)


def _text(value: Any) -> str:
    """An attribute as text: 12.0 is "12", a missing value is ""."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _clean_id(text: str) -> str:
    """The id without signs that do not print, and not longer than a name can be."""
    printing = "".join(c for c in text if unicodedata.category(c)[0] != "C")
    return unicodedata.normalize("NFC", printing)[:ID_LENGTH].strip() or "F"
