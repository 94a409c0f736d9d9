"""An empty page in millimetres: text, lines and marks on one drawing surface, the same bytes each time.

matplotlib draws; it is loaded when the first page is made.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from farmgis.results.map_frame import Paper
from farmgis.results.styles import INK, PALE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MM_PER_INCH = 25.4
POINTS_PER_MM = 72.0 / MM_PER_INCH
# a name may be in any script; the first font is there always, the others where the system has them
FONTS = (
    "DejaVu Sans", "Noto Sans CJK SC", "Noto Sans CJK JP", "Noto Sans Devanagari", "Noto Sans Arabic",
    "Microsoft YaHei", "PingFang SC", "Arial Unicode MS", "WenQuanYi Zen Hei",
)  # fmt: skip


@cache
def _fonts() -> list[str]:
    from matplotlib.font_manager import fontManager

    known = {font.name for font in fontManager.ttflist}
    return [name for name in FONTS if name in known]


@contextmanager
def drawing() -> Iterator[None]:
    """The settings under which pages are made and written: our fonts, text that can be searched."""
    import warnings

    import matplotlib

    settings: Any = {
        "font.family": _fonts(),
        "text.usetex": False,
        "text.parse_math": False,
        "pdf.fonttype": 42,
        "path.simplify": False,
        "axes.unicode_minus": False,
    }
    with matplotlib.rc_context(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*")  # a letter that no font has becomes a box
        yield


class Page:
    """A page of paper; every place and size is in millimetres from its lower left corner."""

    def __init__(self, paper: Paper) -> None:
        """An empty page of the paper."""
        from matplotlib.figure import Figure

        self.paper = paper
        self.figure: Figure = Figure(
            figsize=(paper.width_mm / MM_PER_INCH, paper.height_mm / MM_PER_INCH), facecolor="white"
        )
        self.axes: Axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set_xlim(0.0, paper.width_mm)
        self.axes.set_ylim(0.0, paper.height_mm)
        self.axes.set_axis_off()

    def text(self, x: float, y: float, text: str, size_pt: float = 6.5, **more: Any) -> Any:
        """Write one line; by default its lower left corner stands at the place."""
        style: dict[str, Any] = {"color": INK, "va": "baseline", "ha": "left", "zorder": 20} | more
        return self.axes.text(x, y, printable(text), fontsize=size_pt, **style)

    def cells(
        self, cells: Sequence[tuple[float, float, str, bool]], size_pt: float, bold: bool = False
    ) -> None:
        """Write many short texts at once: x, y, text, and whether it ends there instead of beginning."""
        self.axes.add_artist(_cells(cells, size_pt, bold))

    def rules(self, rules: Sequence[tuple[float, float, float]], colour: str, width_pt: float) -> None:
        """Draw level lines: from x, to x, at y."""
        from matplotlib.collections import LineCollection

        lines = [[(a, y), (b, y)] for a, b, y in rules]
        self.axes.add_collection(LineCollection(lines, colors=colour, linewidths=width_pt), autolim=False)

    def line(self, xy: Any, colour: str = INK, width_pt: float = 0.5, **more: Any) -> None:
        """Draw a line through points of shape (n, 2)."""
        points = np.asarray(xy, dtype=float)
        style: dict[str, Any] = {"zorder": 18, "solid_capstyle": "butt"} | more
        self.axes.plot(points[:, 0], points[:, 1], color=colour, linewidth=width_pt, **style)

    def box(self, x: float, y: float, width: float, height: float, **more: Any) -> None:
        """Draw a rectangle from its lower left corner."""
        from matplotlib.patches import Rectangle

        style: dict[str, Any] = {"facecolor": "none", "edgecolor": INK, "linewidth": 0.5, "zorder": 18} | more
        self.axes.add_patch(Rectangle((x, y), width, height, **style))

    def mark(self, x: float, y: float, marker: Any, size_mm: float, colour: str, **more: Any) -> None:
        """Draw one marker."""
        style: dict[str, Any] = {
            "markerfacecolor": colour, "markeredgecolor": "white", "markeredgewidth": 0.4, "zorder": 16,
        } | more  # fmt: skip
        self.axes.plot([x], [y], linestyle="none", marker=marker, markersize=size_mm * POINTS_PER_MM, **style)


def _cells(cells: Sequence[tuple[float, float, str, bool]], size_pt: float, bold: bool) -> Any:
    """An artist that hands texts to the renderer as they are: a page of coordinates holds thousands."""
    from matplotlib.artist import Artist, allow_rasterization
    from matplotlib.colors import to_rgba
    from matplotlib.font_manager import FontProperties

    class Cells(Artist):
        @allow_rasterization
        def draw(self, renderer: Any) -> None:
            font = FontProperties(family=_fonts(), size=size_pt, weight="bold" if bold else "normal")
            pen = renderer.new_gc()
            pen.set_foreground(to_rgba(INK), isRGBA=True)
            to_pixels = self.get_transform().transform
            tall = renderer.get_canvas_width_height()[1] if renderer.flipy() else 0.0
            for x, y, text, ends in cells:
                if text:
                    px, py = to_pixels((x, y))
                    if ends:
                        px -= renderer.get_text_width_height_descent(text, font, False)[0]
                    renderer.draw_text(pen, px, tall - py if renderer.flipy() else py, text, font, 0.0)
            pen.restore()

    made = Cells()
    made.set_zorder(20)
    return made


def printable(text: str, most: int = 400) -> str:
    """Text on one line, without what cannot be printed, cut where it is endless.

    >>> printable("Long\\nReach\\x00")
    'Long Reach'
    """
    kept = " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())
    return kept if len(kept) <= most else kept[: most - 1] + "…"


def fitted(text: str, width_mm: float, size_pt: float) -> str:
    """Text cut so that it takes no more than a width, reckoned by the mean width of a letter."""
    return printable(text, max(3, int(width_mm * POINTS_PER_MM / (0.56 * size_pt))))


def wrapped(text: str, width_mm: float, size_pt: float, most: int = 20) -> list[str]:
    """Text in lines of no more than a width, reckoned by the mean width of a letter."""
    import textwrap

    letters = max(6, int(width_mm * POINTS_PER_MM / (0.53 * size_pt)))
    return textwrap.wrap(printable(text, 2000), letters, max_lines=most, placeholder=" …")


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

    def cells(values: Sequence[str], y: float) -> list[tuple[float, float, str, bool]]:
        return [
            (
                edges[i + 1] - 1.0 if i in right else edges[i] + 0.5,
                y,
                fitted(v, widths[i], size_pt),
                i in right,
            )
            for i, v in enumerate(values)
        ]

    page.cells(cells(heads, top - row_mm + 1.1), size_pt, bold=True)
    page.line([(x, top - row_mm), (edges[-1], top - row_mm)], INK, 0.6)
    body = [c for k, values in enumerate(rows, start=2) for c in cells(values, top - k * row_mm + 1.1)]
    page.cells(body, size_pt)
    rules = [top - (k + 2) * row_mm for k in range(len(rows))]
    page.rules([(x, edges[-1], y) for y in rules], PALE, 0.2)
