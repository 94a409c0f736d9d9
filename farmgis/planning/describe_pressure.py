"""Pressures, pressure zones and fittings of a source's mains as they were planned."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from farmgis.planning.filter_station import FilterStation, station_fittings
from farmgis.planning.fittings import (
    Fitting,
    fittings_table,
    lateral_fittings,
    main_fittings,
    reducing_fittings,
    relief_fittings,
    submain_fittings,
    valve_fittings,
)
from farmgis.planning.main_pieces import Piece
from farmgis.planning.main_sizes import LEAST_HEAD_M
from farmgis.planning.mains import MainsPlan, lowered, open_valves
from farmgis.planning.pressure_class import (
    BAR_M,
    ReachPressure,
    class_findings,
    closing_flow_m3h,
    needed_bar,
    reach_pressures,
    transient_findings,
)
from farmgis.planning.pressure_zones import (
    LEAST_RELIEF_M,
    PUMP_SET_INDEX,
    REDUCING_VALVE_INDEX,
    RELIEF_SHARE,
    ZonePrices,
    Zones,
    pressure_zones,
    reduced_heads_m,
    zone_findings,
)
from farmgis.records import Finding, Floats, Table


@dataclass(frozen=True)
class MainsPressure:
    """What a source's mains bear, and how pressure is kept down. `pieces` are in the order of `reaches`."""

    plan: MainsPlan
    pieces: tuple[Piece, ...]
    reaches: tuple[ReachPressure, ...]
    zones: Zones

    @property
    def surge_m(self) -> dict[tuple[str, int], float]:
        """Greatest head with surge above ground by (main_id, seq). [m]"""
        return {(r.main_id, r.seq): r.surge_head_max_m for r in self.reaches}

    @property
    def static_m(self) -> dict[tuple[str, int], float]:
        """Greatest head at rest above ground by (main_id, seq). [m]"""
        return {(r.main_id, r.seq): r.static_head_max_m for r in self.reaches}

    @property
    def relieved_m(self) -> dict[str, float]:
        """Head above datum at rest by block, where a reducing valve with relief stands before it. [m]"""
        network, level = self.plan.network, self.zones.static_level_m
        valves = self.plan.job.valves
        return {
            valves[network.valve[i]].block_id: float(level[i])
            for i in np.flatnonzero(network.valve >= 0)
            if level[i] < self.plan.shut_off_m - 1e-9
        }

    @property
    def needed_bar(self) -> Floats:
        """The class that each link asks for, at rest and with surge; inf where none on sale serves. [bar]"""
        return needed_bar(self.reaches, self.plan.network.count)


def needed_levels_m(plan: MainsPlan) -> Floats:
    """Head above datum that each node needs in each shift, NaN where nothing flows, (shifts, nodes). [m]"""
    network = plan.network
    needed = np.where(plan.flow_m3h > 0.0, LEAST_HEAD_M, np.nan)
    needed[:, 0] = np.nan
    running = open_valves(plan.job.valves, plan.shifts)
    at = np.flatnonzero(network.valve >= 0)
    asked = np.array([v.required_head_m for v in plan.job.valves])[network.valve[at]]
    needed[:, at] = np.where(running[:, network.valve[at]], np.fmax(asked, LEAST_HEAD_M), needed[:, at])
    return needed + network.ground_m


