"""The pump of a source: what each shift asks of it, on its own curve where one is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from farmgis.hydraulics.water import Water, water_at
from farmgis.records import Assumption, Finding, Floats, PumpCurve, Source

SHUT_OFF_FACTOR = 1.2
"""Head at shut-off of a pump without a known curve, times its duty head (common practice)."""

BEST_FLOW_SHARE = (0.7, 1.2)
"""A pump is well used from 70 to 120 % of the flow of its best efficiency (common practice)."""

WASTED_HEAD_SHARE = 0.1
"""Head taken by a throttle is worth a word from this share of the pump's head on."""


@dataclass(frozen=True)
class Duty:
    """One shift at the pump. `pump_head_m` is what it gives: over `duty_head_m` by what a throttle takes.

    `pump_kw` is at the shaft, `energy_kwh_m3` at the meter. `speed_pct` is None without a curve. `short_m`
    is the head that the pump lacks at this flow; where it lacks any, power is that of the duty asked for.
    `beyond_curve` says that the flow is past the last point of the curve.
    """

    source_id: str
    shift: int
    flow_m3h: float
    duty_head_m: float
    pump_head_m: float
    efficiency_pct: float
    pump_kw: float
    energy_kwh_m3: float
    speed_pct: float | None = None
    short_m: float = 0.0
    beyond_curve: bool = False

    @property
    def throttled_m(self) -> float:
        """Head that a throttle takes. [m]"""
        return self.pump_head_m - self.duty_head_m


@dataclass(frozen=True)
class PumpSeason:
    """A season's pumping: energy at the meter and, with a price, its cost."""

    volume_m3: float
    energy_kwh: float
    energy_kwh_m3: float
    cost: float | None


# ---- power -----------------------------------------------------------------------------------------


def shaft_kw(flow_m3h: float, head_m: float, efficiency_pct: float, water: Water) -> float:
    """Power at the shaft: density, gravity, flow and head over efficiency. [kW]

    >>> round(shaft_kw(100.0, 40.0, 70.0, water_at(20.0)), 2)
    15.54
    """
    lifted = water.density_kg_m3 * water.gravity_m_s2 * flow_m3h / 3600.0 * max(head_m, 0.0)
    return lifted / (efficiency_pct / 100.0) / 1000.0


def energy_kwh_m3(head_m: float, efficiency_pct: float, motor_efficiency_pct: float, water: Water) -> float:
    """Energy at the meter for each cubic metre: 0.002725 of the head over both efficiencies. [kWh/m3]"""
    return shaft_kw(1.0, head_m, efficiency_pct, water) / (motor_efficiency_pct / 100.0)


def season_energy(
    duties: Sequence[Duty], season_m3: Mapping[int, float], price_kwh: float | None = None
) -> PumpSeason:
    """Energy and its cost when each shift, by its number, takes its volume in the season."""
    volume = sum(season_m3.get(d.shift, 0.0) for d in duties)
    energy = sum(season_m3.get(d.shift, 0.0) * d.energy_kwh_m3 for d in duties)
    cost = None if price_kwh is None else energy * price_kwh
    return PumpSeason(volume, energy, energy / volume if volume > 0.0 else 0.0, cost)


# ---- the curve -------------------------------------------------------------------------------------


def head_at_m(curve: PumpCurve, flow_m3h: float) -> float:
    """Head at full speed, between the points by monotone cubics (Fritsch and Carlson 1980). [m]

    Before the first point the curve goes on straight: a little high, since curves flatten there. NaN
    past the last point.

    >>> head_at_m(PumpCurve((100.0, 200.0), (40.0, 30.0)), 0.0)
    50.0
    """
    flow, head = np.asarray(curve.flow_m3h), np.asarray(curve.head_m)
    if flow_m3h > flow[-1] * (1.0 + 1e-9):
        return float("nan")
    if flow_m3h < flow[0]:
        return float(head[0] + (flow[0] - flow_m3h) * (head[0] - head[1]) / (flow[1] - flow[0]))
    return float(PchipInterpolator(flow, head)(min(flow_m3h, flow[-1])))


