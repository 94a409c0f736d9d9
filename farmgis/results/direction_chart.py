"""A small chart of the ways to run a field's rows: what each costs, its blocks, its grade and uniformity."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from html import escape
from typing import Any

WIDTH, PANEL, LEFT, RIGHT, TOP, GAP = 420, 72, 112, 12, 44, 22
INK, PALE, TAKEN = "#2b2b2b", "#8a8a8a", "#b4451f"
FILLS = {"straight": "#4f7f9b", "facets": "#e3b04b", "contour": "#6b4e8e"}

ROWS = (
    ("cost_index", "relative index"),
    ("blocks", "blocks"),
    ("row_grade_over_pct", "land too steep, %"),
    ("emission_uniformity_pct", "uniformity, %"),
)
"""What is drawn above each other, each over the azimuth."""

MOST_TIMES = 2.5
"""The index is drawn up to this many times the least."""


def direction_chart(ways: Sequence[Mapping[str, Any]], title: str) -> str:
    """An SVG drawing of the rows of the table `directions` of one field.

    Each way that was searched closely is a dot at its azimuth, of its pattern's colour; what was chosen has a
    ring. What was judged at a glance makes a line. What was not computed has neither, and what is several
    times as dear as the best stands at the upper edge.
    """
    height = TOP + len(ROWS) * (PANEL + GAP) + 22
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" '
        f'height="{height}" font-family="sans-serif" font-size="11" fill="{INK}" role="img" '
        f'aria-label="{escape(title)}">',
        f"<title>{escape(title)}</title>",
        f'<text x="8" y="16" font-size="13" font-weight="bold">{escape(title)}</text>',
        *_legend(),
    ]
    for k, (key, words) in enumerate(ROWS):
        parts += _panel(ways, key, words, TOP + k * (PANEL + GAP))
    parts += _azimuths(height)
    return "\n".join([*parts, "</svg>"])


def _legend() -> list[str]:
    parts, x = [], 8.0
    for pattern, fill in FILLS.items():
        parts.append(f'<rect x="{x:.0f}" y="24" width="9" height="9" fill="{fill}"/>')
        parts.append(f'<text x="{x + 13:.0f}" y="32">{pattern}</text>')
        x += 75.0
    parts.append(
        f'<rect x="{x:.0f}" y="24" width="9" height="9" fill="none" stroke="{TAKEN}" stroke-width="2"/>'
    )
    parts.append(f'<text x="{x + 13:.0f}" y="32">taken</text>')
    return parts


def _panel(ways: Sequence[Mapping[str, Any]], key: str, words: str, top: float) -> list[str]:
    """One quantity over the azimuth."""
    known = [(w, float(w[key])) for w in ways if _known(w, key)]
    parts = [
        f'<text x="8" y="{top + PANEL / 2 + 4:.0f}">{escape(words)}</text>',
        f'<rect x="{LEFT}" y="{top:.0f}" width="{WIDTH - LEFT - RIGHT}" height="{PANEL}" fill="none" '
        f'stroke="{PALE}" stroke-width="0.6"/>',
    ]
    if not known:
        return [
            *parts,
            f'<text x="{LEFT + 8}" y="{top + PANEL / 2 + 4:.0f}" fill="{PALE}">not computed</text>',
        ]
    highest = MOST_TIMES * min(v for _, v in known) if key == "cost_index" else math.inf
    low, high = _span([min(v, highest) for _, v in known], 1.0 if key == "blocks" else 0.0)
    for value in (low, high):
        y = _y(value, low, high, top)
        parts.append(f'<text x="{LEFT - 4}" y="{y + 4:.1f}" text-anchor="end" fill="{PALE}">{value:g}</text>')
    parts += _line(ways, key, lambda value: _y(min(value, high), low, high, top))
    for way, value in known:
        if _closely(way):
            y = _y(min(value, high), low, high, top)
            parts += _dot(way, _x(float(way["azimuth_deg"])), y, f"{words} {value:.4g}")
    return parts


def _line(ways: Sequence[Mapping[str, Any]], key: str, height: Callable[[float], float]) -> list[str]:
    """What was judged at a glance, as a line over the azimuth, broken where nothing is known."""
    all_round = [w for w in ways if w.get("search") in ("rough", "none") and w["pattern"] == "straight"]
    path, drawing = [], False
    for way in sorted(all_round, key=lambda w: float(w["azimuth_deg"])):
        if _known(way, key):
            x, y = _x(float(way["azimuth_deg"])), height(float(way[key]))
            path.append(f"{'L' if drawing else 'M'}{x:.1f} {y:.0f}")
        drawing = _known(way, key)
    return [f'<path d="{"".join(path)}" fill="none" stroke="{FILLS["straight"]}"/>'] if path else []


def _closely(way: Mapping[str, Any]) -> bool:
    """Whether a way makes a dot: straight rows that no block was searched for are part of the line."""
    return way.get("search") not in ("rough", "none") or way["pattern"] != "straight"


def _known(way: Mapping[str, Any], key: str) -> bool:
    value = way.get(key)
    if value is None or not math.isfinite(float(value)):
        return False
    return key != "blocks" or float(value) > 0.0


def _span(values: Sequence[float], least_step: float = 0.0) -> tuple[float, float]:
    """Round bounds that hold the values; what is counted has a step of 1 at least."""
    low, high = min(values), max(values)
    if low == high == 0.0:
        return 0.0, 1.0
    step = 10.0 ** math.floor(math.log10(max(high - low, abs(high) * 0.05, 1e-6)))
    step = max(step, least_step)
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    return (low, high) if high > low else (low - step, high + step)


def _x(azimuth_deg: float) -> float:
    return LEFT + 8.0 + azimuth_deg % 180.0 / 180.0 * (WIDTH - LEFT - RIGHT - 16.0)


def _y(value: float, low: float, high: float, top: float) -> float:
    return top + PANEL - 8.0 - (value - low) / (high - low) * (PANEL - 16.0)


def _dot(way: Mapping[str, Any], x: float, y: float, said: str) -> list[str]:
    words = f"{way['pattern']}, {float(way['azimuth_deg']):.0f} degrees: {said}"
    ring = f' stroke="{TAKEN}" stroke-width="2"' if bool(way.get("chosen")) else ""
    fill = FILLS.get(str(way["pattern"]), PALE)
    dot = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{fill}"{ring}>'
    return [f"{dot}<title>{escape(words)}</title></circle>"]


def _azimuths(height: float) -> list[str]:
    y = height - 22.0
    middle = f'text-anchor="middle" fill="{PALE}"'
    marks = [
        f'<text x="{_x(min(a, 179.999)):.0f}" y="{y:.0f}" {middle}>{a}</text>' for a in (0, 45, 90, 135, 180)
    ]
    words = "azimuth of the rows, degrees"
    return [*marks, f'<text x="{WIDTH - RIGHT}" y="{y + 15:.0f}" text-anchor="end">{words}</text>']
