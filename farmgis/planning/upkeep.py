"""The season's tasks around the water: sowing, laying, flushing, checking, treating, taking up.

Dates are reckoned from sowing, the first and last irrigation and harvest. Intervals and rates are
common practice; an amount of a chemical is given only where an analysis of the water is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.crop_start import STAYING_ROW_M, Sown
from farmgis.planning.water_treatment import Treatment
from farmgis.records import Assumption, Field, Finding, Season, Severity
from farmgis.words import counted

FLUSH_DAYS = 30
"""Laterals are flushed at least this often (common practice)."""

WATER_TEST_DAYS = 30
"""The water is tested this long before the first irrigation: a laboratory takes time (common practice)."""

FLOW_CHECK_PCT = 5.0
"""A block's flow further off than this is looked into (from memory)."""

STANDSTILL_DAYS = 60
"""Where a source stands still for longer between two runs its pipes are emptied and flushed again, as in the
winter of a winter crop (common practice)."""

ACID_AFTER_DAYS = 7
"""Acid is injected so many days after the chlorine, never with it (common practice)."""

PRESSURE = "Pipes are under pressure: open slowly, stand aside, shut off and bleed before undoing anything."
CHEMICALS = (
    "Acid and hypochlorite never together: the gas kills; separate tanks and injection points, clean water "
    "between. Acid into water, never water into acid. No chlorine while ammonium, urea or pesticide is in "
    "the line. Backflow prevention first; chemical backwash never into river or borehole. Gloves, goggles, "
    "apron. Keep re-entry times. Label, safety data sheet and local code go before this; trained people only."
)

LAYING = "Inlets joined, ends left open for the first flush. Keep to the machine's manual on slopes."
LAYING_DRY = f"In the same days as the sowing, all before the first dose for germination. {LAYING}"
SOWING_DRY = "Into dry soil, before the line is laid over it, all before the first dose for germination."
LAYING_MOIST = f"The crop stands and was weeded by machine; the soil carries it until then. {LAYING}"

SHORT_END_DAYS = 3
"""A ripe crop does without its last water for so many days, about an interval (common practice)."""

WEEDING_DAYS = 7
"""Weeding by machine is given these days before laying begins (common practice)."""


@dataclass(frozen=True)
class FieldWork:
    """What the tasks need to know of a field. Lines of a standing crop are neither laid nor taken up.

    `sowings` are the days on which the seasons of its parts begin, each with its hectares and its blocks: in
    moist soil that of sowing; in dry soil that of the first dose, by which it is sown and its line lies.
    """

    field_id: str
    source_id: str | None
    irrigated_ha: float
    blocks: int
    laterals: int
    first_irrigation: date
    last_irrigation: date
    harvest: date
    sown: Sown
    sowings: tuple[tuple[date, float, int], ...]
    emerged: date

    @property
    def stays(self) -> bool:
        """Whether its lines stay over the years."""
        return self.sown == "standing"


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
    seasons: Mapping[str, BlockSeason],
    laterals: Mapping[str, int],
    watered: Mapping[str, tuple[date, date]],
    sowing: date,
    season: Season,
) -> tuple[FieldWork, ...]:
    """What the tasks need of each field that is irrigated at all.

    `laterals` holds how many each block has, `watered` each block's first and last day of irrigation. What is
    sown is harvested when it is stated, counted from sowing, or on the day after its last stage.
    """
    works = []
    for field in fields:
        own = [
            s for s in seasons.values() if s.facts.field_id == field.field_id and s.facts.block_id in watered
        ]
        if own:
            sowings: dict[date, tuple[float, int]] = {}
            for s in sorted(own, key=lambda s: s.delay_days):
                day = sowing + timedelta(days=s.delay_days)
                ha, blocks = sowings.get(day, (0.0, 0))
                sowings[day] = ha + s.facts.area_ha, blocks + 1
            days = [watered[s.facts.block_id] for s in own]
            works.append(
                FieldWork(
                    field_id=field.field_id,
                    source_id=field.source_id,
                    irrigated_ha=sum(s.facts.area_ha for s in own),
                    blocks=len(own),
                    laterals=sum(laterals[s.facts.block_id] for s in own),
                    first_irrigation=min(first for first, _ in days),
                    last_irrigation=max(last for _, last in days),
                    harvest=_harvest(own, max(sowings), sowing, season),
                    sown=own[0].demand.sown,
                    sowings=tuple((day, *part) for day, part in sowings.items()),
                    emerged=max(sowings) + timedelta(days=season.emergence_days),
                )
            )
    return tuple(works)