def head_limit_m(curve: PumpCurve | None, flow_m3h: Floats) -> Floats:
    """Most head that a pump can give at each flow: none past its last point, inf without a curve. [m]"""
    flows = np.asarray(flow_m3h, dtype=float)
    if curve is None:
        return np.full(flows.shape, np.inf)
    heads = [head_at_m(curve, float(q)) for q in flows.ravel()]
    return np.asarray(np.nan_to_num(np.array(heads), nan=0.0).reshape(flows.shape))


def shut_off_head_m(source: Source, duty_head_m: float) -> float:
    """Head of the pump against shut valves, at full speed. [m]

    That of its curve at no flow, else 1.2 times its greatest duty head (common practice).
    """
    if source.pump_curve is not None:
        return max(head_at_m(source.pump_curve, 0.0), 0.0)
    return SHUT_OFF_FACTOR * max(duty_head_m, 0.0)


def efficiency_at_pct(source: Source, flow_m3h: float) -> float:
    """Efficiency at full speed, from the curve where it has any. [%]"""
    curve = source.pump_curve
    if curve is None or curve.efficiency_pct is None:
        return source.pump_efficiency_pct
    flow = np.clip(flow_m3h, curve.flow_m3h[0], curve.flow_m3h[-1])
    found = float(PchipInterpolator(curve.flow_m3h, curve.efficiency_pct)(flow))
    return max(found, 1.0)  # a curve may begin with 0 % at no flow


def speed_for(curve: PumpCurve, flow_m3h: float, head_m: float) -> float | None:
    """Share of full speed at which the pump gives a flow at a head; None where full speed does not.

    By the affinity laws flow goes with speed and head with its square; efficiency stays with the point of
    the curve (law; efficiency a few points less far from full speed). Never slower than where the flow
    is at the last point of the curve.
    """

    def over(speed: float) -> float:
        return speed**2 * head_at_m(curve, flow_m3h / speed) - head_m

    slowest = max(flow_m3h / curve.flow_m3h[-1], 1e-3)
    if slowest > 1.0 or over(1.0) < -1e-9:
        return None
    if over(slowest) >= 0.0:
        return slowest
    return float(brentq(over, slowest, 1.0, xtol=1e-10)) if over(1.0) > 0.0 else 1.0


# ---- a shift at the pump -----------------------------------------------------------------------------


def pump_duty(
    source: Source, shift: int, flow_m3h: float, duty_head_m: float, water: Water | None = None
) -> Duty:
    """What a shift of some flow and total dynamic head asks of its source's pump."""
    water = water_at(20.0) if water is None else water
    curve, speed = source.pump_curve, None
    given, efficiency, short = duty_head_m, source.pump_efficiency_pct, 0.0
    beyond = curve is not None and flow_m3h > curve.flow_m3h[-1] * (1.0 + 1e-9)
    if curve is not None:
        limit = float(head_limit_m(curve, np.array([flow_m3h]))[0])
        short = max(duty_head_m - limit, 0.0)
        short = short if short > 1e-6 else 0.0
        speed = speed_for(curve, flow_m3h, duty_head_m) if source.pump_control == "speed" else 1.0
        speed = 1.0 if speed is None else speed
        efficiency = efficiency_at_pct(source, flow_m3h / speed)
        if short == 0.0:
            given = max(speed**2 * head_at_m(curve, flow_m3h / speed), duty_head_m)
    return Duty(
        source_id=source.source_id,
        shift=shift,
        flow_m3h=flow_m3h,
        duty_head_m=duty_head_m,
        pump_head_m=given,
        efficiency_pct=efficiency,
        pump_kw=shaft_kw(flow_m3h, given, efficiency, water),
        energy_kwh_m3=energy_kwh_m3(given, efficiency, source.motor_efficiency_pct, water),
        speed_pct=None if speed is None else 100.0 * speed,
        short_m=short,
        beyond_curve=beyond,
    )


def pump_findings(source: Source, duties: Sequence[Duty]) -> tuple[Finding, ...]:
    """Shifts that the pump cannot serve, those it serves badly, and head that a throttle takes."""
    found: list[Finding] = []
    if source.pump_curve is None:
        return ()
    past = [d for d in duties if d.beyond_curve]
    if past:
        found.append(_past_curve(source.pump_curve, max(past, key=lambda d: d.flow_m3h), len(past)))
    short = [d for d in duties if d.short_m > 0.0 and not d.beyond_curve]
    if short:
        found.append(_short(max(short, key=lambda d: d.short_m), len(short)))
    served = [d for d in duties if d.short_m == 0.0]
    wasted = [d for d in served if d.throttled_m > WASTED_HEAD_SHARE * d.pump_head_m]
    if wasted:
        found.append(_throttled(source, max(wasted, key=lambda d: d.throttled_m), len(wasted)))
    return (*found, *_badly_used(source, served))


