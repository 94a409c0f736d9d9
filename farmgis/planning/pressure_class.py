"""What every reach of a main bears: at rest, running, and when a valve closes or the pump trips.

Surge is Joukowsky's: the wave speed of the pipe times the velocity that is stopped, over gravity. That is
what an instant stop makes in one pipe; in a network waves can add up where a branch ends. It tells which
class to buy and where an engineer has to look; it is no transient analysis.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import shapely

from farmgis.hydraulics.friction import DEFAULT_WATER, velocity_m_s
from farmgis.hydraulics.water import Water
from farmgis.planning.main_network import MainNetwork, chainage_m
from farmgis.records import Assumption, Finding, Floats, Pipe
from farmgis.words import three_figures

BAR_M = 10.197
"""Metres of water in a bar."""

BULK_MODULUS_GPA = 2.18
"""Bulk modulus of water at 20 degrees C (from memory)."""

VAPOUR_M = -9.5
"""Pressure head under that of the air at which water boils and its column parts: near sea level."""

LONG_RISING_M = 500.0
RISE_M = 10.0
"""A main that rises this much over this length calls for a transient analysis (common practice)."""


class LaidPiece(Protocol):
    """A length of one size within a link; heads are above datum in each shift, NaN at rest."""

    @property
    def main_id(self) -> str: ...  # noqa: D102
    @property
    def seq(self) -> int: ...  # noqa: D102
    @property
    def link(self) -> int: ...  # noqa: D102
    @property
    def pipe(self) -> Pipe: ...  # noqa: D102
    @property
    def line_m(self) -> Floats: ...  # noqa: D102
    @property
    def start_head_m(self) -> Floats: ...  # noqa: D102
    @property
    def end_head_m(self) -> Floats: ...  # noqa: D102


@dataclass(frozen=True)
class ReachPressure:
    """Greatest heads of a reach above its ground, and the class that they ask for. [m]

    `closing_head_m` is working head with the surge of the largest block's valve, `surge_head_max_m` with
    that of all flow stopped, `trip_head_min_m` the least head after it. `serving` is the size of the same
    nominal diameter and the least class that bears all of it; None where none on sale does.
    """

    main_id: str
    seq: int
    link: int
    pipe: Pipe
    line_m: Floats
    static_head_max_m: float
    working_head_max_m: float
    closing_head_m: float
    surge_head_max_m: float
    trip_head_min_m: float
    wave_speed_m_s: float
    serving: Pipe | None

    @property
    def within_class(self) -> bool:
        """Whether the size that lies there bears its heads."""
        return bears(self.pipe, self.static_head_max_m, self.closing_head_m, self.surge_head_max_m)

    @property
    def class_share(self) -> float:
        """How far the gravest of its heads goes into what the pipe bears; over 1 is too much. [-]"""
        bar = self.pipe.pressure_class_bar * BAR_M
        return max(
            self.static_head_max_m / bar,
            self.closing_head_m / (bar * self.pipe.surge_factor),
            self.surge_head_max_m / (bar * self.pipe.trip_factor),
        )


# ---- the wave --------------------------------------------------------------------------------------


def wave_speed_m_s(pipe: Pipe, water: Water = DEFAULT_WATER) -> float:
    """Speed of a pressure wave in a full pipe (Korteweg 1878), free to move at its joints. [m/s]

    1 / sqrt(density (1 / K + d / (E e))) with the water's bulk modulus K, inside diameter d, the wall's
    elasticity E and thickness e. A nominal size that is no outside diameter leaves no wall: then the pipe
    is taken for rigid, which is the greatest surge.

    >>> round(wave_speed_m_s(Pipe("PE100", 200.0, 176.2, 10.0, 6.8, 0.01, 1.0)))
    256
    """
    wall = (pipe.nominal_mm - pipe.inside_mm) / 2.0
    yields = 1.0 / (BULK_MODULUS_GPA * 1e9)
    if wall > 0.0:
        yields += pipe.inside_mm / (pipe.elasticity_gpa * 1e9 * wall)
    return 1.0 / math.sqrt(water.density_kg_m3 * yields)


def surge_m(stopped_m_s: float, wave_m_s: float, water: Water = DEFAULT_WATER) -> float:
    """Head by which pressure rises where a velocity is stopped at once (Joukowsky 1898). [m]

    >>> round(surge_m(1.5, 300.0)), round(surge_m(1.5, 400.0))
    (46, 61)
    """
    return wave_m_s * stopped_m_s / water.gravity_m_s2


def bears(pipe: Pipe, static_m: float, closing_m: float, trip_m: float) -> bool:
    """Whether a size bears a head at rest, one that recurs with each valve, and one of a pump trip."""
    bar = pipe.pressure_class_bar * BAR_M + 1e-6
    return static_m <= bar and closing_m <= bar * pipe.surge_factor and trip_m <= bar * pipe.trip_factor


def closing_flow_m3h(network: MainNetwork, valve_flow_m3h: Floats) -> Floats:
    """Greatest flow of one open valve beyond each link, (..., valves) to (..., nodes). [m3/h]"""
    greatest = np.zeros((*valve_flow_m3h.shape[:-1], network.count))
    at = np.flatnonzero(network.valve >= 0)
    greatest[..., at] = valve_flow_m3h[..., network.valve[at]]
    for i in range(network.count - 1, 0, -1):
        up = network.parent[i]
        greatest[..., up] = np.maximum(greatest[..., up], greatest[..., i])
    return greatest


# ---- reach by reach --------------------------------------------------------------------------------


def reach_pressures(
    pieces: Iterable[LaidPiece],
    flow_m3h: Floats,
    closing_m3h: Floats,
    static_level_m: float | Floats,
    pipes: Sequence[Pipe],
    water: Water = DEFAULT_WATER,
) -> tuple[ReachPressure, ...]:
    """The pressures of every piece of a source's mains, in their order.

    `flow_m3h` and `closing_m3h` are (shifts, nodes). `static_level_m` is the head above datum when the
    pump works against closed valves: one, or one for each node where reducing valves with relief part
    the mains. `pipes` are those on sale.
    """
    made = []
    for piece in pieces:
        level = float(np.broadcast_to(static_level_m, flow_m3h.shape[1:])[piece.link])
        flows = flow_m3h[:, piece.link], closing_m3h[:, piece.link]
        found = _pressures(piece, piece.pipe, flows, level, water)
        serving = None
        for other in _classes_of(piece.pipe, pipes):
            tried = _pressures(piece, other, flows, level, water)
            if bears(other, tried[0], tried[2], tried[3]):
                serving = other
                break
        line = np.asarray(piece.line_m)
        made.append(ReachPressure(piece.main_id, piece.seq, piece.link, piece.pipe, line, *found, serving))
    return tuple(made)


def _classes_of(pipe: Pipe, pipes: Sequence[Pipe]) -> list[Pipe]:
    """The size in all its classes, the least first; the pipe that lies there is one of them."""
    same = {p for p in pipes if (p.material, p.nominal_mm) == (pipe.material, pipe.nominal_mm)} | {pipe}
    return sorted(same, key=lambda p: (p.pressure_class_bar, -p.inside_mm))


def _pressures(
    piece: LaidPiece, pipe: Pipe, flows: tuple[Floats, Floats], level_m: float, water: Water
) -> tuple[float, float, float, float, float, float]:
    """Static, working, closing, trip and least head of a piece as another class, and its wave speed."""
    line = np.asarray(piece.line_m)
    run = chainage_m(line)
    share = run / run[-1] if run[-1] > 0.0 else np.zeros(len(run))
    head = piece.start_head_m[:, None] * (1.0 - share) + piece.end_head_m[:, None] * share - line[:, 2]
    speed = wave_speed_m_s(pipe, water)
    static = level_m - float(line[:, 2].min())
    runs = np.isfinite(piece.start_head_m) & np.isfinite(piece.end_head_m)
    if not runs.any():
        return static, np.nan, static, static, np.nan, speed
    all_flow, closing = (np.asarray(velocity_m_s(f[runs], pipe.inside_mm)) for f in flows)
    top, low = head[runs].max(axis=1), head[runs].min(axis=1)
    rise = speed / water.gravity_m_s2
    return (
        static,
        float(top.max()),
        float((top + rise * closing).max()),
        float((top + rise * all_flow).max()),
        float((low - rise * all_flow).min()),
        speed,
    )


def needed_bar(pressures: Sequence[ReachPressure], nodes: int) -> Floats:
    """The class that each link asks for: its pieces' greatest, inf where none on sale serves. [bar]"""
    needed = np.zeros(nodes)
    for reach in pressures:
        bar = np.inf if reach.serving is None else reach.serving.pressure_class_bar
        needed[reach.link] = max(needed[reach.link], bar)
    return needed