def _harvest(own: Sequence[BlockSeason], last_sown: date, sowing: date, season: Season) -> date:
    if season.harvest is not None and season.sowing is not None and own[0].demand.sown != "standing":
        return sowing + (season.harvest - season.sowing)
    return last_sown + timedelta(days=max(s.demand.dates.size for s in own))


def season_tasks(
    works: Sequence[FieldWork],
    laying_ha_day: float,
    treated: Mapping[str, Treatment] | None = None,
    ran: Mapping[str, Sequence[date]] | None = None,
) -> tuple[tuple[Task, ...], tuple[Finding, ...]]:
    """All tasks of the season by date, and a finding where laying or taking up meets the irrigations.

    `ran` holds the days on which each source gives water, where all of them are known: what stood still
    since it was flushed, as a winter crop's line does, is not flushed again.
    """
    if not works:
        return (), ()
    laying, findings = _laying([w for w in works if not w.stays], laying_ha_day)
    laid = {t.target: t for t in laying}  # the last part of a field
    ready = {w.field_id: _ready(w, laid.get(w.field_id)) for w in works}
    tasks = [*laying, *_sowing(works, laying), *_starting(works, ready), *_weeding(works, laid)]
    for work in works:
        tasks += _of_field(work, ready[work.field_id], _days_of(ran, work.source_id))
    for source_id in dict.fromkeys(w.source_id for w in works):
        own = [w for w in works if w.source_id == source_id]
        tasks += _of_source(
            source_id or "farm",
            own,
            min(ready[w.field_id] for w in own),
            (treated or {}).get(source_id or ""),
            _days_of(ran, source_id),
        )
        tasks += _standing_still(source_id or "farm", _days_of(ran, source_id) or ())
    taking, late = _taking_up([w for w in works if not w.stays], laying_ha_day)
    tasks += taking
    tasks.append(_winter(max(w.last_irrigation if w.stays else w.harvest for w in works)))
    return tuple(sorted(tasks, key=lambda t: t.date)), (*findings, *late)


def _ready(work: FieldWork, laid: Task | None) -> date:
    """The day on which a field can be irrigated: a day for flushing lies between laying and running."""
    if laid is None or work.sown == "dry":
        return work.first_irrigation
    return max(work.first_irrigation, laid.end_date + timedelta(days=2))


def tell_tasks() -> tuple[Assumption, ...]:
    """What the tasks' dates rest on, besides the rate of laying."""
    return (
        Assumption("flush_interval", str(FLUSH_DAYS), "days", "at least monthly", "common practice"),
        Assumption("staying_lines", f"{STAYING_ROW_M:g}", "m between rows, or more", "", "common practice"),
    )


# ---- machines, field by field ---------------------------------------------------------------------


