"""Where to measure a block when it is commissioned, and what is expected there: rows of `test_points`.

Emitters at the inlet, one third, two thirds and the end of the first, one-third, two-thirds and last
lateral along the submain, two neighbours at each place: the pattern of Merriam and Keller (1978), from
memory. That is 32; a block of fewer laterals gets more places on each, so that no block has less than
the 18 of ASABE EP458 (from memory) if it has as many emitters.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from farmgis.planning.quantities import Row, Tables, rows_of
from farmgis.planning.redone import Emitters, Gear, emitters_of
from farmgis.planning.strips import Ints
from farmgis.records import Assumption, Floats, Table

LEAST_EMITTERS = 18
"""Emitters that a field evaluation takes at least (ASABE EP458, from memory)."""

SHARES = (0.0, 1.0 / 3.0, 2.0 / 3.0, 1.0)
AT_SUBMAIN = ("first", "one third", "two thirds", "last")
AT_LATERAL = ("inlet", "one third", "two thirds", "end")


@dataclass(frozen=True)
class Pick:
    """A lateral to measure on, as its row in `laterals`, and where along the submain it stands."""

    row: int
    at_submain: str


def measuring_points(tables: Tables, gear: Gear) -> tuple[list[Row], list[Any]]:
    """Return (rows of `test_points`, their places): for each block its valve, then its emitters."""
    blocks = rows_of(tables, "blocks")
    if not blocks:
        return [], []
    laterals = tables["laterals"]
    own = _rows_by_block(laterals)
    valves = tables["valves"]
    valve_at = dict(zip(valves.columns["block_id"], shapely.get_coordinates(valves.geometry), strict=True))
    picks = {b["block_id"]: picked(laterals, own[b["block_id"]], valve_at[b["block_id"]]) for b in blocks}
    line_of = {r["field_id"]: r["dripline"] for r in rows_of(tables, "fields")}
    rows: list[Row] = []
    places: list[Any] = []
    for field_id in dict.fromkeys(b["field_id"] for b in blocks):
        mine = [b for b in blocks if b["field_id"] == field_id]
        chosen = np.array([p.row for b in mine for p in picks[b["block_id"]]])
        line = gear.lines[line_of[field_id]]
        solved = emitters_of(laterals, chosen, line, gear.water[field_id])
        for block in mine:
            rows.append(_valve_row(block, valves))
            places.append(shapely.points(valve_at[block["block_id"]]))
            for row, place in _emitter_rows(block, picks[block["block_id"]], laterals, solved):
                rows.append(row | {"chainage_m": row["emitter"] * line.emitter_spacing_m})
                places.append(place)
    return rows, places


def _rows_by_block(laterals: Table) -> dict[str, Ints]:
    names, which, count = np.unique(
        laterals.columns["block_id"].astype(str), return_inverse=True, return_counts=True
    )
    parts = np.split(np.argsort(which, kind="stable"), np.cumsum(count)[:-1])
    return dict(zip(names.tolist(), parts, strict=True))


def picked(laterals: Table, own: Ints, valve_xy: Floats) -> tuple[Pick, ...]:
    """The laterals of a block to measure on, by distance from the valve, sides of the submain by turns."""
    away = np.round(distance_from_valve_m(laterals, own, valve_xy), 3)  # a pair's two are alike, to the mm
    side = _sides(laterals, own)
    gap = float(np.median(np.diff(np.unique(away)))) if np.unique(away).size > 1 else 1.0
    chosen: list[int] = []
    for share in SHARES[: own.size]:
        off = np.abs(away - share * away.max())
        if chosen:
            worth = 1.5 if 0.0 < share < 1.0 else 0.01  # first and last are so, whichever side they lie on
            off = off + worth * gap * (side == side[chosen[-1]])
        off[chosen] = math.inf
        chosen.append(int(np.argmin(np.round(off, 6))))
    chosen.sort(key=lambda k: away[k])
    names = AT_SUBMAIN if len(chosen) == len(SHARES) else tuple(f"lateral {i}" for i in range(1, 4))
    return tuple(Pick(int(own[k]), name) for k, name in zip(chosen, names, strict=False))


def _sides(laterals: Table, own: Ints) -> np.ndarray:
    """Whether each lateral runs to the same side of the submain as the block's first."""
    inlet, end = (shapely.get_coordinates(shapely.get_point(laterals.geometry[own], i)) for i in (0, -1))
    return np.asarray((end - inlet) @ (end - inlet)[0] > 0.0)


