"""The season drawn: water and soil of a block, supply against demand of a source, the years by their rank.

Each function returns one SVG image as text, which a page can hold as it is. Colours keep apart for the colour
blind, and in grey by lightness and stroke. The same series gives the same text.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from farmgis.records import Floats
from farmgis.series import BlockSeries, CropYears, SourceSeries, SourceYears

WIDTH, HEIGHT = 720, 300
DARK, LIGHT, WARM, INK, FAINT = "#1f4e79", "#9ecae1", "#b35806", "#333333", "#d9d9d9"
FONT = "font-family='sans-serif' font-size='11'"
LEFT, RIGHT = 52, 708  # of the panels, in the image's units

Days = np.ndarray[tuple[int], np.dtype[np.datetime64]]


@dataclass(frozen=True)
class _Panel:
    """A frame of the image: from `top` to `bottom`, values from `low` to `high` (drawn upward), in parts."""

    top: float
    bottom: float
    low: float
    high: float
    parts: int = 4

    def y(self, value: float) -> float:
        return self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)


def block_chart(series: BlockSeries) -> str:
    """A block's season: rain and net irrigation by day above, what its soil lacks below. [mm]"""
    dates = series.dates
    above = _panel(34, 130, float(max(series.rain_mm.max(), series.irrigation_mm.max(), 1.0)))
    deepest = float(max(series.depletion_mm.max(), series.readily_mm.max(), 1.0))
    most, parts_below = _ceiling(deepest)
    below = _Panel(160, 268, most, 0.0, parts_below)  # depletion grows downward
    x = _along(dates)
    parts = [
        _axis(above, "mm a day"),
        _bars(above, x, series.rain_mm, DARK, shift=-0.22),
        _bars(above, x, series.irrigation_mm, LIGHT, shift=0.22),
        _axis(below, "mm lacking"),
        _line(below, x, series.readily_mm, INK, dash="5 3"),
        _line(below, x, series.depletion_mm, WARM, width=1.6),
        _months(dates, below.bottom),
        _legend([("rain", DARK, "box"), ("irrigation, net", LIGHT, "box"), ("soil lacks", WARM, "line"),
                 ("taken without stress", INK, "dash")]),
    ]  # fmt: skip
    told = (
        f"{series.rain_mm.sum():.0f} mm of rain, {series.irrigation_mm.sum():.0f} mm of irrigation; the soil "
        f"lacks up to {series.depletion_mm.max():.0f} mm"
    )
    return _image(f"{series.block_id}, {series.crop}", told, parts)


def source_chart(series: SourceSeries) -> str:
    """A source's season: what is given each day as bars, what is due as a line, what it can give. [m3]"""
    top = max(
        float(series.given_m3.max()), series.available_m3_day or 0.0, float(_spread(series.asked_m3).max())
    )
    panel = _panel(34, 268, max(top, 1.0))
    x = _along(series.dates)
    parts = [_axis(panel, "m³ a day"), _bars(panel, x, series.given_m3, LIGHT)]
    entries = [("given", LIGHT, "box"), ("due, mean of 12 days", WARM, "line")]
    parts.append(_line(panel, x, _spread(series.asked_m3), WARM, width=1.6))
    if series.available_m3_day is not None:
        level = np.full(series.dates.size, series.available_m3_day)
        parts.append(_line(panel, x, level, INK, dash="5 3"))
        entries.append(("it can give", INK, "dash"))
    parts += [_months(series.dates, panel.bottom), _legend(entries)]
    told = f"{series.asked_m3.sum():,.0f} m³ are due, {series.given_m3.sum():,.0f} m³ are given"
    return _image(series.source_id, told, parts)


def crop_years_chart(years: CropYears) -> str:
    """A crop's years in rising order: seasonal net [mm] and peak [mm a day] against the share of years."""
    season, peak = np.array(years.season_net_mm), np.array(years.peak_net_mm_day)
    mark = years.years.index(years.design_year)
    left = _ranked(season, years.years, "season, mm net", (LEFT, 350), [], mark)
    right = _ranked(peak, years.years, "peak, mm net a day", (412, RIGHT), [], None)
    told = f"the design year is {years.design_year}: {season[mark]:.0f} mm net in the season"
    return _image(f"{years.crop} on {years.soil}: {len(years.years)} years", told, [*left, *right])


