"""The user's prices: the section of the farm file, and the table of items that it names."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from farmgis.errors import InputError
from farmgis.geodata import gate
from farmgis.geodata.typed_table import parted_by, typed_number, typed_rows
from farmgis.prices import Life, Price, Prices, plain
from farmgis.records import Pipe

COLUMNS = ("item", "size", "unit", "unit_price")
MOST_BYTES = 4_000_000
MOST_PROBLEMS = 8


def prices_of(document: Mapping[str, Any], folder: Path) -> Prices:
    """The prices of a checked farm file, those of its table among them; a path is relative to `folder`."""
    given = dict(document.get("prices", {}))
    file = given.pop("file", None)
    life = Life(**given.pop("life", {}))
    items = () if file is None else read_prices(gate.local_file(str(folder / file), "prices"))
    return Prices(items=items, life=life, **given)


def priced_pipes(pipes: Sequence[Pipe], prices: Prices) -> tuple[Pipe, ...]:
    """Pipes with the price that the table has for them, as main or as submain pipe."""
    listed = {
        plain(p.size): p.unit_price
        for p in prices.items
        if p.item.casefold() in ("submain pipe", "main pipe", "pipe") and p.unit == "m" and p.size
    }
    return tuple(replace(p, price_m=listed.get(plain(_size(p)), p.price_m)) if listed else p for p in pipes)


def _size(pipe: Pipe) -> str:
    return f"{pipe.material}, {pipe.nominal_mm:g} mm, {pipe.pressure_class_bar:g} bar"


def read_prices(path: Path) -> tuple[Price, ...]:
    """The rows of a price table: CSV with item, size, unit and unit_price, further columns left alone.

    Raises InputError with the lines that cannot be used.
    """
    text = _text(path)
    reader = typed_rows(text)
    names = {" ".join((n or "").split()).lower(): n for n in reader.fieldnames or ()}
    lacking = [c for c in COLUMNS if c not in names]
    if lacking:
        found = ", ".join(n for n in names if n) or "nothing"
        raise InputError(
            f"prices {path.name}: no column {', '.join(lacking)}; the first line should be "
            f"{','.join(COLUMNS)} (found {found})"
        )
    prices, problems = _prices(reader, names, parted_by(text))
    if problems:
        more = f"; and {len(problems) - MOST_PROBLEMS} more" if len(problems) > MOST_PROBLEMS else ""
        raise InputError(f"prices {path.name}: {'; '.join(problems[:MOST_PROBLEMS])}{more}")
    return tuple(prices)


def _text(path: Path) -> str:
    if path.stat().st_size > MOST_BYTES:
        raise InputError(f"prices {path.name}: over {MOST_BYTES / 1e6:.0f} MB: this is no price table")
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"prices {path.name}: not UTF-8 text; save the file as UTF-8 CSV") from None


def _prices(
    reader: csv.DictReader[str], names: Mapping[str, str | None], parted: str
) -> tuple[list[Price], list[str]]:
    prices: list[Price] = []
    problems: list[str] = []
    lines: dict[tuple[str, str], int] = {}
    for row in reader:
        cells = {c: " ".join((row.get(names[c] or "") or "").split()) for c in COLUMNS}
        if not any(cells.values()):
            continue
        wrong = list(_wrong(cells, lines, parted))
        problems += [f"line {reader.line_num}: {text}" for text in wrong]
        lines.setdefault((plain(cells["item"]), plain(cells["size"])), reader.line_num)
        if not wrong:
            price = typed_number(cells["unit_price"], parted)
            prices.append(Price(cells["item"], cells["size"], cells["unit"], price))
    return prices, problems


def _wrong(cells: Mapping[str, str], lines: Mapping[tuple[str, str], int], parted: str) -> Iterator[str]:
    """What is wrong with a row, in words."""
    yield from (f"{key} is empty" for key in ("item", "unit", "unit_price") if not cells[key])
    before = lines.get((plain(cells["item"]), plain(cells["size"])))
    if before is not None:
        yield f"{cells['item']!r} of size {cells['size']!r} stands in line {before} already"
    try:
        price = typed_number(cells["unit_price"] or "0", parted)
    except ValueError as problem:
        yield f"unit_price {cells['unit_price']!r} {problem}; write it as 1234.5"
        return
    if not math.isfinite(price) or price < 0.0:
        yield f"unit_price {cells['unit_price']} is not from 0 up"
