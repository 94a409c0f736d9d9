"""What a plan takes, counted from the layers: line, fittings, pipe, valves, head works, trench, work."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import shapely

from farmgis.planning.crop_start import STAYING_ROW_M
from farmgis.prices import Spares
from farmgis.records import (
    Assumption,
    Dripline,
    Table,
)

Tables = Mapping[str, Table]
Row = dict[str, Any]
Part = Literal[
    "seasonal line", "lasting line", "line fittings", "pipe", "trench", "valves", "head works", "work"
]

SAME_TRENCH_M = 0.5
"""A main this close to a submain lies in its trench (common practice)."""

WITHOUT_SPARE = frozenset({"regulator", "reducing valve", "check", "pressure relief"})
"""Fittings that are valves: dear, made to order, and bought as counted (common practice)."""

COUNTED_APART = frozenset({"pump", "check valve", "settling pond"})
"""Pieces of the head works that have a row of their own, or are dug."""

DISPOSAL = "disposal of line"
"""What is done with line of row crops at the end of its life, not of each season."""

FARM = "farm"


@dataclass(frozen=True)
class Quantity:
    """So much of an item in one place: a field, a source, or the whole farm.

    `spare_pct` is added for waste and repair, and the whole rounded up to packs of `pack` where it is
    sold so. Pieces are whole pieces.
    """

    item: str
    size: str
    unit: str
    part: Part
    where_id: str
    drawn: float
    spare_pct: float = 0.0
    pack: float | None = None

    @property
    def key(self) -> tuple[str, str, str, Part]:
        """What is bought as one thing."""
        return self.item, self.size, self.unit, self.part

    @property
    def to_buy(self) -> float:
        """Drawn and spare; what is bought in whole packs, pieces or metres, what is done as it is."""
        wanted = self.drawn * (1.0 + self.spare_pct / 100.0)
        if self.part in ("trench", "work") or self.unit == "machine days":
            return wanted
        pack = self.pack or 1.0
        return math.ceil(wanted / pack - 1e-9) * pack


@dataclass(frozen=True)
class Drawn:
    """The rows that are counted, read once and sorted by field; `loose` fittings stand on no field."""

    line_m: Mapping[str, float]
    laterals: Mapping[str, int]
    row_spacing_m: Mapping[str, float]
    submains: Mapping[str, list[Row]]
    valves: Mapping[str, list[Row]]
    fittings: Mapping[str, list[Row]]
    loose: list[Row]
    held: Mapping[str, set[str]]  # kinds of fittings that stand on a submain or valve


def quantities(
    tables: Tables, lines: Mapping[str, Dripline], spares: Spares, laying_ha_day: float
) -> tuple[Quantity, ...]:
    """All that a plan takes, by place, in the order in which it is laid: fields first, then the supply."""
    drawn = _drawn(tables)
    found: list[Quantity] = []
    for row in rows_of(tables, "fields"):
        if row["status"] != "not planned":
            found += _of_field(row, drawn, lines[row["dripline"]], spares, laying_ha_day)
    found += _of_supply(tables, drawn, spares)
    return tuple(q for q in found if q.drawn > 0.0)


def farm_totals(found: Sequence[Quantity]) -> tuple[Quantity, ...]:
    """One quantity for each item and size, all places together."""
    totals: dict[tuple[str, str, str, Part], Quantity] = {}
    for q in found:
        before = totals.get(q.key)
        totals[q.key] = replace(q, where_id=FARM, drawn=q.drawn + (before.drawn if before else 0.0))
    order = {item: i for i, item in enumerate(dict.fromkeys(q.item for q in found))}
    return tuple(sorted(totals.values(), key=lambda q: (order[q.item], _by_number(q.size))))


def _by_number(size: str) -> list[tuple[float, str]]:
    """A size so that 75 mm comes before 110 mm."""
    return [(float(n or 0.0), word) for word, n in re.findall(r"([^\d]*)(\d+\.?\d*)?", size)]


def rows_of(tables: Tables, layer: str) -> list[Row]:
    """The rows of a layer as dicts; none where the layer is empty."""
    table = tables.get(layer)
    if table is None or not table.columns:
        return []
    names = tuple(table.columns)
    values = (v.tolist() if isinstance(v, np.ndarray) else v for v in table.columns.values())
    return [dict(zip(names, row, strict=True)) for row in zip(*values, strict=True)]


def _drawn(tables: Tables) -> Drawn:
    field_of = {r["block_id"]: r["field_id"] for r in rows_of(tables, "blocks")}
    laterals = (
        tables["laterals"].columns if field_of else {"field_id": np.array([]), "length_m": np.array([])}
    )
    names, which, count = np.unique(laterals["field_id"].astype(str), return_inverse=True, return_counts=True)
    metres = np.bincount(which, laterals["length_m"], names.size)
    fittings: dict[str, list[Row]] = {}
    loose: list[Row] = []
    held: dict[str, set[str]] = {}
    for row in rows_of(tables, "fittings"):
        held.setdefault(str(row["on_id"]), set()).add(str(row["kind"]))
        field_id = _field_of_fitting(row, field_of)
        (loose if field_id is None else fittings.setdefault(field_id, [])).append(row)
    return Drawn(
        dict(zip(names.tolist(), metres.tolist(), strict=True)),
        dict(zip(names.tolist(), count.tolist(), strict=True)),
        {r["field_id"]: r["spacing_m"] for r in rows_of(tables, "rows")},
        _by_field(rows_of(tables, "submains"), field_of),
        _by_field(rows_of(tables, "valves"), field_of),
        fittings,
        loose,
        held,
    )


def _by_field(rows: Sequence[Row], field_of: Mapping[str, str]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(field_of[row["block_id"]], []).append(row)
    return found


def _field_of_fitting(fitting: Row, field_of: Mapping[str, str]) -> str | None:
    """The field of a fitting on a block, its valve or its submain: their ids begin with the block's."""
    on = str(fitting["on_id"] or "")
    return field_of.get(on) or field_of.get(on.rsplit("-", 1)[0])


