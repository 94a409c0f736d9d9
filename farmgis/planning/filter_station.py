"""Head works: what clogs emitters in the water, which filters hold it back, how many, and in which order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from farmgis.planning.fittings import FLUSH_SHARE, TEST_POINT_MM, Fitting, Kind, air_valve_mm, part_mm
from farmgis.records import Assumption, CloggingLimit, Finding, Source, Supply, WaterQuality

Hazard = Literal["minor", "moderate", "severe"]
FilterKind = Literal["media", "disc", "screen"]

MEDIA_RATE_M_H = {"minor": 55.0, "moderate": 45.0, "severe": 36.0}
"""Water through a square metre of sand in an hour, by how much the water carries (common practice)."""

MEDIA_BACKWASH_M_H = 36.0
"""Clean water that lifts a square metre of sand in backwash (common practice)."""

MEDIA_TANKS_MM = (600.0, 750.0, 900.0, 1200.0)
LEAST_TANKS, MOST_TANKS = 3, 6
"""Tanks of sand: three or more, so that two clean the third; wider ones from seven on (common practice)."""

DISC_UNIT_M3H = {"minor": 30.0, "moderate": 20.0, "severe": 12.0}
DISC_BACKWASH_M3H = 10.0
"""Flow of a disc or screen unit of 80 mm, by the water, and what it takes to be rinsed (common practice)."""

BACKWASH_HEAD_M = 25.0
"""Head downstream of the filters that their rinsing asks for (common practice)."""

SETTLING_MG_L = 100.0
"""Suspended solids from which water is let settle before any filter."""


@dataclass(frozen=True)
class Clogging:
    """One factor of the water against its published limits."""

    limit: CloggingLimit
    value: float
    hazard: Hazard


@dataclass(frozen=True)
class FilterUnits:
    """Filters of one kind side by side; one of `count` may be in backwash while the others serve.

    `flow_m3h` is what the others have to pass then: the water that is used and that which cleans the one.
    """

    kind: FilterKind
    count: int
    size_mm: float
    flow_m3h: float
    backwash_m3h: float


@dataclass(frozen=True)
class Step:
    """A piece of the head works, in the order in which water passes it."""

    name: str
    why: str


@dataclass(frozen=True)
class FilterStation:
    """The head works of a source. Losses are head over the whole station, filters clean and dirty. [m]"""

    source_id: str
    flow_m3h: float
    micron: float
    solids: Hazard
    clogging: tuple[Clogging, ...]
    filters: FilterUnits
    steps: tuple[Step, ...]
    loss_clean_m: float
    loss_dirty_m: float

    @property
    def order(self) -> str:
        """The pieces by name, from the water to the mains."""
        return ", ".join(s.name for s in self.steps)


# ---- the water -------------------------------------------------------------------------------------


def clogging_of(water: WaterQuality | None, limits: Sequence[CloggingLimit]) -> tuple[Clogging, ...]:
    """Each factor that was analysed, with its hazard: minor under the lower limit, severe over the upper."""
    found = []
    for limit in limits:
        value = None if water is None else getattr(water, limit.factor)
        if value is not None:
            hazard: Hazard = "minor" if value < limit.moderate else "moderate"
            found.append(Clogging(limit, value, "severe" if value > limit.severe else hazard))
    return tuple(found)


def solids_hazard(source: Source, clogging: Sequence[Clogging]) -> Hazard:
    """What the filters are sized for: the solids analysed, else by the kind of source (common practice)."""
    told = next((c.hazard for c in clogging if c.limit.factor == "suspended_mg_l"), None)
    if told is not None:
        return told
    return "moderate" if source.kind in ("borehole", "hydrant") else "severe"


# ---- the filters -----------------------------------------------------------------------------------


def filter_kind(source: Source, clogging: Sequence[Clogging]) -> FilterKind:
    """Sand for water that stands or runs in the open, or carries iron; discs for a well or a hydrant.

    A source of no stated kind is taken for open water: the safe side.
    """
    grave = {c.limit.factor for c in clogging if c.hazard != "minor"}
    metals = grave & {"iron_mg_l", "manganese_mg_l", "hydrogen_sulfide_mg_l"}
    if source.kind not in ("borehole", "hydrant") or metals:
        return "media"
    return "screen" if source.kind == "hydrant" and "suspended_mg_l" not in grave else "disc"


def filter_units(kind: FilterKind, flow_m3h: float, solids: Hazard) -> FilterUnits:
    """How many units, so that all but one pass the flow and the water that cleans the one."""
    if kind == "media":
        for size in MEDIA_TANKS_MM:
            area = math.pi / 4.0 * (size / 1000.0) ** 2
            units = _enough(flow_m3h, MEDIA_RATE_M_H[solids] * area, MEDIA_BACKWASH_M_H * area)
            if units[0] <= MOST_TANKS or size == MEDIA_TANKS_MM[-1]:
                return FilterUnits(kind, max(units[0], LEAST_TANKS), size, *units[1:])
    units = _enough(flow_m3h, DISC_UNIT_M3H[solids], DISC_BACKWASH_M3H)
    return FilterUnits(kind, units[0], 80.0, *units[1:])


def _enough(flow_m3h: float, unit_m3h: float, backwash_m3h: float) -> tuple[int, float, float]:
    """Units, what all but one of them pass, and what the backwash of one takes."""
    passed = flow_m3h + backwash_m3h
    return 1 + max(1, math.ceil(passed / unit_m3h - 1e-9)), passed, backwash_m3h


def filter_station(
    source: Source, flow_m3h: float, supply: Supply, limits: Sequence[CloggingLimit]
) -> FilterStation:
    """The head works of a source for the greatest flow of its shifts."""
    clogging = clogging_of(source.water, limits)
    solids = solids_hazard(source, clogging)
    kind = filter_kind(source, clogging)
    return FilterStation(
        source_id=source.source_id,
        flow_m3h=flow_m3h,
        micron=supply.filter_micron,
        solids=solids,
        clogging=clogging,
        filters=filter_units(kind, flow_m3h, solids),
        steps=_steps(source, kind, clogging, supply.filter_micron),
        loss_clean_m=supply.station_loss_clean_m,
        loss_dirty_m=supply.station_loss_m,
    )


def _steps(source: Source, kind: FilterKind, clogging: Sequence[Clogging], micron: float) -> tuple[Step, ...]:
    """The order of the head works: what protects the source comes before what is injected."""
    solids = next((c.value for c in clogging if c.limit.factor == "suspended_mg_l"), 0.0)
    made: list[Step] = []
    if solids > SETTLING_MG_L:
        made.append(Step("settling pond", "more suspended solids than filters can live with"))
    if source.kind in ("river", "reservoir", None):
        made.append(Step("intake screen", "keeps weed and fish out of the pump"))
    if source.kind != "hydrant":
        made.append(Step("pump", "lifts the water"))
    made += [
        Step(
            "vacuum relief and low-pressure drain", "before the check valve: break a siphon into the source"
        ),
        Step(
            "check valve", "backflow prevention: no water returns to the source, and none is injected before"
        ),
    ]
    if source.kind in ("river", "borehole", None):
        made.append(Step("sand separator", "takes heavy sand out before the filters"))
    units = f"{micron:g} micron"
    if kind == "media":
        made += [
            Step("media filter", "sand holds algae, slime and what iron leaves; it cleans in backwash"),
            Step(
                "injection with its own check valve", "after the media, so that backwash carries no chemical"
            ),
            Step("final screen", f"{units}: holds what sand and fertiliser leave"),
        ]
    else:
        made += [
            Step("injection with its own check valve", "before the filter, so that lumps stay in it; off "
                 "while it is rinsed"),
            Step(f"{kind} filter", f"{units}"),
        ]  # fmt: skip
    made.append(Step("meter and gauges", "flow, and head before and after the filters"))
    return tuple(made)


# ---- what is told ----------------------------------------------------------------------------------

REMEDIES = {
    "suspended_mg_l": "sand filters sized for dirty water, a settling pond where it is severe",
    "ph": "test how much acid the water takes before any; scale forms first where hardness is high too",
    "dissolved_mg_l": "look at hardness and bicarbonate: lime falls out in the emitters",
    "manganese_mg_l": "oxidise and filter before the mains; never inject chlorine after the filters",
    "iron_mg_l": "aerate or oxidise, settle and filter before the mains; iron bacteria make slime",
    "hydrogen_sulfide_mg_l": "aerate; with iron it leaves a black sludge. The gas is poisonous in pits",
    "bacteria_per_ml": "chlorine by the label, tested at the far end; flush more often",
}


def station_findings(
    station: FilterStation, source: Source, least_head_m: float | None = None
) -> tuple[Finding, ...]:
    """What in the water clogs, what was not analysed, and whether flow and head suffice for backwash.

    `least_head_m` is the least pressure just downstream of the station over the shifts.
    """
    found = [_clogs(station.source_id, c) for c in station.clogging if c.hazard != "minor"]
    if not station.clogging:
        found.append(_not_analysed(station))
    units = station.filters
    if units.flow_m3h > source.flow_m3h + 0.05:
        found.append(_backwash_flow(station, source))
    if least_head_m is not None and least_head_m < BACKWASH_HEAD_M - 0.05:
        found.append(_backwash_head(station, least_head_m))
    return tuple(found)


def _clogs(source_id: str, clogging: Clogging) -> Finding:
    limit = clogging.limit
    bound = limit.severe if clogging.hazard == "severe" else limit.moderate
    unit = f" {limit.unit}" if limit.unit else ""
    return Finding(
        "attention" if clogging.hazard == "severe" else "note",
        "supply",
        f"the water of {source_id} has a {clogging.hazard} hazard of clogging by {limit.name}: "
        f"{clogging.value:g}{unit} ({clogging.hazard} from {bound:g}, {limit.source})",
        source_id,
        f"{REMEDIES[limit.factor]}; ask a water laboratory, and keep to labels and safety data sheets",
        clogging.value,
        bound,
        limit.unit or None,
    )


def _not_analysed(station: FilterStation) -> Finding:
    return Finding(
        "note",
        "supply",
        f"the water of {station.source_id} is not analysed: its filters are sized for water with much in it "
        f"({station.filters.count} {station.filters.kind} units)",
        station.source_id,
        "have it analysed in the season of irrigation and state it as `water`: solids, pH, iron, manganese, "
        "hardness, bacteria",
    )


def _backwash_flow(station: FilterStation, source: Source) -> Finding:
    units = station.filters
    return Finding(
        "note",
        "supply",
        f"with a filter in backwash {station.source_id} has to give {units.flow_m3h:.0f} m3/h, of which "
        f"{units.backwash_m3h:.0f} clean it, and gives {source.flow_m3h:.0f}",
        station.source_id,
        "backwash between shifts, smaller shifts, or smaller filters in greater number",
        units.flow_m3h,
        source.flow_m3h,
        "m3/h",
    )


def _backwash_head(station: FilterStation, least_head_m: float) -> Finding:
    return Finding(
        "note",
        "supply",
        f"the mains of {station.source_id} run at {least_head_m:.0f} m after the filters in some shift; "
        f"rinsing them asks for about {BACKWASH_HEAD_M:g} m",
        station.source_id,
        "fit a valve that holds the head while a filter is rinsed, or a booster for it; or ask its maker "
        "whether less will do",
        least_head_m,
        BACKWASH_HEAD_M,
        "m",
    )


def station_fittings(
    station: FilterStation, source: Source, ground_m: float, main_mm: float
) -> tuple[Fitting, ...]:
    """What stands at the source: air, check and drain before the filters, relief and gauges after."""
    at: tuple[tuple[Kind, float, str], ...] = (
        (
            "vacuum relief",
            air_valve_mm(main_mm),
            "between pump and check valve: no siphon draws the mains back into the source",
        ),
        (
            "drain",
            25.0,
            "low-pressure drain between pump and check valve: leads off what the check valve lets by",
        ),
        (
            "check",
            main_mm,
            "backflow prevention: keeps the mains full and the source clean. Nothing is injected without it; "
            "the local rule on chemicals in irrigation water goes first",
        ),
        ("air and vacuum", air_valve_mm(main_mm), "where the mains begin: air of the pump and of filters"),
        (
            "pressure relief",
            part_mm(main_mm, FLUSH_SHARE),
            "opens when the check valve shuts on a returning column",
        ),
        (
            "test point",
            TEST_POINT_MM,
            f"head before and after the filters: {station.loss_clean_m:g} m lost when clean, rinse them at "
            f"{station.loss_dirty_m:g} m",
        ),
    )
    return tuple(
        Fitting(kind, size, source.source_id, ground_m, why, source.x_m, source.y_m) for kind, size, why in at
    )


def tell_station(station: FilterStation) -> tuple[Assumption, ...]:
    """What a source's head works rest on."""
    units, key = station.filters, f"station.{station.source_id}"
    size = f"{units.count} {units.kind} units of {units.size_mm:g} mm"
    told = [
        Assumption(f"{key}.order", station.order, "", "", "common practice"),
        Assumption(f"{key}.filters", size, f"one of them in backwash at {units.backwash_m3h:.0f} m3/h", "",
                   "common practice"),
        Assumption(f"{key}.solids", station.solids, "hazard that the filters are sized for", "",
                   "user" if any(c.limit.factor == "suspended_mg_l" for c in station.clogging)
                   else "common practice"),
    ]  # fmt: skip
    return tuple(told)


def tell_filters() -> tuple[Assumption, ...]:
    """What filters of every source are sized with."""
    told = (
        ("media_rate", _by_hazard(MEDIA_RATE_M_H), "m/h in clean, middling and dirty water"),
        ("media_backwash", f"{MEDIA_BACKWASH_M_H:g}", "m/h"),
        ("media_tanks", f"{LEAST_TANKS} to {MOST_TANKS}", "before wider ones are taken"),
        ("disc_unit", _by_hazard(DISC_UNIT_M3H), "m3/h in clean, middling and dirty water"),
        ("disc_backwash", f"{DISC_BACKWASH_M3H:g}", "m3/h"),
        ("backwash_head", f"{BACKWASH_HEAD_M:g}", "m after the filters"),
        ("settling", f"{SETTLING_MG_L:g}", "mg/l of suspended solids, or more"),
    )
    return tuple(
        Assumption(f"filters.{key}", value, unit, "", "common practice") for key, value, unit in told
    )


def _by_hazard(rates: dict[str, float]) -> str:
    return ", ".join(f"{rate:g}" for rate in rates.values())
