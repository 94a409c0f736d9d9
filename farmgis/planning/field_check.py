"""A block as it was measured, against what the plan expects: uniformity, and what the difference suggests."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from farmgis.hydraulics.emitters import emitter_flow_l_h
from farmgis.hydraulics.uniformity import low_quarter_uniformity_pct, statistical_uniformity_pct
from farmgis.planning.measuring_points import LEAST_EMITTERS
from farmgis.planning.quantities import Row
from farmgis.prices import FieldGrade, Measured
from farmgis.records import (
    Dripline,
    Floats,
)
from farmgis.words import three_figures

FLOW_OFF_PCT = 5.0
"""A block's flow this far from the plan is looked into (from memory)."""

HEAD_OFF_PCT = 10.0
"""A head this far from the plan is looked into (common practice)."""

EMITTER_OFF_PCT = 10.0
"""Emitters so far from what their head lets expect are looked into (common practice)."""

EVEN_SPREAD = 0.07
"""Emitters with a standard deviation of less than this share of their mean are all alike: manufacture, a cup
and a watch make as much (common practice)."""

MISREAD = 5.0
"""What is off by more than this factor is rather a wrong unit or column than the system (common practice)."""

WORST = "unacceptable"
"""What a block is that reaches no class."""


@dataclass(frozen=True)
class BlockCheck:
    """What was measured in a block. `valve_*` are None where nothing was measured at the valve.

    `performance_pct` is what emitters give of what they would at the head that was measured there, or at
    the expected one, off by as much as the valve's, where no head was; zeros count.
    """

    block_id: str
    emitters: int
    zeros: int
    mean_flow_l_h: float
    expected_flow_l_h: float
    emission_uniformity_pct: float
    expected_uniformity_pct: float
    statistical_uniformity_pct: float
    grade: str
    performance_pct: float
    head_pct: float | None
    valve_head_pct: float | None
    valve_flow_pct: float | None
    says: tuple[str, ...] = field(default_factory=tuple)


@dataclass(frozen=True)
class _Set:
    """The measured emitters of a block: arrays of the same length, NaN where no head was measured."""

    point_id: tuple[str, ...]
    flow_l_h: Floats
    head_m: Floats
    expected_flow_l_h: Floats
    expected_head_m: Floats
    at_head_l_h: Floats  # what a sound emitter gives at the head there
    toward_end: Floats  # 0 at the lateral's inlet, 1 at its end
    toward_last: Floats  # 0 at the first lateral, 1 at the last


def checked(
    points: Sequence[Row],
    measured: Mapping[str, Measured],
    lines: Mapping[str, Dripline],
    grades: Sequence[FieldGrade],
) -> tuple[BlockCheck, ...]:
    """Each block of which an emitter was measured.

    `lines` holds each field's dripline by its id, `grades` the classes, the best first.
    """
    found = []
    for block_id in dict.fromkeys(p["block_id"] for p in points):
        own = [p for p in points if p["block_id"] == block_id and p["point_id"] in measured]
        emitters = [p for p in own if p["kind"] == "emitter" and measured[p["point_id"]].flow_l_h is not None]
        if emitters:
            line = lines[emitters[0]["field_id"]]
            valve = next((p for p in own if p["kind"] == "valve"), None)
            told = measured[valve["point_id"]].head_m if valve is not None else None
            off = 0.0 if valve is None or told is None else told - valve["expected_head_m"]
            own_set = _set_of(emitters, measured, line, off)
            check = _block(block_id, own_set, valve, measured, line)
            grade = grade_of(check.emission_uniformity_pct, check.statistical_uniformity_pct, grades)
            found.append(replace(check, grade=grade))
    return tuple(found)


def _set_of(points: Sequence[Row], measured: Mapping[str, Measured], line: Dripline, off_m: float) -> _Set:
    """The measured emitters; where no head was measured it is taken off the plan's as the valve's is."""
    told = [measured[p["point_id"]] for p in points]
    head = np.array([np.nan if m.head_m is None else m.head_m for m in told])
    expected = np.array([p["expected_head_m"] for p in points], dtype=float)
    at = np.where(np.isfinite(head), head, expected + off_m)
    longest: dict[str, float] = {}
    for p in points:
        longest[p["lateral_id"]] = max(longest.get(p["lateral_id"], 0.0), p["chainage_m"])
    laterals = list(longest)
    return _Set(
        point_id=tuple(p["point_id"] for p in points),
        flow_l_h=np.array([m.flow_l_h for m in told], dtype=float),
        head_m=head,
        expected_flow_l_h=np.array([p["expected_flow_l_h"] for p in points], dtype=float),
        expected_head_m=expected,
        at_head_l_h=np.array([emitter_flow_l_h(max(h, 0.0), line) for h in at]),
        toward_end=np.array([p["chainage_m"] / max(longest[p["lateral_id"]], 1e-9) for p in points]),
        toward_last=np.array([laterals.index(p["lateral_id"]) / max(len(laterals) - 1, 1) for p in points]),
    )


