"""Why a block, a lateral, a submain or a valve has its figures: each solved again from the layers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from farmgis.hydraulics.friction import head_loss_m, velocity_m_s
from farmgis.hydraulics.uniformity import emission_uniformity_pct, flow_variation_pct, head_variation_pct
from farmgis.planning.block_search import SUBMAIN_LOSS_FACTOR
from farmgis.planning.demand_rules import DemandRules
from farmgis.planning.describe import VALVE_LOSS_M, VALVE_VELOCITY_M_S
from farmgis.planning.quantities import Row, pipe_size, rows_of
from farmgis.planning.reasons import Reason
from farmgis.planning.redone import Emitters, Gear, emitters_of
from farmgis.planning.strips import Ints
from farmgis.records import Dripline, Floats, Pipe, Plan

EFFICIENCY_MAX = DemandRules.efficiency_max


def line_of(plan: Plan, gear: Gear, field_id: str) -> Dripline:
    """The dripline of a field."""
    rows = rows_of(plan.tables, "fields")
    return gear.lines[next(r["dripline"] for r in rows if r["field_id"] == field_id)]


def solved_again(plan: Plan, gear: Gear, which: Ints, field_id: str) -> Emitters:
    """Some laterals' emitters, solved again from their drawn profiles and inlet heads."""
    return emitters_of(plan.tables["laterals"], which, line_of(plan, gear, field_id), gear.water[field_id])


def law_of(line: Dripline) -> str:
    """A dripline's emitters in words."""
    if line.compensating:
        return (
            f"{line.emitter_flow_l_h:g} l/h from {line.least_head_m:g} to {line.greatest_head_m:g} m of head"
        )
    return f"{line.emitter_flow_l_h:g} l/h x (head / {line.nominal_head_m:g} m)^{line.exponent:g}"


def metres(lines: object) -> Floats:
    """Length of lines along the slope. [m]"""
    xyz, of = shapely.get_coordinates(lines, include_z=True, return_index=True)
    step = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    return np.asarray(np.bincount(of[1:], np.where(np.diff(of) == 0, step, 0.0), int(of.max()) + 1), float)


# ---- a block ----------------------------------------------------------------------------------------


def block_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """From the drawn laterals to flow, heads, uniformity and the season's water."""
    laterals = plan.tables["laterals"]
    which = np.flatnonzero(laterals.columns["block_id"] == row["block_id"])
    line = line_of(plan, gear, row["field_id"])
    found = solved_again(plan, gear, which, row["field_id"])
    at = list(plan.tables["blocks"].columns["block_id"]).index(row["block_id"])
    area = float(plan.tables["blocks"].geometry[at].area) / 1e4
    yield Reason(
        "area",
        row["area_ha"],
        "ha",
        "area of its polygon: the strips of its laterals, half a "
        "spacing to each side, clipped to irrigated land",
        again=area,
    )
    yield Reason(
        "dripline",
        row["dripline_m"],
        "m",
        f"length of its {which.size} laterals along the slope",
        again=float(metres(laterals.geometry[which]).sum()),
    )
    yield Reason(
        "emitters",
        row["emitters"],
        "",
        f"one each {line.emitter_spacing_m:g} m of each lateral",
        again=float(found.head_m.size),
    )
    yield from _flow_and_heads(row, line, found)
    yield Reason(
        "application",
        row["application_mm_h"],
        "mm/h",
        "flow over area",
        again=row["flow_m3h"] / row["area_ha"] / 10.0,
    )
    yield from _tolerance(row, line)
    yield from _water(row, plan)


