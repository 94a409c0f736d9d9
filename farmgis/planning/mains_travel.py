"""How long water travels from a source to each block's valve, while the block's zone runs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from farmgis.records import Shift, Table


def mains_travel_min(
    mains: Table | None, valves: Table | None, shifts: Sequence[Shift], flow_m3h: Mapping[str, float]
) -> dict[str, float]:
    """Minutes in the mains to each block's valve, by block; empty where no mains are planned.

    A pipe's water moves with the flow of the zone's blocks beyond it.
    """
    if mains is None or valves is None or not mains.columns:
        return {}
    volume, parent = _pipes(mains)
    valve = {
        str(b): str(v) for v, b in zip(valves.columns["valve_id"], valves.columns["block_id"], strict=True)
    }
    made = {}
    for shift in shifts:
        ways = {b: _way(valve[b], parent) for b in shift.block_ids if b in valve}
        through: dict[str, float] = {}
        for block, way in ways.items():
            for node in way:
                through[node] = through.get(node, 0.0) + flow_m3h[block]
        for block, way in ways.items():
            made[block] = sum(60.0 * volume[node] / through[node] for node in way if through[node] > 0.0)
    return made


def _pipes(mains: Table) -> tuple[dict[str, float], dict[str, str]]:
    """Of each node by its id: the volume of the pipe that leads to it [m3], and the node before it."""
    c = mains.columns
    volume: dict[str, float] = {}
    parent: dict[str, str] = {}
    rows = zip(c["from_node"], c["to_node"], c["inside_mm"], c["length_m"], strict=True)
    for before, node, inside_mm, length_m in rows:
        own = math.pi / 4.0 * (float(inside_mm) / 1000.0) ** 2 * float(length_m)
        volume[str(node)] = volume.get(str(node), 0.0) + own
        parent[str(node)] = str(before)
    return volume, parent


def _way(node: str, parent: Mapping[str, str]) -> list[str]:
    """The nodes from one back to the source, without that."""
    way = []
    while node in parent:
        way.append(node)
        node = parent[node]
    return way