# ---- in a field ------------------------------------------------------------------------------------


def _of_field(
    field: Row, drawn: Drawn, line: Dripline, spares: Spares, laying_ha_day: float
) -> list[Quantity]:
    own = str(field["field_id"])
    stays = drawn.row_spacing_m.get(own, 0.0) >= STAYING_ROW_M
    submains = drawn.submains.get(own, [])
    found = _line(own, drawn, line, spares, stays)
    found += _pipe_rows("submain pipe", own, submains, spares)
    found += _submain_fittings(own, submains, drawn, spares)
    found += _valves(own, drawn.valves.get(own, []), drawn)
    found += _fittings(own, drawn.fittings.get(own, []), spares)
    found.append(Quantity("trench", "", "m", "trench", own, float(sum(r["length_m"] for r in submains))))
    return found + _work(own, field["irrigated_ha"] / laying_ha_day, found[0], stays)


def _line(own: str, drawn: Drawn, line: Dripline, spares: Spares, stays: bool) -> list[Quantity]:
    length, count = drawn.line_m.get(own, 0.0), float(drawn.laterals.get(own, 0))
    size = f"{line.inside_diameter_mm:g} mm line"
    joiners = max(0.0, math.ceil(length / line.reel_m) - 1.0)
    part: Part = "lasting line" if stays else "seasonal line"

    def fitting(item: str, number: float) -> Quantity:
        return Quantity(item, size, "pieces", "line fittings", own, number, spares.fittings_pct)

    return [
        Quantity("dripline", line.name, "m", part, own, length, spares.line_pct, line.reel_m),
        fitting("joiner", joiners),
        fitting("offtake", count),
        fitting("line end", count),
    ]