def _laying(works: Sequence[FieldWork], ha_day: float) -> tuple[list[Task], tuple[Finding, ...]]:
    """Dry-sown parts by the evening before their first dose, which may begin in the night; the others so late
    that the line is flushed before its first water.

    Where that would begin before the day after sowing, it begins then, and what comes too late is told.
    """
    dry = [w for w in works if w.sown == "dry"]
    moist = [w for w in works if w.sown == "moist"]
    parts = [(w.field_id, ha, day) for w in dry for day, ha, _ in w.sowings]
    made = _backwards(parts, ha_day, "lay line", LAYING_DRY)
    parts = [(w.field_id, w.irrigated_ha, w.first_irrigation - timedelta(days=1)) for w in moist]
    later = _backwards(parts, ha_day, "lay line", LAYING_MOIST)
    sown = max((day for w in moist for day, _, _ in w.sowings), default=date.min)
    if not later or later[0].date > sown:
        return made + later, ()
    later = _machine_days(moist, sown + timedelta(days=1), ha_day, "lay line", LAYING)
    ends = {t.target: t.end_date for t in later}
    behind = [w for w in moist if ends[w.field_id] + timedelta(days=2) > w.first_irrigation]
    return made + later, (_laid_late(behind, ends),) if behind else ()


def _sowing(works: Sequence[FieldWork], laying: Sequence[Task]) -> list[Task]:
    """Into moist soil on the days of sowing; into dry soil while the line is laid, before the first dose."""
    made = []
    for work in works:
        if work.sown == "moist":
            made += [Task(day, day, "sow", work.field_id, ha, "ha", "") for day, ha, _ in work.sowings]
        elif work.sown == "dry":
            laid = [t for t in laying if t.target == work.field_id]
            for task, (_, ha, _) in zip(laid, sorted(work.sowings), strict=True):
                made.append(Task(task.date, task.end_date, "sow", work.field_id, ha, "ha", SOWING_DRY))
    return made


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


def _backwards(parts: Sequence[tuple[str, float, date]], ha_day: float, task: str, note: str) -> list[Task]:
    """Each part (target, hectares, day) done before its day, as late as one set of machines can."""
    made: list[Task] = []
    free = math.inf  # the machine's days are filled backwards from the last part
    for target, hectares, until in sorted(parts, key=lambda p: (p[2], p[0]), reverse=True):
        end = min(float(until.toordinal()), free)
        begin = end - hectares / ha_day
        first = date.fromordinal(math.floor(begin + 1e-9))
        last = date.fromordinal(max(math.ceil(end - 1e-9) - 1, first.toordinal()))
        made.append(Task(first, last, task, target, end - begin, "machine days", note))
        free = begin
    return made[::-1]


def _taking_up(works: Sequence[FieldWork], ha_day: float) -> tuple[list[Task], tuple[Finding, ...]]:
    """Fields taken up by the day before the earliest harvest of those still to come, the earliest first."""
    note = "Before the harvesters come. Ends open, line drained; reels tagged with field and block."
    parts = [(w.field_id, w.irrigated_ha, w.harvest) for w in works]
    made = _backwards(parts, ha_day, "take up line", note)
    begin = {t.target: t.date for t in made}
    late = [w for w in works if begin[w.field_id] <= w.last_irrigation]
    return made, _too_soon(late, begin, ha_day) if late else ()


def _weeding(works: Sequence[FieldWork], laid: Mapping[str, Task]) -> list[Task]:
    """Weeding by machine before the line lies, where there is time between emergence and laying."""
    note = "Once the crop stands, while no line lies in the way."
    made = []
    for work in works:
        if work.sown == "moist" and laid[work.field_id].date > work.emerged:
            last = laid[work.field_id].date - timedelta(days=1)
            first = max(work.emerged, last - timedelta(days=WEEDING_DAYS - 1))
            made.append(Task(first, last, "weed by machine", work.field_id, work.irrigated_ha, "ha", note))
    return made


def _laid_late(behind: Sequence[FieldWork], ends: Mapping[str, date]) -> Finding:
    worst = max(behind, key=lambda w: ends[w.field_id] - w.first_irrigation)
    days = (ends[worst.field_id] + timedelta(days=2) - worst.first_irrigation).days
    named = ", ".join(sorted(w.field_id for w in behind))
    what = (
        f"laying from the day after sowing is too late for the first irrigations in {named}: the system of "
        f"{worst.field_id} runs {days} days after {worst.first_irrigation:%d %B}"
    )
    advice = "the soil's water carries a young crop some days; lay with more machines (`laying_ha_day`)"
    return Finding("note", "season", what, "farm", advice, float(days), unit="days")