def distance_from_valve_m(laterals: Table, own: Ints, valve_xy: Floats) -> Floats:
    """How far along the submain each lateral's inlet stands from the block's valve. [m]"""
    inlets = shapely.get_coordinates(shapely.get_point(laterals.geometry[own], 0))
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(inlets, axis=0), axis=1))])
    at_valve = run[np.argmin(np.linalg.norm(inlets - valve_xy, axis=1))]
    return np.asarray(np.abs(run - at_valve))


def _valve_row(block: Row, valves: Table) -> Row:
    k = int(np.flatnonzero(valves.columns["block_id"] == block["block_id"])[0])
    return {
        "point_id": f"{block['block_id']}-T00",
        "kind": "valve",
        "block_id": block["block_id"],
        "field_id": block["field_id"],
        "lateral_id": None,
        "at_submain": "downstream of the valve",
        "at_lateral": None,
        "emitter": None,
        "chainage_m": None,
        "elevation_m": float(valves.columns["elevation_m"][k]),
        "expected_head_m": float(block["valve_head_m"]),
        "expected_flow_l_h": 1000.0 * float(block["flow_m3h"]),
        "measured_head_m": None,
        "measured_flow_l_h": None,
    }


def _emitter_rows(
    block: Row, picks: tuple[Pick, ...], laterals: Table, solved: Emitters
) -> Iterator[tuple[Row, Any]]:
    number = 0
    places = max(len(SHARES), math.ceil(LEAST_EMITTERS / 2 / max(len(picks), 1)))
    for pick in picks:
        mine = np.flatnonzero(solved.lateral == pick.row)
        for at, k in emitters_at(mine.size, places):
            number += 1
            e = mine[k]
            row = {
                "point_id": f"{block['block_id']}-T{number:02d}",
                "kind": "emitter",
                "block_id": block["block_id"],
                "field_id": block["field_id"],
                "lateral_id": str(laterals.columns["lateral_id"][pick.row]),
                "at_submain": pick.at_submain,
                "at_lateral": at,
                "emitter": int(solved.number[e]),
                "elevation_m": float(solved.point_m[e, 2]),
                "expected_head_m": float(solved.head_m[e]),
                "expected_flow_l_h": float(solved.flow_l_h[e]),
            }
            yield row, shapely.points(solved.point_m[e, :2])


def emitters_at(count: int, places: int) -> list[tuple[str, int]]:
    """Two neighbours at each place of a lateral of `count` emitters: (place, emitter, 0 first).

    >>> emitters_at(100, 4)[:4]
    [('inlet', 0), ('inlet', 1), ('one third', 33), ('one third', 34)]
    >>> emitters_at(3, 4)
    [('inlet', 0), ('inlet', 1), ('one third', 2)]
    """
    found: dict[int, str] = {}
    for i in range(places):
        at = AT_LATERAL[i] if places == len(AT_LATERAL) else f"{i} of {places - 1}"
        first = min(round((count - 1) * i / (places - 1)), max(count - 2, 0))
        for k in range(first, min(first + 2, count)):
            found.setdefault(k, at)
    return [(at, k) for k, at in sorted(found.items())]


def point_assumptions() -> tuple[Assumption, ...]:
    """What the choice of points rests on."""
    pattern = "inlet, one third, two thirds, end of the first, one-third, two-thirds and last lateral"
    return (
        Assumption("test_points", pattern, "", "Merriam and Keller (1978)", "memory"),
        Assumption(
            "test_points_least", f"{LEAST_EMITTERS}", "emitters", "ASABE EP458, from memory", "memory"
        ),
    )
