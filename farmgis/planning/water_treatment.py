"""How much chlorine and acid a source's water takes: only where an analysis or a titration is given."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from farmgis.records import Season, Shift, Source

TREATED_H = 1.0
"""Hours that each zone is treated at least, at the end of a run (common practice); longer where the water
takes longer from the source to its last emitter."""

CHLORINE_MG_L = 10.0
"""Chlorine in the water while a zone is treated now and then (common practice: 10 to 20)."""

TARGET_PH = 6.5
"""Acid brings the water to this (University of Florida Extension, seen at second hand)."""

CARBONIC_PK = 6.35
"""At this pH half of the carbonate is bicarbonate (first constant of carbonic acid at 25 degrees C)."""

LIME_PH, LIME_ALKALINITY_MG_L = 7.5, 82.0
"""Water over both may leave lime: 100 mg/l of bicarbonate are 82 mg/l as CaCO3 (seen at second hand)."""


@dataclass(frozen=True)
class Acid:
    """An acid on sale: grams that neutralise one equivalent, share by weight, density."""

    name: str
    equivalent_g: float
    share: float
    density_g_ml: float


ACIDS = {
    "sulphuric": Acid("sulphuric acid of 93 %", 49.04, 0.93, 1.835),
    "phosphoric": Acid("phosphoric acid of 75 %", 98.00, 0.75, 1.579),
}
CACO3_EQUIVALENT_G = 50.04


@dataclass(frozen=True)
class Treatment:
    """A source's treatment: litres for all its zones once, and how fast into which; None where not known."""

    chlorine_l: float | None
    chlorine_note: str
    acid_l: float | None
    acid_note: str


def chlorine_l_h(flow_m3h: float, chlorine_mg_l: float, strength_pct: float) -> float:
    """Hypochlorite to inject into a flow (the extension formula 0.006 Q C / S of gallons, in metric). [l/h]

    >>> round(chlorine_l_h(22.712, 1.0, 5.25) / 3.78541, 3)
    0.114
    """
    return flow_m3h * chlorine_mg_l / (10.0 * strength_pct)


def acid_ml_m3(alkalinity_mg_l: float, acid: Acid) -> float:
    """Acid that neutralises an alkalinity (as CaCO3) altogether. [ml/m3]

    >>> round(acid_ml_m3(136.0, ACIDS["sulphuric"]) * 0.378541 / 29.5735, 2)
    1.0
    """
    equivalents = alkalinity_mg_l / CACO3_EQUIVALENT_G
    return equivalents * acid.equivalent_g / (acid.share * acid.density_g_ml)


def neutralised_share(target_ph: float) -> float:
    """Share of the alkalinity that is neutralised once the water has come to a pH, in equilibrium.

    >>> round(neutralised_share(6.35), 2)
    0.5
    """
    return float(1.0 / (1.0 + 10.0 ** (target_ph - CARBONIC_PK)))


@dataclass(frozen=True)
class TreatedZone:
    """A zone as it is treated: its flow, and the hours until what is injected is at its last emitter."""

    flow_m3h: float
    hours: float


Zones = Mapping[str, TreatedZone]


def treatments(
    sources: Sequence[Source], shifts: Sequence[Shift], season: Season, travel_min: Mapping[str, float]
) -> dict[str, Treatment]:
    """The treatment of each source that has an analysis.

    `travel_min` is how long water takes from the source to the last emitter of each block.
    """
    made = {}
    for source in sources:
        zones = {
            s.zone_id: TreatedZone(min(s.flow_m3h, source.flow_m3h), _treated_h(s, travel_min))
            for s in shifts
            if s.source_id == source.source_id
        }
        if source.water is not None and zones:
            made[source.source_id] = Treatment(
                *_chlorine(source, zones, season), *_acid(source, zones, season)
            )
    return made


def _treated_h(shift: Shift, travel_min: Mapping[str, float]) -> float:
    return max([TREATED_H, *(travel_min.get(block_id, 0.0) / 60.0 for block_id in shift.block_ids)])


def _chlorine(source: Source, zones: Zones, season: Season) -> tuple[float | None, str]:
    water = source.water
    assert water is not None
    if water.bacteria_per_ml is None and water.iron_mg_l is None and water.hydrogen_sulfide_mg_l is None:
        return None, "The analysis tells neither bacteria nor iron nor sulphide: have them looked for first."
    rate = {key: chlorine_l_h(z.flow_m3h, CHLORINE_MG_L, season.chlorine_pct) for key, z in zones.items()}
    slime = (water.bacteria_per_ml or 0.0) >= 10000.0 or (water.hydrogen_sulfide_mg_l or 0.0) >= 0.5
    iron = (water.iron_mg_l or 0.0) >= 0.1 or (water.manganese_mg_l or 0.0) >= 0.1
    need = "The analysis calls for it." if slime or iron else "By the analysis it may not be needed."
    dose = "Dose upstream of the filter: chlorine makes iron and manganese settle." if iron else ""
    told = (
        f"{need} Hypochlorite of {season.chlorine_pct:g} %, {CHLORINE_MG_L:g} mg/l to the end of a run, as "
        f"long as it travels to the last emitter: {_each(rate, zones)}. "
        f"Test 1 mg/l free chlorine there. {dose}"
    )
    return _litres(rate, zones), told.strip()


def _acid(source: Source, zones: Zones, season: Season) -> tuple[float | None, str]:
    water = source.water
    assert water is not None
    acid = ACIDS[season.acid]
    if water.titration_ml_m3 is not None:
        each, by = water.titration_ml_m3, "by the titration"
    elif water.alkalinity_mg_l is not None:
        each = acid_ml_m3(water.alkalinity_mg_l, acid) * neutralised_share(TARGET_PH)
        by = f"from an alkalinity of {water.alkalinity_mg_l:g} mg/l; titrate before you use it"
    else:
        return None, "The analysis tells neither alkalinity nor a titration: test first, no amount is given."
    lime = (water.ph or 7.0) >= LIME_PH and (water.alkalinity_mg_l or 0.0) >= LIME_ALKALINITY_MG_L
    need = "This water may leave lime." if lime else "By the analysis it may not be needed."
    rate = {key: each * z.flow_m3h / 1000.0 for key, z in zones.items()}
    told = (
        f"{need} {acid.name[0].upper()}{acid.name[1:]}, {each:.0f} ml/m3 to pH {TARGET_PH:g} ({by}), to the "
        f"end of a run: {_each(rate, zones)}. Not on the day of the chlorine."
    )
    return _litres(rate, zones), told


def _litres(rate_l_h: Mapping[str, float], zones: Zones) -> float:
    return sum(rate * zones[key].hours for key, rate in rate_l_h.items())


def _each(rate_l_h: Mapping[str, float], zones: Zones) -> str:
    """The rate of each zone, and for its last how many minutes, rounded up."""
    parts = (
        f"{key} {rate:.1f} l/h for its last {math.ceil(60.0 * zones[key].hours - 1e-6)} min"
        for key, rate in rate_l_h.items()
    )
    return ", ".join(parts)