def _too_soon(late: Sequence[FieldWork], begin: Mapping[str, date], ha_day: float) -> tuple[Finding, ...]:
    named = ", ".join(sorted(w.field_id for w in late))
    days = max((w.last_irrigation - begin[w.field_id]).days + 1 for w in late)
    what = (
        f"machines that do {ha_day:g} ha a day have to begin taking up line in {named} before the last "
        f"irrigation there: runs of up to {counted(days, 'day')} cannot be given where it is up"
    )
    advice = "use more machines (`laying_ha_day` in [season]), or stop irrigating earlier there"
    severity: Severity = "attention" if days > SHORT_END_DAYS else "note"
    return (Finding(severity, "season", what, "farm", advice, float(days), unit="days"),)


# ---- water, by source and field -------------------------------------------------------------------


def _starting(works: Sequence[FieldWork], ready: Mapping[str, date]) -> list[Task]:
    """The first flush, from the source outward, the day before water is needed.

    Where the crop is sown dry it is flushed as the first dose begins, the last of it with the last part's.
    """
    dry = any(w.sown == "dry" for w in works)
    day = min(ready.values()) - timedelta(days=1)
    first, last = (d - timedelta(days=0 if dry else 1) for d in (min(ready.values()), max(ready.values())))
    last = max([last, *(day for w in works if w.sown == "dry" for day, _, _ in w.sowings)])
    blocks, laterals = sum(w.blocks for w in works), sum(w.laterals for w in works)
    parts: tuple[tuple[str, date, date, float | None, str | None, str], ...] = (
        ("flush mains", day, day, None, None, "Valves of the blocks shut, far ends open, until it is clear."),
        ("flush submains", day, last, float(blocks), "blocks", "After the mains, ends of the submains open."),
        ("flush laterals", first, last, float(laterals), "laterals",
         "After the submains, some ends at a time; shut each when clear."),
    )  # fmt: skip
    return [
        Task(begin, end, task, "farm", n, unit, f"First flush, step {step}. {note} {PRESSURE}")
        for step, (task, begin, end, n, unit, note) in enumerate(parts, start=1)
    ]


def _days_of(ran: Mapping[str, Sequence[date]] | None, source_id: str | None) -> Sequence[date] | None:
    return None if ran is None else ran.get(source_id or "farm", ())


def _of_field(work: FieldWork, ready: date, ran: Sequence[date] | None) -> list[Task]:
    where = work.field_id
    made = []
    if not work.stays:
        made.append(Task(work.harvest, work.harvest, "harvest", where, work.irrigated_ha, "ha", ""))
    parts = [(day, blocks) for day, _, blocks in work.sowings] if work.sown == "dry" else []
    note = (
        "At the valve and at the emitters of lowest and highest pressure (layer extreme_emitters), against "
        f"the layer blocks; look into a flow more than {FLOW_CHECK_PCT:g} % off. {PRESSURE}"
    )
    for day, blocks in parts or [(ready, work.blocks)]:
        made.append(Task(day, day, "check pressure and flow", where, 3.0 * blocks, "points", note))
    again = f"Each end open until the water is clear, then pressure and flow again. {PRESSURE}"
    for day in _every(FLUSH_DAYS, ready, work.last_irrigation, ran):
        made.append(Task(day, day, "flush laterals", where, float(work.laterals), "laterals", again))
    return made


