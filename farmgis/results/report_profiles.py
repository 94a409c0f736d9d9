"""Which lateral, submain and main the report draws, with the heads along them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
import pandas
import shapely
from markupsafe import Markup

from farmgis.records import Floats
from farmgis.results.plan_rows import Rows
from farmgis.results.report_chart import LIMIT, SOIL, STILL, WATER, Line, line_chart


class ProfileLike(Protocol):
    """Heads along a pipe: distance on the slope, ground, pressure head above it. [m]"""

    @property
    def chainage_m(self) -> Floats:
        """Distance from its inlet."""

    @property
    def ground_m(self) -> Floats:
        """Ground there."""

    @property
    def head_m(self) -> Floats:
        """Pressure head above it."""


class Redone(Protocol):
    """What redoes heads from a plan's layers; the caller brings it, for the results know no hydraulics."""

    def lateral(
        self, field_id: str, dripline: str, points: Floats, emitters: int, inlet_head_m: float
    ) -> ProfileLike | None:
        """Heads along a lateral of a field, None where its dripline is not known."""

    def greatest_head_m(self, dripline: str) -> float | None:
        """What a dripline's wall bears, None where it is not known."""

    @property
    def submain(self) -> Callable[..., ProfileLike]:
        """Heads along a submain, from its pieces, the heads at their ends, and those at inlets."""

    @property
    def main(self) -> Callable[..., ProfileLike]:
        """Heads along a main, from its pieces, their losses and the head at its end."""


def worst_block(blocks: pandas.DataFrame) -> Any | None:
    """The block nearest to its tolerance: of plain line the greatest variation, else the lowest head."""
    plain = blocks[blocks.tolerance_kind != "pressure_compensating"]
    if len(plain) and plain.head_variation_pct.notna().any():
        return plain.loc[plain.head_variation_pct.idxmax()]
    if len(blocks) and blocks.head_min_m.notna().any():
        return blocks.loc[blocks.head_min_m.idxmin()]
    return None


def lateral_chart(rows: Rows, block_id: str, dripline: str, redo: Redone) -> Markup | None:
    """The lateral with the block's lowest emitter: ground and working head, from its inlet to its end."""
    emitters = rows["extreme_emitters"]
    low = emitters[(emitters.block_id == block_id) & (emitters.which == "lowest")]
    if low.empty:
        return None
    laterals = rows["laterals"]
    own = laterals[laterals.lateral_id == low.lateral_id.iloc[0]]
    if own.empty:
        return None
    row = next(own.itertuples())
    points = shapely.get_coordinates(row.shape, include_z=True)
    profile = redo.lateral(str(row.field_id), dripline, points, int(row.emitters), float(row.inlet_head_m))
    if profile is None:
        return None
    at = int(np.argmin(profile.head_m[1:])) + 1
    told = (
        f"Lateral {row.lateral_id}, the one with the lowest emitter of {block_id}: head "
        f"{profile.head_m[0]:.1f} m at "
        f"its inlet, lowest {profile.head_m[at]:.1f} m at {profile.chainage_m[at]:.0f} m, "
        f"{profile.head_m[-1]:.1f} m at its end"
    )
    lines = [
        Line("ground", profile.chainage_m, profile.ground_m, SOIL, 1.4, fill=True),
        Line("working head line", profile.chainage_m, profile.ground_m + profile.head_m, WATER, 2.0),
    ]
    submains = rows["submains"]["shape"][rows["submains"].block_id == block_id].to_numpy()
    if len(submains):
        rest = float(shapely.get_coordinates(submains, include_z=True)[:, 2].max())
        lines.append(
            Line(
                "at rest, submain full",
                profile.chainage_m,
                np.full(profile.chainage_m.size, rest),
                STILL,
                1.2,
                "2 3",
            )
        )
    bears = redo.greatest_head_m(dripline)
    if bears is not None and bears < 2.5 * float(profile.head_m.max()):
        lines.append(
            Line(
                f"what the line bears, {bears:g} m",
                profile.chainage_m,
                profile.ground_m + bears,
                LIMIT,
                1.2,
                "5 3",
            )
        )
    return line_chart(told, lines, "m along the lateral", "elevation, m")


