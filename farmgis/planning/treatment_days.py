"""Days for chlorine and acid: on which their source runs and nothing else is injected into its water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from farmgis.planning.irrigation_calendar import Irrigation
from farmgis.planning.nutrients import NutrientDose
from farmgis.planning.upkeep import ACID_AFTER_DAYS, Task
from farmgis.records import Shift


def on_free_days(
    tasks: Sequence[Task], runs: Sequence[Irrigation], doses: Sequence[NutrientDose], shifts: Sequence[Shift]
) -> tuple[Task, ...]:
    """The tasks, each treatment of a source moved to the nearest day that is free of doses.

    Chlorine meets neither ammonium nor urea then, and acid no salt that it would set free; they stay as many
    days apart as they were at least. A source without such a day keeps its own, and the task says so.
    """
    source_of = {s.zone_id: s.source_id or "farm" for s in shifts}
    made = list(tasks)
    for source in dict.fromkeys(source_of.values()):
        fed = {d.date for d in doses if source_of.get(d.zone_id) == source}
        free = sorted({r.date for r in runs if source_of.get(r.zone_id) == source} - fed)
        least: date | None = None
        for k in sorted(range(len(made)), key=lambda k: made[k].date):
            task = made[k]
            if task.target != source or not task.task.startswith("treat with"):
                continue
            earliest = task.date if least is None else max(task.date, least)
            made[k] = _moved(task, earliest, [d for d in free if least is None or d >= least], fed)
            least = made[k].date + timedelta(days=ACID_AFTER_DAYS)
    return tuple(made)


def _moved(task: Task, wanted: date, free: Sequence[date], fed: set[date]) -> Task:
    if not fed and not free:
        return task  # nothing runs in what is left of the season
    if not free:
        said = "No day of its source is free of doses: leave out those of the day, and of the night before."
        return replace(task, date=wanted, end_date=wanted, note=f"{said} {task.note}")
    day = min(free, key=lambda d: (abs((d - task.date).days), d))
    return replace(task, date=day, end_date=day)
