"""The sheet that goes to the field: each test point, where it is, what is expected, and room to write."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely

from farmgis.records import Plan, Table
from farmgis.results.whole_file import csv_text, write_whole

COLUMNS = (
    "point_id", "block_id", "kind", "lateral_id", "at_submain", "at_lateral", "emitter", "chainage_m",
    "longitude_deg", "latitude_deg", "expected_head_m", "expected_pressure_kpa", "expected_flow_l_h",
    "expected_flow_m3h", "expected_ml_in_60_s", "volume_ml", "seconds", "flow_l_h", "flow_m3h",
    "pressure_kpa", "note",
)  # fmt: skip
KPA_A_METRE = 9.80665


def write_field_sheet(path: Path | str, plan: Plan, overwrite: bool = False) -> Path:
    """Write the plan's test points as CSV, columns to fill in left blank; returns the file."""
    rows = list(_rows(plan.tables["test_points"], plan.crs))
    return write_whole(path, csv_text(COLUMNS, rows), overwrite)


def _rows(points: Table, crs: str) -> Iterator[list[Any]]:
    if not points.columns or not len(points.columns["point_id"]):
        return
    to_degrees = pyproj.Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    lon, lat = to_degrees.transform(*shapely.get_coordinates(points.geometry).T)
    columns = {k: np.asarray(v).tolist() for k, v in points.columns.items()}
    for i, kind in enumerate(columns["kind"]):
        c = {k: v[i] for k, v in columns.items()}
        head, flow = float(c["expected_head_m"]), float(c["expected_flow_l_h"])
        place = [round(float(lon[i]), 7), round(float(lat[i]), 7)]
        read = None if kind == "emitter" else float(f"{flow / 1000.0:.3g}")  # as a meter tells it
        expected = [round(head, 1), round(head * KPA_A_METRE), round(flow, 2), read]
        caught = round(flow * 1000.0 / 60.0, 1) if kind == "emitter" else None
        chainage = None if kind == "valve" else round(float(c["chainage_m"]), 1)
        own = [c[k] for k in COLUMNS[:6]] + [c["emitter"] if kind == "emitter" else None, chainage]
        yield [*own, *place, *expected, caught, *[None] * 6]
