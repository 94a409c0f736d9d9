"""The whole job, in its order: the one place where the rooms are put together.

`plan_field` sees one field and its ground; `plan_farm` sees all fields, but of each only its rows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from farmgis.errors import FieldError, OutputError
from farmgis.layers import LAYERS
from farmgis.planning.assignment import FieldNeed, assigned
from farmgis.planning.block_chance import with_chances
from farmgis.planning.block_search import submain_pipes
from farmgis.planning.block_season import LEAST_UNIFORMITY_PCT, BlockSeason
from farmgis.planning.buying import buying
from farmgis.planning.demand import BlockDemand, CropDemand, block_demand, crop_demand
from farmgis.planning.describe import block_facts, field_facts, joined, layer_tables
from farmgis.planning.dripline_choice import line_choices
from farmgis.planning.farm_supply import farm_supply
from farmgis.planning.findings import farm_findings, layout_findings, off_design_findings
from farmgis.planning.land import land_findings, refuse_land, row_findings
from farmgis.planning.layout import lay_out
from farmgis.planning.links import link_findings
from farmgis.planning.main_network import Ground
from farmgis.planning.mains import rates_of
from farmgis.planning.mains_travel import mains_travel_min
from farmgis.planning.measuring_points import measuring_points, point_assumptions
from farmgis.planning.profiles import PlanProfiles
from farmgis.planning.redone import gear_of_farm
from farmgis.planning.rules import planning_assumptions
from farmgis.planning.salt import season_of
from farmgis.planning.season import BlockRun, plan_season
from farmgis.planning.shifts import Turn, grouped, least_flow_shifts, shifts_of
from farmgis.planning.submain_checks import class_findings, regulator_findings, size_findings
from farmgis.planning.summary import plan_summary
from farmgis.planning.supply import FieldLoad, source_balance
from farmgis.planning.survey import SLOPE_NOISE_PCT, survey
from farmgis.records import (
    BlockFacts,
    Farm,
    Field,
    FieldPlan,
    Finding,
    Floats,
    Plan,
    Shift,
    Surface,
    Table,
)
from farmgis.scale.processes import in_processes
from farmgis.tables import clogging_limits
from farmgis.terrain.surface import elevation_m, noise_m, smooth, smoothing_length_m

MARGIN_M = 60.0
"""Ground that is read around a field, so that smoothing and slopes are true up to its edge."""

NO_SOURCE_HOURS = 20.0
"""Hours a day that a farm without a stated source is planned to run (common practice)."""

Progress = Callable[[str], None]
Demands = dict[str, CropDemand]  # by field_id; fields that are alike share one


def plan_field(
    field: Field,
    window: Surface,
    farm: Farm,
    source_flow_m3h: float = math.inf,
) -> FieldPlan:
    """Plan one field on its window of the elevation model. Raises FieldError when it cannot be planned."""
    ground = survey(field, window, getattr(farm.elevation, "smoothing_m", None))
    refuse_land(field, ground)
    pipes = submain_pipes(farm.pipes)
    layout = lay_out(field, ground, pipes, source_flow_m3h)
    tables = layer_tables(field, ground, layout, pipes)
    lines = line_choices(field, ground, layout, pipes, source_flow_m3h, farm.prices.pipe_kg)
    tables["dripline_choices"] = _records_table([vars(line) for line in lines])
    likely = getattr(farm.elevation, "likely_error_m", None)
    tables["blocks"], unsure = with_chances(field, ground, layout, pipes, tables["blocks"], likely)
    found = (
        *ground.findings,
        *unsure,
        *layout_findings(field, ground, layout),
        *land_findings(field, ground),
        *row_findings(field, layout.pattern),
        *off_design_findings(field, layout, tables["blocks"]),
        *size_findings(field, layout),
        *regulator_findings(field, layout, pipes, source_flow_m3h),
    )
    facts = field_facts(field, ground, layout)
    facts["status"] = "attention" if any(f.severity != "note" for f in found) else "planned"
    stated = getattr(farm.elevation, "vertical_error_m", None)
    if stated is not None:
        blocks = tables["blocks"]
        error = np.full(len(layout.blocks), float(stated))
        tables["blocks"] = Table(blocks.columns | {"elevation_error_m": error}, blocks.geometry)
    return FieldPlan(field.field_id, field.area, facts, block_facts(field, layout), tables, found)


def plan_farm(farm: Farm, progress: Progress | None = None, processes: int = 1) -> Plan:
    """Plan a farm: each field by itself, then what joins them: demand, sources, shifts.

    `progress` is told each field's id when it is done. Several processes plan fields at once, to the same
    plan; a script that asks for them has to start from `if __name__ == "__main__":`.
    """
    demands = _crop_demands(farm)
    farm = _bound(farm, demands)
    if any(s.water is not None and s.water.ec_ds_m is not None for s in farm.sources):
        demands = _crop_demands(farm)  # by the salt of the sources that were chosen
    flows = {s.source_id: s.flow_m3h for s in farm.sources}
    alone = replace(farm, fields=(), weather=None)  # what a field needs to know of its farm
    jobs = [(field, alone, flows.get(field.source_id or "", math.inf)) for field in farm.fields]
    plans = []
    for field, plan in zip(farm.fields, in_processes(_field_or_finding, jobs, processes), strict=True):
        if progress is not None:
            progress(field.field_id)
        plans.append(plan)
    plans += [_refused(r.field_id, r.name, r.area, r.crop, (r.finding,)) for r in farm.refused]
    return _whole(farm, plans, demands)


def _field_or_finding(field: Field, farm: Farm, source_flow_m3h: float) -> FieldPlan:
    """The field's plan, or its bare row with a finding: one bad field never stops the farm."""
    try:
        window = farm.elevation.window(field.area.bounds, MARGIN_M)
        return plan_field(field, window, farm, source_flow_m3h)
    except FieldError as error:
        told = (error.advice, error.measured, error.limit, error.unit)
        finding = Finding("stop", "field", error.what, field.field_id, *told)
    except shapely.errors.GEOSException as error:
        what = f"field {field.field_id!r}: its shapes cannot be cut into parts ({error})"
        advice = 'mend its boundary and exclusions in a GIS, or state `row_pattern = "straight"`'
        finding = Finding("stop", "field", what, field.field_id, advice)
    return _refused(field.field_id, field.name, field.area, field.crop.name, (finding,))