def pipe_size(row: Row) -> str:
    """A pipe as it is ordered.

    >>> pipe_size({"material": "PE 100", "nominal_mm": 90.0, "pressure_class_bar": 6.0})
    'PE 100, 90 mm, 6 bar'
    """
    return f"{row['material']}, {row['nominal_mm']:g} mm, {row['pressure_class_bar']:g} bar"


def _pipe_rows(item: str, where_id: str, pieces: Sequence[Row], spares: Spares) -> list[Quantity]:
    length: Counter[str] = Counter()
    for row in sorted(pieces, key=lambda r: (r["material"], r["nominal_mm"], r["pressure_class_bar"])):
        length[pipe_size(row)] += row["length_m"]
    return [Quantity(item, size, "m", "pipe", where_id, m, spares.pipe_pct) for size, m in length.items()]


def _submain_fittings(where_id: str, pieces: Sequence[Row], drawn: Drawn, spares: Spares) -> list[Quantity]:
    """Reducers where a submain changes size, and an end at the last piece of each that has no flush valve."""
    reducers: Counter[str] = Counter()
    ends: Counter[str] = Counter()
    last: dict[str, Row] = {}
    for row in sorted(pieces, key=lambda r: (r["submain_id"], r["seq"])):
        before = last.get(row["submain_id"])
        if before is not None and before["nominal_mm"] != row["nominal_mm"]:
            small, large = sorted((before["nominal_mm"], row["nominal_mm"]))
            reducers[f"{large:g} to {small:g} mm"] += 1
        last[row["submain_id"]] = row
    for name, row in last.items():
        if "flush" not in drawn.held.get(name, set()):
            ends[f"{row['nominal_mm']:g} mm"] += 1
    return _pieces("reducer", reducers, where_id, spares) + _pieces("submain end", ends, where_id, spares)


def _pieces(item: str, counted: Counter[str], where_id: str, spares: Spares) -> list[Quantity]:
    return [
        Quantity(item, size, "pieces", "valves", where_id, float(n), spares.fittings_pct)
        for size, n in sorted(counted.items())
    ]


def _valves(where_id: str, valves: Sequence[Row], drawn: Drawn) -> list[Quantity]:
    """Valves and their regulators; one that stands in the layer of fittings is counted there."""
    told = {"regulator", "reducing valve"}
    sizes = Counter(f"{v['nominal_mm']:g} mm" for v in valves)
    regulated = Counter(
        f"{v['nominal_mm']:g} mm"
        for v in valves
        if v["regulated"] and not told & drawn.held.get(v["valve_id"], set())
    )
    return [
        Quantity(item, size, "pieces", "valves", where_id, float(n))
        for item, counted in (("block valve", sizes), ("pressure regulator", regulated))
        for size, n in sorted(counted.items(), key=lambda kv: float(kv[0].split()[0]))
    ]


def _fittings(where_id: str, fittings: Sequence[Row], spares: Spares) -> list[Quantity]:
    def size(row: Row) -> str:
        known = row["size_mm"] is not None and math.isfinite(row["size_mm"])
        return f"{row['size_mm']:g} mm" if known else ""

    counted = Counter((str(r["kind"]), size(r)) for r in fittings)
    return [
        Quantity(kind, mm, "pieces", "valves", where_id, float(n), spare_of(kind, spares))
        for (kind, mm), n in sorted(counted.items())
    ]


def spare_of(kind: str, spares: Spares) -> float:
    """What is added to the count of a kind of fitting. [%]"""
    return 0.0 if kind in WITHOUT_SPARE else spares.fittings_pct


def _work(own: str, days: float, line: Quantity, stays: bool) -> list[Quantity]:
    """Machine days of laying and taking up, and line to dispose of; line that stays is laid once."""
    if stays:
        return [Quantity("laying line that stays", "", "machine days", "lasting line", own, days)]
    return [
        Quantity("laying line", "", "machine days", "work", own, days),
        Quantity("taking up line", "", "machine days", "work", own, days),
        Quantity(DISPOSAL, line.size, "m", "work", own, line.drawn),
    ]


# ---- from the source to the valves ------------------------------------------------------------------


