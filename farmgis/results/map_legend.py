"""The entries of a sheet's legend, for what the sheet shows and no more."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas
import shapely

from farmgis.results import map_layers as draw
from farmgis.results.map_frame import MapFrame
from farmgis.results.map_page import Page
from farmgis.results.map_panel import Entry, area_key, line_key, mark_key
from farmgis.results.plan_rows import Rows
from farmgis.results.styles import FITTINGS, HEADS, INK, MAINS, PALE, SUBMAINS, WARN

MOST_SHIFTS = 12


def farm_entries(rows: Rows, contours: bool) -> list[Entry]:
    """The legend of the farm's sheet."""
    refused = (rows["fields"].status == "not planned").any()
    return [
        *shift_entries(rows, rows["blocks"]),
        Entry(line_key(INK, 0.9), "Field boundary"),
        *([Entry(area_key(None, PALE, hatched=True), "Not planned")] if refused else []),
        *([Entry(line_key(draw.CONTOUR, 0.6), "Contour, 2 m apart")] if contours else []),
        Entry(line_key(SUBMAINS[2], 0.8), "Submain"),
        *pipe_entries(rows["mains"], MAINS, draw.main_width_pt, "Main"),
        Entry(mark_key("diamond", 2.1, INK), "Block valve"),
        *fitting_entries(rows["fittings"]),
        *works_entries(rows["headworks"]),
    ]


def field_entries(rows: Rows, own: Rows, frame: MapFrame, step: int, interval: float | None) -> list[Entry]:
    """The legend of a field's layout."""
    thin = f"Lateral; each {nth(step)} is drawn" if step > 1 else "Lateral"
    apart = f"Contour, {interval:g} m apart" if interval else ""
    return [
        *shift_entries(rows, own["blocks"]),
        Entry(line_key(draw.LATERAL, 0.5), thin),
        *pipe_entries(own["submains"], SUBMAINS, draw.submain_width_pt, "Submain"),
        *pipe_entries(near(rows["mains"], frame), MAINS, draw.trench_width_pt, "Main"),
        Entry(mark_key("diamond", 2.1, INK), "Block valve"),
        *fitting_entries(near(own["fittings"], frame)),
        *works_entries(near(rows["headworks"], frame)),
        Entry(mark_key("triangle_down", 1.9, WARN), "Lowest head at an emitter of the block"),
        Entry(mark_key("equilateral_triangle", 1.9, HEADS[-1]), "Highest head at an emitter of the block"),
        *([Entry(line_key(draw.CONTOUR, 0.6), apart)] if apart else []),
        *([Entry(_arrow_key, "Down the slope: mean of the block")] if apart else []),
    ]


def points_entries(rows: Rows, own: Rows, frame: MapFrame) -> list[Entry]:
    """The legend of a setting-out map."""
    return [
        Entry(mark_key("circle", 1.2, INK), "Point with its number in the table"),
        Entry(mark_key("diamond", 2.1, INK), "Block valve"),
        *pipe_entries(own["submains"], SUBMAINS, draw.submain_width_pt, "Submain"),
        *pipe_entries(near(rows["mains"], frame), MAINS, draw.main_width_pt, "Main"),
    ]


def _arrow_key(page: Page, x: float, y: float, wide: float) -> None:
    page.arrow((x, y), (x + wide, y), draw.CONTOUR, 20.0)


def near(frame: pandas.DataFrame, window: MapFrame) -> pandas.DataFrame:
    """The rows whose shapes a map shows."""
    box = shapely.box(*window.bounds)
    return frame[np.array([bool(shapely.intersects(box, s)) for s in frame["shape"]], dtype=bool)]


def shift_entries(rows: Rows, blocks: pandas.DataFrame) -> list[Entry]:
    """One entry a shift."""
    several = rows["zones"].source_id.nunique() > 1
    shifts = sorted({float(s) for s in blocks["shift"] if s == s})
    made = []
    for s in shifts[:MOST_SHIFTS]:
        tint = draw.thin_colour(draw.shift_colour(s), draw.TINT)
        words = f"Block of shift {s:.0f}" + (" of its source" if several else "")
        made.append(Entry(area_key(tint, "#4d4d4d"), words))
    return made


def pipe_entries(
    pipes: pandas.DataFrame, colours: Sequence[str], width_pt: Callable[[float], float], name: str
) -> list[Entry]:
    """One entry a size of pipe."""
    sizes = draw.sizes_drawn(pipes, colours)
    return [Entry(line_key(c, width_pt(s)), f"{name}, {s:.0f} mm") for s, c in sizes.items()]


def fitting_entries(fittings: pandas.DataFrame) -> list[Entry]:
    """One entry a kind of fitting."""
    made = []
    for kind, (shape, colour) in FITTINGS.items():
        if (fittings.kind == kind).any():
            key = mark_key(shape, 1.7, colour, INK)
            made.append(Entry(key, kind.capitalize()))
    return made


def works_entries(headworks: pandas.DataFrame) -> list[Entry]:
    """Pump and filter, where there are some."""
    return [Entry(mark_key("pentagon", 3.6, MAINS[-1]), "Pump and filter")] if len(headworks) else []


def nth(n: int) -> str:
    """A number as an ordinal.

    >>> nth(2), nth(3), nth(11), nth(21)
    ('2nd', '3rd', '11th', '21st')
    """
    return f"{n}{'th' if n % 100 in (11, 12, 13) else {1: 'st', 2: 'nd', 3: 'rd'}.get(n % 10, 'th')}"