def _refused(
    field_id: str, name: str, area: Any, crop: str | None, findings: tuple[Finding, ...]
) -> FieldPlan:
    facts: dict[str, Any] = {c.name: None for c in LAYERS["fields"].columns}  # whole, if it is the only one
    facts |= {
        "field_id": field_id,
        "name": name,
        "crop": crop,
        "area_ha": None if area is None else area.area / 1e4,
        "status": "not planned",
    }
    return FieldPlan(field_id, area, facts, findings=findings)


# ---- what joins the fields -------------------------------------------------------------------------


def _whole(farm: Farm, plans: Sequence[FieldPlan], demands: Demands) -> Plan:
    by_id = {f.field_id: f for f in farm.fields}
    needs = {b.block_id: _need(demands[p.field_id], b) for p in plans for b in p.blocks}
    tables = _field_tables(plans)
    supply = farm_supply(farm, tables, needs, _ground(farm), clogging_limits())
    tables |= supply.tables
    groups = supply.shifts if farm.sources else _shifts_without_source(plans, needs)
    season = plan_season(
        farm, groups, _seasons(plans, demands, needs), _block_runs(tables, groups), NO_SOURCE_HOURS
    )
    needs = {key: own.need for key, own in season.seasons.items()}
    balances, supply_findings = source_balance(farm.sources, _loads(farm, plans, needs))
    tables |= _demand_tables(plans, by_id, needs)
    tables |= _zone_tables(groups, plans, needs)
    tables["supply_balance"] = _records_table([vars(b) for b in balances])
    tables["irrigations"] = _records_table([vars(i) for i in season.calendar.irrigations])
    tables["nutrient_doses"] = _records_table([vars(d) for d in season.doses])
    tables["season_tasks"] = _records_table([vars(t) for t in season.tasks])
    tables = _with_shifts(tables, groups)
    tables["test_points"] = _records_table(*measuring_points(tables, gear_of_farm(farm)))
    bought = buying(tables, farm)
    tables |= {name: _records_table(rows) for name, rows in bought.rows.items()}
    told = farm.weather is not None  # without weather one finding says it for all crops
    distinct = list({id(d): d for d in demands.values()}.values())
    demand_findings = [f for d in distinct for f in d.findings if told]
    findings = _unique(
        [
            *farm_findings(farm),
            *farm.findings,
            *supply_findings,
            *demand_findings,
            *supply.findings,
            *link_findings(supply.plans, balances, {k: n.peak_m3_day for k, n in needs.items()}),
            *class_findings(tables.get("submains")),
            *season.findings,
            *bought.findings,
            *(f for p in plans for f in p.findings),
        ]
    )
    assumptions = _unique(
        [
            *farm.assumptions,
            *(a for d in distinct for a in d.assumptions),
            *season.assumptions,
            *supply.assumptions,
            *bought.assumptions,
            *point_assumptions(),
            *planning_assumptions(),
        ]
    )
    tables["findings"] = _findings_table(findings, plans)
    tables["assumptions"] = _records_table([vars(a) for a in assumptions])
    summary = plan_summary(farm, plans, needs, groups, tables, findings)
    return Plan(
        farm.name,
        farm.crs,
        tables,
        tuple(findings),
        tuple(assumptions),
        summary,
        season.shift_days,
        season.series,
    )


