"""What to buy and what it costs, as CSV and as a spreadsheet; the same plan gives the same bytes."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from farmgis.layers import LAYERS, Column
from farmgis.records import Plan, Table
from farmgis.results.whole_file import check_file, csv_text, write_whole

SHEETS = ("quantities", "field_quantities", "costs")
MADE = datetime(2000, 1, 1)  # no file tells when it was made
WIDEST, NARROWEST = 44, 10


def check_quantity_files(csv: Path, sheet: Path, overwrite: bool = False) -> None:
    """Refuse, with an OutputError, files that must not be replaced."""
    for path in (csv, sheet):
        check_file(path, overwrite)


def write_quantity_files(csv: Path, sheet: Path, plan: Plan, overwrite: bool = False) -> tuple[Path, Path]:
    """Write `quantities` as CSV, and it with quantities by field and costs as a spreadsheet (.xlsx)."""
    columns, rows = cells_of(plan, "quantities")
    text = csv_text([c.name for c in columns], rows)
    book = spreadsheet(plan)
    return write_whole(csv, text, overwrite), write_whole(sheet, book, overwrite)


def cells_of(plan: Plan, layer: str) -> tuple[tuple[Column, ...], list[list[Any]]]:
    """Return (the layer's columns, its rows as plain values, None where there is nothing)."""
    columns = LAYERS[layer].columns
    table = plan.tables.get(layer, Table({}))
    if not table.columns:
        return columns, []
    values = [[_plain(v) for v in np.asarray(table.columns[c.name]).tolist()] for c in columns]
    return columns, [list(row) for row in zip(*values, strict=True)]


def _plain(value: Any) -> Any:
    """A value as a reader wants it: nothing for a gap, numbers to a thousandth."""
    if value is None or value != value:
        return None
    return round(value, 3) if isinstance(value, float) else value


def spreadsheet(plan: Plan) -> bytes:
    """The workbook: a sheet a layer, numbers as numbers, text as text that is never run."""
    import xlsxwriter

    made = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(made, options)
    book.set_properties({"title": _printable(plan.name), "created": MADE})
    head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
    number = book.add_format({"num_format": "#,##0.00"})
    whole = book.add_format({"num_format": "#,##0"})
    for layer in SHEETS:
        columns, rows = cells_of(plan, layer)
        page = book.add_worksheet(LAYERS[layer].title)
        page.freeze_panes(1, 0)
        page.set_landscape()
        page.fit_to_pages(1, 0)
        page.repeat_rows(0)
        for j, column in enumerate(columns):
            told = column.unit.replace("currency", plan.currency or "currency")
            unit = "" if told in ("-", "see unit") else f" ({told})"
            page.write_string(0, j, _printable(column.title.split(" (")[0] + unit), head)
            page.set_column(j, j, _width(column, [row[j] for row in rows]))
            for i, row in enumerate(rows, start=1):
                if isinstance(row[j], str):
                    page.write_string(i, j, _printable(row[j]))
                elif row[j] is not None:
                    page.write_number(i, j, row[j], whole if column.kind == "integer" else number)
    book.close()
    return made.getvalue()


def _width(column: Column, cells: Sequence[Any]) -> int:
    widest = max([len(c) for c in cells if isinstance(c, str)], default=NARROWEST)
    return min(max(widest + 1, NARROWEST, max(map(len, column.title.split()))), WIDEST)


def _printable(text: str) -> str:
    """Text without the control characters that no spreadsheet may hold."""
    return "".join(c for c in text if c in "\t\n" or ord(c) >= 32)
