"""A plan read back from its GeoPackage: the same records that were written."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from farmgis.errors import InputError
from farmgis.geodata import gate
from farmgis.layers import LAYERS, Layer
from farmgis.records import Assumption, Finding, Plan, Table

WHAT = "plan"
NEEDED = ("fields", "blocks", "laterals")
"""Layers without which a file is no plan."""


def read_plan(path: str | Path) -> Plan:
    """The plan that a file holds, with every layer of the contract; `summary` stays empty.

    Columns that somebody added are kept; layers and columns that an older version did not write are
    empty. Raises InputError where the file is no plan, or where a layer's ids are gone.
    """
    file = gate.local_file(path, WHAT)
    if gate.vector_driver(file, WHAT) != "GPKG":
        raise InputError(f"{WHAT} {file.name}: this is no GeoPackage; name the plan.gpkg that a plan wrote")
    with gate.readable(file, "GPKG", WHAT) as readable:
        gate.open_gate(readable, "GPKG", WHAT)
        about = _about(readable)
        tables, crs = _tables(readable, file.name)
    return Plan(
        str(about.get("farm", file.stem)),
        crs,
        tables,
        tuple(_findings(tables["findings"])),
        tuple(Assumption(**row) for row in _rows(tables["assumptions"], Assumption)),
        {},
        int(about.get("season_shift_days", 0)),
    )


def _about(path: Path) -> dict[str, Any]:
    """What the file's metadata tells beside the layers; nothing where it tells nothing."""
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as database:
            row = database.execute("SELECT metadata FROM gpkg_metadata WHERE id = 1").fetchone()
        told = json.loads(row[0]) if row else {}
    except (sqlite3.Error, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def _tables(path: Path, name: str) -> tuple[dict[str, Table], str]:
    """Every layer of the contract, and the CRS that all of them share."""
    import pyogrio

    there = {str(layer) for layer, _ in pyogrio.list_layers(path)}
    lacking = [layer for layer in NEEDED if layer not in there]
    if lacking:
        raise InputError(
            f"{WHAT} {name}: layer {lacking[0]!r} is missing, so it is no plan; name the "
            "plan.gpkg that a plan wrote"
        )
    tables, found = {}, set()
    for layer in LAYERS.values():
        if layer.name not in there:
            tables[layer.name] = Table({c.name: np.empty(0, dtype=object) for c in layer.columns})
            continue
        tables[layer.name], crs = _table(path, layer, name)
        found |= {crs} if layer.geometry else set()
    if len(found) > 1 or None in found:
        told = ", ".join(sorted(map(str, found)))
        raise InputError(f"{WHAT} {name}: its layers do not share one CRS ({told}); save them in one")
    return tables, str(found.pop())


def _table(path: Path, layer: Layer, name: str) -> tuple[Table, str | None]:
    import pyogrio.raw

    try:
        meta, ids, wkb, data = pyogrio.raw.read(
            path, layer=layer.name, datetime_as_string=True, return_fids=True
        )
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError, OSError) as error:
        raise InputError(f"{WHAT} {name}, layer {layer.name!r}: cannot be read: {error}") from error
    columns = dict(zip(map(str, meta["fields"]), data, strict=True))
    for column in layer.columns:
        if column.name not in columns and column == layer.columns[0]:
            raise InputError(f"{WHAT} {name}, layer {layer.name!r}: column {column.name!r} is missing")
        columns.setdefault(column.name, np.full(len(ids), None, dtype=object))
        try:
            columns[column.name] = _CONVERT[column.kind](columns[column.name])
        except (TypeError, ValueError) as error:
            raise InputError(
                f"{WHAT} {name}, layer {layer.name!r}, column {column.name!r}: "
                f"not all values are {column.kind}: {error}"
            ) from error
    shapes = None if layer.geometry is None else shapely.from_wkb(wkb)
    return Table(columns, shapes), meta["crs"]


def _missing(values: Any) -> Any:
    return np.array([v is None or v != v for v in values], dtype=bool)


def _texts(values: Any) -> Any:
    found = np.empty(len(values), dtype=object)
    found[:] = [None if v is None or v != v else str(v) for v in values]
    return found


def _reals(values: Any) -> Any:
    if values.dtype == object:
        values = np.array([np.nan if v is None else v for v in values])
    return values.astype(float)


def _typed(values: Any, kind: type) -> Any:
    gaps = _missing(values)
    if not gaps.any():
        return values.astype(kind)
    found = np.empty(len(values), dtype=object)
    found[:] = [None if gap else kind(v) for v, gap in zip(values, gaps, strict=True)]
    return found


def _days(values: Any) -> Any:
    found = np.empty(len(values), dtype=object)
    gaps = _missing(values)
    found[:] = [None if gap else date.fromisoformat(str(v)[:10]) for v, gap in zip(values, gaps, strict=True)]
    return found


_CONVERT = {
    "text": _texts,
    "real": _reals,
    "integer": lambda values: _typed(values, int),
    "boolean": lambda values: _typed(values, bool),
    "date": _days,
}


def _rows(table: Table, record: type) -> list[dict[str, Any]]:
    """The table's rows with the columns that a record has."""
    names = [n for n in record.__dataclass_fields__ if n in table.columns]  # type: ignore[attr-defined]
    values = [table.columns[n].tolist() for n in names]
    return [dict(zip(names, row, strict=True)) for row in zip(*values, strict=True)]


def _findings(table: Table) -> list[Finding]:
    def known(value: float) -> float | None:
        return None if value != value else value

    rows = _rows(table, Finding)
    for row in rows:
        row |= {"measured": known(row["measured"]), "limit": known(row["limit"])}
    return [Finding(**row, geometry=g) for row, g in zip(rows, table.geometry, strict=True)]