def _bound(farm: Farm, demands: Demands) -> Farm:
    """The farm with a source for each field, where it has any: stated, or the cheapest that can carry it."""
    if not farm.sources or all(f.source_id for f in farm.fields):
        return farm
    needs = []
    heights = _ground(farm)(np.array([f.area.representative_point().coords[0] for f in farm.fields]))
    for field, ground_m in zip(farm.fields, heights, strict=True):
        line, area_ha = field.driplines[0], field.area.area / 1e4
        rate = line.emitter_flow_l_h / (line.emitter_spacing_m * field.design.lateral_spacing_m)
        need = block_demand(demands[field.field_id], EXPECTED_UNIFORMITY_PCT, area_ha, rate)
        needs.append(
            FieldNeed(field.field_id, field.area, float(ground_m), rate * area_ha * 10.0, need.peak_m3_day,
                      need.gross_m3, field.source_id)
        )  # fmt: skip
    chosen = assigned(needs, farm.sources, rates_of(farm.prices, farm.pipes))
    bound = tuple(replace(f, source_id=f.source_id or chosen[f.field_id]) for f in farm.fields)
    return replace(farm, fields=bound)


EXPECTED_UNIFORMITY_PCT = 90.0
"""What a block's uniformity is taken for before it is laid out."""


def _seasons(
    plans: Sequence[FieldPlan],
    demands: Demands,
    needs: dict[str, BlockDemand],
) -> dict[str, BlockSeason]:
    """Each block with what its crop needs, by its id."""
    return {
        b.block_id: BlockSeason(b, demands[p.field_id], needs[b.block_id]) for p in plans for b in p.blocks
    }


def _block_runs(tables: dict[str, Table], groups: Sequence[Shift]) -> dict[str, BlockRun]:
    """Of each block by its id: its laterals, and how long water travels to its valve and last emitter."""
    if "blocks" not in tables:
        return {}
    facts = tables["blocks"].columns
    flows = {str(b): float(q) for b, q in zip(facts["block_id"], facts["flow_m3h"], strict=True)}
    mains = mains_travel_min(tables.get("mains"), tables.get("valves"), groups, flows)
    rows = zip(facts["block_id"], facts["laterals"], facts["travel_time_min"], strict=True)
    return {str(b): BlockRun(int(n), float(travel), mains.get(str(b), 0.0)) for b, n, travel in rows}


