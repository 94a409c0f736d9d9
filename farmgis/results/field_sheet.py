"""The sheet that goes to the field: each test point, where it is, what is expected, and room to write."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely

from farmgis.errors import OutputError
from farmgis.records import Plan, Table
from farmgis.results.map_files import book
from farmgis.results.map_frame import A4
from farmgis.results.map_schedules import Columns, table_sheets
from farmgis.results.map_sheets import SheetPlan
from farmgis.results.whole_file import csv_text, write_whole

COLUMNS = (
    "point_id", "block_id", "kind", "lateral_id", "at_submain", "at_lateral", "emitter", "chainage_m",
    "longitude_deg", "latitude_deg", "expected_head_m", "expected_pressure_kpa", "expected_flow_l_h",
    "expected_flow_m3h", "expected_ml_in_60_s", "volume_ml", "seconds", "flow_l_h", "flow_m3h",
    "pressure_kpa", "note",
)  # fmt: skip
KPA_A_METRE = 9.80665

UNDER = (
    "Measured by ____________________  on ______________   Flush first; run the block until its pressure is "
    "steady. 0 where nothing comes; blank what was not measured."
)
PAPER_FORM = Columns(
    ("point", "lateral", "along the submain", "along the lateral", "emitter", "from inlet (m)",
     "longitude (°)", "latitude (°)", "expect (kPa)", "expect (ml in 60 s)", "ml", "seconds", "kPa", "note"),
    (11.0, 15.0, 31.0, 24.0, 13.0, 21.0, 24.0, 22.0, 19.0, 26.0, 18.0, 15.0, 15.0, 18.0),
    paper=A4, row_mm=5.0,
    foot="Pipes are under pressure: open slowly, stand aside.",
)  # fmt: skip


def write_field_sheet(path: Path | str, plan: Plan, overwrite: bool = False) -> Path:
    """Write the plan's test points, columns to fill in left blank; returns the file.

    As CSV, which is read back; or, where the file's name ends in .pdf, as pages to write on, a block each.
    """
    rows = list(_rows(plan.tables["test_points"], plan.crs))
    if Path(path).suffix.lower() != ".pdf":
        return write_whole(path, csv_text(COLUMNS, rows), overwrite)
    pages = _pages(plan.name, rows)
    if not pages:
        raise OutputError(f"{path}: the plan has no point to measure; plan a block first")
    return write_whole(path, book(f"{plan.name}: points to measure", pages), overwrite)


def _pages(farm: str, rows: list[list[Any]]) -> list[SheetPlan]:
    """A block's points on a page, with room for a pencil."""
    told = [dict(zip(COLUMNS, row, strict=True)) for row in rows]
    pages: list[SheetPlan] = []
    for block_id in dict.fromkeys(r["block_id"] for r in told):
        lines = [_line(r) for r in told if r["block_id"] == block_id]
        title = f"{block_id} · points to measure · {farm}"
        pages += [SheetPlan(str(block_id), d, False) for d in table_sheets(title, UNDER, PAPER_FORM, lines)]
    return pages


def _line(r: dict[str, Any]) -> list[str]:
    """A point as it is printed; a valve's flow is read from the meter, an emitter's is caught."""
    point = str(r["point_id"]).rpartition("-")[2]
    place = [f"{r['longitude_deg']:.6f}", f"{r['latitude_deg']:.6f}", f"{r['expected_pressure_kpa']}"]
    if r["kind"] == "valve":
        flow = [f"{r['expected_flow_m3h']:g} m³/h", "m³/h:", "", "", ""]
        return [point, "", str(r["at_submain"]), "", "", "", *place, *flow]
    lateral = str(r["lateral_id"]).removeprefix(f"{r['block_id']}-")
    where = [str(r["at_submain"]), str(r["at_lateral"]), f"{r['emitter']:.0f}", f"{r['chainage_m']:.1f}"]
    return [point, lateral, *where, *place, f"{r['expected_ml_in_60_s']:.1f}", "", "", "", ""]


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
