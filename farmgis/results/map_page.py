"""An empty page in millimetres: what is put on it is drawn later, by height over the paper."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from farmgis.records import Floats
from farmgis.results.map_fonts import text_width_pt
from farmgis.results.map_frame import Paper
from farmgis.results.styles import INK, PALE

if TYPE_CHECKING:
    from farmgis.results.map_pen import Pen

MM_PER_INCH = 25.4
POINTS_PER_MM = 72.0 / MM_PER_INCH
WHITE = "#ffffff"

Box = tuple[float, float, float, float]
"""Left, bottom, width, height. [mm]"""

Colour = str | tuple[float, float, float]
"""As #rrggbb, or as red, green and blue of 0 to 1."""


@dataclass(frozen=True)
class Look:
    """How text stands: its size, and which part of it is at its place."""

    size_pt: float
    colour: Colour = INK
    bold: bool = False
    ha: str = "left"
    va: str = "baseline"
    angle_deg: float = 0.0
    halo: bool = False


class Page:
    """A page of paper; every place and size is in millimetres from its lower left corner."""

    def __init__(self, paper: Paper) -> None:
        """An empty page of the paper."""
        self.paper = paper
        self._things: list[tuple[float, Callable[[Pen], None]]] = []

    def draw(self, pen: Pen) -> None:
        """Draw all that was put on the page, the lowest first."""
        for _, thing in sorted(self._things, key=lambda t: t[0]):
            thing(pen)

    def text(
        self, x: float, y: float, text: str, size_pt: float = 6.5, zorder: float = 20.0, **more: Any
    ) -> None:
        """Write one line; by default its lower left corner stands at the place. `more` as in `Look`."""
        look = Look(size_pt, **more)
        self._things.append((zorder, lambda pen: pen.text(x, y, printable(text), look)))

    def line(self, xy: Any, colour: Colour = INK, width_pt: float = 0.5, **more: Any) -> None:
        """Draw a line through points of shape (n, 2)."""
        self.lines([np.asarray(xy, dtype=float)], colour, width_pt, **more)

    def lines(
        self, lines: Sequence[Floats], colour: Colour, width_pt: float, zorder: float = 18.0,
        dashed: bool = False, within: Box | None = None,
    ) -> None:  # fmt: skip
        """Draw lines, each of shape (n, 2), as far as they lie within a box."""
        if lines:
            self._things.append((zorder, lambda pen: pen.lines(lines, colour, width_pt, dashed, within)))

    def areas(
        self, areas: Sequence[Sequence[Floats]], face: Colour | None, edge: Colour | None = INK,
        width_pt: float = 0.5, zorder: float = 18.0, hatched: bool = False, within: Box | None = None,
    ) -> None:  # fmt: skip
        """Draw areas, each of rings of shape (n, 2), the first its outline and the others its holes."""
        if areas:
            self._things.append((zorder, lambda pen: pen.areas(areas, face, edge, width_pt, hatched, within)))

    def box(
        self, x: float, y: float, width: float, height: float, face: Colour | None = None, **more: Any
    ) -> None:
        """Draw a rectangle from its lower left corner."""
        ring = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
        self.areas([[ring]], face, **more)

    def marks(
        self, places: Iterable[tuple[float, float]], shape: str, size_mm: float, face: Colour,
        edge: Colour | None = WHITE, width_pt: float = 0.4, zorder: float = 16.0,
    ) -> None:  # fmt: skip
        """Draw a marker at each place; shapes are those of `map_pen`."""
        at = list(places)
        self._things.append((zorder, lambda pen: pen.marks(at, shape, size_mm, face, edge, width_pt)))

    def arrow(
        self, start: tuple[float, float], end: tuple[float, float], colour: Colour, zorder: float
    ) -> None:
        """Draw an arrow."""
        tail, tip = np.array(start), np.array(end)
        along = (tip - tail) / max(float(np.hypot(*(tip - tail))), 1e-9)
        across = np.array([-along[1], along[0]])
        neck = tip - 1.5 * along
        head = np.array([tip, neck + 0.55 * across, neck - 0.55 * across])
        self.lines([np.array([tail, neck])], colour, 0.8, zorder)
        self.areas([[head]], colour, None, zorder=zorder)


def printable(text: str, most: int = 400) -> str:
    """Text on one line, without what cannot be printed, cut where it is endless.

    >>> printable("Long\\nReach\\x00")
    'Long Reach'
    """
    kept = " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())
    return kept if len(kept) <= most else kept[: most - 1] + "…"


def fitted(text: str, width_mm: float, size_pt: float, bold: bool = False) -> str:
    """Text cut so that it takes no more than a width: by the mean width of a letter, then by its own."""
    letters = max(3, int(width_mm * POINTS_PER_MM / (0.56 * size_pt)))
    told = printable(text, letters)
    while letters > 3 and text_width_pt(told, size_pt, bold) > width_mm * POINTS_PER_MM:
        letters -= 1
        told = printable(text, letters)
    return told


def wrapped(text: str, width_mm: float, size_pt: float, most: int = 20) -> list[str]:
    """Text in lines of no more than a width; shorter ones where its letters are wider than most."""
    import textwrap

    letters = max(6, int(width_mm * POINTS_PER_MM / (0.53 * size_pt)))
    while True:
        lines = textwrap.wrap(printable(text, 2000), letters, max_lines=most, placeholder=" …")
        widest = max((text_width_pt(line, size_pt) for line in lines), default=0.0)
        if letters <= 6 or widest <= width_mm * POINTS_PER_MM:
            return lines
        letters -= 1


def table(
    page: Page,
    x: float,
    top: float,
    heads: Sequence[str],
    widths: Sequence[float],
    rows: Sequence[Sequence[str]],
    size_pt: float = 5.6,
    row_mm: float = 3.7,
    right: frozenset[int] = frozenset(),
) -> None:
    """Draw a table from its upper left corner; the columns in `right` stand at their right edge."""
    edges = np.concatenate([[x], x + np.cumsum(widths)])
    for k, values in enumerate([heads, *rows], start=1):
        y = top - k * row_mm + 1.1
        for i, value in enumerate(values):
            start = edges[i] + (2.5 if i - 1 in right else 0.5)
            at, ha = (edges[i + 1] - 1.0, "right") if i in right else (start, "left")
            page.text(at, y, fitted(value, widths[i], size_pt, k == 1), size_pt, ha=ha, bold=k == 1)
    page.line([(x, top - row_mm), (edges[-1], top - row_mm)], INK, 0.6)
    rules = [top - (k + 2) * row_mm for k in range(len(rows))]
    page.lines([np.array([(x, y), (edges[-1], y)]) for y in rules], PALE, 0.2, zorder=2.0)