def source_years_chart(years: SourceYears) -> str:
    """A source's years in rising order, season and peak [m3], against what it gives and may give."""
    season, peak = np.array(years.season_m3), np.array(years.peak_m3_day)
    licence = [] if years.licence_m3 is None else [(years.licence_m3, "licence")]
    left = _ranked(season / 1000.0, years.years, "season, 1000 m³", (LEFT, 350),
                   [(v / 1000.0, n) for v, n in licence], None)  # fmt: skip
    right = _ranked(
        peak, years.years, "peak, m³ a day", (412, RIGHT), [(years.available_m3_day, "it can give")], None
    )
    short = years.short_years
    told = f"it falls short in {len(short)} of {len(years.years)} years" + (
        f": {', '.join(map(str, short))}" if short else ""
    )
    return _image(f"{years.source_id}: {len(years.years)} years", told, [*left, *right])


# ---- years by rank --------------------------------------------------------------------------------


def _ranked(
    values: Floats,
    years: Sequence[int],
    title: str,
    span: tuple[float, float],
    limits: Sequence[tuple[float, str]],
    mark: int | None,
) -> list[str]:
    """Points of the years in rising order over the share of years that do not exceed them."""
    low = min(float(values.min()), *(v for v, _ in limits)) if limits else float(values.min())
    high = max(float(values.max()), *(v for v, _ in limits)) if limits else float(values.max())
    room = max(high - low, 0.05 * abs(high), 1e-9)
    panel = _Panel(40, 250, *_round_range(max(0.0, low - 0.1 * room), high + 0.1 * room))
    order = np.argsort(values, kind="stable")
    share = (np.arange(values.size) + 1.0) / values.size

    def x(part: float) -> float:
        return span[0] + 10.0 + part * (span[1] - span[0] - 20.0)

    parts = [_axis(panel, title, span)]
    for value, name in limits:
        y = panel.y(value)
        parts.append(f"<line x1='{span[0]}' x2='{span[1]}' y1='{y:.1f}' y2='{y:.1f}' stroke='{INK}' "
                     "stroke-dasharray='5 3'/>")  # fmt: skip
        parts.append(_text(span[0] + 4, y - 4, name))
    for k, own in enumerate(order):
        over = any(values[own] > value for value, _ in limits)
        fill = WARM if over else DARK
        parts.append(f"<circle cx='{x(share[k]):.1f}' cy='{panel.y(values[own]):.1f}' r='3.5' fill='{fill}'>"
                     f"<title>{years[own]}: {values[own]:,.1f}</title></circle>")  # fmt: skip
        if own == mark:
            parts.append(f"<circle cx='{x(share[k]):.1f}' cy='{panel.y(values[own]):.1f}' r='7' fill='none' "
                         f"stroke='{WARM}' stroke-width='1.6'/>")  # fmt: skip
            parts.append(_text(x(share[k]) - 10, panel.y(values[own]) - 8, f"{years[own]}", "end"))
    parts += [_text(x(p), 266, f"{100 * p:.0f}", "middle") for p in (0.2, 0.4, 0.6, 0.8, 1.0)]
    parts.append(_text((span[0] + span[1]) / 2.0, 284, "% of years that need no more", "middle"))
    return parts


# ---- parts of an image ----------------------------------------------------------------------------


def _image(title: str, told: str, parts: Sequence[str]) -> str:
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {WIDTH} {HEIGHT}' role='img' "
        f"{FONT} fill='{INK}'>"
        f"<title>{escape(title)}</title><desc>{escape(told)}</desc>"
        f"<rect width='{WIDTH}' height='{HEIGHT}' fill='#ffffff'/>"
        f"<text x='{LEFT}' y='16' font-size='13'>{escape(title)}</text>" + "".join(parts) + "</svg>"
    )


def _panel(top: float, bottom: float, high: float) -> _Panel:
    most, parts = _ceiling(high)
    return _Panel(top, bottom, 0.0, most, parts)


ROUND = {1.0: 5, 1.5: 3, 2.0: 4, 2.5: 5, 3.0: 3, 4.0: 4, 5.0: 5, 6.0: 3, 8.0: 4, 10.0: 5}
"""Round numbers, and into how many round parts each is parted."""


def _ceiling(value: float) -> tuple[float, int]:
    """Return (a round number at or over a value, its parts)."""
    step = 10.0 ** math.floor(math.log10(value))
    return next((m * step, parts) for m, parts in ROUND.items() if m * step >= value - 1e-9)


