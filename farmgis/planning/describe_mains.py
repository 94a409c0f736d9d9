"""A source's supply as rows of the layers `mains`, `valves`, `submains` and `shift_choices`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from farmgis.hydraulics.friction import velocity_m_s
from farmgis.planning.mains import MainsPlan
from farmgis.records import Finding, Table


def mains_table(
    plans: Sequence[MainsPlan],
    static_m: Mapping[tuple[str, int], float],
    surge_m: Mapping[tuple[str, int], float],
) -> Table | None:
    """The rows of `mains`; `static_m` and `surge_m` are the greatest heads at rest and with surge by
    (main_id, seq).
    """
    rows: list[dict[str, Any]] = []
    lines = []
    for plan in plans:
        for piece in plan.pieces():
            flows = plan.flow_m3h[:, piece.link]
            k = int(flows.argmax())
            rows.append(
                {
                    "main_id": piece.main_id,
                    "seq": piece.seq,
                    "source_id": plan.job.source.source_id,
                    "from_node": plan.network.node_id[plan.network.parent[piece.link]],
                    "to_node": plan.network.node_id[piece.link],
                    "material": piece.pipe.material,
                    "nominal_mm": piece.pipe.nominal_mm,
                    "inside_mm": piece.pipe.inside_mm,
                    "pressure_class_bar": piece.pipe.pressure_class_bar,
                    "length_m": piece.length_m,
                    "design_flow_m3h": float(flows[k]),
                    "velocity_m_s": float(velocity_m_s(flows[k], piece.pipe.inside_mm)),
                    "head_loss_m": float(piece.start_head_m[k] - piece.end_head_m[k]),
                    "static_head_max_m": static_m[piece.main_id, piece.seq],
                    "surge_head_max_m": surge_m[piece.main_id, piece.seq],
                    "existing": bool(plan.network.corridor[piece.link] >= 0),
                }
            )
            lines.append(shapely.linestrings(piece.line_m))
    if not rows:
        return None
    columns = {key: np.array([r[key] for r in rows], dtype=_kind(rows[0][key])) for key in rows[0]}
    return Table(columns, np.array(lines, dtype=object))


def _kind(value: Any) -> Any:
    return object if isinstance(value, str) else None


def with_available_heads(valves: Table, plans: Sequence[MainsPlan]) -> Table:
    """The rows of `valves` with the least head upstream over the shifts in which each is open."""
    head = dict(kv for plan in plans for kv in available_heads_m(plan))
    own = np.array([head.get(v, np.nan) for v in valves.columns["valve_id"]])
    return Table(valves.columns | {"available_head_m": own}, valves.geometry)


def available_heads_m(plan: MainsPlan) -> Iterator[tuple[str, float]]:
    """Each valve of a source, and the head upstream of it while its block runs. [m above ground]"""
    for node in np.flatnonzero(plan.network.valve >= 0):
        valve = plan.job.valves[plan.network.valve[node]]
        runs = [k for k, s in enumerate(plan.shifts) if valve.block_id in s.block_ids]
        yield valve.valve_id, float(plan.sizes.head_m[runs, node].min()) - valve.ground_m


def with_static_heads(submains: Table, plans: Sequence[MainsPlan], relieved: Mapping[str, float]) -> Table:
    """The rows of `submains` with the head that they bear when the pump works against closed ends.

    `relieved` holds, by block, the head above datum at which a relief valve below the block's reducing
    valve opens; without one the pump's shut-off head counts.
    """
    at_rest = {v.block_id: plan.shut_off_m for plan in plans for v in plan.job.valves}
    at_rest |= relieved
    ends = shapely.get_coordinates(submains.geometry, include_z=True, return_index=True)
    lowest = np.full(len(submains.geometry), np.inf)
    np.minimum.at(lowest, ends[1], ends[0][:, 2])
    head = np.array([at_rest.get(b, np.nan) for b in submains.columns["block_id"]])
    return Table(submains.columns | {"static_head_max_m": head - lowest}, submains.geometry)


def choices_table(plans: Sequence[MainsPlan]) -> Table | None:
    """The rows of `shift_choices`: what more or fewer shifts would cost."""
    rows = [vars(c) | {"cost_unit": plan.job.rates.unit} for plan in plans for c in plan.choices]
    if not rows:
        return None
    return Table({key: np.array([r[key] for r in rows], dtype=_kind(rows[0][key])) for key in rows[0]})


def mains_findings(plans: Sequence[MainsPlan]) -> tuple[Finding, ...]:
    """What of a source's supply does not keep its limits."""
    return tuple(f for plan in plans for f in (*plan.findings, *_heads(plan), *_speeds(plan)))


def _heads(plan: MainsPlan) -> Iterator[Finding]:
    source = plan.job.source
    for k, short in enumerate(plan.sizes.short_m):
        if short > 0.05:
            shift = plan.shifts[k]
            yield Finding(
                "attention",
                "supply",
                f"the pump of {source.source_id} is {short:.1f} m short of the head that shift "
                f"{shift.zone_id} needs at {shift.flow_m3h:.0f} m3/h",
                shift.zone_id,
                "take a larger pump, run fewer blocks at a time, or a line that works at less head",
                float(plan.sizes.pump_head_m[k]),
                float(plan.sizes.pump_head_m[k] + short),
                "m",
            )


def _speeds(plan: MainsPlan) -> Iterator[Finding]:
    limit = plan.job.supply.main_velocity_m_s
    for piece in plan.pieces():
        speed = float(velocity_m_s(plan.flow_m3h[:, piece.link].max(), piece.pipe.inside_mm))
        if speed > limit + 0.005:
            what = (
                "the pipe that is there" if plan.network.corridor[piece.link] >= 0 else "the widest on sale"
            )
            yield Finding(
                "attention",
                "supply",
                f"main {piece.main_id} is {what}, {piece.pipe.nominal_mm:g} mm, and water runs "
                f"{speed:.2f} m/s in it (limit {limit:g})",
                piece.main_id,
                "give wider sizes as [[pipe]], lay two pipes, or run fewer blocks at a time",
                speed,
                limit,
                "m/s",
                shapely.linestrings(piece.line_m),
            )
