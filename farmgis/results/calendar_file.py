"""The season as an iCalendar file (RFC 5545), which calendars of phones and desktops read.

Times are floating: the hour of the day on the farm, wherever it is. The same plan gives the same bytes.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from farmgis.errors import OutputError
from farmgis.records import Plan, Table
from farmgis.results.whole_file import remove, write_whole
from farmgis.words import amount_words, three_figures

LINE_OCTETS = 75  # RFC 5545, section 3.1: no longer, without the line break
IDS = uuid.UUID("6f1d3a52-3c0b-5f5e-9a5e-8a3f0c6d7b21")  # drawn once; event ids are derived from it

INJECTING = (
    "Only with backflow prevention proven, and the injector locked to the pump. Goggles, gloves; label and "
    "local code go before this."
)


def check_calendar(path: Path | str, overwrite: bool = False) -> None:
    """Refuse, with an OutputError, a calendar file that must not be replaced."""
    target = Path(path)
    if target.is_dir():
        raise OutputError(f"{target}: this is a folder; give the plan another one")
    if target.exists() and not overwrite:
        raise OutputError(f"{target}: it is there already; add --overwrite to replace it, or name another")


def write_calendar(path: Path | str, plan: Plan, overwrite: bool = False) -> Path | None:
    """Write a plan's season, whole or not at all; None where it has none, and then none is left there."""
    target = Path(path)
    check_calendar(target, overwrite)
    text = calendar_text(plan)
    if text is None:
        remove(target)
        return None
    return write_whole(target, text.encode("utf-8"), overwrite)


def calendar_text(plan: Plan) -> str | None:
    """The plan's irrigations, injections and tasks as iCalendar; None where there are none.

    Days are those of the layers, moved to the season that is stated (`Plan.season_shift_days`).
    """
    shift = timedelta(days=plan.season_shift_days)
    events = [
        *(_irrigation(plan.name, row, shift) for row in _rows(plan.tables.get("irrigations"))),
        *(_dose(plan.name, row, shift) for row in _rows(plan.tables.get("nutrient_doses"))),
        *(_task(plan.name, row, shift) for row in _rows(plan.tables.get("season_tasks"))),
    ]
    if not events:
        return None
    _tell_apart(events)
    stamp = f"{min(e['DTSTART'] for e in events)[:8]}T000000Z"
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//farmgis//season//EN", "CALSCALE:GREGORIAN"]
    for event in events:
        lines += ["BEGIN:VEVENT", f"UID:{event.pop('UID')}", f"DTSTAMP:{stamp}"]
        kind = ";VALUE=DATE" if "T" not in event["DTSTART"] else ""
        lines += [f"{k}{kind if k.startswith('DT') else ''}:{value}" for k, value in event.items()]
        lines.append("END:VEVENT")
    lines.append("END:VCALENDAR")
    return "".join(f"{folded(line)}\r\n" for line in lines)


def escaped(text: str) -> str:
    r"""Text as a TEXT value (RFC 5545, section 3.3.11).

    >>> print(escaped("a, b; c"))
    a\, b\; c
    """
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    plain = "".join(c for c in plain if c in "\n\t" or (ord(c) >= 32 and ord(c) != 127))
    return plain.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def folded(line: str) -> str:
    """A content line in pieces of at most 75 octets, the later ones behind a space; no letter is cut."""
    pieces, piece, octets = [], "", 0
    for letter in line:
        size = len(letter.encode("utf-8"))
        if octets + size > LINE_OCTETS:
            pieces.append(piece)
            piece, octets = "", 1  # the space that begins a continued line counts
        piece, octets = piece + letter, octets + size
    return "\r\n ".join([*pieces, piece])


def _rows(table: Table | None) -> Iterator[dict[str, Any]]:
    if table is None or not table.columns:
        return
    for values in zip(*table.columns.values(), strict=True):
        yield dict(zip(table.columns, values, strict=True))


def _irrigation(name: str, row: Mapping[str, Any], shift: timedelta) -> dict[str, str]:
    day: date = row["date"] + shift
    begin = datetime.combine(day, time.fromisoformat(row["start"]))
    # its start is a full minute, cut off: so is its end, or it would run into the next zone's
    end = begin + timedelta(minutes=max(1, int(60.0 * row["hours"] + 1e-6)))
    told = f"{row['gross_mm']:.1f} mm, {row['volume_m3']:,.0f} m3, {row['hours']:.1f} h: {row['purpose']}"
    told += f". Opens {row['blocks']}" if row.get("blocks") else ""
    return {
        "UID": _uid(name, "irrigation", row["zone_id"], f"{begin:%Y%m%dT%H%M}"),
        "DTSTART": f"{begin:%Y%m%dT%H%M%S}",
        "DTEND": f"{end:%Y%m%dT%H%M%S}",
        "SUMMARY": escaped(f"Irrigate {row['zone_id']}"),
        "DESCRIPTION": escaped(told + (f" (design year, day of {row['date']:%d %B %Y})" if shift else "")),
        "CATEGORIES": "IRRIGATION",
    }


def _dose(name: str, row: Mapping[str, Any], shift: timedelta) -> dict[str, str]:
    day: date = row["date"] + shift
    begin = datetime.combine(day, time.fromisoformat(row["inject_start"]))
    end = datetime.combine(day, time.fromisoformat(row["inject_end"]))
    end += timedelta(days=1 if end < begin else 0)
    end = max(end, begin + timedelta(minutes=1))
    told = (
        f"{three_figures(row['product_kg'])} kg in {three_figures(row['stock_l'])} l of stock, "
        f"{three_figures(row['inject_l_h'])} l/h; "
        f"then {math.ceil(row['rinse_min'])} min of clean water. {INJECTING}"
    )
    return {
        "UID": _uid(name, "injection", row["zone_id"], row["product"], f"{begin:%Y%m%dT%H%M}"),
        "DTSTART": f"{begin:%Y%m%dT%H%M%S}",
        "DTEND": f"{end:%Y%m%dT%H%M%S}",
        "SUMMARY": escaped(f"Inject {row['product']}: {row['zone_id']}"),
        "DESCRIPTION": escaped(told),
        "CATEGORIES": "INJECTION",
    }


def _task(name: str, row: Mapping[str, Any], shift: timedelta) -> dict[str, str]:
    first, last = row["date"] + shift, row["end_date"] + shift
    amount = f"{amount_words(row['quantity'], row['unit'])}. " if row["unit"] else ""
    return {
        "UID": _uid(name, row["task"], row["target"], f"{first:%Y%m%d}"),
        "DTSTART": f"{first:%Y%m%d}",
        "DTEND": f"{last + timedelta(days=1):%Y%m%d}",
        "SUMMARY": escaped(f"{row['task'][:1].upper()}{row['task'][1:]}: {row['target']}"),
        "DESCRIPTION": escaped(f"{amount}{row['note']}"),
        "CATEGORIES": "TASK",
        "TRANSP": "TRANSPARENT",
    }


def _tell_apart(events: Sequence[dict[str, str]]) -> None:
    """Give each event an id of its own, where two tell of the same work at the same place and time."""
    seen: dict[str, int] = {}
    for event in events:
        uid = event["UID"]
        seen[uid] = seen.get(uid, 0) + 1
        if seen[uid] > 1:
            event["UID"] = _uid(uid, str(seen[uid]))


def _uid(*parts: str) -> str:
    return str(uuid.uuid5(IDS, "\x1f".join(parts)))
