"""Why a field, a zone, a source, a main or a point to measure has its figures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from farmgis.hydraulics.emitters import emitter_flow_l_h
from farmgis.hydraulics.friction import head_loss_m, velocity_m_s
from farmgis.hydraulics.water import Water
from farmgis.planning.explain_block import law_of, line_of, metres
from farmgis.planning.main_sizes import MAIN_LOSS_FACTOR
from farmgis.planning.pump import energy_kwh_m3, shaft_kw
from farmgis.planning.quantities import Row, pipe_size, rows_of
from farmgis.planning.reasons import Reason, gaps_as_none
from farmgis.planning.redone import Gear
from farmgis.records import Pipe, Plan


def farm_reasons(plan: Plan) -> Iterator[Reason]:
    """The farm: what its layers hold together, each sum made by another layer too."""

    def total(layer: str, column: str) -> float:
        return float(sum(r[column] or 0.0 for r in rows_of(plan.tables, layer)))

    fields = rows_of(plan.tables, "fields")
    planned = sum(r["status"] != "not planned" for r in fields)
    yield Reason("fields planned", float(planned), "", f"of {len(fields)}")
    land = "its fields' irrigated areas; again: its blocks'"
    yield Reason(
        "irrigated area", total("fields", "irrigated_ha"), "ha", land, again=total("blocks", "area_ha")
    )
    laid = "its blocks' lines; again: its laterals'"
    yield Reason("dripline", total("blocks", "dripline_m"), "m", laid, again=total("laterals", "length_m"))
    counted = "its blocks'; again: its laterals'"
    yield Reason("emitters", total("blocks", "emitters"), "", counted, again=total("laterals", "emitters"))
    if rows_of(plan.tables, "season_demand"):
        season, peak = total("season_demand", "gross_m3"), total("season_demand", "peak_m3_day")
        supplied = bool(rows_of(plan.tables, "supply_balance"))
        by_zone = "gross need of its blocks; again: its zones'"
        yield Reason("water of the season", season, "m3", by_zone, again=total("zones", "season_m3"))
        by_source = total("supply_balance", "peak_m3_day") if supplied else None
        by = "its blocks' peaks" + ("; again: its sources'" if supplied else "")
        yield Reason("peak", peak, "m3/day", by, again=by_source)
    if rows_of(plan.tables, "irrigations"):
        given = "volumes of all irrigations: less than the need where a source's hours do not suffice"
        yield Reason("given by the calendar", total("irrigations", "volume_m3"), "m3", given)


def junction_reasons(node: str, plan: Plan) -> Iterator[Reason]:
    """A junction of mains: what feeds it and what it feeds; nothing where it is none."""
    mains = rows_of(plan.tables, "mains")
    for what, end in (("fed by", "to_node"), ("feeds", "from_node")):
        ids = dict.fromkeys(str(r["main_id"]) for r in mains if r[end] == node)
        if ids:
            yield Reason(what, ", ".join(ids), "", f"`{end}` of the layer mains")


def fitting_reasons(row: Row, plan: Plan) -> Iterator[Reason]:
    """A fitting: what it is, why it stands there, on what."""
    row = gaps_as_none(row)
    yield Reason("kind", row["kind"], "", str(row["reason"]))
    yield Reason("size", row["size_mm"], "mm", "nominal: by what it stands on, or by its flow")
    yield Reason("stands on", row["on_id"], "", "ask for that id to see its figures")
    yield Reason("elevation", row["elevation_m"], "m", "the ground there; needs the elevation model")
    if row.get("set_head_m") is not None:
        yield Reason("set head", row["set_head_m"], "m", "the head that it holds, or opens at")


def finding_reasons(row: Row, plan: Plan) -> Iterator[Reason]:
    """A finding: what was measured against which limit; its words and advice are told with it."""
    row = gaps_as_none(row)
    yield Reason("severity", row["severity"], "", f"a matter of {row['about']}")
    yield Reason("where", row["where_id"], "", "ask for that id to see its figures")
    if row["measured"] is not None:
        unit = str(row["unit"] or "")
        against = "" if row["limit"] is None else f", against {row['limit']:,.6g} {unit}".rstrip()
        yield Reason("measured", row["measured"], unit, f"as the plan has it{against}")


def field_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """A field: its land, its direction, its blocks together."""
    blocks = [r for r in rows_of(plan.tables, "blocks") if r["field_id"] == row["field_id"]]
    at = list(plan.tables["fields"].columns["field_id"]).index(row["field_id"])
    shape = plan.tables["fields"].geometry[at]
    yield Reason(
        "area",
        row["area_ha"],
        "ha",
        "its boundary as given, in the plan's CRS",
        again=None if shape is None else float(shape.area) / 1e4,
    )
    if not blocks:
        yield Reason("status", row["status"], "", "see its findings")
        return
    yield Reason(
        "irrigated area",
        row["irrigated_ha"],
        "ha",
        "its blocks together: without headlands, margins, exclusions",
        again=sum(b["area_ha"] for b in blocks),
    )
    yield Reason(
        "contour direction",
        row["contour_azimuth_deg"],
        "degrees",
        "least mean-square grade: the minor eigenvector of the mean outer product of the ground's "
        "gradient; needs the elevation model",
    )
    index = row.get("cost_index")
    other = row.get("contour_cost_index")
    said = f"the cheapest of the directions judged (relative index {index:,.0f})" if index else "as chosen"
    said += (
        f"; along the contour it would be {other:,.0f}"
        if other and index and abs(other - index) > 0.5
        else ""
    )
    yield Reason("row direction", row["row_azimuth_deg"], "degrees", said, "the index is common practice")
    line = gear.lines[row["dripline"]]
    yield Reason(
        "dripline",
        row["dripline"],
        "",
        f"the first of those listed that keeps every block in tolerance; its emitters give {law_of(line)}",
    )
    yield Reason(
        "flow",
        row["flow_m3h"],
        "m3/h",
        f"its {len(blocks)} blocks together",
        again=sum(b["flow_m3h"] for b in blocks),
    )
    needs = [r for r in rows_of(plan.tables, "season_demand") if r["field_id"] == row["field_id"]]
    if needs:
        total = sum(n["gross_m3"] for n in needs)
        yield Reason(
            "water of the season", total, "m3", "its blocks together; ask for a block to see its chain"
        )
    worst = max(blocks, key=lambda b: b["head_variation_pct"])
    yield Reason(
        "least even block",
        worst["block_id"],
        "",
        f"head variation {worst['head_variation_pct']:.1f} %, emission uniformity "
        f"{worst['emission_uniformity_pct']:.1f} %",
    )


def zone_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """Blocks that run together: their area, flow, hours and water."""
    fields = {r["field_id"]: r["source_id"] for r in rows_of(plan.tables, "fields")}
    blocks = [
        r
        for r in rows_of(plan.tables, "blocks")
        if r["shift"] == row["shift"]
        and (row["source_id"] is None or fields[r["field_id"]] == row["source_id"])
    ]
    names = {b["block_id"]: b for b in blocks}
    needs = [r for r in rows_of(plan.tables, "season_demand") if r["block_id"] in names]
    yield Reason("blocks", row["blocks"], "", ", ".join(names), again=float(len(blocks)))
    yield Reason("area", row["area_ha"], "ha", "its blocks together", again=sum(b["area_ha"] for b in blocks))
    yield Reason(
        "flow", row["flow_m3h"], "m3/h", "its blocks together", again=sum(b["flow_m3h"] for b in blocks)
    )
    if needs:
        hours = [n["peak_mm_day"] / names[n["block_id"]]["application_mm_h"] for n in needs]
        yield Reason(
            "hours in the peak",
            row["run_hours_peak"],
            "h",
            "the longest of its blocks: peak depth of a day over its application",
            again=max(hours),
        )
        volume = sum(n["gross_m3"] for n in needs)
        yield Reason("water of the season", row["season_m3"], "m3", "its blocks' gross volumes", again=volume)
        yield Reason(
            "depth of the season",
            row["season_mm"],
            "mm",
            "volume over area",
            again=volume / row["area_ha"] / 10.0,
        )


def source_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """A source: need against yield, and its pump."""
    name = row["source_id"]
    own = {r["field_id"] for r in rows_of(plan.tables, "fields") if r["source_id"] == name}
    needs = [r for r in rows_of(plan.tables, "season_demand") if r["field_id"] in own]
    told = {a.key: a.value for a in plan.assumptions}
    flow = float(told.get(f"source.{name}.flow_m3h", "nan"))
    hours = float(told.get(f"source.{name}.hours_per_day", "nan"))
    yield Reason(
        "peak need",
        row["peak_m3_day"],
        "m3/day",
        f"peak of the blocks of its {row['fields']} fields together",
        again=sum(n["peak_m3_day"] for n in needs),
    )
    yield Reason(
        "available",
        row["available_m3_day"],
        "m3/day",
        f"its flow ({flow:g} m3/h) x its hours a day ({hours:g})",
        "as given",
        flow * hours if math.isfinite(flow * hours) else None,
    )
    if row["peak_share_pct"] is not None and row["available_m3_day"]:
        yield Reason(
            "share at the peak",
            row["peak_share_pct"],
            "%",
            "peak need over what is available",
            again=100.0 * row["peak_m3_day"] / row["available_m3_day"],
        )
    yield Reason(
        "water of the season",
        row["season_m3"],
        "m3",
        "gross volumes of its fields' blocks",
        again=sum(n["gross_m3"] for n in needs),
    )
    yield Reason(
        "verdict",
        row["verdict"],
        "",
        "peak need against what it gives, season against its licence; never netted against another source",
    )
    yield from _pump(str(name), plan, gear, told)


def _pump(name: str, plan: Plan, gear: Gear, told: dict[str, str]) -> Iterator[Reason]:
    pump = float(told.get(f"source.{name}.pump_efficiency_pct", "nan"))
    motor = float(told.get(f"source.{name}.motor_efficiency_pct", "nan"))
    water = next(iter(gear.water.values()), None)
    for duty in [r for r in rows_of(plan.tables, "pump_duties") if r["source_id"] == name]:
        known = water is not None and math.isfinite(pump * motor)
        plain = known and not np.isfinite(duty.get("speed_pct") or np.nan)  # no curve: efficiencies as stated
        yield Reason(
            f"shift {duty['shift']}: power at the shaft",
            duty["pump_kw"],
            "kW",
            f"{_weight(water)} x {duty['flow_m3h']:.1f} m3/h / 3600 x {duty['duty_head_m']:.2f} m over the "
            f"pump's efficiency ({pump:g} %)",
            "law; PAES 608:2016",
            shaft_kw(duty["flow_m3h"], duty["duty_head_m"], pump, water)
            if plain and water is not None
            else None,
        )
        energy = duty.get("energy_kwh_m3")
        if energy is not None:
            yield Reason(
                f"shift {duty['shift']}: energy",
                energy,
                "kWh/m3",
                f"0.002725 x head over both efficiencies (motor {motor:g} %)",
                "law",
                energy_kwh_m3(duty["duty_head_m"], pump, motor, water)
                if plain and water is not None
                else None,
            )


def _weight(water: Water | None) -> str:
    return (
        "density x gravity"
        if water is None
        else f"{water.density_kg_m3:.1f} kg/m3 x {water.gravity_m_s2:g} m/s2"
    )


def main_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """A piece of a main: length, velocity and loss at its design flow."""
    mains = plan.tables["mains"]
    at = int(
        np.flatnonzero((mains.columns["main_id"] == row["main_id"]) & (mains.columns["seq"] == row["seq"]))[0]
    )
    name = f"piece {row['seq']}, {pipe_size(row)}: "
    yield Reason(
        f"{name}length",
        row["length_m"],
        "m",
        f"from {row['from_node']} to {row['to_node']}, along the slope",
        again=float(metres(mains.geometry[at : at + 1])[0]),
    )
    yield Reason(
        f"{name}design flow",
        row["design_flow_m3h"],
        "m3/h",
        "the greatest of all shifts: blocks beyond it that run together",
    )
    yield Reason(
        f"{name}velocity",
        row["velocity_m_s"],
        "m/s",
        f"flow over the section of {row['inside_mm']:g} mm",
        again=float(velocity_m_s(row["design_flow_m3h"], row["inside_mm"])),
    )
    pipe = next(
        (p for p in pipes if pipe_size(vars(p)) == pipe_size(row) and p.inside_mm == row["inside_mm"]), None
    )
    water = next(iter(gear.water.values()), None)
    again = None
    if pipe is not None and water is not None:
        metres_lost = row["length_m"] * MAIN_LOSS_FACTOR
        again = head_loss_m(row["design_flow_m3h"], pipe.inside_mm, metres_lost, pipe.roughness_mm, water)
    yield Reason(
        f"{name}head lost",
        row["head_loss_m"],
        "m",
        f"friction at the design flow, x {MAIN_LOSS_FACTOR:g} for bends and branchings{_walls(pipe, water)}",
        "Darcy-Weisbach",
        again,
    )
    yield Reason(
        f"{name}size",
        row["nominal_mm"],
        "mm",
        "one linear program over all shifts: least yearly cost of pipe "
        "and energy; without prices by weight of pipe",
    )


def _walls(pipe: Pipe | None, water: Water | None) -> str:
    """Roughness and viscosity, with which a loss can be redone by hand."""
    if pipe is None or water is None:
        return ""
    return f"; roughness {pipe.roughness_mm:g} mm, {water.viscosity_m2_s:.4g} m2/s"


def point_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """What is expected at a point to measure."""
    if row["kind"] == "valve":
        block = next(r for r in rows_of(plan.tables, "blocks") if r["block_id"] == row["block_id"])
        head, flow = row["expected_head_m"], row["expected_flow_l_h"]
        yield Reason("expected head", head, "m", "valve head of its block", again=block["valve_head_m"])
        yield Reason("expected flow", flow, "l/h", "flow of its block", again=1000.0 * block["flow_m3h"])
        return
    line = line_of(plan, gear, row["field_id"])
    yield Reason(
        "expected head",
        row["expected_head_m"],
        "m",
        f"at emitter {row['emitter']:.0f} of {row['lateral_id']}, solved along its profile",
    )
    yield Reason(
        "expected flow",
        row["expected_flow_l_h"],
        "l/h",
        law_of(line),
        "maker's figures as given",
        emitter_flow_l_h(row["expected_head_m"], line),
    )