def _need(demand: CropDemand, block: BlockFacts) -> BlockDemand:
    uniformity = max(block.emission_uniformity_pct, LEAST_UNIFORMITY_PCT)
    return block_demand(demand, uniformity, block.area_ha, block.application_mm_h)


def _crop_demands(farm: Farm) -> Demands:
    """One demand for each crop on each soil at each interval under each water."""
    found: dict[tuple[Any, ...], CropDemand] = {}
    made: Demands = {}
    for field in farm.fields:
        season = season_of(farm, field)
        key = (field.crop, field.soil, field.design.interval_days, season.water_ec_ds_m)
        if key not in found:
            found[key] = crop_demand(field.crop, field.soil, field.design, season, farm.weather)
        made[field.field_id] = found[key]
    return made


def _loads(
    farm: Farm, plans: Sequence[FieldPlan], needs: dict[str, BlockDemand]
) -> dict[str, list[FieldLoad]]:
    source_of = {f.field_id: f.source_id for f in farm.fields}
    loads: dict[str, list[FieldLoad]] = {}
    for plan in plans:
        source_id = source_of.get(plan.field_id)
        for b in plan.blocks:
            need = needs[b.block_id]
            if source_id is not None:
                loads.setdefault(source_id, []).append(
                    FieldLoad(b.field_id, b.area_ha, need.peak_m3_day, need.gross_m3, need.basis)
                )
    return loads


TILE_M = 2000.0
"""Ground under mains is read in squares of this side, so that a large farm never stands in memory at once."""


def _ground(farm: Farm) -> Ground:
    """The farm's ground as a function of places, smoothed as fields are; NaN where the model has no value."""

    def heights(points_m: Floats) -> Floats:
        found = np.full(len(points_m), np.nan)
        tile = np.floor(points_m / TILE_M).astype(np.int64)
        for square in np.unique(tile, axis=0):
            there = (tile == square).all(axis=1)
            own = points_m[there]
            try:
                window = farm.elevation.window((*own.min(axis=0), *own.max(axis=0)), MARGIN_M)
            except FieldError:
                continue
            noise = noise_m(window)
            smoothed = smooth(window, smoothing_length_m(noise, window.cell_m, SLOPE_NOISE_PCT))
            found[there] = elevation_m(smoothed, own[:, 0], own[:, 1])
        return found

    return heights


def _shifts_without_source(plans: Sequence[FieldPlan], needs: dict[str, BlockDemand]) -> tuple[Shift, ...]:
    """The shifts that need the least flow in a day's hours."""
    turns = [Turn(b.block_id, b.flow_m3h, _peak_hours(b, needs)) for p in plans for b in p.blocks]
    if not turns:
        return ()
    count = least_flow_shifts(max(t.peak_hours for t in turns), NO_SOURCE_HOURS)
    grouping = grouped(turns, sum(t.flow_m3h for t in turns), min(count, len(turns)))
    return shifts_of(None, turns, grouping) if grouping else ()


def _peak_hours(block: BlockFacts, needs: dict[str, BlockDemand]) -> float:
    """Hours a day that a block runs in the peak."""
    return needs[block.block_id].peak_mm_day / block.application_mm_h


# ---- rows of the layers ----------------------------------------------------------------------------


def _records_table(rows: Sequence[dict[str, Any]], geometry: Sequence[Any] | None = None) -> Table:
    keys: dict[str, None] = {k: None for row in rows for k in row}
    columns = {k: _array([row.get(k) for row in rows]) for k in keys}
    if geometry is None:
        return Table(columns)
    shapes = np.empty(len(rows), dtype=object)
    shapes[:] = list(geometry)
    return Table(columns, shapes)


