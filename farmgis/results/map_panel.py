"""What stands around a map: frame, corner coordinates, north arrow, scale bar, legend, title block."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from farmgis.results.map_frame import MARGIN_MM, MapFrame
from farmgis.results.map_page import WHITE, Colour, Page, fitted, wrapped
from farmgis.results.styles import INK, PALE

GAP_MM = 4.0

Key = Callable[[Page, float, float, float], None]
"""Draws a sample of a symbol: on a page, from x, at height y, as wide as the last."""


@dataclass(frozen=True)
class Entry:
    """A line of the legend."""

    draw: Key
    label: str


@dataclass(frozen=True)
class Titles:
    """What the title block says. `notes` are told below the legend."""

    farm: str
    sheet: str
    number: str
    crs: str
    made_by: str
    facts: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    entries: tuple[Entry, ...] = field(default=())


# ---- the frame --------------------------------------------------------------------------------------


def draw_frame(page: Page, frame: MapFrame) -> None:
    """The map's edge, its grid as small crosses, and coordinates at its four corners and its marks."""
    page.box(frame.left_mm, frame.bottom_mm, frame.width_mm, frame.height_mm, width_pt=0.9, zorder=19)
    step = grid_step_m(frame)
    west, south, east, north = frame.bounds
    for e in np.arange(np.ceil(west / step), np.floor(east / step) + 1) * step:
        x = frame.on_paper(np.array([[e, south]]))[0, 0]
        for y in (frame.bottom_mm, frame.bottom_mm + frame.height_mm):
            page.line([(x, y - 1.0), (x, y + 1.0)], INK, 0.4, zorder=19)
        if frame.left_mm + 36.0 < x < frame.left_mm + frame.width_mm - 36.0:
            page.text(x, frame.bottom_mm - 3.6, f"{e:,.0f}", 4.8, ha="center", colour=PALE)
        for n in np.arange(np.ceil(south / step), np.floor(north / step) + 1) * step:
            px, py = frame.on_paper(np.array([[e, n]]))[0]
            page.line([(px - 1.2, py), (px + 1.2, py)], PALE, 0.25, zorder=1)
            page.line([(px, py - 1.2), (px, py + 1.2)], PALE, 0.25, zorder=1)
    for n in np.arange(np.ceil(south / step), np.floor(north / step) + 1) * step:
        y = frame.on_paper(np.array([[west, n]]))[0, 1]
        for x in (frame.left_mm, frame.left_mm + frame.width_mm):
            page.line([(x - 1.0, y), (x + 1.0, y)], INK, 0.4, zorder=19)
        if frame.bottom_mm + 20.0 < y < frame.bottom_mm + frame.height_mm - 20.0:
            page.text(
                frame.left_mm - 1.8, y, f"{n:,.0f}", 4.8, ha="right", va="center", angle_deg=90.0, colour=PALE
            )
    _corners(page, frame)


def _corners(page: Page, frame: MapFrame) -> None:
    west, south, east, north = frame.bounds
    low, high = frame.bottom_mm - 3.8, frame.bottom_mm + frame.height_mm + 1.8
    left, right = frame.left_mm, frame.left_mm + frame.width_mm
    page.text(left, low, f"E {west:,.1f}  N {south:,.1f}", 5.2)
    page.text(right, low, f"E {east:,.1f}  N {south:,.1f}", 5.2, ha="right")
    page.text(left, high, f"E {west:,.1f}  N {north:,.1f}", 5.2)
    page.text(right, high, f"E {east:,.1f}  N {north:,.1f}", 5.2, ha="right")


def grid_step_m(frame: MapFrame) -> float:
    """Distance between the marks of the grid: round, and 40 to 100 mm on paper. [m]"""
    return _round_down(100.0 * frame.scale / 1000.0)


def _round_down(most: float) -> float:
    power = 10.0 ** np.floor(np.log10(most))
    return float(next(k * power for k in (5.0, 2.0, 1.0) if k * power <= most * (1.0 + 1e-9)))


# ---- the panel --------------------------------------------------------------------------------------


def draw_panel(page: Page, frame: MapFrame | None, titles: Titles) -> None:
    """The panel at the right of the page, from the title at its top to the signatures at its foot."""
    paper = page.paper
    x = paper.width_mm - MARGIN_MM - paper.panel_mm + GAP_MM
    width = paper.panel_mm - GAP_MM
    top = paper.height_mm - MARGIN_MM
    page.box(x - GAP_MM / 2.0, MARGIN_MM, width + GAP_MM / 2.0, top - MARGIN_MM, width_pt=0.9)
    inner, wide = x, width - GAP_MM / 2.0
    y = _heading(page, inner, wide, top, titles)
    y = _facts(page, inner, wide, y, titles.facts)
    foot = _foot(page, inner, wide, titles)
    if frame is not None:
        y = _scale(page, inner, wide, y, frame, titles.crs)
    y = _legend(page, inner, y, foot, titles.entries)
    for note in titles.notes:
        for line in wrapped(note, wide, 5.2):
            y -= 2.6
            if y < foot + 1.0:
                return
            page.text(inner, y, line, 5.2)
        y -= 0.8