def _block(
    block_id: str, own: _Set, valve: Row | None, measured: Mapping[str, Measured], line: Dripline
) -> BlockCheck:
    heads = np.isfinite(own.head_m)
    told = measured[valve["point_id"]] if valve is not None else Measured("", None, None)
    even = low_quarter_uniformity_pct(own.flow_l_h) if own.flow_l_h.sum() > 0.0 else 0.0
    spread = statistical_uniformity_pct(own.flow_l_h) if own.flow_l_h.sum() > 0.0 else 0.0
    check = BlockCheck(
        block_id=block_id,
        emitters=own.flow_l_h.size,
        zeros=int((own.flow_l_h == 0.0).sum()),
        mean_flow_l_h=float(own.flow_l_h.mean()),
        expected_flow_l_h=float(own.expected_flow_l_h.mean()),
        emission_uniformity_pct=even,
        expected_uniformity_pct=low_quarter_uniformity_pct(own.expected_flow_l_h),
        statistical_uniformity_pct=spread,
        grade=WORST,
        performance_pct=_pct(own.flow_l_h.sum(), own.at_head_l_h.sum()) or 0.0,
        head_pct=_pct(own.head_m[heads].sum(), own.expected_head_m[heads].sum()),
        valve_head_pct=None if valve is None else _pct(told.head_m, valve["expected_head_m"]),
        valve_flow_pct=None if valve is None else _pct(told.flow_l_h, valve["expected_flow_l_h"]),
    )
    says = tuple(_suggestions(check, own, line))
    return BlockCheck(**(vars(check) | {"says": says}))


def _pct(value: float | None, of: float) -> float | None:
    return None if value is None or not of > 0.0 else 100.0 * float(value) / float(of)


def grade_of(emission_uniformity_pct: float, statistical_pct: float, grades: Sequence[FieldGrade]) -> str:
    """The class of a measured block: the worse of what its two uniformities say."""
    for g in grades:
        even = emission_uniformity_pct >= g.least_emission_uniformity_pct
        if even and statistical_pct >= g.least_statistical_uniformity_pct:
            return g.grade
    return WORST


# ---- what the difference suggests -------------------------------------------------------------------


def _suggestions(check: BlockCheck, own: _Set, line: Dripline) -> Iterator[str]:
    """In words, the gravest first: first the heads, then the flows that heads do not explain."""
    said = [*_misread(check, own)]
    of_flows = [] if said else [*_of_emitters(check, own, line), *_of_leaks(check)]
    if not any(_far(pct) for pct in (check.valve_head_pct, check.head_pct) if pct is not None):
        said += _of_heads(check, own)
    said += of_flows
    yield from said
    if check.emitters < LEAST_EMITTERS:
        few = f"only {check.emitters} emitters were measured"
        yield f"{few}; with fewer than {LEAST_EMITTERS} the figures say little"
    if not said and not np.isfinite(own.head_m).any() and check.valve_head_pct is None:
        yield "no pressure was measured: a flow that is off cannot be told from a head that is off"
    elif not said:
        yield "as planned: keep these figures to compare with later"


def _misread(check: BlockCheck, own: _Set) -> Iterator[str]:
    """Readings so far off that a unit, a column or a digit is wrong sooner than the system."""
    told = (
        (check.valve_head_pct, "the valve's head is", "kPa, bar or metres"),
        (check.valve_flow_pct, "the valve's flow is", "m3/h or l/h"),
        (check.head_pct, "heads in the field are", "kPa, bar or metres"),
    )
    for pct, words, units in told:
        if pct is not None and _far(pct):
            low = "; if it is right, a valve or filter is all but shut, or the pump is off"
            said = f"{words} {three_figures(pct)} % of the plan's: {_LOOK} ({units})"
            yield said + (low if pct < 100.0 else "")
    much = own.flow_l_h > MISREAD * own.expected_flow_l_h
    if much.any():
        named = ", ".join(own.point_id[i] for i in np.flatnonzero(much)[:4])
        count = f"{int(much.sum())} of {much.size} emitters"
        yield (
            f"{count} would give over {MISREAD:g} times what is expected ({named}): {_LOOK} (millilitres and "
            "seconds, l/h); if the reading is right, line is cut or an emitter torn out there"
        )


_LOOK = "look at the reading, its unit and its column first"


def _far(pct: float) -> bool:
    """Whether it is off by a factor that no leak makes; nothing at all is no misreading."""
    return pct > 0.0 and not 100.0 / MISREAD <= pct <= 100.0 * MISREAD


