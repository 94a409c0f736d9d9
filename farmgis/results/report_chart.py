"""Charts of the report as inline SVG: profiles of heads, bars. Legible in grey, and told in words too."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from farmgis.records import Floats

INK, SOIL, WATER, STILL, LIMIT = "#2b2b2b", "#8a6a45", "#1c4470", "#4f7f9b", "#b4451f"
WIDTH, HEIGHT = 620.0, 220.0
LEFT, RIGHT, TOP, FOOT = 68.0, 10.0, 12.0, 34.0


@dataclass(frozen=True)
class Line:
    """A line of a chart. `dash` as SVG writes it; with `fill` the ground below is tinted."""

    name: str
    x: Floats
    y: Floats
    colour: str
    width: float = 1.6
    dash: str = ""
    fill: bool = False


def line_chart(told: str, lines: Sequence[Line], x_name: str, y_name: str) -> Markup:
    """Lines over a distance, with a legend under them; `told` is what it shows, in words."""
    x_low, x_high = 0.0, max(float(line.x.max()) for line in lines)
    ys = np.concatenate([line.y for line in lines])
    y_low, y_high = float(ys.min()), float(ys.max())
    pad = max(0.06 * (y_high - y_low), 0.2)
    frame = _Frame(x_low, max(x_high, 1e-6), y_low - pad, y_high + pad)
    parts = [_axes(frame, x_name, y_name)]
    for line in lines:
        x, y = _thinned(line.x, line.y)
        points = " ".join(f"{frame.x(a):.1f},{frame.y(b):.1f}" for a, b in zip(x, y, strict=True))
        if line.fill:
            base = f"{frame.x(x[-1]):.1f},{HEIGHT - FOOT:.1f} {frame.x(x[0]):.1f},{HEIGHT - FOOT:.1f}"
            parts.append(Markup('<polygon points="{} {}" fill="#e9e0d4"/>').format(points, base))
        parts.append(
            Markup('<polyline points="{}" fill="none" stroke="{}" stroke-width="{}" {}/>').format(
                points, line.colour, line.width, _dash(line.dash)
            )
        )
    return _svg(told, parts, [(line.name, line.colour, line.dash) for line in lines])


def bar_chart(
    told: str,
    labels: Sequence[str],
    series: Sequence[tuple[str, str, Sequence[float]]],
    y_name: str,
    limit: tuple[str, Sequence[float]] | None = None,
) -> Markup:
    """Bars in groups, one group a label; `series` are name, colour and values; `limit` a mark a group."""
    top = max([*(v for _, _, values in series for v in values), *(limit[1] if limit else ()), 1e-9])
    frame = _Frame(0.0, float(len(labels)), 0.0, 1.06 * top)
    parts = [_axes(frame, "", y_name, ticks=False)]
    wide = 0.8 / max(len(series), 1)
    for k, (_, colour, values) in enumerate(series):
        for i, value in enumerate(values):
            x, y = frame.x(i + 0.1 + k * wide), frame.y(value)
            parts.append(
                Markup('<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}"/>').format(
                    x, y, frame.x(wide) - frame.x(0.0) - 1.0, HEIGHT - FOOT - y, colour
                )
            )
    for i, label in enumerate(labels):
        if len(labels) <= 16 or i % math.ceil(len(labels) / 16) == 0:
            parts.append(_text(frame.x(i + 0.5), HEIGHT - FOOT + 13.0, label, "middle"))
    if limit is not None:
        for i, value in enumerate(limit[1]):
            parts.append(
                Markup(
                    '<line x1="{:.1f}" x2="{:.1f}" y1="{:.1f}" y2="{:.1f}" stroke="{}" '
                    'stroke-width="2" stroke-dasharray="5 3"/>'
                ).format(frame.x(i + 0.02), frame.x(i + 0.98), frame.y(value), frame.y(value), LIMIT)
            )
    legend = [(name, colour, "box") for name, colour, _ in series]
    return _svg(told, parts, [*legend, *([(limit[0], LIMIT, "5 3")] if limit else [])])


@dataclass(frozen=True)
class _Frame:
    x_low: float
    x_high: float
    y_low: float
    y_high: float

    def x(self, value: float) -> float:
        return LEFT + (value - self.x_low) / (self.x_high - self.x_low) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        return HEIGHT - FOOT - (value - self.y_low) / (self.y_high - self.y_low) * (HEIGHT - FOOT - TOP)


def _thinned(x: Floats, y: Floats, most: int = 80) -> tuple[Floats, Floats]:
    """At most so many points, ends kept."""
    if len(x) <= most:
        return x, y
    keep = np.unique(np.linspace(0, len(x) - 1, most).round().astype(int))
    return x[keep], y[keep]


def round_ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Round values within a range.

    >>> round_ticks(0.0, 290.0)
    [0.0, 100.0, 200.0]
    """
    rough = max((high - low) / most, 1e-9)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if s * power >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [round((first + i) * step, 9) for i in range(math.floor(high / step + 1e-9) - first + 1)]


def _axes(frame: _Frame, x_name: str, y_name: str, ticks: bool = True) -> Markup:
    parts = []
    for value in round_ticks(frame.y_low, frame.y_high):
        y = frame.y(value)
        parts.append(
            Markup('<line x1="{}" x2="{}" y1="{:.1f}" y2="{:.1f}" stroke="#ddd"/>').format(
                LEFT, WIDTH - RIGHT, y, y
            )
        )
        parts.append(_text(LEFT - 5.0, y + 3.5, f"{value:,g}", "end"))
    if ticks:
        for value in round_ticks(frame.x_low, frame.x_high):
            parts.append(_text(frame.x(value), HEIGHT - FOOT + 13.0, f"{value:,g}", "middle"))
    parts.append(
        Markup('<path d="M{} {}V{}H{}" fill="none" stroke="#777"/>').format(
            LEFT, TOP, HEIGHT - FOOT, WIDTH - RIGHT
        )
    )
    parts.append(_text(WIDTH - RIGHT, HEIGHT - 6.0, x_name, "end"))
    middle = (TOP + HEIGHT - FOOT) / 2.0
    parts.append(
        Markup('<text transform="translate(11 {:.0f}) rotate(-90)" text-anchor="middle">{}</text>').format(
            middle, y_name
        )
    )
    return Markup("").join(parts)


def _text(x: float, y: float, text: str, anchor: str) -> Markup:
    return Markup('<text x="{:.1f}" y="{:.1f}" text-anchor="{}">{}</text>').format(x, y, anchor, text)


def _dash(dash: str) -> Markup:
    return Markup('stroke-dasharray="{}"').format(dash) if dash else Markup("")


def _svg(told: str, parts: Sequence[Markup], legend: Sequence[tuple[str, str, str]]) -> Markup:
    """The image with its legend in words under it."""
    keys = Markup("").join(
        Markup('<span><svg width="22" height="10" aria-hidden="true">{}</svg> {}</span> ').format(
            Markup('<rect width="22" height="10" fill="{}"/>').format(colour)
            if dash == "box"
            else Markup('<line x1="0" x2="22" y1="5" y2="5" stroke="{}" stroke-width="2" {}/>').format(
                colour, _dash(dash)
            ),
            name,
        )
        for name, colour, dash in legend
    )
    return Markup(
        '<figure><svg class="chart" viewBox="0 0 {:.0f} {:.0f}" role="img" aria-label="{}">{}</svg>'
        '<figcaption>{}<br><span class="keys">{}</span></figcaption></figure>'
    ).format(WIDTH, HEIGHT, told, Markup("").join(parts), escape(told), keys)
