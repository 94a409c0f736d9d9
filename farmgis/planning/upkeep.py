"""The season's tasks around the water: sowing, laying, flushing, checking, treating, taking up.

Dates are reckoned from sowing, the first and last irrigation and harvest. Intervals and rates are
common practice; no amount of a chemical is given, since no water analysis is known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from farmgis.records import Assumption, BlockFacts, Field, Finding

FLUSH_DAYS = 30
"""Laterals are flushed at least this often (common practice)."""

WATER_TEST_DAYS = 30
"""The water is tested this long before the first irrigation: a laboratory takes time (common practice)."""

STAYING_ROW_M = 2.5
"""Rows at least this far apart are trees or vines, whose lines stay (common practice)."""

FLOW_CHECK_PCT = 5.0
"""A block's flow further off than this is looked into (from memory)."""

PRESSURE = "Pipes are under pressure: open slowly, stand aside, shut off and bleed before undoing anything."
CHEMICALS = (
    "Acid and hypochlorite never together: the gas kills; separate tanks and injection points, clean water "
    "between. Acid into water, never water into acid. No chlorine while ammonium, urea or pesticide is in "
    "the line. Backflow prevention first; chemical backwash never into river or borehole. Gloves, goggles, "
    "apron. Keep re-entry times. Label, safety data sheet and local code go before this; trained people only."
)

LAYING = (
    "Inlets joined, ends left open for the first flush. On moist soil it may wait until the crop stands and "
    "has been weeded; the irrigations until then fall away. Keep to the machine's manual on slopes."
)


@dataclass(frozen=True)
class FieldWork:
    """What the tasks need to know of a field. `stays`: its lines are not taken up after the season."""

    field_id: str
    source_id: str | None
    irrigated_ha: float
    blocks: int
    laterals: int
    first_irrigation: date
    last_irrigation: date
    harvest: date
    stays: bool


Day = date  # a record's own field is named date


@dataclass(frozen=True)
class Task:
    """A row of `season_tasks`: from `date` to `end_date`, both included."""

    date: Day
    end_date: Day
    task: str
    target: str
    quantity: float | None
    unit: str | None
    note: str


def field_works(
    fields: Sequence[Field],
    blocks: Sequence[BlockFacts],
    laterals: Mapping[str, int],
    watered: Mapping[str, tuple[date, date]],
    sowing: date,
) -> tuple[FieldWork, ...]:
    """What the tasks need of each field that is irrigated at all.

    `laterals` holds how many each block has, `watered` each block's first and last day of irrigation.
    """
    works = []
    for field in fields:
        own = [b for b in blocks if b.field_id == field.field_id and b.block_id in watered]
        if own:
            works.append(
                FieldWork(
                    field_id=field.field_id,
                    source_id=field.source_id,
                    irrigated_ha=sum(b.area_ha for b in own),
                    blocks=len(own),
                    laterals=sum(laterals[b.block_id] for b in own),
                    first_irrigation=min(watered[b.block_id][0] for b in own),
                    last_irrigation=max(watered[b.block_id][1] for b in own),
                    harvest=sowing + timedelta(days=sum(field.crop.stage_days)),
                    stays=field.design.row_spacing_m >= STAYING_ROW_M,
                )
            )
    return tuple(works)


def season_tasks(
    works: Sequence[FieldWork], sowing: date, laying_ha_day: float
) -> tuple[tuple[Task, ...], tuple[Finding, ...]]:
    """All tasks of the season by date, and a finding where laying or taking up meets the irrigations."""
    if not works:
        return (), ()
    seasonal = [w for w in works if not w.stays]
    laying = _machine_days(seasonal, sowing + timedelta(days=1), laying_ha_day, "lay line", LAYING)
    first = min(w.first_irrigation for w in works)
    laid = max((t.end_date for t in laying), default=sowing)
    ready = max(first, laid + timedelta(days=2))  # a day for flushing between laying and running
    tasks = [*laying, *_starting(works, ready)]
    for work in works:
        tasks += _of_field(work, sowing, ready)
    for source_id in dict.fromkeys(w.source_id for w in works):
        tasks += _of_source(source_id or "farm", [w for w in works if w.source_id == source_id], ready)
    taking, findings = _taking_up(seasonal, laying_ha_day)
    tasks += taking
    tasks.append(_winter(max(w.harvest for w in works)))
    if ready > first:
        findings = (_laid_late(first, ready), *findings)
    return tuple(sorted(tasks, key=lambda t: t.date)), findings


def tell_tasks() -> tuple[Assumption, ...]:
    """What the tasks' dates rest on, besides the rate of laying."""
    return (
        Assumption("flush_interval", str(FLUSH_DAYS), "days", "at least monthly", "common practice"),
        Assumption("staying_lines", f"{STAYING_ROW_M:g}", "m between rows, or more", "", "common practice"),
    )


# ---- machines, field by field ---------------------------------------------------------------------


def _machine_days(works: Sequence[FieldWork], start: date, ha_day: float, task: str, note: str) -> list[Task]:
    """Fields one after another, a day shared where a field ends within it."""
    made, done = [], 0.0
    for work in works:
        days = work.irrigated_ha / ha_day
        begin = start + timedelta(days=math.floor(done + 1e-9))
        end = start + timedelta(days=max(math.ceil(done + days - 1e-9) - 1, math.floor(done + 1e-9)))
        made.append(Task(begin, end, task, work.field_id, days, "machine days", note))
        done += days
    return made