# ---- what is found ---------------------------------------------------------------------------------


def class_findings(pressures: Sequence[ReachPressure]) -> tuple[Finding, ...]:
    """Every reach that its pipe does not bear: by how much, and what would do."""
    return tuple(_over(r) for r in pressures if not r.within_class)


def _over(reach: ReachPressure) -> Finding:
    bar = reach.pipe.pressure_class_bar * BAR_M
    told = [
        (reach.static_head_max_m, bar, "when the pump works against closed valves"),
        (
            reach.closing_head_m,
            bar * reach.pipe.surge_factor,
            "when the largest block's valve closes at once",
        ),
        (reach.surge_head_max_m, bar * reach.pipe.trip_factor, "when the pump trips at full flow"),
    ]
    head, limit, when = max(told, key=lambda t: t[0] / t[1])
    if reach.serving is None:
        remedy = (
            "no class on sale bears it: a reducing valve with relief above this reach, a pump of its own for "
            "the low blocks, a wider pipe (slower water), or protection against surge"
        )
    else:
        remedy = f"class {reach.serving.pressure_class_bar:g} bar bears it"
    return Finding(
        "attention",
        "pressure",
        f"main {reach.main_id}, piece {reach.seq} ({reach.pipe.material} {reach.pipe.nominal_mm:g} mm, class "
        f"{reach.pipe.pressure_class_bar:g} bar) stands under {head:.0f} m {when}; it bears {limit:.0f} m",
        reach.main_id,
        f"{remedy}; a licensed engineer decides",
        head,
        limit,
        "m",
        shapely.linestrings(reach.line_m),
    )


