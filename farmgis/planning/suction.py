"""The suction side of a pump: what air pressure, level and temperature leave it, and if that is enough."""

from __future__ import annotations

from dataclasses import dataclass

from farmgis.agronomy.atmosphere import air_pressure_kpa, saturation_vapour_kpa
from farmgis.hydraulics.water import STANDARD_GRAVITY_M_S2, density_kg_m3
from farmgis.records import Assumption, Finding, Source

SUCTION_LOSS_M = 1.0
"""Head lost in a suction pipe with strainer and foot valve (common practice)."""

NPSH_MARGIN_M = 1.0
"""Suction head that stays over what the pump's maker asks for (from memory: 0.5 to 1 m)."""

NPSH_UNKNOWN_M = 3.0
"""What a pump asks for where its maker's figure is not given (common practice)."""


@dataclass(frozen=True)
class Suction:
    """A pump over or under its water. `pump_level_m` is None where it is under water or not known."""

    source_id: str
    pump_level_m: float | None
    lift_m: float | None
    npsh_available_m: float | None
    npsh_needed_m: float
    lift_limit_m: float
    stated: bool

    @property
    def short_m(self) -> float:
        """Suction head that is missing. [m]"""
        if self.npsh_available_m is None:
            return 0.0
        return max(self.npsh_needed_m - self.npsh_available_m, 0.0)


def npsh_available_m(
    altitude_m: float, temperature_c: float, static_head_m: float, loss_m: float = SUCTION_LOSS_M
) -> float:
    """Net positive suction head: air pressure less vapour pressure, plus the water's level over the pump. [m]

    `static_head_m` is negative where the pump lifts. Air pressure at an altitude is FAO-56 eq 7, vapour
    pressure eq 11.

    >>> round(npsh_available_m(0.0, 20.0, -3.0, 1.0), 1)
    6.1
    """
    kpa = float(air_pressure_kpa(altitude_m)) - float(saturation_vapour_kpa(temperature_c))
    return kpa * 1000.0 / (density_kg_m3(temperature_c) * STANDARD_GRAVITY_M_S2) + static_head_m - loss_m


def suction_of(source: Source, ground_m: float | None, temperature_c: float) -> Suction | None:
    """The suction of a source whose water level is known, else None.

    Where the pump's level is not stated it is taken to stand on the ground there, if it can lift from so
    high; else to be under water. A borehole's is under water.
    """
    if source.water_level_m is None or source.kind == "hydrant":
        return None
    stated = source.pump_level_m is not None
    level = source.pump_level_m if stated else ground_m
    needed = NPSH_UNKNOWN_M if source.npsh_required_m is None else source.npsh_required_m + NPSH_MARGIN_M
    altitude = source.water_level_m if level is None else level
    limit = npsh_available_m(altitude, temperature_c, 0.0) - needed
    if level is not None and not stated and source.water_level_m - level < -limit:
        level = None
    if source.kind == "borehole" and not stated:
        level = None
    lift = None if level is None else level - source.water_level_m
    available = None if lift is None else npsh_available_m(altitude, temperature_c, -lift)
    return Suction(source.source_id, level, lift, available, needed, limit, stated)


def suction_findings(source: Source, suction: Suction | None, ground_m: float | None) -> tuple[Finding, ...]:
    """A pump that asks for more suction head than its site gives, and water too deep to be sucked up."""
    if suction is None:
        return ()
    if suction.short_m > 1e-6:
        return (_short(source, suction),)
    if suction.pump_level_m is not None or source.kind == "borehole" or ground_m is None:
        return ()
    assert source.water_level_m is not None  # or there would be no suction
    depth = ground_m - source.water_level_m
    return (
        Finding(
            "note",
            "supply",
            f"the water of {source.source_id} is {depth:.1f} m under the ground there; a pump on the ground "
            f"lifts {suction.lift_limit_m:.1f} m at most: it is planned with its pump under water",
            source.source_id,
            "plan a submersible or shaft-driven pump, or a pump in a pit or on a float; state `kind` or "
            "`pump_level_m`",
            depth,
            suction.lift_limit_m,
            "m",
        ),
    )


def _short(source: Source, suction: Suction) -> Finding:
    assert suction.npsh_available_m is not None
    assert suction.lift_m is not None
    asked = (
        f"a pump whose maker's figure is not known is given {suction.npsh_needed_m:.1f} m"
        if source.npsh_required_m is None
        else f"its maker's {source.npsh_required_m:.1f} m and {NPSH_MARGIN_M:g} m in reserve are needed"
    )
    way = "over" if suction.lift_m > 0.0 else "under"
    return Finding(
        "attention",
        "supply",
        f"the pump of {source.source_id} stands {abs(suction.lift_m):.1f} m {way} its water: the site leaves "
        f"{suction.npsh_available_m:.1f} m of suction head, and {asked}: short by {suction.short_m:.1f} m. "
        "It would cavitate, or not draw at all",
        source.source_id,
        f"set the pump {suction.short_m:.1f} m lower (no more than {suction.lift_limit_m:.1f} m over the "
        "water), on a float or under water, or take one that asks for less",
        suction.npsh_available_m,
        suction.npsh_needed_m,
        "m",
    )


def tell_suction() -> tuple[Assumption, ...]:
    """What the suction head rests on, besides the farm file."""
    return (
        Assumption("pump.suction_loss", f"{SUCTION_LOSS_M:g}", "m", "", "common practice"),
        Assumption("pump.npsh_margin", f"{NPSH_MARGIN_M:g}", "m", "from memory", "memory"),
        Assumption("pump.npsh_where_unknown", f"{NPSH_UNKNOWN_M:g}", "m", "", "common practice"),
    )