def submain_charts(rows: Rows, block_id: str, redo: Redone) -> list[Markup]:
    """Every submain of a block from its valve: ground, working head, and the head at rest."""
    own = rows["submains"][rows["submains"].block_id == block_id].sort_values(["submain_id", "seq"])
    laterals = rows["laterals"][rows["laterals"].block_id == block_id]
    starts = shapely.get_coordinates(shapely.get_point(laterals["shape"].to_numpy(), 0))
    inlets = {
        (round(float(x), 2), round(float(y), 2)): float(h)
        for (x, y), h in zip(starts, laterals.inlet_head_m, strict=True)
    }
    found = []
    for submain_id, pieces in own.groupby("submain_id"):
        heads = list(zip(pieces.inlet_head_m, pieces.end_head_m, strict=True))
        if not np.isfinite(heads).all():
            continue
        lines = [shapely.get_coordinates(s, include_z=True) for s in pieces["shape"]]
        profile = redo.submain(lines, heads, inlets)
        sizes = ", ".join(f"{s:.0f}" for s in pieces.nominal_mm)
        told = (
            f"Submain {submain_id}, {sizes} mm from the valve outward: head {profile.head_m.min():.1f} to "
            f"{profile.head_m.max():.1f} m"
        )
        drawn = [
            Line("ground", profile.chainage_m, profile.ground_m, SOIL, 1.4, fill=True),
            Line("working head line", profile.chainage_m, profile.ground_m + profile.head_m, WATER, 2.0),
            Line(
                "at rest, full to its highest point",
                profile.chainage_m,
                np.full(profile.chainage_m.size, float(profile.ground_m.max())),
                STILL,
                1.2,
                "2 3",
            ),
        ]
        found.append(line_chart(told, drawn, "m along the submain", "elevation, m"))
    return found


MOST_ENDS = 24
"""Ends of mains drawn for one source; of more, the ones with least head to spare and farthest on."""


def main_charts(rows: Rows, redo: Redone) -> list[tuple[str, Markup]]:
    """Ways from each source along which every main lies, that with least head to spare first: id, chart."""
    found = []
    valves = rows["valves"].set_index("valve_id")
    spare = valves.available_head_m - valves.required_head_m
    for source_id, mains in rows["mains"].groupby("source_id"):
        ways = _ways(mains, set(valves.index))
        for valve_id in _drawn_ends(ways, {v: float(spare[v]) for v in ways}):
            chart = _main_chart(str(source_id), valve_id, ways[valve_id], valves.loc[valve_id], redo)
            if chart is not None:
                found.append((valve_id, chart))
    return found


def _drawn_ends(ways: dict[str, list[Any]], spare_m: dict[str, float]) -> list[str]:
    """The valve with least head to spare, and those at which mains end: between them they have every main."""
    if not ways:
        return []
    scarce = min(ways, key=lambda v: spare_m[v] if np.isfinite(spare_m[v]) else np.inf)
    passed = {str(p.from_node) for way in ways.values() for p in way}
    ends = [v for v in ways if v not in passed]
    if len(ends) > MOST_ENDS:
        far = sorted(ends, key=lambda v: -sum(p.length_m for p in ways[v]))[: MOST_ENDS // 2]
        near = sorted(ends, key=lambda v: spare_m[v] if np.isfinite(spare_m[v]) else np.inf)
        ends = list(dict.fromkeys([*near[: MOST_ENDS // 2], *far]))
    return list(dict.fromkeys([scarce, *ends]))


def _ways(mains: pandas.DataFrame, valves: set[str]) -> dict[str, list[Any]]:
    """For each valve the pieces from the source to it, in their order."""
    into: dict[str, list[Any]] = {}
    for (_, to), pieces in mains.sort_values("seq").groupby(["main_id", "to_node"], sort=False):
        into[str(to)] = list(pieces.itertuples())
    found = {}
    for valve in sorted(valves & set(into)):
        way: list[Any] = []
        node, seen = valve, set()
        while node in into and node not in seen:
            seen.add(node)
            way = into[node] + way
            node = str(into[node][0].from_node)
        found[valve] = way
    return found


def _main_chart(source_id: str, valve_id: str, way: Sequence[Any], valve: Any, redo: Redone) -> Markup | None:
    losses = [float(p.head_loss_m) for p in way]
    if not np.isfinite([*losses, float(valve.available_head_m)]).all():
        return None
    lines = [shapely.get_coordinates(p.shape, include_z=True) for p in way]
    profile = redo.main(lines, losses, float(valve.available_head_m))
    # ground and head at rest of each piece's lowest point: level where nothing breaks it
    rest = [float(p.static_head_max_m) + float(line[:, 2].min()) for p, line in zip(way, lines, strict=True)]
    told = (
        f"From {source_id} to {valve_id}, {profile.chainage_m[-1]:,.0f} m: head "
        f"{profile.head_m[0]:.1f} m where the main "
        f"begins, {float(valve.available_head_m):.1f} m at the valve, which needs "
        f"{float(valve.required_head_m):.1f} m"
    )
    drawn = [
        Line("ground", profile.chainage_m, profile.ground_m, SOIL, 1.4, fill=True),
        Line(
            "working head line, losses at the greatest flow",
            profile.chainage_m,
            profile.ground_m + profile.head_m,
            WATER,
            2.0,
        ),
    ]
    if np.isfinite(rest).all():
        counts = [len(line) for line in lines]
        drawn.append(
            Line("at rest, pump at shut-off", profile.chainage_m, np.repeat(rest, counts), STILL, 1.2, "2 3")
        )
    return line_chart(told, drawn, "m along the main", "elevation, m")
