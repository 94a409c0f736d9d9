"""A plan's rows as plain data frames, one for every layer, whether the plan was just made or read back."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas

from farmgis.layers import LAYERS, Kind, Layer
from farmgis.records import Plan, Table

Rows = dict[str, pandas.DataFrame]
"""A frame a layer, by its name; shapes stand in a column `shape`, None where there is none."""


def plan_rows(plan: Plan) -> Rows:
    """Every layer of the contract with all its columns, empty where the plan has nothing to say.

    Reals, and integers with gaps, are floats with NaN; text is str or None; days are dates or None.
    """
    return {name: _frame(layer, plan.tables.get(name)) for name, layer in LAYERS.items()}


def _frame(layer: Layer, table: Table | None) -> pandas.DataFrame:
    columns = {} if table is None else table.columns
    rows = len(next(iter(columns.values()), ()))
    data: dict[str, Any] = {}
    for column in layer.columns:
        data[column.name] = _values(columns.get(column.name), column.kind, rows)
    for name in columns:
        if name not in data:
            data[name] = _further(columns[name])
    if layer.geometry is not None:
        shapes = np.empty(rows, dtype=object)
        if table is not None and table.geometry is not None and rows:
            shapes[:] = list(table.geometry)
        data["shape"] = shapes
    return pandas.DataFrame(data)


def _values(values: Any, kind: Kind, rows: int) -> Any:
    if values is None:
        values = [None] * rows
    if kind == "real":
        return np.array([np.nan if v is None else v for v in values], dtype=float)
    if kind in ("integer", "boolean"):
        gaps = any(_gap(v) for v in values)
        numbers = np.array([np.nan if _gap(v) else v for v in values], dtype=float)
        if gaps:
            return numbers
        return numbers.astype(bool if kind == "boolean" else np.int64)
    found = np.empty(rows, dtype=object)
    found[:] = [None if _gap(v) else v for v in values]
    return found


def _further(values: Any) -> Any:
    """A column beyond the contract: numbers with gaps as floats, anything else as it is."""
    if all(_gap(v) or isinstance(v, (int, float, np.number)) for v in values):
        return np.array([np.nan if _gap(v) else v for v in values], dtype=float)
    return values


def _gap(value: Any) -> bool:
    return value is None or bool(value != value)
