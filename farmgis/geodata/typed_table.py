"""Tables that a person filled in, as spreadsheets save them: commas or semicolons between columns."""

from __future__ import annotations

import csv
import re

THOUSANDS = re.compile(r"[1-9]\d{0,2},\d{3}")
DECIMAL_COMMA = re.compile(r"\d*,\d+")


def parted_by(text: str) -> str:
    """What stands between the columns of a table, by its first line: a comma or a semicolon."""
    first = text.split("\n", 1)[0]
    return ";" if first.count(";") > first.count(",") else ","


def typed_rows(text: str) -> csv.DictReader[str]:
    """The rows of a table, its first line as names."""
    return csv.DictReader(text.splitlines(), delimiter=parted_by(text))


def typed_number(text: str, parted: str) -> float:
    """A number; where semicolons part the columns a comma is the decimal sign, unless it may part thousands.

    Raises ValueError, in words that follow the number.

    >>> typed_number("0.09", ","), typed_number("0,09", ";"), typed_number("1234,5", ";")
    (0.09, 0.09, 1234.5)
    """
    if parted == ";" and THOUSANDS.fullmatch(text):
        raise ValueError(f"may be {text.replace(',', '.')} or {text.replace(',', '')}")
    comma = parted == ";" and DECIMAL_COMMA.fullmatch(text)
    try:
        return float(text.replace(",", ".") if comma else text)
    except ValueError:
        raise ValueError("is no number") from None
