"""Where air goes in and out of the pipes, where they drain and are flushed, and where pressure is read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from farmgis.planning.main_network import HIGH_M, MainNetwork, chainage_m, turning_points
from farmgis.planning.pressure_class import LaidPiece
from farmgis.planning.pressure_zones import ReducingValve
from farmgis.records import Assumption, Floats, Table

Kind = Literal[
    "air release", "vacuum relief", "air and vacuum", "pressure relief", "reducing valve", "regulator",
    "check", "drain", "flush", "test point",
]  # fmt: skip

LONG_GRADE_M = 500.0
"""Along a main with no high, air and vacuum valves are no further apart than this (common practice)."""

AIR_VALVE_MM = ((110.0, 25.0), (315.0, 50.0), (630.0, 80.0), (np.inf, 100.0))
"""An air valve's size by that of its pipe, up to each (common practice; the maker's curve decides)."""

DRAIN_SHARE, FLUSH_SHARE, REDUCING_SHARE = 0.25, 0.5, 0.8
SIZES_MM = (25.0, 40.0, 50.0, 80.0, 100.0, 150.0, 200.0, 250.0, 300.0, 400.0, 500.0)
"""Drains and flush valves are the first of these sizes from a quarter and a half of their pipe's (common
practice)."""

TEST_POINT_MM = 15.0


@dataclass(frozen=True)
class Fitting:
    """One fitting, and why it stands there."""

    kind: Kind
    size_mm: float
    on_id: str
    elevation_m: float
    reason: str
    x_m: float
    y_m: float
    set_head_m: float | None = None  # what a regulator or reducing valve holds, or a relief opens at


def air_valve_mm(pipe_mm: float) -> float:
    """Size of an air and vacuum valve on a pipe. [mm]

    >>> air_valve_mm(110.0), air_valve_mm(200.0)
    (25.0, 50.0)
    """
    return next(size for most, size in AIR_VALVE_MM if pipe_mm <= most)


def part_mm(pipe_mm: float, share: float) -> float:
    """The first size that is at least a share of the pipe's. [mm]"""
    return next((s for s in SIZES_MM if s >= share * pipe_mm), SIZES_MM[-1])


# ---- mains -----------------------------------------------------------------------------------------

Point = tuple[int, int]
"""A vertex of a link's line: (link, index). A node is the last vertex of the link that leads to it."""


def main_fittings(network: MainNetwork, pieces: Iterable[LaidPiece]) -> tuple[Fitting, ...]:
    """Air valves at highs and on long grades, drains at lows, flush valves at ends of a source's mains."""
    laid: dict[int, list[LaidPiece]] = {}
    for piece in pieces:
        laid.setdefault(piece.link, []).append(piece)
    highs, lows = main_extremes(network)
    ends = [i for i in range(1, network.count) if i not in set(network.parent[1:].tolist())]
    made = [_on_main(network, laid, p, *_air("a high of the main: air gathers")) for p in sorted(highs)]
    made += [
        _at_chainage(network, laid, link, run, *_air(f"over {LONG_GRADE_M:g} m of main without a high"))
        for link, run in _long_grades(network, highs)
    ]
    low = "a low of the main: empties it for winter and repair, to where water harms nobody"
    made += [_on_main(network, laid, p, "drain", low) for p in sorted(lows)]
    made += [_on_main(network, laid, p, "flush", _end_reason(network, p[0])) for p in _last(network, ends)]
    return tuple(f for f in made if f is not None)


def _air(why: str) -> tuple[Kind, str]:
    return "air and vacuum", f"{why} there; lets it out as the pipe fills and in as it empties"


def _end_reason(network: MainNetwork, link: int) -> str:
    z = network.line_m[link][:, 2]
    low = "; it is low, and drains here too" if z[-1] <= z.min() + 1e-9 < z.max() else ""
    return f"end of a main: flushed first, before submains and laterals{low}"


def _last(network: MainNetwork, links: Sequence[int]) -> list[Point]:
    return [(i, len(network.line_m[i]) - 1) for i in links if len(network.line_m[i])]


