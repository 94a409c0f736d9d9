"""What is made of a plan once it stands: sheets, comparisons, explanations, rasters; and measures read back.

Like `run`, this room may import all others. Each function reads the plan's file, nothing else of the farm.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from farmgis import tables
from farmgis.errors import InputError, OutputError
from farmgis.geodata.measured_file import read_measured
from farmgis.geodata.plan_file import read_plan
from farmgis.planning.comparison import Line, cautions, comparison
from farmgis.planning.explain import Explanation, explained
from farmgis.planning.field_check import BlockCheck, checked
from farmgis.planning.quantities import rows_of
from farmgis.planning.redone import gear_of_plan
from farmgis.run import QUANTITIES_BOOK, QUANTITIES_CSV


def check_field(plan_file: str | Path, measured_file: str | Path) -> tuple[BlockCheck, ...]:
    """Each block that was measured, against its plan. Raises InputError."""
    plan = read_plan(plan_file)
    points = rows_of(plan.tables, "test_points")
    measured = read_measured(measured_file, {p["point_id"] for p in points})
    lines = gear_of_plan(plan).lines
    line_of = {r["field_id"]: lines[r["dripline"]] for r in rows_of(plan.tables, "fields") if r["dripline"]}
    return checked(points, measured, line_of, tables.field_grades())


def write_sheet(plan_file: str | Path, path: str | Path, overwrite: bool = False) -> Path:
    """Write the sheet of a plan's test points, CSV or PDF by its name. Raises InputError and OutputError."""
    from farmgis.results.field_sheet import write_field_sheet

    _keep_the_plan(plan_file, path)
    return write_field_sheet(path, read_plan(plan_file), overwrite)


def compare(plan_files: Sequence[str | Path]) -> tuple[tuple[Line, ...], tuple[str, ...]]:
    """Return (plans side by side, what makes their costs not comparable). Raises InputError."""
    plans = [read_plan(p) for p in plan_files]
    return comparison(plans), cautions(plans, [str(p) for p in plan_files])


def write_quantities(plan_file: str | Path, folder: str | Path, overwrite: bool = False) -> tuple[Path, Path]:
    """Write a plan's quantities and costs into a folder as CSV and spreadsheet, as `run.write_plan` does."""
    from farmgis.results.quantity_files import write_quantity_files

    made = Path(folder)
    plan = read_plan(plan_file)
    return write_quantity_files(made / QUANTITIES_CSV, made / QUANTITIES_BOOK, plan, overwrite)


def explain(plan_file: str | Path, what_id: str) -> Explanation:
    """Why the figures of an id of a plan are what they are. Raises InputError.

    Roughness of pipes is that of the tables: a pipe of the user's own, which no layer tells, is not
    reckoned again.
    """
    plan = read_plan(plan_file)
    return explained(plan, gear_of_plan(plan), tables.pipes(), what_id)


def write_guidance(
    plan_file: str | Path,
    path: str | Path,
    kinds: Sequence[str] = ("row", "lateral"),
    fields: Sequence[str] = (),
    overwrite: bool = False,
) -> Path:
    """Write a plan's rows and laterals as GeoJSON for terminals. Raises InputError and OutputError."""
    from farmgis.results.guidance_file import write_guidance as write

    _keep_the_plan(plan_file, path)
    plan = read_plan(plan_file)
    known = {r["field_id"] for r in rows_of(plan.tables, "fields")}
    for name in fields:
        if name not in known:
            raise InputError(f"{name!r} is no field of this plan; it has {', '.join(sorted(known))}")
    return write(path, plan, kinds, fields, overwrite)


def write_surfaces(
    plan_file: str | Path, folder: str | Path, cell_m: float = 5.0, overwrite: bool = False
) -> list[Path]:
    """Write a plan's season depth, head and evenness as GeoTIFF. Raises InputError and OutputError."""
    from farmgis.planning.surfaces import surfaces
    from farmgis.results.surface_files import FILES
    from farmgis.results.surface_files import write_surfaces as write

    plan = read_plan(plan_file)
    made = surfaces(plan, gear_of_plan(plan), cell_m)
    return write(Path(folder), {name: getattr(made, name) for name in FILES}, made.grid, plan.crs, overwrite)


def _keep_the_plan(plan_file: str | Path, path: str | Path) -> None:
    """Refuse an output that is the plan it is made from, overwritten or not."""
    if Path(path).exists() and Path(plan_file).exists() and Path(path).samefile(plan_file):
        raise OutputError(f"{path}: this is the plan itself; name another file")