def _of_heads(check: BlockCheck, own: _Set) -> Iterator[str]:
    valve, field_head = check.valve_head_pct, check.head_pct
    if valve is not None and abs(valve - 100.0) > HEAD_OFF_PCT:
        way = "under" if valve < 100.0 else "over"
        yield (
            f"the head downstream of the valve is {valve:.0f} % of the plan's, {way} it: set the regulator; "
            + (
                "where it cannot be raised, the head upstream is missing: a filter that is clogged, a valve "
                "half shut, the pump"
                if valve < 100.0
                else "where it cannot be lowered, the regulator is broken or a wrong one; thin line may burst"
            )
        )
    elif field_head is not None and field_head < 100.0 - HEAD_OFF_PCT:
        seen = "right" if valve is not None else "not measured"
        yield (
            f"heads in the field are {field_head:.0f} % of the plan's while the valve's is {seen}: a leak, a "
            "submain that is too thin or squeezed, or a regulator set low"
        )
    elif field_head is not None and field_head > 100.0 + HEAD_OFF_PCT:
        yield (
            f"heads in the field are {field_head:.0f} % of the plan's: the regulator is set high, or "
            "emitters take less than they should"
        )


def _of_emitters(check: BlockCheck, own: _Set, line: Dripline) -> Iterator[str]:
    share = own.flow_l_h / np.where(own.at_head_l_h > 0.0, own.at_head_l_h, np.nan)
    poor = share < 1.0 - max(EMITTER_OFF_PCT / 100.0, 3.0 * line.variation)
    if check.zeros:
        dry = f"{check.zeros} of {check.emitters} emitters give nothing"
        yield f"{dry}: plugged, or the line is broken before them"
    if _evenly_low(share):
        yield _evenly_low_words(check)
    elif poor.sum() >= max(2, 0.1 * share.size):
        yield (
            f"{int(poor.sum())} of {share.size} emitters give less than their head lets expect: plugging; "
            + (_where_plugged(own, poor))
        )
    elif check.performance_pct > 100.0 + EMITTER_OFF_PCT:
        yield (
            f"emitters give {check.performance_pct:.0f} % of what their head lets expect: another line than "
            "planned, a worn or torn membrane, or a gauge that reads low"
        )


def _evenly_low(share: Floats) -> bool:
    """Whether all emitters give less than their head lets expect, and all alike: plugging is not so even."""
    if not np.isfinite(share).all() or share.size < 2:
        return False
    mean = float(share.mean())
    return 0.0 < mean < 1.0 - EMITTER_OFF_PCT / 100.0 and float(share.std()) < EVEN_SPREAD * mean


def _evenly_low_words(check: BlockCheck) -> str:
    said = f"emitters give {check.performance_pct:.0f} % of what "
    if check.head_pct is None and check.valve_head_pct is None:
        return (
            f"{said}the planned head lets expect, all alike, and no pressure was measured: a low head "
            "comes before plugging, which is uneven. Measure the pressure at the valve and at some emitters, "
            "and look at the regulator, the filter, half-shut valves, the pump"
        )
    return (
        f"{said}their head lets expect, all alike, and plugging is not so even: another line than planned, a "
        "gauge that reads high, or a wrong unit; only then what coats every emitter"
    )


def _where_plugged(own: _Set, poor: np.ndarray) -> str:
    """What the pattern of plugged emitters points to."""
    ends = _gap(poor, own.toward_end)
    last = _gap(poor, own.toward_last)
    if ends > 0.25 and ends >= last:
        return "most near the lateral ends, where silt settles: flush the laterals, more often and longer"
    if last > 0.25:
        return "most on the last laterals: flush the submain, then the laterals"
    return (
        "all over the block: look for a torn or too coarse filter screen and lost media, then test the "
        "water for what precipitates or grows in it"
    )


def _gap(poor: np.ndarray, toward: Floats) -> float:
    """How much larger a share of the far half is plugged than of the near half."""
    far = toward >= 0.5
    if far.all() or not far.any():
        return 0.0
    return float(poor[far].mean() - poor[~far].mean())


def _of_leaks(check: BlockCheck) -> Iterator[str]:
    if check.valve_flow_pct is None:
        return
    emitters = 100.0 * check.mean_flow_l_h / check.expected_flow_l_h
    if check.valve_flow_pct > max(emitters, 100.0) + FLOW_OFF_PCT:
        yield (
            f"the block takes {check.valve_flow_pct:.0f} % of its planned flow, emitters {emitters:.0f} %: "
            "the difference leaks out of submain, joints or cut line, or an end stands open"
        )
    elif check.valve_flow_pct < min(emitters, 100.0) - FLOW_OFF_PCT:
        yield (
            f"the block takes only {check.valve_flow_pct:.0f} % of its flow, emitters {emitters:.0f} %: "
            "plugging beyond the points that were measured, laterals not joined, or a meter that is off"
        )