def _past_curve(curve: PumpCurve, worst: Duty, count: int) -> Finding:
    return Finding(
        "attention",
        "supply",
        f"the pump of {worst.source_id} cannot serve {_shifts(count)}: shift {worst.shift} takes "
        f"{worst.flow_m3h:.1f} m3/h, and its curve ends at {curve.flow_m3h[-1]:.1f}",
        worst.source_id,
        "make more shifts (less flow at a time), give the rest of the curve, or take a larger pump",
        worst.flow_m3h,
        curve.flow_m3h[-1],
        "m3/h",
    )


def _short(worst: Duty, count: int) -> Finding:
    has = worst.duty_head_m - worst.short_m
    return Finding(
        "attention",
        "supply",
        f"the pump of {worst.source_id} cannot serve {_shifts(count)}: shift {worst.shift} needs "
        f"{worst.duty_head_m:.1f} m at {worst.flow_m3h:.1f} m3/h, it gives {has:.1f} m at full speed: "
        f"short by {worst.short_m:.1f} m",
        worst.source_id,
        f"take a pump that gives {worst.duty_head_m:.1f} m at {worst.flow_m3h:.1f} m3/h, add a stage or a "
        "booster for the high blocks, or make more shifts",
        worst.duty_head_m,
        has,
        "m",
    )


def _throttled(source: Source, worst: Duty, count: int) -> Finding:
    share = 100.0 * worst.throttled_m / worst.pump_head_m
    slowed = source.pump_control == "speed"
    why = "even at the slowest speed of its curve" if slowed else "at full speed"
    advice = (
        "a smaller pump would serve these shifts"
        if slowed
        else "control by speed, a trimmed impeller or a smaller pump would save that share of energy"
    )
    return Finding(
        "note",
        "supply",
        f"the pump of {worst.source_id} gives {worst.throttled_m:.1f} m too much in shift {worst.shift} "
        f"{why}: {share:.0f} % of its energy goes into a throttle ({_shifts(count)} like it)",
        worst.source_id,
        advice,
        worst.pump_head_m,
        worst.duty_head_m,
        "m",
    )


def _badly_used(source: Source, served: Sequence[Duty]) -> tuple[Finding, ...]:
    """A finding where shifts run far from the flow of best efficiency, at their own speeds."""
    curve = source.pump_curve
    if curve is None or curve.efficiency_pct is None or not served:
        return ()
    best = curve.flow_m3h[int(np.argmax(curve.efficiency_pct))]
    low, high = BEST_FLOW_SHARE

    def share(duty: Duty) -> float:
        return duty.flow_m3h / ((duty.speed_pct or 100.0) / 100.0) / best if best > 0.0 else 1.0

    off = [d for d in served if not low <= share(d) <= high]
    if not off:
        return ()
    worst = min(off, key=lambda d: (d.efficiency_pct, d.shift))
    return (
        Finding(
            "note",
            "supply",
            f"the pump of {worst.source_id} runs at {100.0 * share(worst):.0f} % of its best flow in shift "
            f"{worst.shift}, with {worst.efficiency_pct:.0f} % efficiency ({_shifts(len(off))} like it)",
            worst.source_id,
            f"shifts of about {best:.0f} m3/h use this pump best; far from that its bearings suffer too",
            100.0 * share(worst),
            100.0 * (low if share(worst) < low else high),
            "%",
        ),
    )


def _shifts(count: int) -> str:
    return "one shift" if count == 1 else f"{count} shifts"


def tell_pump() -> tuple[Assumption, ...]:
    """What the pump's figures rest on, besides the farm file."""
    low, high = BEST_FLOW_SHARE
    return (
        Assumption("pump.shut_off_factor", f"{SHUT_OFF_FACTOR:g}", "of the duty head", "", "common practice"),
        Assumption(
            "pump.best_flow", f"{100 * low:.0f} to {100 * high:.0f}", "% of the best", "", "common practice"
        ),
    )