def _array(values: list[Any]) -> Any:
    """Numbers with gaps as floats with NaN; anything else as objects."""
    known = [v for v in values if v is not None]
    if known and all(isinstance(v, float) for v in known):
        return np.array([np.nan if v is None else v for v in values])
    return np.array(values, dtype=object)


def _field_tables(plans: Sequence[FieldPlan]) -> dict[str, Table]:
    tables = {"fields": _records_table([p.facts for p in plans], [p.area for p in plans])}
    own = ("blocks", "laterals", "rows", "submains", "extreme_emitters", "valves")
    for name in (*own, "dripline_choices", "directions"):
        parts = [p.tables[name] for p in plans if name in p.tables]
        if parts:
            tables[name] = joined(parts)
    return tables


def _with_shifts(tables: dict[str, Table], groups: Sequence[Shift]) -> dict[str, Table]:
    if "blocks" not in tables:
        return tables
    number = {block_id: s.number for s in groups for block_id in s.block_ids}
    blocks = tables["blocks"]
    shift = np.array([number.get(b) for b in blocks.columns["block_id"]], dtype=object)
    return tables | {"blocks": Table(blocks.columns | {"shift": shift}, blocks.geometry)}


def _demand_tables(
    plans: Sequence[FieldPlan], fields: dict[str, Field], needs: dict[str, BlockDemand]
) -> dict[str, Table]:
    seasons, shapes, periods = [], [], []
    for plan in plans:
        for b in plan.blocks:
            need = dict(vars(needs[b.block_id]))
            parts = need.pop("periods")
            need["crop"] = fields[plan.field_id].crop.name
            seasons.append({"block_id": b.block_id, "field_id": b.field_id} | need)
            shapes.append(b.area)
            periods += [{"block_id": b.block_id} | vars(p) for p in parts]
    tables = {}
    if seasons:
        tables["season_demand"] = _records_table(seasons, shapes)
    if periods:
        tables["demand_periods"] = _records_table(periods)
    return tables


def _zone_tables(
    groups: Sequence[Shift], plans: Sequence[FieldPlan], needs: dict[str, BlockDemand]
) -> dict[str, Table]:
    blocks = {b.block_id: b for p in plans for b in p.blocks}
    rows, shapes = [], []
    for group in groups:
        own = [blocks[i] for i in group.block_ids]
        area_ha = sum(b.area_ha for b in own)
        season_m3 = sum(needs[b.block_id].gross_m3 for b in own)
        rows.append(
            {
                "zone_id": group.zone_id,
                "source_id": group.source_id,
                "shift": group.number,
                "blocks": len(own),
                "area_ha": area_ha,
                "flow_m3h": group.flow_m3h,
                "run_hours_peak": max(_peak_hours(b, needs) for b in own),
                "season_m3": season_m3,
                "season_mm": season_m3 / area_ha / 10.0,
            }
        )
        parts = [p for b in own for p in shapely.get_parts(b.area)]
        shapes.append(shapely.multipolygons(parts))
    return {"zones": _records_table(rows, shapes)} if rows else {}


def _findings_table(findings: Sequence[Finding], plans: Sequence[FieldPlan]) -> Table:
    """Findings with ids; one without a place of its own is shown at the field or block that it is about."""
    places = {p.field_id: p.area for p in plans} | {b.block_id: b.area for p in plans for b in p.blocks}
    rows, shapes = [], []
    for number, f in enumerate(findings, start=1):
        row = {k: v for k, v in vars(f).items() if k != "geometry"}
        rows.append({"finding_id": f"N{number:03d}"} | row)
        place = places.get(f.where_id)
        shapes.append(f.geometry if f.geometry is not None or place is None else place.representative_point())
    return _records_table(rows, shapes)


def _unique(items: Sequence[Any]) -> list[Any]:
    """Items without repeats, gravest findings first."""
    order = {"stop": 0, "attention": 1, "note": 2}
    kept: list[Any] = []
    seen: set[Any] = set()
    for item in items:
        key = tuple((k, str(v)) for k, v in vars(item).items())
        if key not in seen:
            seen.add(key)
            kept.append(item)
    if kept and isinstance(kept[0], Finding):
        kept.sort(key=lambda f: order[f.severity])
    return kept


