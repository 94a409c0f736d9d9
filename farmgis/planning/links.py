"""What it would take to link land of a source that is short to one that has water to spare."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from farmgis.hydraulics.friction import velocity_m_s
from farmgis.planning.main_network import ValvePlace
from farmgis.planning.mains import MainsPlan
from farmgis.planning.supply import SourceBalance
from farmgis.records import Finding, Pipe

DETOUR = 1.3
"""A link is this many times as long as the straight way (common practice)."""


@dataclass(frozen=True)
class Link:
    """Blocks that another source could serve, and the pipe that leads there."""

    source_id: str
    block_ids: tuple[str, ...]
    peak_m3_day: float
    length_m: float
    pipe: Pipe
    cost: float


def link_findings(
    plans: Sequence[MainsPlan], balances: Sequence[SourceBalance], peak_m3_day: Mapping[str, float]
) -> tuple[Finding, ...]:
    """For each source that is short at its peak, the cheapest link that would cure it, priced.

    `peak_m3_day` is each block's need by its id.
    """
    by_id = {b.source_id: b for b in balances}
    found = []
    for plan in plans:
        own = by_id[plan.job.source.source_id]
        if own.verdict != "short at peak":
            continue
        links = [
            link
            for other in plans
            if by_id[other.job.source.source_id].verdict == "sufficient"
            for link in [_link(plan, other, own, by_id[other.job.source.source_id], peak_m3_day)]
            if link is not None
        ]
        if links:
            found.append(_told(plan, own, min(links, key=lambda k: k.cost)))
    return tuple(found)


def _link(
    plan: MainsPlan, other: MainsPlan, own: SourceBalance, spare_of: SourceBalance, peak: Mapping[str, float]
) -> Link | None:
    """The blocks nearest to another source's mains that make up the shortage and fit into its spare."""
    spare = spare_of.available_m3_day - spare_of.peak_m3_day
    short = own.peak_m3_day - own.available_m3_day
    lines = [shapely.linestrings(line[:, :2]) for line in other.network.line_m if len(line) > 1]
    there = shapely.union_all([*lines, shapely.Point(other.job.source.x_m, other.job.source.y_m)])
    near = sorted(plan.job.valves, key=lambda v: (there.distance(shapely.Point(v.x_m, v.y_m)), v.block_id))
    chosen: list[ValvePlace] = []
    moved = 0.0
    for valve in near:
        if moved >= short:
            break
        if moved + peak[valve.block_id] <= spare and valve.flow_m3h <= other.job.source.flow_m3h:
            chosen.append(valve)
            moved += peak[valve.block_id]
    if not chosen:
        return None
    length = DETOUR * max(there.distance(shapely.Point(v.x_m, v.y_m)) for v in chosen)
    pipe = _pipe(other, max(v.flow_m3h for v in chosen))
    cost = length * (other.job.rates.pipe_m(pipe) + other.job.rates.trench_m)
    ids = tuple(sorted(v.block_id for v in chosen))
    return Link(other.job.source.source_id, ids, moved, length, pipe, cost)


def _pipe(plan: MainsPlan, flow_m3h: float) -> Pipe:
    """The narrowest size of the mains' own kind that is slow enough; the widest where none is."""
    limit = plan.job.supply.main_velocity_m_s
    bar = max(p.pipe.pressure_class_bar for p in plan.pieces())
    sizes = sorted((p for p in plan.pipes if p.pressure_class_bar == bar), key=lambda p: p.inside_mm)
    slow = [p for p in sizes if float(velocity_m_s(flow_m3h, p.inside_mm)) <= limit]
    return slow[0] if slow else sizes[-1]


def _told(plan: MainsPlan, own: SourceBalance, link: Link) -> Finding:
    short = own.peak_m3_day - own.available_m3_day
    blocks = ", ".join(link.block_ids)
    cures = (
        "makes up the shortage" if link.peak_m3_day >= short else f"makes up {link.peak_m3_day:,.0f} m3/day"
    )
    places = [shapely.Point(v.x_m, v.y_m) for v in plan.job.valves if v.block_id in link.block_ids]
    return Finding(
        "note",
        "supply",
        f"linking {blocks} to {link.source_id} {cures} of {own.source_id}: about {link.length_m:,.0f} m of "
        f"{link.pipe.material} {link.pipe.nominal_mm:g} mm, {link.cost:,.0f} with its trench "
        f"({plan.job.rates.unit})",
        own.source_id,
        f"set the source of their field to {link.source_id} (split the field where only a part moves) and "
        "plan again: its mains, shifts and pump change with it",
        link.peak_m3_day,
        short,
        "m3/day",
        shapely.multipoints(np.array([p.coords[0] for p in places])),
    )
