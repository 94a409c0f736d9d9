"""A file of irrigations that were given becomes records: what a user kept, or corrected in a plan's layer."""

from __future__ import annotations

import csv
import math
from datetime import date
from pathlib import Path

from farmgis.errors import InputError
from farmgis.records import GivenWater

NEEDED = ("date", "zone_id", "volume_m3")
PROBLEMS_SHOWN = 8


def read_given(path: str | Path) -> tuple[GivenWater, ...]:
    """The irrigations of a CSV file with the columns date, zone_id and volume_m3, in its order.

    Further columns are left alone, so that the layer `irrigations` can be exported, corrected and read.
    Raises InputError with file, line, column and value of all problems.
    """
    path = Path(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = csv.DictReader(file)
            lacking = [name for name in NEEDED if name not in (table.fieldnames or ())]
            if lacking:
                raise InputError(f"{path}, line 1: no column {', '.join(lacking)}; give {', '.join(NEEDED)}")
            rows = [(table.line_num, row) for row in table]
    except UnicodeDecodeError as bad:
        raise InputError(f"{path}: not a text file in UTF-8 ({bad.reason}); save it as CSV in UTF-8") from bad
    except (OSError, csv.Error) as bad:
        raise InputError(f"{path}: cannot be read as a CSV file ({bad})") from bad
    given: list[GivenWater] = []
    problems: list[str] = []
    for line, row in rows:
        made = _given(line, row)
        if isinstance(made, GivenWater):
            given.append(made)
        else:
            problems += made
    if problems:
        shown = "\n".join(f"  - {p}" for p in problems[:PROBLEMS_SHOWN])
        raise InputError(f"{path}: {len(problems)} problems\n{shown}")
    return tuple(given)


def _given(line: int, row: dict[str, str]) -> GivenWater | list[str]:
    problems = []
    text = (row["date"] or "").strip().replace("/", "-")[:10]
    try:
        day = date.fromisoformat(text)
    except ValueError:
        problems.append(f"line {line}, column date: {row['date']!r} is not a date like 2026-05-31")
    try:
        volume = float(row["volume_m3"] or "")
    except ValueError:
        volume = math.nan
    if not 0.0 <= volume < 1e9:
        problems.append(
            f"line {line}, column volume_m3: {row['volume_m3']!r} is no volume; give m3, 0 or more"
        )
    zone = (row["zone_id"] or "").strip()
    if not zone:
        problems.append(f"line {line}, column zone_id: it is empty; give the zone's id in the layer zones")
    return problems or GivenWater(day, zone, volume)