PLAN_FILE, CALENDAR_FILE = "plan.gpkg", "plan.ics"
QUANTITIES_CSV, QUANTITIES_BOOK = "quantities.csv", "quantities.xlsx"


def check_output(folder: str | Path, overwrite: bool = False) -> None:
    """Refuse, before any computing, a folder in which the plan may not be written. Raises OutputError."""
    from farmgis.results.calendar_file import check_calendar
    from farmgis.results.hand_over import check_report
    from farmgis.results.publish import check_target
    from farmgis.results.quantity_files import check_quantity_files
    from farmgis.results.season_page import check_season

    if Path(folder).exists():
        check_target(Path(folder) / PLAN_FILE, overwrite)
        check_calendar(Path(folder) / CALENDAR_FILE, overwrite)
        check_quantity_files(Path(folder) / QUANTITIES_CSV, Path(folder) / QUANTITIES_BOOK, overwrite)
        check_report(Path(folder), overwrite)
        check_season(Path(folder), overwrite)


def write_report(plan: Plan, folder: str | Path, overwrite: bool = False) -> Path:
    """Write a plan's report into a folder as `report.html`, one file that needs no network; returns it."""
    from farmgis.results.hand_over import REPORT_FILE, check_report
    from farmgis.results.report import report_html
    from farmgis.results.whole_file import write_whole

    check_report(Path(folder), overwrite)
    text = report_html(plan, PlanProfiles(plan))
    return write_whole(_made(folder) / REPORT_FILE, text.encode("utf-8", "replace"), overwrite)


def check_report(folder: str | Path, overwrite: bool = False) -> None:
    """Refuse, before anything is made, a folder in which the report may not go. Raises OutputError."""
    from farmgis.results import hand_over

    hand_over.check_report(Path(folder), overwrite)


def check_maps(folder: str | Path, overwrite: bool = False) -> None:
    """Refuse, before anything is drawn, a folder in which sheets may not be written. Raises OutputError."""
    from farmgis.results import hand_over

    hand_over.check_maps(Path(folder), overwrite)


def write_maps(
    plan: Plan,
    folder: str | Path,
    overwrite: bool = False,
    step: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Draw a plan's map sheets into a folder, as `maps.pdf` and a PNG a map in `maps`; returns both."""
    from farmgis.results import hand_over

    return hand_over.write_maps(plan, _made(folder), overwrite, step)


def _made(folder: str | Path) -> Path:
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: the folder cannot be made: {error.strerror}") from error
    return Path(folder)


def write_plan(plan: Plan, folder: str | Path, overwrite: bool = False) -> Path:
    """Write a plan's layers into a folder as `plan.gpkg`; returns its path.

    Beside it stand the season as `plan.ics` and `season.html`, what to buy as `quantities.csv` and `.xlsx`.
    """
    from farmgis.results.calendar_file import check_calendar, write_calendar
    from farmgis.results.frames import frames_of
    from farmgis.results.publish import publish
    from farmgis.results.quantity_files import check_quantity_files, write_quantity_files
    from farmgis.results.season_page import check_season, write_season

    _made(folder)
    check_season(Path(folder), overwrite)
    check_calendar(Path(folder) / CALENDAR_FILE, overwrite)
    bought = Path(folder) / QUANTITIES_CSV, Path(folder) / QUANTITIES_BOOK
    check_quantity_files(*bought, overwrite)
    about = {"farm": plan.name, "season_shift_days": plan.season_shift_days}
    path = publish(Path(folder) / PLAN_FILE, frames_of(plan), plan.crs, overwrite, about)
    write_calendar(Path(folder) / CALENDAR_FILE, plan, overwrite)
    write_quantity_files(*bought, plan, overwrite)
    write_season(plan, Path(folder), overwrite)
    return path