def _heading(page: Page, x: float, wide: float, top: float, titles: Titles) -> float:
    page.text(x, top - 7.0, fitted(titles.farm, wide, 12.0, bold=True), 12.0, bold=True)
    y = top - 7.0
    for line in wrapped(titles.sheet, wide, 8.5, 3):
        y -= 5.0
        page.text(x, y, line, 8.5)
    page.line([(x, y - 2.2), (x + wide, y - 2.2)], INK, 0.5)
    return y - 2.2


def _facts(page: Page, x: float, wide: float, y: float, facts: Sequence[tuple[str, str]]) -> float:
    for name, value in facts:
        y -= 3.5
        page.text(x, y, name, 5.6, colour="#555555")
        page.text(x + wide, y, fitted(value, 0.62 * wide, 5.8), 5.8, ha="right")
    if facts:
        page.line([(x, y - 1.8), (x + wide, y - 1.8)], INK, 0.5)
        y -= 1.8
    return y


def _scale(page: Page, x: float, wide: float, y: float, frame: MapFrame, crs: str) -> float:
    """The scale in words, its bar, the north arrow and the coordinate system."""
    page.text(x, y - 6.0, f"1 : {frame.scale:,.0f}".replace(",", " "), 10.0, bold=True)
    page.text(x, y - 9.4, f"on {frame.paper.name}, printed at 100 %", 5.4)
    length_m = _round_down((wide - 16.0) * frame.scale / 1000.0)
    bar = 1000.0 * length_m / frame.scale
    for k in range(4):
        shade = INK if k % 2 == 0 else WHITE
        page.box(x + k * bar / 4.0, y - 15.0, bar / 4.0, 1.6, shade, width_pt=0.4)
    for k in (0, 2, 4):
        told = f"{k * length_m / 4.0:g}" + (" m" if k == 4 else "")
        page.text(x + k * bar / 4.0, y - 18.2, told, 5.4, ha="left" if k == 0 else "center")
    _north(page, x + wide - 5.0, y - 12.0)
    y -= 19.4
    for line in wrapped(f"Coordinates {crs}, metres; grid north", wide, 5.2, 3):
        y -= 2.6
        page.text(x, y, line, 5.2)
    page.line([(x, y - 1.8), (x + wide, y - 1.8)], INK, 0.5)
    return y - 1.8


def _north(page: Page, x: float, y: float) -> None:
    left = [(x, y + 6.5), (x - 2.3, y - 2.5), (x, y - 0.8)]
    right = [(x, y + 6.5), (x + 2.3, y - 2.5), (x, y - 0.8)]
    for half, shade in ((left, INK), (right, WHITE)):
        page.areas([[np.array(half)]], shade, zorder=20.0)
    page.text(x, y + 7.2, "N", 7.0, ha="center", bold=True)


def _legend(page: Page, x: float, y: float, foot: float, entries: Sequence[Entry]) -> float:
    for entry in entries:
        y -= 3.9
        if y < foot + 2.0:
            return y
        entry.draw(page, x, y + 0.9, 8.0)
        page.text(x + 10.0, y, fitted(entry.label, page.paper.panel_mm - 17.0, 5.6), 5.6)
    if entries:
        y -= 1.6
    return y


def _foot(page: Page, x: float, wide: float, titles: Titles) -> float:
    """Who made it, who looked at it, the sheet's number; returns the height where it begins. [mm]"""
    y = MARGIN_MM + 3.0
    page.text(x, y, titles.made_by, 4.8, colour="#555555")
    page.text(x + wide, y, titles.number, 7.0, ha="right", bold=True)
    y += 4.4
    for words in ("Checked on the ground", "Approved"):
        page.line([(x + 26.0, y), (x + wide, y)], PALE, 0.4)
        page.text(x, y, words, 5.2)
        y += 5.6
    page.line([(x, y - 1.0), (x + wide, y - 1.0)], INK, 0.5)
    return y - 1.0


# ---- samples for the legend -------------------------------------------------------------------------


def line_key(colour: str, width_pt: float, dashed: bool = False) -> Key:
    """A sample of a line."""

    def draw(page: Page, x: float, y: float, wide: float) -> None:
        page.line([(x, y), (x + wide, y)], colour, width_pt, dashed=dashed)

    return draw


def area_key(face: Colour | None, edge: Colour, hatched: bool = False) -> Key:
    """A sample of an area."""

    def draw(page: Page, x: float, y: float, wide: float) -> None:
        page.box(x, y - 1.2, wide, 2.4, face, edge=edge, hatched=hatched)

    return draw


def mark_key(shape: str, size_mm: float, colour: str, edge: Colour = WHITE) -> Key:
    """A sample of a marker."""

    def draw(page: Page, x: float, y: float, wide: float) -> None:
        page.marks([(x + wide / 2.0, y)], shape, size_mm, colour, edge, zorder=20.0)

    return draw