def _of_supply(tables: Tables, drawn: Drawn, spares: Spares) -> list[Quantity]:
    mains = _bought_mains(tables)
    source_of = {r["main_id"]: r["source_id"] for r in rows_of(tables, "mains")}
    heads = rows_of(tables, "headworks")
    places = [*dict.fromkeys([*(h["source_id"] for h in heads), *(r["source_id"] for r, _ in mains)])]
    found: list[Quantity] = []
    for place in places:
        own = [(r, g) for r, g in mains if r["source_id"] == place]
        found += _pipe_rows("main pipe", place, [r for r, _ in own], spares)
        found.append(Quantity("trench", "", "m", "trench", place, _trench_m(own, tables)))
        found += [q for h in heads if h["source_id"] == place for q in _headworks(h)]
    for place in [*places, FARM]:
        here = [r for r in drawn.loose if _place_of(str(r["on_id"]), source_of, places) == place]
        found += _fittings(place, here, spares)
    return found


def _place_of(on_id: str, source_of: Mapping[str, str], places: Sequence[str]) -> str:
    """The source that a fitting belongs to, by what it stands on."""
    return on_id if on_id in places else source_of.get(on_id, FARM)


def _bought_mains(tables: Tables) -> list[tuple[Row, Any]]:
    """Pieces of mains that are not there yet, each with its line."""
    rows = rows_of(tables, "mains")
    shapes = tables["mains"].geometry if rows else []
    return [(r, g) for r, g in zip(rows, shapes, strict=True) if not r.get("existing")]


def _trench_m(mains: Sequence[tuple[Row, Any]], tables: Tables) -> float:
    """Trench for mains, without what lies in a submain's trench. [m]"""
    if not mains:
        return 0.0
    length = float(sum(r["length_m"] for r, _ in mains))
    lines = shapely.force_2d([g for _, g in mains])
    trenches = shapely.force_2d(tables["submains"].geometry)
    beside = shapely.union_all(shapely.buffer(trenches, SAME_TRENCH_M, cap_style="flat"))
    drawn = float(shapely.length(lines).sum())
    in_it = float(shapely.length(shapely.intersection(lines, beside)).sum())
    return length * (1.0 - in_it / drawn) if drawn > 0.0 else length


def _headworks(row: Row) -> Iterator[Quantity]:
    def known(*names: str) -> bool:
        return all(row[n] is not None and math.isfinite(row[n]) for n in names)

    place = str(row["source_id"])
    if known("flow_m3h", "duty_head_m", "pump_kw"):
        size = f"{row['flow_m3h']:.0f} m3/h at {row['duty_head_m']:.0f} m, {row['pump_kw']:.0f} kW"
        yield Quantity("pump", size, "pieces", "head works", place, 1.0)
    if known("filter_micron", "filter_flow_m3h"):
        size = f"{row['filter_micron']:g} micron, {row['filter_flow_m3h']:.0f} m3/h"
        if row.get("filter_kind") and row.get("filter_units"):
            units = "unit" if row["filter_units"] == 1 else "units"
            of = f" of {row['filter_unit_mm']:g} mm" if known("filter_unit_mm") else ""
            size = f"{row['filter_units']:.0f} {row['filter_kind']} {units}{of}, {size}"
        yield Quantity("filter", size, "pieces", "head works", place, 1.0)
    for name in str(row.get("order") or "").split(", "):
        if name and name not in COUNTED_APART and not name.endswith(" filter"):
            size = f"for {row['flow_m3h']:.0f} m3/h" if known("flow_m3h") else ""
            yield Quantity(name, size, "sets", "head works", place, 1.0)


def quantity_assumptions() -> tuple[Assumption, ...]:
    """What the counting rests on that no file states."""
    return (
        Assumption("shared_trench", f"{SAME_TRENCH_M:g}", "m between main and submain, or less", "",
                   "common practice"),
        Assumption("joiners", "one where each reel but a field's last ends", "", "", "common practice"),
    )  # fmt: skip
