"""What joins the fields of a farm: each source's mains, shifts and pump, as rows of the layers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from farmgis.planning.demand import BlockDemand
from farmgis.planning.describe_headworks import (
    Station,
    duties_table,
    headworks_findings,
    headworks_table,
    station_of,
    tell_stations,
)
from farmgis.planning.describe_mains import (
    choices_table,
    mains_findings,
    mains_table,
    with_available_heads,
    with_static_heads,
)
from farmgis.planning.describe_pressure import (
    MainsPressure,
    block_reliefs_m,
    pressure_findings,
    pressure_of,
    supply_fittings,
)
from farmgis.planning.main_network import Ground, ValvePlace
from farmgis.planning.mains import MainsJob, MainsPlan, plan_mains, rates_of, seasons_of
from farmgis.planning.pressure_class import tell_pressure
from farmgis.planning.route_graph import Land
from farmgis.planning.rules import supply_assumptions
from farmgis.planning.shifts import Turn, flow_findings
from farmgis.records import Assumption, CloggingLimit, Farm, Finding, Shift, Table


@dataclass(frozen=True)
class FarmSupply:
    """The supply of all sources: its mains, shifts, the layers' rows by name, and what is told of it."""

    plans: tuple[MainsPlan, ...] = ()
    shifts: tuple[Shift, ...] = ()
    tables: Mapping[str, Table] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


def farm_supply(
    farm: Farm, tables: Mapping[str, Table], needs: Mapping[str, BlockDemand], ground: Ground,
    limits: Sequence[CloggingLimit],
) -> FarmSupply:  # fmt: skip
    """Plan the supply of a farm with sources from its blocks' valves; nothing where it has none of either.

    `tables` are the layers of the fields; `needs` the demand of each block by id.
    """
    if "valves" not in tables or not farm.sources:
        return FarmSupply()
    pressures = tuple(pressure_of(m) for m in _mains(farm, tables, needs, ground))
    mains = tuple(p.plan for p in pressures)
    temperature_c = farm.fields[0].design.water_temperature_c
    stations = tuple(station_of(m, temperature_c, limits) for m in mains)
    told = (
        f
        for m in mains
        for f in flow_findings(m.job.source.source_id, m.job.turns, m.shifts, m.job.source.flow_m3h)
    )
    return FarmSupply(
        mains,
        tuple(s for m in mains for s in m.shifts),
        _tables(tables, pressures, stations),
        (*told, *mains_findings(mains), *pressure_findings(pressures), *headworks_findings(stations)),
        (*supply_assumptions(), *tell_pressure(farm.pipes), *tell_stations(stations)),
    )


def _mains(
    farm: Farm, tables: Mapping[str, Table], needs: Mapping[str, BlockDemand], ground: Ground
) -> tuple[MainsPlan, ...]:
    """Each source's shifts, routes, sizes and pump heads, in the order of the sources."""
    closed = tuple(p for f in farm.fields for p in (*shapely.get_parts(f.exclusions), *_holes(f.area)))
    land = Land(
        tuple(f.area for f in farm.fields), closed, tuple(tables["submains"].geometry),
        farm.supply.corridors, farm.supply.barriers, farm.supply.field_crossing,
    )  # fmt: skip
    rates = rates_of(farm.prices, farm.pipes)
    season_m3 = {key: n.gross_m3 for key, n in needs.items()}
    application = _application_mm_h(tables)
    made = []
    for source in farm.sources:
        valves = _valve_places(tables["valves"], source.source_id)
        if not valves:
            continue
        turns = tuple(
            Turn(v.block_id, v.flow_m3h, needs[v.block_id].peak_mm_day / application[v.block_id],
                 v.ground_m + v.required_head_m)
            for v in valves
        )  # fmt: skip
        job = MainsJob(
            source, valves, turns, seasons_of(valves, season_m3), land, ground, farm.pipes, farm.supply, rates
        )
        plan = plan_mains(job)
        if plan is not None:
            made.append(plan)
    return tuple(made)


def _holes(area: Any) -> list[Any]:
    """What a field's boundary leaves out of its middle: a pond, a wood, a yard."""
    rings = [r for part in shapely.get_parts(area) for r in part.interiors]
    return [shapely.polygons(r) for r in rings]


def _application_mm_h(tables: Mapping[str, Table]) -> dict[str, float]:
    blocks = tables["blocks"].columns
    return {str(b): float(a) for b, a in zip(blocks["block_id"], blocks["application_mm_h"], strict=True)}


def _valve_places(valves: Table, source_id: str) -> tuple[ValvePlace, ...]:
    xy = shapely.get_coordinates(valves.geometry)
    c = valves.columns
    return tuple(
        ValvePlace(c["valve_id"][i], c["block_id"][i], xy[i, 0], xy[i, 1], float(c["elevation_m"][i]),
                   float(c["flow_m3h"][i]), float(c["required_head_m"][i]))
        for i in np.flatnonzero(c["source_id"] == source_id)
    )  # fmt: skip


def _tables(
    tables: Mapping[str, Table], pressures: Sequence[MainsPressure], stations: Sequence[Station]
) -> dict[str, Table]:
    """The layers of the supply, and what it adds to valves and submains."""
    if not pressures:
        return {}
    mains = [p.plan for p in pressures]
    static = {key: m for p in pressures for key, m in p.static_m.items()}
    surge = {key: m for p in pressures for key, m in p.surge_m.items()}
    reliefs = block_reliefs_m(pressures, tables)
    relieved = {key: m for p in pressures for key, m in p.relieved_m.items()} | reliefs
    filters = [s.filters for s in stations]
    made = {
        "valves": with_available_heads(tables["valves"], mains),
        "submains": with_static_heads(tables["submains"], mains, relieved),
        "mains": mains_table(mains, static, surge),
        "shift_choices": choices_table(mains),
        "headworks": headworks_table(stations),
        "pump_duties": duties_table(stations),
        "fittings": supply_fittings(pressures, filters, tables, reliefs),
    }
    return {name: table for name, table in made.items() if table is not None}