def _flow_and_heads(row: Row, line: Dripline, found: Emitters) -> Iterator[Reason]:
    low, high, mean = (float(f(found.head_m)) for f in (np.min, np.max, np.mean))
    q_low, q_high, q_mean = (float(f(found.flow_l_h)) for f in (np.min, np.max, np.mean))
    solved = f"every emitter gives {law_of(line)}; heads by Darcy-Weisbach along each drawn profile from its "
    solved += "inlet's head"
    source = "maker's figures of the line as given; friction of Swamee and Jain (1976), Dunlop (1991), 64/Re"
    yield Reason("flow", row["flow_m3h"], "m3/h", solved, source, float(found.flow_l_h.sum()) / 1000.0)
    yield Reason("lowest head", row["head_min_m"], "m", "lowest of its emitters", again=low)
    yield Reason("highest head", row["head_max_m"], "m", "highest of its emitters", again=high)
    yield Reason(
        "head variation",
        row["head_variation_pct"],
        "%",
        f"100 (max - min) / mean of its emitters' heads, their mean {mean:.5g} m",
        again=head_variation_pct(low, high, mean),
    )
    yield Reason(
        "flow variation",
        row["flow_variation_pct"],
        "%",
        f"100 (max - min) / max of its emitters' flows, {q_low:.5g} to {q_high:.5g} l/h",
        again=flow_variation_pct(q_low, q_high),
    )
    yield Reason(
        "emission uniformity",
        row["emission_uniformity_pct"],
        "%",
        f"100 (1 - 1.27 Cv / sqrt n) qmin / qmean, Cv {line.variation:g}, n 1, qmin {q_low:.5g}, "
        f"qmean {q_mean:.5g} l/h",
        "ASABE EP405, from memory",
        emission_uniformity_pct(q_low, q_mean, line.variation),
    )
    yield Reason(
        "elevation range",
        row["elevation_range_m"],
        "m",
        "highest less lowest ground of its emitters",
        again=float(np.ptp(found.point_m[:, 2])),
    )
    yield Reason("head at the valve", row["valve_head_m"], "m", _valve_how(line))


def _valve_how(line: Dripline) -> str:
    if line.compensating:
        return "what gives the lowest emitter 1 m over the line's least head; see its valve and submains"
    return (
        f"what gives the mean emitter its flow at {line.nominal_head_m:g} m, lowered where a point of "
        "the line "
        f"would stand over {line.greatest_head_m:g} m; see its valve and submains"
    )


def _tolerance(row: Row, line: Dripline) -> Iterator[Reason]:
    kind = str(row["tolerance_kind"])
    if kind == "pressure_compensating":
        rule = f"emitters from 1 m over {line.least_head_m:g} m, none over {line.greatest_head_m:g} m"
    else:
        measure = kind.removesuffix("_pct").replace("_", " ")
        rule = f"its {measure} against the design's tolerance, and no point of the line over "
        rule += f"{line.greatest_head_m:g} m, running or at rest"
    yield Reason("within tolerance", "yes" if row["within_tolerance"] else "no", "", rule)


def _water(row: Row, plan: Plan) -> Iterator[Reason]:
    own = [r for r in rows_of(plan.tables, "season_demand") if r["block_id"] == row["block_id"]]
    for need in own:
        if need["basis"] == "assumed":
            yield Reason("season", need["gross_mm"], "mm", "an assumed figure: no weather was given")
            yield from _volume_and_peak(row, need, "an assumed figure: no weather was given")
            continue
        yield Reason(
            "crop's water use",
            need["et_crop_mm"],
            "mm",
            "reference ET x crop coefficient, day by day in the design year; needs the weather",
            "FAO-56",
        )
        yield Reason(
            "net",
            need["net_mm"],
            "mm",
            f"crop's use less effective rain ({need['rain_effective_mm']:.1f} mm) and soil water used "
            f"({need['soil_water_used_mm']:.1f} mm)",
            "FAO-56",
            need["et_crop_mm"] - need["rain_effective_mm"] - need["soil_water_used_mm"],
        )
        share = min(row["emission_uniformity_pct"] / 100.0, EFFICIENCY_MAX)
        how = f"(net + leaching, {need['leaching_mm']:.1f} mm) / min(emission uniformity, {EFFICIENCY_MAX:g})"
        yield Reason(
            "gross",
            need["gross_mm"],
            "mm",
            how,
            "the cap is common practice",
            (need["net_mm"] + need["leaching_mm"]) / share,
        )
        day = (
            "the greatest gross depth a day, the mean over one interval of the design year; needs the weather"
        )
        yield from _volume_and_peak(row, need, day)


