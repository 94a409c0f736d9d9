"""What a layer looks like, said once; `qml` and `sld` write it in the two languages of styles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SymbolKind = Literal["fill", "line", "marker"]


@dataclass(frozen=True)
class Symbol:
    """A fill, a line or a marker. Colours are '#rrggbb', sizes millimetres on paper.

    A fill is plain with `opacity`; with `hatch_mm` it is lines that far apart, and with opacity 0 there
    is an outline alone, which does not cover that of a neighbour when it is drawn `inside`. A line with
    `ground_m` is as wide as that on the ground, from 0.03 mm up to `width_mm`, so that a dense layer
    stays a tint when seen from afar. `casing_mm` is a white edge.
    """

    kind: SymbolKind
    colour: str
    opacity: float = 1.0
    width_mm: float = 0.26
    inside: bool = False
    outline: str = "#333333"
    hatch_mm: float | None = None
    hatch_angle_deg: float = 45.0
    ground_m: float | None = None
    casing_mm: float = 0.0
    dash_mm: tuple[float, float] | None = None
    shape: str = "circle"
    size_mm: float = 2.0
    angle_deg: float = 0.0


@dataclass(frozen=True)
class Entry:
    """A line of the legend: the rows that it stands for, and their symbol.

    Rows are those where the style's column equals `value`, or lies in [`lower`, `upper`); an entry with
    neither takes all other rows. Several symbols serve a layer of several kinds of geometry.
    """

    label: str
    symbols: tuple[Symbol, ...]
    value: int | float | str | None = None
    lower: float | None = None
    upper: float | None = None

    @property
    def rest(self) -> bool:
        """Whether it takes the rows that no other entry takes."""
        return self.value is None and self.lower is None


@dataclass(frozen=True)
class Label:
    """A text beside a feature: `expression` in the GIS viewer's language, `column` where that is unknown."""

    expression: str
    column: str
    size_pt: float = 8.0
    colour: str = "#222222"
    bold: bool = False
    shown_from: int = 25_000  # denominator of the smallest scale at which it is drawn
    rank: int = 5  # of labels that collide the higher one is drawn, 0 to 10


@dataclass(frozen=True)
class Style:
    """How a layer is drawn. `column` tells the entries apart; None with a single entry."""

    entries: tuple[Entry, ...]
    column: str | None = None
    label: Label | None = None
    opacity: float = 1.0
    shown_from: int | None = None


def rgba(colour: str, opacity: float = 1.0) -> str:
    """'#336699' and 0.5 as '51,102,153,128'.

    >>> rgba("#336699", 0.5)
    '51,102,153,128'
    """
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"