def main_extremes(network: MainNetwork) -> tuple[set[Point], set[Point]]:
    """Vertices at which the mains are highest or lowest between what is on both sides; no ends, no source.

    A branching from which one main rises on is no high: its air goes up there. So with lows.
    """
    ways = [(way, np.array([network.line_m[link][i, 2] for link, i in way])) for way in _ways(network)]
    return _tops(ways, 1.0), _tops(ways, -1.0)


def _tops(ways: Sequence[tuple[list[Point], Floats]], sign: float) -> set[Point]:
    """Highs over all ways, or lows with sign -1, without those from which some way goes on up."""
    turns = [turning_points(sign * z)[0] for _, z in ways]
    found = {way[k] for (way, _), own in zip(ways, turns, strict=True) for k in own}
    for (way, z), own in zip(ways, turns, strict=True):
        for k, point in enumerate(way):
            if point in found and k not in own and _goes_up(sign * z[k:]):
                found.discard(point)
    return found


def _goes_up(z: Floats) -> bool:
    """Whether a profile comes over its first point before it falls clearly under it."""
    over, under = np.flatnonzero(z > z[0] + 1e-9), np.flatnonzero(z < z[0] - HIGH_M)
    return bool(over.size and (not under.size or over[0] < under[0]))


def _ways(network: MainNetwork) -> Iterator[list[Point]]:
    """Each way from the source to an end by its nodes and the vertices at which it turns up or down."""
    inner = set(network.parent[1:].tolist())
    turns = [_turns(line) for line in network.line_m]
    for end in range(1, network.count):
        if end in inner:
            continue
        links = [end]
        while network.parent[links[-1]] > 0:
            links.append(int(network.parent[links[-1]]))
        way: list[Point] = []
        for link in reversed(links):
            way += [(link, i) for i in turns[link][1 if way else 0 :]]
        if way:
            yield way


def _turns(line: Floats) -> list[int]:
    """The ends of a line, and the vertices between which it only rises or only falls."""
    step = np.diff(line[:, 2]) if len(line) else np.empty(0)
    inner = np.flatnonzero(step[:-1] * step[1:] <= 0.0) + 1
    return [0, *inner.tolist(), len(line) - 1] if len(line) > 1 else list(range(len(line)))


def _long_grades(network: MainNetwork, highs: set[Point]) -> list[tuple[int, float]]:
    """(link, chainage) of air valves that part long stretches; pump and block valves have their own."""
    since = np.zeros(network.count)
    made = []
    for link in range(1, network.count):
        line = network.line_m[link]
        if not len(line):
            since[link] = since[network.parent[link]]
            continue
        run = chainage_m(line)
        airy = [float(run[i]) for i in range(len(run)) if (link, i) in highs]
        last = -since[network.parent[link]]
        for stop in [*airy, float(run[-1])]:
            while stop - last > LONG_GRADE_M:
                last += LONG_GRADE_M
                made.append((link, max(last, 0.0)))
            if stop in airy:
                last = stop
        since[link] = 0.0 if network.valve[link] >= 0 else float(run[-1]) - last
    return made


def _on_main(
    network: MainNetwork, laid: dict[int, list[LaidPiece]], point: Point, kind: Kind, reason: str
) -> Fitting | None:
    link, index = point
    return _at_chainage(network, laid, link, float(chainage_m(network.line_m[link])[index]), kind, reason)


def _at_chainage(
    network: MainNetwork, laid: dict[int, list[LaidPiece]], link: int, run_m: float, kind: Kind, reason: str
) -> Fitting | None:
    """A fitting on the piece that lies at a chainage of a link; None where nothing lies."""
    line = network.line_m[link]
    run = chainage_m(line)
    passed = 0.0
    own: LaidPiece | None = None
    for piece in sorted(laid.get(link, []), key=lambda p: p.seq):
        own = piece
        passed += float(chainage_m(np.asarray(piece.line_m))[-1])
        if passed >= run_m - 1e-6:
            break
    if own is None:
        return None
    x, y, z = (float(np.interp(run_m, run, line[:, i])) for i in range(3))
    there = " (a pipe that is there already: see what it has)" if network.corridor[link] >= 0 else ""
    return Fitting(kind, _size_mm(kind, own.pipe.nominal_mm), own.main_id, z, reason + there, x, y)


def _size_mm(kind: Kind, pipe_mm: float) -> float:
    if kind in ("air and vacuum", "air release", "vacuum relief"):
        return air_valve_mm(pipe_mm)
    return part_mm(pipe_mm, DRAIN_SHARE if kind == "drain" else FLUSH_SHARE)


