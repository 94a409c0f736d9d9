"""Pump and head works of each source as rows of `headworks` and `pump_duties`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from farmgis.planning.mains import MainsPlan
from farmgis.planning.pump import Duty, pump_duty, pump_findings
from farmgis.planning.suction import Suction, suction_findings, suction_of
from farmgis.records import Finding, Table


@dataclass(frozen=True)
class Station:
    """A source's pump as its shifts use it."""

    plan: MainsPlan
    duties: tuple[Duty, ...]
    suction: Suction | None

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


def station_of(plan: MainsPlan, temperature_c: float) -> Station:
    """The pump of a source: the duty of each shift, and its suction."""
    job = plan.job
    heads = plan.sizes.pump_head_m + plan.sizes.short_m
    duties = tuple(
        pump_duty(job.source, s.number, float(plan.flow_m3h[k, 0]), float(heads[k]), job.water)
        for k, s in enumerate(plan.shifts)
    )
    return Station(plan, duties, suction_of(job.source, float(plan.network.ground_m[0]), temperature_c))


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
                "filter_flow_m3h": flow,
                "energy_kwh_m3": s.energy_kwh_m3,
                "npsh_available_m": _npsh(s),
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
        found += suction_findings(source, s.suction, float(s.plan.network.ground_m[0]))
        if source.water_level_m is None:
            found.append(_no_level(s))
    return tuple(found)


def _no_level(station: Station) -> Finding:
    source_id = station.plan.job.source.source_id
    return Finding(
        "attention",
        "supply",
        f"{source_id} has no water level: its pump is planned as if the water stood at the ground there "
        f"({station.plan.network.ground_m[0]:.1f} m), so its head leaves out the lift",
        source_id,
        "state `water_level_m`, the level while pumping in the driest month",
    )
