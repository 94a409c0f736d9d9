"""Pump and head works of each source as rows of `headworks` and `pump_duties`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from farmgis.planning.filter_station import FilterStation, filter_station, station_findings, tell_station
from farmgis.planning.mains import MainsPlan
from farmgis.planning.pump import Duty, pump_duty, pump_findings, shut_off_head_m
from farmgis.planning.suction import Suction, suction_findings, suction_of
from farmgis.records import Assumption, CloggingLimit, Finding, Table


@dataclass(frozen=True)
class Station:
    """A source's pump as its shifts use it, and its filters."""

    plan: MainsPlan
    duties: tuple[Duty, ...]
    suction: Suction | None
    filters: FilterStation

    @property
    def least_head_m(self) -> float:
        """Least pressure head just downstream of the head works over the shifts. [m]"""
        return float(np.nanmin(self.plan.sizes.head_m[:, 0])) - float(self.plan.network.ground_m[0])

    @property
    def energy_kwh_m3(self) -> float:
        """Energy for a cubic metre, mean over the season's water. [kWh/m3]"""
        volume = np.array([_season_m3(self.plan, k) for k in range(len(self.duties))])
        each = np.array([d.energy_kwh_m3 for d in self.duties])
        return float((volume @ each) / volume.sum()) if volume.sum() > 0.0 else float(each.mean())


def _season_m3(plan: MainsPlan, shift: int) -> float:
    own = set(plan.shifts[shift].block_ids)
    return float(
        sum(m3 for v, m3 in zip(plan.job.valves, plan.job.season_m3, strict=True) if v.block_id in own)
    )


def station_of(plan: MainsPlan, temperature_c: float, limits: Sequence[CloggingLimit]) -> Station:
    """The head works of a source: the duty of each shift, its suction, and its filters."""
    job = plan.job
    heads = plan.sizes.pump_head_m + plan.sizes.short_m
    duties = tuple(
        pump_duty(job.source, s.number, float(plan.flow_m3h[k, 0]), float(heads[k]), job.water)
        for k, s in enumerate(plan.shifts)
    )
    suction = suction_of(job.source, float(plan.network.ground_m[0]), temperature_c)
    flow = max(d.flow_m3h for d in duties)
    return Station(plan, duties, suction, filter_station(job.source, flow, job.supply, limits))


def duties_table(stations: Sequence[Station]) -> Table:
    """The rows of `pump_duties`."""
    rows = [
        {
            "source_id": d.source_id,
            "shift": d.shift,
            "flow_m3h": d.flow_m3h,
            "duty_head_m": d.duty_head_m,
            "pump_kw": d.pump_kw,
            "npsh_available_m": _npsh(s),
            "energy_kwh_m3": d.energy_kwh_m3,
            "speed_pct": np.nan if d.speed_pct is None else d.speed_pct,
        }
        for s in stations
        for d in s.duties
    ]
    return Table({key: _column([r[key] for r in rows]) for key in rows[0]})


def headworks_table(stations: Sequence[Station]) -> Table:
    """The rows of `headworks`."""
    rows, places = [], []
    for s in stations:
        source = s.plan.job.source
        flow = max(d.flow_m3h for d in s.duties)
        rows.append(
            {
                "source_id": source.source_id,
                "name": source.source_id,
                "flow_m3h": flow,
                "duty_head_m": max(d.duty_head_m for d in s.duties),
                "pump_kw": max(d.pump_kw for d in s.duties),
                "filter_micron": s.plan.job.supply.filter_micron,
                "filter_flow_m3h": s.filters.filters.flow_m3h,
                "energy_kwh_m3": s.energy_kwh_m3,
                "npsh_available_m": _npsh(s),
                "filter_kind": s.filters.filters.kind,
                "filter_units": s.filters.filters.count,
                "filter_unit_mm": s.filters.filters.size_mm,
                "backwash_m3h": s.filters.filters.backwash_m3h,
                "loss_clean_m": s.filters.loss_clean_m,
                "loss_dirty_m": s.filters.loss_dirty_m,
                "shut_off_head_m": shut_off_head_m(source, max(d.duty_head_m for d in s.duties)),
                "order": s.filters.order,
            }
        )
        places.append(shapely.Point(source.x_m, source.y_m))
    return Table({key: _column([r[key] for r in rows]) for key in rows[0]}, np.array(places, dtype=object))


def _npsh(station: Station) -> float:
    suction = station.suction
    return np.nan if suction is None or suction.npsh_available_m is None else suction.npsh_available_m


def _column(values: list[Any]) -> Any:
    return np.array(values, dtype=object if isinstance(values[0], str) else None)


def headworks_findings(stations: Sequence[Station]) -> tuple[Finding, ...]:
    """What pump and suction do not serve."""
    found: list[Finding] = []
    for s in stations:
        source = s.plan.job.source
        found += pump_findings(source, s.duties)
        found += station_findings(s.filters, source, s.least_head_m)
        found += suction_findings(source, s.suction, float(s.plan.network.ground_m[0]))
        if source.water_level_m is None:
            found.append(_no_level(s))
    return tuple(found)


def _no_level(station: Station) -> Finding:
    source_id = station.plan.job.source.source_id
    return Finding(
        "attention",
        "supply",
        "no water level is stated: the pump is planned as if the water stood at the ground there "
        f"({station.plan.network.ground_m[0]:.1f} m), so its head leaves out the lift",
        source_id,
        "state `water_level_m`, the level while pumping in the driest month",
    )


def tell_stations(stations: Sequence[Station]) -> tuple[Assumption, ...]:
    """What the head works rest on."""
    return tuple(a for s in stations for a in tell_station(s.filters))