def reducing_fittings(
    network: MainNetwork, pieces: Iterable[LaidPiece], valves: Sequence[ReducingValve]
) -> tuple[Fitting, ...]:
    """Each reducing valve in the mains, with a relief valve beside it and a point to read both."""
    first = {p.link: p for p in sorted(pieces, key=lambda p: -p.seq)}
    made = []
    for valve in valves:
        x, y, z = (float(v) for v in valve.place_m)
        on, pipe_mm = first[valve.link].main_id, first[valve.link].pipe.nominal_mm
        part = part_mm(pipe_mm, FLUSH_SHARE)
        set_to = f"holds the mains below at {valve.set_head_m:.0f} m"
        relief = (
            f"opens at {valve.relief_head_m:.0f} m should the reducing valve fail: without it the mains "
            "below would stand under the pump's shut-off head"
        )
        made += [
            Fitting(
                "reducing valve", part_mm(pipe_mm, REDUCING_SHARE), on, z, set_to, x, y, valve.set_head_m
            ),
            Fitting("pressure relief", part, on, z, relief, x, y, valve.relief_head_m),
            Fitting("test point", TEST_POINT_MM, on, z, "head before and after the reducing valve", x, y),
        ]
    return tuple(made)


# ---- blocks ----------------------------------------------------------------------------------------


def valve_fittings(valves: Table) -> tuple[Fitting, ...]:
    """At each block valve: air upstream of it, its regulator, and a point to read its head."""
    xy = shapely.get_coordinates(valves.geometry)
    made = []
    c = valves.columns
    for i, valve_id in enumerate(c["valve_id"]):
        size, z = float(c["nominal_mm"][i]), float(c["elevation_m"][i])
        place = (float(xy[i, 0]), float(xy[i, 1]))
        head = float(c["set_head_m"][i])
        air = "upstream of a valve that shuts: lets air out as the main fills and in as it empties"
        made.append(Fitting("air and vacuum", air_valve_mm(size), str(valve_id), z, air, *place))
        if bool(c["regulated"][i]):
            told = f"holds the block at {head:.1f} m, whatever the mains give"
            made.append(Fitting("regulator", size, str(valve_id), z, told, *place, head))
        told = f"head just downstream of the valve, {head:.1f} m when it is right"
        made.append(Fitting("test point", TEST_POINT_MM, str(valve_id), z, told, *place))
    return tuple(made)


def relief_fittings(valves: Table, reliefs_m: Mapping[str, float]) -> tuple[Fitting, ...]:
    """A relief valve below the regulator of each block in `reliefs_m`: head above datum at which it opens."""
    xy = shapely.get_coordinates(valves.geometry)
    c = valves.columns
    made = []
    for i, block_id in enumerate(c["block_id"]):
        if block_id in reliefs_m:
            z = float(c["elevation_m"][i])
            size = part_mm(float(c["nominal_mm"][i]), FLUSH_SHARE)
            why = (
                f"opens at {reliefs_m[block_id] - z:.0f} m should the regulator fail: the submain would not "
                "bear the head of the mains at rest"
            )
            on_id, x, y = str(c["valve_id"][i]), float(xy[i, 0]), float(xy[i, 1])
            made.append(Fitting("pressure relief", size, on_id, z, why, x, y, reliefs_m[block_id] - z))
    return tuple(made)


def submain_fittings(submains: Table) -> tuple[Fitting, ...]:
    """Vacuum relief at each submain's highs, a flush valve at its far end, drains where it is low."""
    made: list[Fitting] = []
    vented: set[tuple[float, float]] = set()
    for submain_id, line, sizes in _submains(submains):
        z = line[:, 2]
        highs, lows = turning_points(z)
        top, bottom, end = int(z.argmax()), int(z.argmin()), len(z) - 1
        for at in sorted({top, *highs}):
            if (line[at, 0], line[at, 1]) in vented:
                continue  # two submains that both begin at their highest share one
            vented.add((line[at, 0], line[at, 1]))
            made.append(_on_submain("vacuum relief" if at != end else "air and vacuum", submain_id, line, at,
                                    sizes, _VACUUM))  # fmt: skip
        low = "; it is the lowest, and drains here" if bottom == end else ""
        reason = f"far end of the submain: flushed after the mains, before its laterals{low}"
        made.append(_on_submain("flush", submain_id, line, end, sizes, reason))
        for at in sorted({bottom, *lows} - {end}):
            told = "a low of the submain: empties it for winter and repair"
            made.append(_on_submain("drain", submain_id, line, at, sizes, told))
    return tuple(made)