def _round_range(low: float, high: float) -> tuple[float, float]:
    """Round numbers about a range, so far apart that a quarter of it is round too."""
    step, _ = _ceiling((high - low) / 4.0)
    while True:
        begin = math.floor(low / step + 1e-9) * step
        if begin + 4.0 * step >= high - 1e-9:
            return begin, begin + 4.0 * step
        step, _ = _ceiling(step * 1.01)


def _along(dates: Days) -> Callable[[float], float]:
    """Where the middle of a day lies, by its number."""
    wide = (RIGHT - LEFT) / max(dates.size, 1)
    return lambda day: LEFT + (day + 0.5) * wide


def _bars(panel: _Panel, x: Callable[[float], float], values: Floats, fill: str, shift: float = 0.0) -> str:
    wide = 0.84 * (x(1.0) - x(0.0)) if shift == 0.0 else 0.42 * (x(1.0) - x(0.0))
    return "".join(
        f"<rect x='{x(day + shift) - wide / 2:.2f}' y='{panel.y(values[day]):.1f}' width='{wide:.2f}' "
        f"height='{panel.bottom - panel.y(values[day]):.1f}' fill='{fill}' stroke='{INK}' "
        "stroke-width='0.2'/>"
        for day in np.flatnonzero(values > 0.0).tolist()
    )


def _line(
    panel: _Panel,
    x: Callable[[float], float],
    values: Floats,
    stroke: str,
    width: float = 1.0,
    dash: str = "",
) -> str:
    points = " ".join(f"{x(day):.1f},{panel.y(value):.1f}" for day, value in enumerate(values.tolist()))
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    return f"<polyline points='{points}' fill='none' stroke='{stroke}' stroke-width='{width}'{dashed}/>"


def _axis(panel: _Panel, title: str, span: tuple[float, float] = (LEFT, RIGHT)) -> str:
    """Grid lines with their values, and what they are."""
    parts = []
    for k in range(panel.parts + 1):
        value = panel.low + k / panel.parts * (panel.high - panel.low)
        y = panel.y(value)
        parts.append(f"<line x1='{span[0]}' x2='{span[1]}' y1='{y:.1f}' y2='{y:.1f}' stroke='{FAINT}'/>")
        parts.append(_text(span[0] - 4, y + 4, _number(value), "end"))
    parts.append(_text(span[0], panel.top - 6, title))
    return "".join(parts)


def _months(dates: Days, y: float) -> str:
    """A tick at the first of each month, its name beside it."""
    x = _along(dates)
    starts = np.flatnonzero(dates == dates.astype("datetime64[M]").astype("datetime64[D]")).tolist()
    parts = []
    for day in starts:
        at = x(day - 0.5)
        parts.append(f"<line x1='{at:.1f}' x2='{at:.1f}' y1='{y:.1f}' y2='{y + 6:.1f}' stroke='{INK}'/>")
        if at < RIGHT - 50:
            parts.append(_text(at + 3, y + 14, f"{dates[day].astype(object):%b %Y}"))
    return "".join(parts)


def _legend(entries: Sequence[tuple[str, str, str]]) -> str:
    parts = []
    at = float(RIGHT)
    for name, colour, kind in reversed(entries):
        at -= 6.2 * len(name) + 26.0
        if kind == "box":
            parts.append(f"<rect x='{at:.0f}' y='8' width='12' height='9' fill='{colour}' stroke='{INK}' "
                         "stroke-width='0.2'/>")  # fmt: skip
        else:
            dash = " stroke-dasharray='5 3'" if kind == "dash" else ""
            parts.append(f"<line x1='{at:.0f}' x2='{at + 14:.0f}' y1='12' y2='12' stroke='{colour}' "
                         f"stroke-width='1.6'{dash}/>")  # fmt: skip
        parts.append(_text(at + 17, 16, name))
    return "".join(parts)


def _text(x: float, y: float, text: str, anchor: str = "start") -> str:
    placed = "" if anchor == "start" else f" text-anchor='{anchor}'"
    return f"<text x='{x:.1f}' y='{y:.1f}'{placed}>{escape(text)}</text>"


def _number(value: float) -> str:
    whole = abs(value) >= 100.0 or abs(value - round(value)) < 1e-9
    return f"{value:,.0f}" if whole else f"{value:.2f}".rstrip("0")


def _spread(values: Floats, days: int = 12) -> Floats:
    """Mean of the days around each day: what is due comes in lumps, each two, three or four days."""
    total = np.convolve(values, np.ones(days), mode="same")
    count = np.convolve(np.ones(values.size), np.ones(days), mode="same")
    return np.asarray(total / count)