def _volume_and_peak(row: Row, need: Row, day: str) -> Iterator[Reason]:
    by_area = "x area x 10"
    volume = need["gross_mm"] * row["area_ha"] * 10.0
    yield Reason("volume of the season", need["gross_m3"], "m3", f"gross {by_area}", again=volume)
    yield Reason("peak depth", need["peak_mm_day"], "mm/day", day)
    peak = need["peak_mm_day"] * row["area_ha"] * 10.0
    yield Reason("peak", need["peak_m3_day"], "m3/day", f"peak depth {by_area}", again=peak)


# ---- laterals, submains, valves --------------------------------------------------------------------


def lateral_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """A lateral from its drawn profile and its inlet's head."""
    laterals = plan.tables["laterals"]
    which = np.flatnonzero(laterals.columns["lateral_id"] == row["lateral_id"])
    line, found = line_of(plan, gear, row["field_id"]), solved_again(plan, gear, which, row["field_id"])
    ends = shapely.get_coordinates(laterals.geometry[which], include_z=True)[[0, -1]]
    step = ends[1] - ends[0]
    yield Reason(
        "length",
        row["length_m"],
        "m",
        f"{row['emitters']} emitters, one each {line.emitter_spacing_m:g} m",
        again=float(metres(laterals.geometry[which])[0]),
    )
    yield Reason(
        "mean grade",
        row["grade_mean_pct"],
        "%",
        "rise from inlet to end over the distance on the map",
        again=float(100.0 * step[2] / np.hypot(step[0], step[1])),
    )
    yield Reason("head at the inlet", row["inlet_head_m"], "m", f"from the valve along {row['submain_id']}")
    how = f"along the drawn profile, every emitter {law_of(line)}, friction by Darcy-Weisbach"
    source = "friction of Swamee and Jain (1976), Dunlop (1991), 64/Re"
    yield Reason("flow", row["flow_l_h"], "l/h", how, source, float(found.flow_l_h.sum()))
    yield Reason("head at the end", row["end_head_m"], "m", how, source, float(found.head_m[-1]))
    yield Reason(
        "lowest head",
        row["head_min_m"],
        "m",
        f"at emitter {int(np.argmin(found.head_m)) + 1}",
        again=float(found.head_m.min()),
    )
    yield Reason(
        "highest head",
        row["head_max_m"],
        "m",
        f"at emitter {int(np.argmax(found.head_m)) + 1}",
        again=float(found.head_m.max()),
    )


