"""How long the report and the sheets take, and how fast and large a report of 500 fields is.

Run: python tests/bench/bench_report.py
"""

from __future__ import annotations

import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from farmgis.geodata.farm_file import read_farm
from farmgis.records import Plan, Table
from farmgis.run import plan_farm, write_maps, write_report

SAMPLE = Path(__file__).parents[2] / "sample_geodata" / "farm.toml"
IDS = ("field_id", "block_id", "lateral_id", "submain_id", "valve_id", "main_id",
       "from_node", "to_node", "fitting_id", "on_id", "where_id", "finding_id", "name")  # fmt: skip
ONCE = ("assumptions", "headworks", "pump_duties", "supply_balance", "shift_choices", "zones", "irrigations",
        "season_tasks", "quantities", "field_quantities", "costs")  # fmt: skip
APART_M = 4000.0


def many_times(plan: Plan, times: int) -> Plan:
    """The farm's fields, many times side by side, each with ids of its own, on the same sources."""
    across = int(np.ceil(np.sqrt(times)))
    tables = {}
    for name, table in plan.tables.items():
        if name in ONCE or not table.columns:
            tables[name] = table
            continue
        copies = [_moved(table, k, (k % across) * APART_M, (k // across) * APART_M) for k in range(times)]
        columns = {c: np.concatenate([t.columns[c] for t in copies]) for c in table.columns}
        shapes = None if table.geometry is None else np.concatenate([t.geometry for t in copies])
        tables[name] = Table(columns, shapes)
    return replace(plan, tables=tables)


def _moved(table: Table, k: int, east: float, north: float) -> Table:
    columns = {
        c: np.array([None if v is None else f"{k:02d}{v}" for v in values], dtype=object)
        if c in IDS
        else np.asarray(values)
        for c, values in table.columns.items()
    }
    if table.geometry is None:
        return Table(columns)
    shapes = np.empty(len(table.geometry), dtype=object)
    shapes[:] = list(table.geometry)
    there = shapely.transform(shapes, lambda p: p + [east, north, 0.0][: p.shape[1]], include_z=True)
    return Table(columns, np.where(shapely.is_missing(shapes), None, there))


def opened_s(path: Path) -> list[float]:
    """Seconds from asking for the file until its map is ready, five times in a warm browser."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium")
    if program is None:
        return []
    found = []
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=program, args=["--no-sandbox"])
        for _ in range(5):
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            began = time.perf_counter()
            page.goto(path.as_uri(), wait_until="load")
            page.wait_for_function("document.documentElement.dataset.ready === 'yes'")
            page.evaluate(
                "new Promise(done => requestAnimationFrame(() => setTimeout(done)))"
            )  # it is painted
            found.append(time.perf_counter() - began)
            page.close()
        browser.close()
    return found


def main() -> None:
    """Print the figures."""
    plan = plan_farm(read_farm(SAMPLE))
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        began = time.perf_counter(), time.process_time()
        write_report(plan, place)
        print(f"report of the sample farm: {time.perf_counter() - began[0]:.1f} s, "
              f"{time.process_time() - began[1]:.1f} s of one core, "
              f"{(place / 'report.html').stat().st_size / 1e6:.2f} MB")  # fmt: skip
        began = time.perf_counter(), time.process_time()
        write_maps(plan, place)
        print(f"its map sheets: {time.perf_counter() - began[0]:.1f} s, "
              f"{time.process_time() - began[1]:.1f} s of one core, "
              f"{len(list((place / 'maps').iterdir()))} PNGs")  # fmt: skip
        large = many_times(plan, 63)
        began = time.perf_counter(), time.process_time()
        path = write_report(large, place, overwrite=True)
        used = time.process_time() - began[1]
        print(f"report of 504 fields: {used:.1f} s of one core, {path.stat().st_size / 1e6:.2f} MB")
        times = opened_s(path)
        if times:
            print(f"opened: median {np.median(times):.2f} s, {min(times):.2f} to {max(times):.2f} s")


if __name__ == "__main__":
    main()
