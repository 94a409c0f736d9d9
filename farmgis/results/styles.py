"""The default look of each layer: quiet, and legible in grey and to colour-blind readers.

Fields, zones and demand lie on the same ground as blocks: only blocks are filled, and that lightly;
fields and zones are outlines, demand is a hatch. Colours that must be told apart differ in lightness.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from .symbols import Entry, Label, Style, Symbol
from .table import Table

INK = "#2b2b2b"
PALE = "#8a8a8a"
WARN = "#b4451f"
CARE = "#d99a2b"
CALM = "#4f7f9b"

# one a shift, dark and light by turns; shifts beyond the eighth begin again and are told by their label
SHIFTS = ("#2f6f9f", "#e3b04b", "#6b4e8e", "#9cc79c", "#a8472f", "#8fc3de", "#55603a", "#e0b3c6")
HEADS = ("#d9831f", "#c7a56a", "#8f9a94", "#4f7d9e", "#1c4470")  # low to high, light to dark
WATER = ("#9cc0a4", "#6fa79b", "#46868d", "#2c6279", "#1b3f5e")  # little to much
SUBMAINS = ("#58a6a0", "#2f827f", "#17615f", "#0b4041")  # small to large
MAINS = ("#a06a9c", "#7f4580", "#5c2763", "#3b1145")

FITTINGS = {
    "air release": ("circle", "#ffffff"), "vacuum relief": ("circle", "#8fc3de"),
    "air and vacuum": ("circle", "#2f6f9f"), "pressure relief": ("star", "#d9831f"),
    "reducing valve": ("pentagon", "#e3b04b"), "regulator": ("pentagon", "#9cc79c"),
    "check": ("filled_arrowhead", "#6b4e8e"), "drain": ("equilateral_triangle", "#55603a"),
    "flush": ("equilateral_triangle", "#46868d"), "test point": ("cross2", "#a8472f"),
}  # fmt: skip


def layer_style(table: Table) -> Style:
    """The style of a layer, with the shifts, sizes and amounts that its table holds."""
    return _STYLES[table.layer.name](table)


# ---- what the data tells ---------------------------------------------------------------------------


def _present(table: Table, name: str) -> list[int | float]:
    """The different values of a column, in order."""
    place = [column.name for column in table.columns].index(name)
    values = table.values[place][~table.missing[place]]
    found: list[int | float] = np.unique(values).tolist()
    return [value for value in found if math.isfinite(value)]


def _whole(value: float) -> int | float:
    return int(value) if float(value).is_integer() else value


def classes(least: float, greatest: float, most: int) -> list[tuple[float, float]]:
    """Up to `most` classes of a round width that hold both ends, each [lower, upper).

    >>> classes(6.2, 11.9, 5)
    [(6.0, 8.0), (8.0, 10.0), (10.0, 12.0)]
    """
    rough = max((greatest - least) / most, 1e-9 * max(abs(greatest), 1.0))
    power = 10.0 ** math.floor(math.log10(rough))
    for step in (power * factor for factor in (1.0, 2.0, 5.0, 10.0, 20.0)):
        first = math.floor(least / step)
        count = math.floor(greatest / step) - first + 1
        if count <= most:
            break
    return [(round((first + i) * step, 9), round((first + i + 1) * step, 9)) for i in range(count)]


def _ramp(colours: Sequence[str], count: int) -> list[str]:
    if count == 1:
        return [colours[len(colours) // 2]]
    return [colours[round(i * (len(colours) - 1) / (count - 1))] for i in range(count)]


def _ranges(table: Table, name: str, unit: str, draw: Callable[[int, int], Symbol]) -> tuple[Entry, ...]:
    found = _present(table, name)
    bounds = classes(found[0], found[-1], 5) if found else []
    entries = (
        Entry(f"{low:g} to {high:g} {unit}", (draw(i, len(bounds)),), lower=low, upper=high)
        for i, (low, high) in enumerate(bounds)
    )
    return tuple(entries)


def _by_shift(table: Table, draw: Callable[[str], Symbol]) -> tuple[Entry, ...]:
    shifts = (int(shift) for shift in _present(table, "shift"))
    entries = [
        Entry(f"Shift {shift}", (draw(SHIFTS[(shift - 1) % len(SHIFTS)]),), value=shift) for shift in shifts
    ]
    return (*entries, Entry("In no shift", (draw(PALE),)))


def _by_size(table: Table, colours: Sequence[str], width: Callable[[float], float]) -> tuple[Entry, ...]:
    sizes = _present(table, "nominal_mm")
    entries = [
        Entry(
            f"{size:g} mm", (Symbol("line", colour, width_mm=width(size), casing_mm=0.2),), value=_whole(size)
        )
        for size, colour in zip(sizes, _ramp(colours, max(len(sizes), 1)), strict=False)
    ]
    other = Symbol("line", colours[-1], width_mm=width(110.0), casing_mm=0.2, dash_mm=(2.0, 1.2))
    return (*entries, Entry("Size not chosen", (other,)))


# ---- layer by layer --------------------------------------------------------------------------------


def _outline(colour: str, width_mm: float, dash_mm: tuple[float, float] | None = None) -> Symbol:
    return Symbol("fill", colour, opacity=0.0, outline=colour, width_mm=width_mm, dash_mm=dash_mm)


def _fields(table: Table) -> Style:
    refused = Symbol("fill", PALE, outline=PALE, width_mm=0.5, hatch_mm=2.5, hatch_angle_deg=135.0)
    entries = (
        Entry("Planned", (_outline(INK, 0.5),), value="planned"),
        Entry("Needs attention", (_outline(WARN, 0.6, (3.0, 1.2)),), value="attention"),
        Entry("Not planned", (refused,), value="not planned"),
        Entry("Other", (_outline(PALE, 0.4),)),
    )
    expression = (
        'coalesce("name", "field_id")'
        " || coalesce('\\ncontour ' || round(\"contour_azimuth_deg\") || '°', '')"
    )
    return Style(
        entries, "status", Label(expression, "name", 10.0, INK, bold=True, shown_from=100_000, rank=9)
    )


def _blocks(table: Table) -> Style:
    entries = _by_shift(
        table, lambda colour: Symbol("fill", colour, opacity=0.35, outline="#4d4d4d", width_mm=0.25)
    )
    expression = (
        "\"block_id\" || coalesce('\\n' || round(\"flow_m3h\", 1) || ' m3/h', '')"
        " || coalesce('\\nshift ' || \"shift\", '')"
        " || coalesce('\\n' || round(\"chance_within_tolerance_pct\") || ' % sure', '')"
    )
    return Style(entries, "shift", Label(expression, "block_id", 8.0, rank=8))


def _laterals(table: Table) -> Style:
    def draw(colour: str) -> Symbol:
        return Symbol("line", colour, width_mm=0.35, ground_m=0.65)

    entries = _ranges(table, "head_min_m", "m lowest head", lambda i, count: draw(_ramp(HEADS, count)[i]))
    return Style((*entries, Entry("Head not known", (draw(PALE),))), "head_min_m", shown_from=50_000)


def _rows(table: Table) -> Style:
    row = Symbol("line", "#66763f", width_mm=0.15, ground_m=0.2)
    return Style((Entry("Crop rows", (row,)),), opacity=0.7, shown_from=25_000)


def _submains(table: Table) -> Style:
    label = Label(
        "round(\"nominal_mm\") || ' mm'", "nominal_mm", 7.0, SUBMAINS[-1], shown_from=10_000, rank=3
    )
    return Style(_by_size(table, SUBMAINS, lambda size: 0.35 + size / 200.0), "nominal_mm", label)


def _mains(table: Table) -> Style:
    label = Label("round(\"nominal_mm\") || ' mm'", "nominal_mm", 8.0, MAINS[-1], bold=True)
    return Style(_by_size(table, MAINS, lambda size: 0.5 + size / 350.0), "nominal_mm", label)


def _extreme_emitters(table: Table) -> Style:
    def triangle(colour: str, angle: float) -> tuple[Symbol, ...]:
        kind = "equilateral_triangle"
        return (Symbol("marker", colour, outline="#ffffff", shape=kind, size_mm=2.6, angle_deg=angle),)

    entries = (
        Entry("Lowest head of the block", triangle(HEADS[0], 180.0), value="lowest"),
        Entry("Highest head of the block", triangle(HEADS[-1], 0.0), value="highest"),
        Entry("Other", triangle(PALE, 0.0)),
    )
    return Style(
        entries, "which", Label("round(\"head_m\", 1) || ' m'", "which", 7.0, shown_from=10_000, rank=3)
    )


def _test_points(table: Table) -> Style:
    def cross(colour: str, size: float) -> tuple[Symbol, ...]:
        return (Symbol("marker", colour, outline=INK, width_mm=0.2, shape="cross2", size_mm=size),)

    entries = (
        Entry("At a valve", cross(WARN, 2.6), value="valve"),
        Entry("At an emitter", cross(CALM, 2.0), value="emitter"),
        Entry("Other", cross(PALE, 2.0)),
    )
    return Style(entries, "kind", Label('"point_id"', "point_id", 7.0, shown_from=2_000, rank=2))


def _valves(table: Table) -> Style:
    valve = Symbol("marker", INK, outline="#ffffff", width_mm=0.4, shape="diamond", size_mm=3.6)
    expression = (
        "coalesce(round(\"nominal_mm\") || ' mm', 'valve')"
        " || coalesce(', set ' || round(\"set_head_m\", 1) || ' m', '')"
    )
    label = Label(expression, "valve_id", 7.0, INK, shown_from=12_000, rank=4)
    return Style((Entry("Block valve", (valve,)),), label=label)


def _fittings(table: Table) -> Style:
    entries = [
        Entry(kind.capitalize(), (Symbol("marker", colour, shape=shape, size_mm=2.2),), value=kind)
        for kind, (shape, colour) in FITTINGS.items()
    ]
    other = Entry("Other", (Symbol("marker", PALE, shape="circle", size_mm=1.8),))
    return Style((*entries, other), "kind", Label('"kind"', "kind", 6.5, shown_from=5_000, rank=1))


def _headworks(table: Table) -> Style:
    works = Symbol("marker", MAINS[-1], outline="#ffffff", width_mm=0.5, shape="pentagon", size_mm=5.0)
    expression = (
        "coalesce(\"name\", \"source_id\") || coalesce('\\n' || round(\"flow_m3h\") || ' m3/h', '')"
        " || coalesce(' at ' || round(\"duty_head_m\") || ' m', '')"
    )
    label = Label(expression, "name", 9.0, MAINS[-1], bold=True, shown_from=200_000, rank=10)
    return Style((Entry("Pump and filter", (works,)),), label=label)


def _zones(table: Table) -> Style:
    def inner(colour: str) -> Symbol:
        return Symbol("fill", colour, opacity=0.0, outline=colour, width_mm=1.0, inside=True)

    entries = _by_shift(table, inner)
    expression = "'Shift ' || \"shift\" || coalesce('\\n' || round(\"flow_m3h\") || ' m3/h', '')"
    return Style(
        entries, "shift", Label(expression, "zone_id", 9.0, INK, bold=True, shown_from=50_000, rank=2)
    )


def _season_demand(table: Table) -> Style:
    def draw(i: int, count: int) -> Symbol:
        # more water, closer lines: the order is seen without colour too
        spacing = 3.4 - 1.8 * i / max(count - 1, 1)
        colour = _ramp(WATER, count)[i]
        return Symbol("fill", colour, outline=colour, width_mm=0.3, hatch_mm=round(spacing, 2))

    entries = _ranges(table, "gross_mm", "mm gross", draw)
    label = Label("round(\"gross_mm\") || ' mm'", "block_id", 8.0, WATER[-1], rank=1)
    return Style((*entries, Entry("Not known", (_outline(PALE, 0.3, (2.0, 1.0)),))), "gross_mm", label)


def _findings(table: Table) -> Style:
    def symbols(colour: str, shape: str, size_mm: float) -> tuple[Symbol, ...]:
        return (
            Symbol("marker", colour, outline="#ffffff", width_mm=0.4, shape=shape, size_mm=size_mm),
            Symbol("line", colour, width_mm=0.9, casing_mm=0.2, dash_mm=(2.5, 1.2)),
            Symbol("fill", colour, outline=colour, width_mm=0.8, hatch_mm=4.0, hatch_angle_deg=135.0),
        )

    entries = (
        Entry("Stop", symbols(WARN, "octagon", 4.2), value="stop"),
        Entry("Attention", symbols(CARE, "triangle", 3.8), value="attention"),
        Entry("Note", symbols(CALM, "circle", 2.8), value="note"),
        Entry("Other", symbols(PALE, "circle", 2.4)),
    )
    return Style(entries, "severity", Label('"about"', "about", 7.0, INK, shown_from=25_000, rank=6))


_STYLES: dict[str, Callable[[Table], Style]] = {
    "fields": _fields,
    "blocks": _blocks,
    "laterals": _laterals,
    "rows": _rows,
    "submains": _submains,
    "extreme_emitters": _extreme_emitters,
    "test_points": _test_points,
    "mains": _mains,
    "valves": _valves,
    "fittings": _fittings,
    "headworks": _headworks,
    "zones": _zones,
    "season_demand": _season_demand,
    "findings": _findings,
}