def submain_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """A piece of a submain: its length, its flow from the laterals beyond, its loss lateral by lateral."""
    submains = plan.tables["submains"]
    at = int(
        np.flatnonzero(
            (submains.columns["submain_id"] == row["submain_id"]) & (submains.columns["seq"] == row["seq"])
        )[0]
    )
    points = shapely.get_coordinates(submains.geometry[at], include_z=True)
    name = f"piece {row['seq']}, {pipe_size(row)}: "
    yield Reason(
        f"{name}length",
        row["length_m"],
        "m",
        "along the slope",
        again=float(metres(submains.geometry[at : at + 1])[0]),
    )
    flows = _reach_flows_m3h(row, plan, points)
    yield Reason(
        f"{name}flow",
        row["inlet_flow_m3h"],
        "m3/h",
        "flow of the laterals that it feeds and those beyond",
        again=float(flows[0]),
    )
    yield Reason(
        f"{name}velocity",
        row["velocity_m_s"],
        "m/s",
        f"flow over the section of {row['inside_mm']:g} mm",
        again=float(velocity_m_s(flows[0], row["inside_mm"])),
    )
    pipe = next(
        (p for p in pipes if pipe_size(vars(p)) == pipe_size(row) and p.inside_mm == row["inside_mm"]), None
    )
    how = f"head where it begins less friction (x {SUBMAIN_LOSS_FACTOR:g} for its offtakes) and rise"
    again = None
    if pipe is not None:
        field_id = next(
            r["field_id"] for r in rows_of(plan.tables, "blocks") if r["block_id"] == row["block_id"]
        )
        lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
        water = gear.water[field_id]
        lost = sum(
            head_loss_m(float(q), pipe.inside_mm, float(m) * SUBMAIN_LOSS_FACTOR, pipe.roughness_mm, water)
            for q, m in zip(flows, lengths, strict=True)
        )
        again = float(row["inlet_head_m"] - lost - (points[-1, 2] - points[0, 2]))
    yield Reason(f"{name}head at its end", row["end_head_m"], "m", how, "Darcy-Weisbach", again)


def _reach_flows_m3h(row: Row, plan: Plan, points: Floats) -> Floats:
    """Flow in each reach of a piece, from its first to its last vertex. [m3/h]"""
    laterals, submains = plan.tables["laterals"], plan.tables["submains"]
    own = np.flatnonzero(laterals.columns["block_id"] == row["block_id"])
    inlets = shapely.get_coordinates(shapely.get_point(laterals.geometry[own], 0))
    flow = laterals.columns["flow_l_h"][own] / 1000.0
    beyond = (submains.columns["submain_id"] == row["submain_id"]) & (submains.columns["seq"] > row["seq"])
    later = shapely.get_coordinates(submains.geometry[beyond])
    fed = np.concatenate([points[1:, :2], later]) if len(later) else points[1:, :2]
    fed = np.unique(np.round(fed, 4), axis=0)
    here = {tuple(p): i for i, p in enumerate(np.round(points[:, :2], 4).tolist())}
    last = len(points) - 1
    taken = np.zeros(len(points))
    known = {tuple(p) for p in fed.tolist()}
    for place, q in zip(np.round(inlets, 4).tolist(), flow, strict=True):
        if tuple(place) in known:
            taken[here.get(tuple(place), last)] += q
    return np.cumsum(taken[::-1])[::-1][1:]


def valve_reasons(row: Row, plan: Plan, gear: Gear, pipes: Sequence[Pipe]) -> Iterator[Reason]:
    """A block's valve: the head that it needs, gets and is set to."""
    block = next(r for r in rows_of(plan.tables, "blocks") if r["block_id"] == row["block_id"])
    yield Reason("flow", row["flow_m3h"], "m3/h", f"that of block {row['block_id']}", again=block["flow_m3h"])
    yield Reason(
        "size",
        row["nominal_mm"],
        "mm",
        f"the smallest in which water is no faster than {VALVE_VELOCITY_M_S:g} m/s; it runs "
        f"{float(velocity_m_s(row['flow_m3h'], row['nominal_mm'])):.2f}",
        "common practice",
    )
    yield Reason(
        "set head",
        row["set_head_m"],
        "m",
        "head downstream that the block needs",
        again=block["valve_head_m"],
    )
    yield Reason(
        "required head",
        row["required_head_m"],
        "m",
        f"set head and {VALVE_LOSS_M:g} m lost in valve and regulator",
        "common practice",
        block["valve_head_m"] + VALVE_LOSS_M,
    )
    told = row["available_head_m"]
    if told is not None and np.isfinite(told):
        spare = told - row["required_head_m"]
        yield Reason(
            "available head",
            told,
            "m",
            "the source's pump less lift and losses of the mains, the least "
            f"over the shifts in which it opens: {spare:+.1f} m over what is required",
        )
