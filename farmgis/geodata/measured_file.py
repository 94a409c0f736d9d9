"""What was measured in the field: the sheet of test points, filled in."""

from __future__ import annotations

import csv
import math
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from farmgis.errors import InputError
from farmgis.geodata import gate
from farmgis.geodata.typed_table import parted_by, typed_number, typed_rows
from farmgis.prices import Measured

KPA_A_METRE = 9.80665
"""Pressure of a metre of water, at standard gravity and 1000 kg/m3. [kPa/m]"""

FLOWS = {"flow_l_h": 1.0, "flow_m3h": 1000.0}
HEADS = {"head_m": 1.0, "pressure_kpa": 1.0 / KPA_A_METRE, "pressure_bar": 100.0 / KPA_A_METRE}
COLUMNS = (*FLOWS, "volume_ml", "seconds", *HEADS)
MOST_BYTES = 20_000_000
MOST_PROBLEMS = 8


def read_measured(path: str | Path, known: Collection[str]) -> dict[str, Measured]:
    """What was measured, by point; `known` are the plan's points. A blank is nothing measured, 0 is kept.

    CSV with `point_id` and, as far as measured, a flow (`flow_l_h`, `flow_m3h`, or `volume_ml` caught in
    `seconds`) and a head (`head_m`, `pressure_kpa`, `pressure_bar`). Raises InputError with the lines that
    cannot be used.
    """
    file = gate.local_file(path, "measured")
    reader, names, parted = _reader(file)
    found: dict[str, Measured] = {}
    problems: list[str] = []
    for row in reader:
        cells = {k: (row.get(n) or "").strip() for k, n in names.items()}
        try:
            one = _measured(cells, known, parted)
        except ValueError as error:
            problems.append(f"line {reader.line_num}: {error}")
            continue
        if one is not None and one.point_id in found:
            problems.append(f"line {reader.line_num}: {one.point_id} stands there twice")
        elif one is not None:
            found[one.point_id] = one
    if problems:
        more = f"; and {len(problems) - MOST_PROBLEMS} more" if len(problems) > MOST_PROBLEMS else ""
        raise InputError(f"measured {file.name}: {'; '.join(problems[:MOST_PROBLEMS])}{more}")
    if not found:
        raise InputError(f"measured {file.name}: nothing is filled in; give a flow or a head for some points")
    return found


def _reader(file: Path) -> tuple[csv.DictReader[str], Mapping[str, str], str]:
    """The rows, the file's own name of each column that is used, and what parts its columns."""
    if file.stat().st_size > MOST_BYTES:
        raise InputError(f"measured {file.name}: over {MOST_BYTES / 1e6:.0f} MB: this is no sheet of points")
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"measured {file.name}: not UTF-8 text; save it as UTF-8 CSV") from None
    reader = typed_rows(text)
    names = {" ".join((n or "").split()).lower(): n for n in reader.fieldnames or ()}
    used = {k: names[k] for k in ("point_id", *COLUMNS) if k in names}
    if "point_id" not in used or not set(used) & {*FLOWS, "volume_ml", *HEADS}:
        raise InputError(
            f"measured {file.name}: columns point_id and one of {', '.join(COLUMNS)} are needed "
            f"(found {', '.join(n for n in names if n) or 'nothing'})"
        )
    return reader, used, parted_by(text)


def _measured(cells: Mapping[str, str], known: Collection[str], parted: str) -> Measured | None:
    """A row; None where nothing is filled in. Raises ValueError."""
    numbers = {k: _number(k, v, parted) for k, v in cells.items() if k != "point_id" and v}
    if not numbers:
        return None
    point = cells["point_id"]
    if point not in known:
        raise ValueError(f"{point!r} is no point of the plan; take the ids from its layer test_points")
    return Measured(point, _flow_l_h(numbers), next(_heads(numbers), None))


def _number(key: str, text: str, parted: str) -> float:
    try:
        value = typed_number(text, parted)
    except ValueError as problem:
        raise ValueError(f"{key} {text!r} {problem}; write it as 12.5") from None
    if not math.isfinite(value) or value < 0.0:
        raise ValueError(f"{key} {text} is not from 0 up")
    return value


def _flow_l_h(numbers: Mapping[str, float]) -> float | None:
    for key, factor in FLOWS.items():
        if key in numbers:
            return numbers[key] * factor
    if "volume_ml" not in numbers:
        return None
    if numbers.get("seconds", 0.0) <= 0.0:
        raise ValueError("volume_ml needs the seconds in which it was caught")
    return numbers["volume_ml"] / numbers["seconds"] * 3.6


def _heads(numbers: Mapping[str, float]) -> Iterator[float]:
    yield from (numbers[key] * factor for key, factor in HEADS.items() if key in numbers)