def transient_findings(
    source_id: str, network: MainNetwork, pressures: Sequence[ReachPressure]
) -> tuple[Finding, ...]:
    """Where an engineer has to look at the transients: heads under the air's, long rising mains."""
    return (*_negative(source_id, pressures), *_rising(source_id, network, pressures))


def _negative(source_id: str, pressures: Sequence[ReachPressure]) -> tuple[Finding, ...]:
    low = [r for r in pressures if r.trip_head_min_m < 0.0]
    if not low:
        return ()
    worst = min(low, key=lambda r: r.trip_head_min_m)
    metres = sum(float(chainage_m(r.line_m)[-1]) for r in low)
    told = f"{metres / 1000.0:.1f} km" if metres >= 950.0 else f"{round(metres, -1):.0f} m"
    parts = worst.trip_head_min_m < VAPOUR_M
    reaches = "the water column can part and close again with a blow" if parts else "the mains can suck air"
    top = worst.line_m[int(np.argmax(worst.line_m[:, 2]))]
    return (
        Finding(
            "attention" if parts and metres >= LONG_RISING_M else "note",
            "pressure",
            "if the pump trips at full flow, pressure can fall under that of the air along "
            f"{told} of its mains, most in {worst.main_id}: {reaches}",
            source_id,
            "have an engineer analyse the transients before pipes are bought: slow stop and start, air "
            "valves of the right kind, an air vessel or a flywheel; never rely on this figure alone",
            max(worst.trip_head_min_m, -BAR_M),
            VAPOUR_M if parts else 0.0,
            "m",
            shapely.points(top[:2]),
        ),
    )


def _rising(source_id: str, network: MainNetwork, pressures: Sequence[ReachPressure]) -> tuple[Finding, ...]:
    away = network.path_m()
    rise = network.ground_m - network.ground_m[0]
    long = np.flatnonzero((away >= LONG_RISING_M) & (rise >= RISE_M))
    if not long.size:
        return ()
    node = int(long[np.argmax(rise[long])])
    speeds = [r.wave_speed_m_s for r in pressures]
    back_s = 2.0 * float(away[node]) / (float(np.mean(speeds)) if speeds else wave_speed_m_s(RIGID))
    return (
        Finding(
            "note",
            "pressure",
            f"the main rises {rise[node]:.0f} m over {three_figures(away[node])} m to "
            f"{network.node_id[node]}: a wave is back after {back_s:.0f} s, and any faster stop is sudden",
            source_id,
            "fit valves that close slower than that; have an engineer analyse the pump trip, with a check "
            "valve that closes without slamming",
            float(away[node]),
            LONG_RISING_M,
            "m",
        ),
    )


RIGID = Pipe("any", 1.0, 1.0, 1.0, 1.0, 0.0)


def tell_pressure(pipes: Sequence[Pipe]) -> tuple[Assumption, ...]:
    """What surge and classes rest on: the water, and each material's elasticity and what it may bear."""
    told = [Assumption("surge.bulk_modulus", f"{BULK_MODULUS_GPA:g}", "GPa", "from memory", "memory")]
    for kind in sorted({(p.material, p.elasticity_gpa, p.surge_factor, p.trip_factor) for p in pipes}):
        value = f"{kind[1]:g} GPa; {kind[2]:g} and {kind[3]:g} times its class"
        unit = "elasticity; head with a closing valve, with a pump trip"
        told.append(Assumption(f"surge.{kind[0]}", value, unit, "AWWA C900, C906, from memory", "memory"))
    text = f"{RISE_M:g} m over {LONG_RISING_M:g} m"
    return (*told, Assumption("surge.long_rising_main", text, "", "", "common practice"))