_VACUUM = "a high of the submain: lets air in when it drains, so that emitters do not suck in soil"


def _submains(submains: Table) -> Iterator[tuple[str, Floats, Floats]]:
    """Each submain's whole line from the valve, and the size that leads to each vertex."""
    ids = np.asarray(submains.columns["submain_id"])
    for submain_id in dict.fromkeys(ids.tolist()):
        rows = np.flatnonzero(ids == submain_id)
        rows = rows[np.argsort(np.asarray(submains.columns["seq"])[rows])]
        lines = [shapely.get_coordinates(submains.geometry[r], include_z=True) for r in rows]
        nominal = np.asarray(submains.columns["nominal_mm"], dtype=float)[rows]
        parts = [lines[0], *(line[1:] for line in lines[1:])]
        sizes = np.concatenate([np.full(len(p), n) for p, n in zip(parts, nominal, strict=True)])
        yield str(submain_id), np.concatenate(parts), sizes


def _on_submain(kind: Kind, submain_id: str, line: Floats, at: int, sizes: Floats, reason: str) -> Fitting:
    x, y, z = (float(v) for v in line[at])
    return Fitting(kind, _size_mm(kind, float(sizes[at])), submain_id, z, reason, x, y)


def lateral_fittings(laterals: Table) -> tuple[Fitting, ...]:
    """One flush point for the lateral ends on each side of a submain, at the middle one of them."""
    c = laterals.columns
    side = [f"{s} {a}" for s, a in zip(c["submain_id"], c["arm"], strict=True)]
    made = []
    for name in dict.fromkeys(side):
        rows = np.flatnonzero(np.asarray(side) == name)
        middle = rows[len(rows) // 2]
        x, y, z = shapely.get_coordinates(laterals.geometry[middle], include_z=True)[-1]
        submain_id, arm = str(c["submain_id"][middle]), str(c["arm"][middle])
        reason = (
            f"{len(rows)} lateral ends on the {arm} side: opened some at a time until clear, or joined to a "
            "pipe with one valve"
        )
        made.append(Fitting("flush", SIZES_MM[0], submain_id, float(z), reason, float(x), float(y)))
    return tuple(made)


# ---- rows of the layer ------------------------------------------------------------------------------


def fittings_table(fittings: Sequence[Fitting]) -> Table | None:
    """The rows of `fittings`, numbered on each pipe or valve; None where there are none."""
    if not fittings:
        return None
    number: dict[str, int] = {}
    ids = []
    for f in fittings:
        number[f.on_id] = number.get(f.on_id, 0) + 1
        ids.append(f"{f.on_id}-F{number[f.on_id]:02d}")
    text = {
        key: np.array([getattr(f, key) for f in fittings], dtype=object)
        for key in ("kind", "on_id", "reason")
    }
    return Table(
        {
            "fitting_id": np.array(ids, dtype=object),
            "kind": text["kind"],
            "size_mm": np.array([f.size_mm for f in fittings]),
            "on_id": text["on_id"],
            "elevation_m": np.array([f.elevation_m for f in fittings]),
            "reason": text["reason"],
            "set_head_m": np.array([np.nan if f.set_head_m is None else f.set_head_m for f in fittings]),
        },
        shapely.points([[f.x_m, f.y_m] for f in fittings]),
    )


def tell_fittings() -> tuple[Assumption, ...]:
    """What places and sizes of fittings rest on."""
    told = (
        ("fittings.air_valves_apart", f"{LONG_GRADE_M:g}", "m along a main"),
        ("fittings.air_valve_size", "25, 50, 80, 100", "mm on pipes up to 110, 315, 630 mm, more"),
        ("fittings.drain_and_flush_size", f"{DRAIN_SHARE:g} and {FLUSH_SHARE:g}", "of the pipe's"),
    )
    return tuple(Assumption(*t, "", "common practice") for t in told)