def _taking_up(works: Sequence[FieldWork], ha_day: float) -> tuple[list[Task], tuple[Finding, ...]]:
    """Fields taken up by the day before the earliest harvest of those still to come, the earliest first."""
    note = "Before the harvesters come. Ends open, line drained; reels tagged with field and block."
    ordered = sorted(works, key=lambda w: (w.harvest, w.field_id))
    made: list[Task] = []
    late: list[FieldWork] = []
    free = math.inf  # the machine's days are filled backwards from the last harvest
    for work in reversed(ordered):
        until = min(float(work.harvest.toordinal()), free)
        begin = until - work.irrigated_ha / ha_day
        first = date.fromordinal(math.floor(begin + 1e-9))
        last = date.fromordinal(max(math.ceil(until - 1e-9) - 1, first.toordinal()))
        made.append(Task(first, last, "take up line", work.field_id, until - begin, "machine days", note))
        if first <= work.last_irrigation:
            late.append(work)
        free = begin
    return made[::-1], _too_soon(late, ha_day) if late else ()


def _laid_late(first: date, ready: date) -> Finding:
    what = (
        f"laying from the day after sowing has the system running on {ready:%d %B}; the calendar's "
        f"irrigations from {first:%d %B} until then cannot be given"
    )
    advice = (
        "the soil's water carries a young crop; lay with more machines (`laying_ha_day`) or before sowing"
    )
    return Finding("note", "season", what, "farm", advice, float((ready - first).days), unit="days")


def _too_soon(late: Sequence[FieldWork], ha_day: float) -> tuple[Finding, ...]:
    named = ", ".join(sorted(w.field_id for w in late))
    what = (
        f"machines that do {ha_day:g} ha a day have to begin taking up line in {named} "
        "before the last irrigation there"
    )
    advice = "use more machines (`laying_ha_day` in [season]), or stop irrigating earlier there"
    area = sum(w.irrigated_ha for w in late)
    return (Finding("note", "season", what, "farm", advice, area, unit="ha"),)


# ---- water, by source and field -------------------------------------------------------------------


def _starting(works: Sequence[FieldWork], first: date) -> list[Task]:
    """The first flush, from the source outward, the day before water is needed."""
    day = first - timedelta(days=1)
    blocks, laterals = sum(w.blocks for w in works), sum(w.laterals for w in works)
    parts: tuple[tuple[str, float | None, str | None, str], ...] = (
        ("flush mains", None, None, "Valves of the blocks shut, far ends open, until the water is clear."),
        ("flush submains", float(blocks), "blocks", "After the mains, far ends of the submains open."),
        (
            "flush laterals",
            float(laterals),
            "laterals",
            "After the submains, some ends at a time; shut each when clear.",
        ),
    )
    return [
        Task(day, day, task, "farm", n, unit, f"First flush, step {step}. {note} {PRESSURE}")
        for step, (task, n, unit, note) in enumerate(parts, start=1)
    ]


def _of_field(work: FieldWork, sowing: date, ready: date) -> list[Task]:
    where = work.field_id
    ha = (where, work.irrigated_ha, "ha", "")
    made = [] if work.stays else [Task(sowing, sowing, "sow", *ha)]
    if not work.stays:
        made.append(Task(work.harvest, work.harvest, "harvest", *ha))
    first, points = max(work.first_irrigation, ready), 3.0 * work.blocks
    note = (
        "At the valve and at the emitters of lowest and highest pressure (layer extreme_emitters), against "
        f"the layer blocks; look into a flow more than {FLOW_CHECK_PCT:g} % off. {PRESSURE}"
    )
    made.append(Task(first, first, "check pressure and flow", where, points, "points", note))
    again = f"Each end open until the water is clear, then pressure and flow again. {PRESSURE}"
    for day in _every(FLUSH_DAYS, first, work.last_irrigation):
        made.append(Task(day, day, "flush laterals", where, float(work.laterals), "laterals", again))
    return made


def _of_source(target: str, works: Sequence[FieldWork], ready: date) -> list[Task]:
    first, last = ready, max(w.last_irrigation for w in works)

    def on(day: date, task: str, note: str) -> Task:
        return Task(day, day, task, target, None, None, note)

    filters = f"Open, clean, look for torn screens and lost media; note the head lost when clean. {PRESSURE}"
    made = [
        on(first - timedelta(days=WATER_TEST_DAYS), "test water", "Solids, pH, hardness, bicarbonate, iron, "
           "manganese, salt, bacteria; ask for a titration with the acid that is at hand."),
        on(first - timedelta(days=1), "service filter", filters),
        on(first + (last - first) / 2, "treat with acid or chlorine", "Test the water first: soft, clean "
           "water may need neither, and without an analysis or titration no amount is given. Usually once a "
           f"season or more. {CHEMICALS}"),
    ]  # fmt: skip
    return made + [on(day, "service filter", filters) for day in _every(FLUSH_DAYS, first, last)]


def _winter(harvest: date) -> Task:
    day = harvest + timedelta(days=1)
    note = (
        "Pump locked out. Drain low points, filters and pump, ends open; flush injectors with clean water. "
        f"Blow out only within the makers' limits, never test with air. {PRESSURE}"
    )
    return Task(day, day + timedelta(days=13), "empty for winter", "farm", None, None, note)


def _every(days: int, first: date, last: date) -> list[date]:
    """Days at that distance after the first, up to the last."""
    return [first + timedelta(days=n) for n in range(days, (last - first).days + 1, days)]