def pressure_of(plan: MainsPlan) -> MainsPressure:
    """The pressures of a source's mains, with reducing valves where they are the cheapest way."""
    job, network = plan.job, plan.network
    open_ = open_valves(job.valves, plan.shifts)
    closing = closing_flow_m3h(network, open_ * np.array([v.flow_m3h for v in job.valves]))
    pieces = tuple(plan.pieces())
    reaches = reach_pressures(pieces, plan.flow_m3h, closing, plan.shut_off_m, job.pipes, job.water)
    level = float(plan.sizes.head_m[0, 0] - plan.sizes.pump_head_m[0] + job.supply.station_loss_m)
    rates = job.rates
    prices = ZonePrices(rates.pipe_m, REDUCING_VALVE_INDEX * rates.pipe_kg, PUMP_SET_INDEX * rates.pipe_kg)
    head, needed = plan.sizes.head_m, needed_levels_m(plan)
    zones = pressure_zones(network, reaches, job.pipes, head, needed, level, plan.shut_off_m, prices)
    if zones.valves:
        plan = lowered(plan, zones.static_level_m)
        reduced = reduced_heads_m(network, plan.sizes.head_m, zones.valves)
        plan = replace(plan, sizes=replace(plan.sizes, head_m=reduced))
        pieces = tuple(plan.pieces())
        reaches = reach_pressures(pieces, plan.flow_m3h, closing, zones.static_level_m, job.pipes, job.water)
    return MainsPressure(plan, pieces, reaches, zones)


def pressure_findings(pressures: Sequence[MainsPressure]) -> tuple[Finding, ...]:
    """Every reach over its class, reducing valves, and where an engineer has to look."""
    found: list[Finding] = []
    for p in pressures:
        source_id, network = p.plan.job.source.source_id, p.plan.network
        found += class_findings(p.reaches)
        found += zone_findings(source_id, network, p.zones, p.plan.job.rates.unit)
        found += transient_findings(source_id, network, p.reaches)
    return tuple(found)


def block_reliefs_m(pressures: Sequence[MainsPressure], tables: Mapping[str, Table]) -> dict[str, float]:
    """Blocks whose submains do not bear the head at rest of the mains, and what a relief valve holds there.

    Head above datum at which it opens, by block. It stands below the block's regulator, and makes that
    regulator count.
    """
    rest = {v.block_id: p.plan.shut_off_m for p in pressures for v in p.plan.job.valves}
    for p in pressures:
        rest |= p.relieved_m
    sub, valves = tables["submains"], tables["valves"].columns
    xyz, row = shapely.get_coordinates(sub.geometry, include_z=True, return_index=True)
    lowest = np.full(len(sub.geometry), np.inf)
    np.minimum.at(lowest, row, xyz[:, 2])
    level = np.array([rest.get(str(b), -np.inf) for b in sub.columns["block_id"]])
    over = level - lowest > np.asarray(sub.columns["pressure_class_bar"], dtype=float) * BAR_M
    needing = {str(b) for b in np.asarray(sub.columns["block_id"])[over]}
    return {
        str(b): float(z) + float(head) + max(RELIEF_SHARE * float(head), LEAST_RELIEF_M)
        for b, z, head in zip(valves["block_id"], valves["elevation_m"], valves["set_head_m"], strict=True)
        if str(b) in needing
    }


def supply_fittings(
    pressures: Sequence[MainsPressure],
    stations: Sequence[FilterStation],
    tables: Mapping[str, Table],
    reliefs_m: Mapping[str, float],
) -> Table | None:
    """The rows of `fittings`: at the sources, on mains, at valves, on submains and at lateral ends.

    `stations` go with `pressures`, source by source. Without sources the blocks have theirs all the same.
    """
    made: list[Fitting] = []
    for p, station in zip(pressures, stations, strict=True):
        source, network = p.plan.job.source, p.plan.network
        widest = max((piece.pipe.nominal_mm for piece in p.pieces), default=0.0)
        made += station_fittings(station, source, float(network.ground_m[0]), widest)
        made += main_fittings(network, p.pieces)
        made += reducing_fittings(network, p.pieces, p.zones.valves)
    for name, of in (
        ("valves", valve_fittings),
        ("submains", submain_fittings),
        ("laterals", lateral_fittings),
    ):
        if name in tables:
            made += of(tables[name])
    if reliefs_m:
        made += relief_fittings(tables["valves"], reliefs_m)
    return fittings_table(made)
