"""Sheets that are tables: points to set out, fields, valves, fittings."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import shapely

from farmgis import __version__
from farmgis.results.map_frame import A3, A4, MARGIN_MM, Paper
from farmgis.results.map_page import Page, table
from farmgis.results.map_points import Point
from farmgis.results.plan_rows import Rows

DIG = (
    "Before digging: have buried pipes and cables located. Deep trenches need support; nobody works in "
    "one alone. Local codes come first."
)
ROW_MM = 3.7


@dataclass(frozen=True)
class Columns:
    """A kind of table: heads, widths in millimetres; `across` tables stand side by side on a sheet.

    Columns whose head has a unit are numbers and stand at the right.
    """

    heads: tuple[str, ...]
    widths: tuple[float, ...]
    across: int = 1
    size_pt: float = 5.6
    paper: Paper = A3
    row_mm: float = ROW_MM
    foot: str = DIG

    @property
    def rows(self) -> int:
        """Rows that a sheet holds, one below the other."""
        return int((self.paper.height_mm - 2.0 * MARGIN_MM - 12.0) / self.row_mm) - 1


POINTS = Columns(
    ("no.", "block", "what", "east (m)", "north (m)", "height (m)"),
    (9.0, 22.0, 47.0, 20.0, 21.0, 15.0), 2, 5.6, A4,
)  # fmt: skip
FIELDS = Columns(
    ("field", "crop", "irrigated (ha)", "blocks (number)", "flow (m³/h)", "mean slope (%)", "rows run (°)",
     "line", "source", "status"),
    (92.0, 32.0, 26.0, 28.0, 24.0, 28.0, 24.0, 64.0, 48.0, 26.0),
)  # fmt: skip
VALVES = Columns(
    ("valve", "block", "source", "size (mm)", "flow (m³/h)", "set head (m)", "needed before it (m)",
     "there is (m)", "regulated", "east (m)", "north (m)", "height (m)"),
    (52.0, 48.0, 44.0, 20.0, 24.0, 24.0, 34.0, 28.0, 22.0, 34.0, 36.0, 24.0),
)  # fmt: skip
FITTINGS = Columns(
    ("no.", "fitting", "kind", "size (mm)", "on", "east (m)", "north (m)", "height (m)", "reason"),
    (12.0, 48.0, 34.0, 18.0, 48.0, 28.0, 30.0, 22.0, 154.0),
)

Draw = Callable[[str], Page]


def table_sheets(title: str, under: str, columns: Columns, lines: Sequence[Sequence[str]]) -> list[Draw]:
    """Sheets with a table, as many as its lines need. `under` stands below the title."""
    many = columns.rows * columns.across
    return [_drawer(title, under, columns, lines[k : k + many]) for k in range(0, len(lines), many)]


def _drawer(title: str, under: str, columns: Columns, lines: Sequence[Sequence[str]]) -> Draw:
    def draw(number: str) -> Page:
        page, rows = Page(columns.paper), columns.rows
        top, right = page.paper.height_mm - MARGIN_MM, page.paper.width_mm - MARGIN_MM
        page.text(MARGIN_MM, top - 3.0, title[:110], 8.5, bold=True)
        page.text(MARGIN_MM, top - 7.0, under, 5.6)
        page.text(right, MARGIN_MM - 5.0, number, 7.0, ha="right", bold=True)
        page.text(
            MARGIN_MM,
            MARGIN_MM - 5.0,
            f"Made by farmgis {__version__}. {columns.foot}",
            4.8,
            colour="#555555",
        )
        numbers = frozenset(i for i, head in enumerate(columns.heads) if "(" in head)
        for k in range(0, len(lines), rows):
            x = MARGIN_MM + k // rows * (sum(columns.widths) + 2.0)
            part = lines[k : k + rows]
            table(
                page,
                x,
                top - 10.0,
                columns.heads,
                columns.widths,
                part,
                columns.size_pt,
                columns.row_mm,
                numbers,
            )
        return page

    return draw


def point_lines(points: Sequence[Point]) -> list[list[str]]:
    """Points to set out, as lines of their table."""
    return [
        [str(p.number), p.block_id, p.what, f"{p.x_m:.2f}", f"{p.y_m:.2f}", number(p.z_m, 2)] for p in points
    ]


def field_lines(rows: Rows) -> Iterator[list[str]]:
    """Fields, as lines of their table."""
    for f in rows["fields"].itertuples():
        yield [
            field_title(f), f.crop or "",
            number(f.irrigated_ha, 1), number(f.blocks, 0), number(f.flow_m3h, 0),
            number(f.slope_mean_pct, 1), number(f.row_azimuth_deg, 0), f.dripline or "", f.source_id or "",
            f.status or "",
        ]  # fmt: skip


def valve_lines(rows: Rows) -> Iterator[list[str]]:
    """Valves, as lines of their table."""
    for v in rows["valves"].itertuples():
        x, y = shapely.get_coordinates(v.shape)[0]
        yield [
            v.valve_id or "", v.block_id or "", v.source_id or "", number(v.nominal_mm, 0),
            number(v.flow_m3h, 1), number(v.set_head_m, 1), number(v.required_head_m, 1),
            number(v.available_head_m, 1, "not planned"), "yes" if v.regulated else "no",
            f"{x:.2f}", f"{y:.2f}", number(v.elevation_m, 2),
        ]  # fmt: skip


def fitting_lines(rows: Rows) -> Iterator[list[str]]:
    """Fittings, as lines of their table, numbered as on the maps."""
    for k, f in enumerate(rows["fittings"].itertuples(), start=1):
        x, y = shapely.get_coordinates(f.shape)[0]
        yield [
            str(k), f.fitting_id or "", f.kind or "", number(f.size_mm, 0), f.on_id or "",
            f"{x:.2f}", f"{y:.2f}", number(f.elevation_m, 2), f.reason or "",
        ]  # fmt: skip


def field_title(row: Any) -> str:
    """A field by its name and id."""
    return f"{row.name} ({row.field_id})" if row.name else str(row.field_id)


def number(value: float | None, digits: int, gap: str = "") -> str:
    """A number as it is printed; `gap` where there is none."""
    return gap if value is None or value != value else f"{value:,.{digits}f}"
