"""A plan's rows as the frames that the writer takes."""

from __future__ import annotations

from typing import Any

import geopandas
import pandas

from farmgis.layers import LAYERS
from farmgis.records import Plan, Table


def frames_of(plan: Plan) -> dict[str, Any]:
    """A frame for each layer that the plan has rows of, geometry in the plan's CRS."""
    return {name: _frame(table, plan.crs) for name, table in plan.tables.items() if _rows(table) > 0}


def _rows(table: Table) -> int:
    return len(next(iter(table.columns.values()), ()))


def _frame(table: Table, crs: str) -> Any:
    data = pandas.DataFrame(table.columns)
    if table.geometry is None:
        return data
    return geopandas.GeoDataFrame(data, geometry=geopandas.GeoSeries(table.geometry, crs=crs), crs=crs)


def missing_columns(plan: Plan) -> dict[str, list[str]]:
    """Columns of the contract that a plan's tables lack, by layer (empty when none)."""
    found = {}
    for name, table in plan.tables.items():
        lacking = [c.name for c in LAYERS[name].columns if c.name not in table.columns]
        if lacking and _rows(table) > 0:
            found[name] = lacking
    return found