def _of_source(
    target: str,
    works: Sequence[FieldWork],
    ready: date,
    treated: Treatment | None,
    ran: Sequence[date] | None,
) -> list[Task]:
    first, last = ready, max(w.last_irrigation for w in works)

    def on(day: date, task: str, note: str) -> Task:
        return Task(day, day, task, target, None, None, note)

    filters = f"Open, clean, look for torn screens and lost media; note the head lost when clean. {PRESSURE}"
    made = [
        on(first - timedelta(days=WATER_TEST_DAYS), "test water", "Solids, pH, hardness, bicarbonate, iron, "
           "manganese, salt, bacteria; ask for a titration with the acid that is at hand."),
        on(first - timedelta(days=1), "service filter", filters),
    ]  # fmt: skip
    made += _treating(target, first + (last - first) / 2, treated)
    return made + [on(day, "service filter", filters) for day in _every(FLUSH_DAYS, first, last, ran)]


def _treating(target: str, middle: date, treated: Treatment | None) -> list[Task]:
    """Chlorine and acid in the middle of the season, a week apart; without an analysis no amount is given."""
    if treated is None:
        note = (
            "Test the water first: soft, clean water may need neither, and without an analysis or titration "
            f"no amount is given. Usually once a season or more. {CHEMICALS}"
        )
        return [Task(middle, middle, "treat with acid or chlorine", target, None, None, note)]
    acid_day = middle + timedelta(days=ACID_AFTER_DAYS)
    chlorine = f"{treated.chlorine_note} {CHEMICALS}"
    acid = f"{treated.acid_note} {CHEMICALS}"
    return [
        Task(
            middle,
            middle,
            "treat with chlorine",
            target,
            treated.chlorine_l,
            _litres(treated.chlorine_l),
            chlorine,
        ),
        Task(acid_day, acid_day, "treat with acid", target, treated.acid_l, _litres(treated.acid_l), acid),
    ]


def _litres(amount: float | None) -> str | None:
    return None if amount is None else "l"


EMPTYING = (
    "Pump locked out. Drain low points, filters and pump, ends open; flush injectors with clean water. "
    f"Blow out only within the makers' limits, never test with air. {PRESSURE}"
)


def _winter(last: date) -> Task:
    """The day after the pipes are last needed: trees keep their leaves for longer than their water."""
    day = last + timedelta(days=1)
    return Task(day, day + timedelta(days=13), "empty for winter", "farm", None, None, EMPTYING)


def _standing_still(target: str, ran: Sequence[date]) -> list[Task]:
    """Around each long standstill of a source: its pipes are emptied, and flushed before it runs again."""
    made = []
    for last, again in _standstills(ran):
        day, end = last + timedelta(days=1), last + timedelta(days=14)
        note = f"Nothing runs until {again:%d %B}: before frost, at the latest. {EMPTYING}"
        made.append(Task(day, end, "empty for winter", target, None, None, note))
        day = again - timedelta(days=1)
        for task, said in (
            ("flush mains", "After the standstill, filled slowly so that the air gets out: "),
            ("flush submains", "After the mains, "),
            ("flush laterals", "After the submains, "),
        ):
            note = f"{said}far ends open until the water is clear. {PRESSURE}"
            made.append(Task(day, day, task, target, None, None, note))
    return made


def _every(days: int, first: date, last: date, ran: Sequence[date] | None) -> list[date]:
    """Days at that distance after the first, up to the last, without those before which nothing ran.

    Nor are there any in a long standstill, for which the pipes are emptied.
    """
    found = [first + timedelta(days=n) for n in range(days, (last - first).days + 1, days)]
    if ran is None:
        return found
    still = _standstills(ran)
    since = [d for d in found if any(d - timedelta(days=days) < r <= d for r in ran)]
    return [d for d in since if not any(a < d < b for a, b in still)]


def _standstills(ran: Sequence[date]) -> list[tuple[date, date]]:
    """The last run before each long standstill, and the first after it."""
    return [(a, b) for a, b in pairwise(ran) if (b - a).days > STANDSTILL_DAYS]
