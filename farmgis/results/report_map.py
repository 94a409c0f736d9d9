"""What the report's map shows, as plain data for its script, and the same as a still picture for print."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas
import shapely
from markupsafe import Markup

from farmgis.results.map_ground import contours, field_ground, interval_m
from farmgis.results.map_layers import main_width_pt, shift_colour, sides, sizes_drawn, submain_width_pt
from farmgis.results.map_sheets import shift_words
from farmgis.results.plan_rows import Rows
from farmgis.results.styles import FITTINGS, HEADS, MAINS, PALE, SUBMAINS, WARN

MOST_LATERALS = 12_000
MOST_CONTOURED = 40
"""Fields beyond which contours are left to the layers: the file has to stay small."""

MOST_TOLD = 3_000
"""Pieces of submain, or emitters, beyond which they are drawn but tell nothing of themselves."""

PER_METRE = 10.0
"""Coordinates are whole decimetres from the map's south-west corner."""


def map_data(rows: Rows) -> dict[str, Any] | None:
    """All that the map draws; None where nothing has a place."""
    shapes = [s for s in rows["fields"]["shape"] if s is not None]
    if not shapes:
        return None
    west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object))
    draw = _Drawn(float(west), float(south))
    shifts = shift_words(rows)
    laterals, each = _laterals(rows["laterals"], draw)
    return {
        "size": [round((east - west) * PER_METRE), round((north - south) * PER_METRE)],
        "each": each,
        "fields": [_field(f, draw) for f in rows["fields"].itertuples() if f.shape is not None],
        "blocks": [_block(b, shifts, draw) for b in rows["blocks"].itertuples()],
        "laterals": laterals,
        "contours": _contours(rows, draw),
        "submains": _submains(rows["submains"], draw),
        "mains": _pipes(rows["mains"], MAINS, main_width_pt, draw, _main_words),
        "points": _points(rows, draw),
    }


def halves(data: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """What the map shows at once, with the names of the rest; and the rest, read when it is asked for."""
    points = data["points"]
    rest = {"laterals": data["laterals"], "fittings": points["fittings"], "emitters": points["emitters"]}
    soon = {name: value for name, value in data.items() if name != "laterals"}
    soon["points"] = {name: value for name, value in points.items() if name not in rest}
    soon["later"] = [name for name, value in rest.items() if value]
    return packed(soon), packed(rest)


def packed(data: dict[str, Any]) -> dict[str, Any]:
    """A part of the map's data with each text once, in `words`: what a thing tells are places in that list.

    >>> packed({"valves": [{"t": [["Size", "80 mm"], ["Size", "90 mm"]]}]})
    {'valves': [{'t': [0, 1, 0, 2]}], 'words': ['Size', '80 mm', '90 mm']}
    """
    words: dict[str, int] = {}

    def pack(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: places(v) if k == "t" else pack(v) for k, v in value.items()}
        things = isinstance(value, list) and bool(value) and isinstance(value[0], dict)
        return [pack(v) for v in value] if things else value

    def places(pairs: list[list[str]]) -> list[int]:
        return [words.setdefault(word, len(words)) for pair in pairs for word in pair]

    return {**pack(data), "words": list(words)}


class _Drawn:
    """Turns shapes into lists of whole decimetres."""

    def __init__(self, west: float, south: float) -> None:
        self.corner = np.array([west, south])

    def line(self, shape: Any, tolerance_m: float = 0.3) -> list[int]:
        thin = shapely.simplify(shapely.force_2d(shape), tolerance_m)
        return self.flat(shapely.get_coordinates(thin))

    def flat(self, xy: Any) -> list[int]:
        return [int(v) for v in np.rint((xy - self.corner) * PER_METRE).astype(np.int64).ravel()]

    def rings(self, shape: Any) -> list[list[list[int]]]:
        """Polygons, each its outer ring and its holes."""
        thin = shapely.simplify(shape, 0.3)
        return [[self.line(r, 0.0) for r in (p.exterior, *p.interiors)] for p in shapely.get_parts(thin)]


def told(*pairs: tuple[str, Any, int, str]) -> list[list[str]]:
    """Names and values for a pop-up; what is not known is left out. Pairs: name, value, digits, unit."""
    found = []
    for name, value, digits, unit in pairs:
        if value is None or value != value or value == "":
            continue
        text = value if isinstance(value, str) else f"{value:,.{digits}f}"
        found.append([name, f"{text} {unit}".strip()])
    return found


def _field(f: Any, draw: _Drawn) -> dict[str, Any]:
    return {
        "i": str(f.field_id),
        "n": str(f.name or f.field_id),
        "s": str(f.status or ""),
        "r": draw.rings(f.shape),
        "t": told(
            ("Field", str(f.field_id), 0, ""),
            ("Status", f.status, 0, ""),
            ("Irrigated", f.irrigated_ha, 1, "ha"),
            ("Mean slope", f.slope_mean_pct, 1, "%"),
            ("Rows run", f.row_azimuth_deg, 0, "degrees from grid north"),
            ("Greatest row grade", f.row_grade_max_pct, 1, "%"),
            ("Line", f.dripline, 0, ""),
        ),
    }


def _block(b: Any, shifts: dict[str, str], draw: _Drawn) -> dict[str, Any]:
    within = (
        {True: "yes", False: "NO"}.get(b.within_tolerance, "")
        if b.within_tolerance == b.within_tolerance
        else ""
    )
    return {
        "i": str(b.block_id),
        "c": shift_colour(float(b.shift)),
        "r": draw.rings(b.shape),
        "t": told(
            ("Block", str(b.block_id), 0, ""),
            ("Runs in", shifts.get(b.block_id, ""), 0, ""),
            ("Area", b.area_ha, 1, "ha"),
            ("Flow", b.flow_m3h, 1, "m³/h"),
            ("Head at the valve", b.valve_head_m, 1, "m"),
            ("Emitters' heads", f"{b.head_min_m:.1f} to {b.head_max_m:.1f}", 0, "m"),
            ("Head variation", b.head_variation_pct, 0, "%"),
            ("Emission uniformity", b.emission_uniformity_pct, 0, "%"),
            ("Within tolerance", within, 0, ""),
        ),
    }


def _laterals(laterals: pandas.DataFrame, draw: _Drawn) -> tuple[list[list[int]], int]:
    """Lines of the laterals, and each how-manieth is there."""
    if laterals.empty:
        return [], 1
    each = -(-len(laterals) // MOST_LATERALS)
    if each > 1:
        place = laterals.groupby([laterals.block_id, laterals.submain_id, sides(laterals)]).cumcount()
        laterals = laterals[place % each == 0]
    thin = shapely.simplify(shapely.force_2d(laterals["shape"].to_numpy()), 0.5)
    xy, own = shapely.get_coordinates(thin, return_index=True)
    whole = np.rint((xy - draw.corner) * PER_METRE).astype(np.int64)
    cuts = np.flatnonzero(np.diff(own)) + 1
    return [part.ravel().tolist() for part in np.split(whole, cuts)], each


def _contours(rows: Rows, draw: _Drawn) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    ids = [i for i in rows["fields"].field_id if (rows["blocks"].field_id == i).any()]
    for field_id in ids if len(ids) <= MOST_CONTOURED else ():
        blocks = rows["blocks"][rows["blocks"].field_id == field_id]
        own = rows["laterals"]["shape"][rows["laterals"].block_id.isin(blocks.block_id)].to_numpy()
        ground = field_ground(own, shapely.union_all(blocks["shape"].to_numpy()))
        if ground is not None:
            for height, lines in contours(ground, interval_m(*ground.range_m)):
                words = told(("Contour", f"{height:g}", 0, "m"))
                found += [{"l": draw.line(shapely.LineString(line), 1.0), "t": words} for line in lines]
    return found


def _pipes(
    pipes: pandas.DataFrame, colours: Sequence[str], width_pt: Any, draw: _Drawn, words: Any
) -> list[dict[str, Any]]:
    sizes = sizes_drawn(pipes, colours)
    return [
        {
            "c": sizes.get(p.nominal_mm, PALE),
            "w": round(width_pt(p.nominal_mm if p.nominal_mm == p.nominal_mm else 63.0), 1),
            "l": draw.line(p.shape, 0.2),
            "t": words(p),
        }
        for p in pipes.itertuples()
    ]


def _submains(pipes: pandas.DataFrame, draw: _Drawn) -> list[dict[str, Any]]:
    """Pieces that tell of themselves or, where there are very many, one drawing a size."""
    if len(pipes) <= MOST_TOLD:
        return _pipes(pipes, SUBMAINS, submain_width_pt, draw, _submain_words)
    return [
        {
            "c": colour,
            "w": round(submain_width_pt(size), 1),
            "m": [draw.line(s, 1.0) for s in pipes["shape"][pipes.nominal_mm == size]],
            "t": [["Submain", "of many"], ["Size", f"{size:.0f} mm"]],
        }
        for size, colour in sizes_drawn(pipes, SUBMAINS).items()
    ]


def _submain_words(p: Any) -> list[list[str]]:
    return told(
        ("Submain", str(p.submain_id), 0, ""),
        ("Size", p.nominal_mm, 0, "mm"),
        ("Material", p.material, 0, ""),
        ("Length", p.length_m, 0, "m"),
        ("Flow into it", p.inlet_flow_m3h, 1, "m³/h"),
        ("Velocity", p.velocity_m_s, 1, "m/s"),
        ("Head, begin", p.inlet_head_m, 1, "m"),
        ("Head, end", p.end_head_m, 1, "m"),
        ("At rest, most", p.static_head_max_m, 1, "m"),
    )


def _main_words(p: Any) -> list[list[str]]:
    return told(
        ("Main", str(p.main_id), 0, ""),
        ("From", p.from_node, 0, ""),
        ("To", p.to_node, 0, ""),
        ("Size", p.nominal_mm, 0, "mm"),
        ("Material", p.material, 0, ""),
        ("Class", p.pressure_class_bar, 0, "bar"),
        ("Length", p.length_m, 0, "m"),
        ("Greatest flow", p.design_flow_m3h, 0, "m³/h"),
        ("Velocity", p.velocity_m_s, 1, "m/s"),
        ("Head lost", p.head_loss_m, 1, "m"),
        ("At rest, most", p.static_head_max_m, 1, "m"),
        ("With surge, most", p.surge_head_max_m, 1, "m"),
    )


def _points(rows: Rows, draw: _Drawn) -> dict[str, list[dict[str, Any]]]:
    """Valves, fittings, pumps, extreme emitters and findings that have a place."""

    emitters = rows["extreme_emitters"]
    emitters = emitters if len(emitters) <= MOST_TOLD else emitters.iloc[:0]

    def points(frame: pandas.DataFrame, made: Any) -> list[dict[str, Any]]:
        return [
            made(r) | {"p": draw.flat(_middle(r.shape))} for r in frame.itertuples() if r.shape is not None
        ]

    return {
        "valves": points(
            rows["valves"],
            lambda v: {
                "c": "#2b2b2b",
                "t": told(
                    ("Valve", str(v.valve_id), 0, ""),
                    ("Size", v.nominal_mm, 0, "mm"),
                    ("Flow", v.flow_m3h, 1, "m³/h"),
                    ("Set to", v.set_head_m, 1, "m"),
                    ("Needs before it", v.required_head_m, 1, "m"),
                    ("Gets, least", v.available_head_m, 1, "m"),
                ),
            },
        ),
        "fittings": points(
            rows["fittings"],
            lambda f: {
                "c": FITTINGS.get(str(f.kind), ("", PALE))[1],
                "t": told(
                    ("Fitting", str(f.fitting_id), 0, ""),
                    ("Kind", f.kind, 0, ""),
                    ("Size", f.size_mm, 0, "mm"),
                    ("On", f.on_id, 0, ""),
                    ("Why", f.reason, 0, ""),
                ),
            },
        ),
        "pumps": points(
            rows["headworks"],
            lambda h: {
                "c": MAINS[-1],
                "t": told(
                    ("Pump and filter", str(h.name or h.source_id), 0, ""),
                    ("Flow", h.flow_m3h, 0, "m³/h"),
                    ("Duty head", h.duty_head_m, 0, "m"),
                    ("Power", h.pump_kw, 0, "kW"),
                    ("Filter", h.filter_micron, 0, "micron"),
                ),
            },
        ),
        "emitters": points(
            emitters,
            lambda e: {
                "c": WARN if e.which == "lowest" else HEADS[-1],
                "t": told(
                    ("Emitter", f"{e.which} head of {e.block_id}", 0, ""),
                    ("Head", e.head_m, 2, "m"),
                    ("Flow", e.flow_l_h, 2, "l/h"),
                    ("On", e.lateral_id, 0, ""),
                    ("At", e.chainage_m, 1, "m along it"),
                ),
            },
        ),
        "findings": points(
            rows["findings"],
            lambda f: {
                "c": WARN if f.severity == "stop" else "#d99a2b",
                "t": told(
                    ("Finding", f"{f.finding_id}, {f.severity}", 0, ""),
                    ("About", f.about, 0, ""),
                    ("What", f.what, 0, ""),
                    ("Do", f.advice, 0, ""),
                ),
            },
        ),
    }


def _middle(shape: Any) -> Any:
    return shapely.get_coordinates(shapely.point_on_surface(shapely.force_2d(shape)))[:1]


# ---- the still picture ------------------------------------------------------------------------------


def still_map(data: dict[str, Any]) -> Markup:
    """The blocks, submains and mains as an SVG image: what is printed, and what is seen without a script."""
    wide, high = data["size"]
    scale = 1000.0 / max(wide, high, 1)
    frame = (round(wide * scale) + 20, round(high * scale) + 20)

    def path(flat: Sequence[int]) -> str:
        """A line as SVG writes it, without points that fall on the one before."""
        x = np.round(10.0 + np.array(flat[::2]) * scale, 1)
        y = np.round(frame[1] - 10.0 - np.array(flat[1::2]) * scale, 1)
        keep = np.r_[True, np.hypot(np.diff(x), np.diff(y)) > 0.4]
        keep[-1] = True
        return "M" + "L".join(f"{a:g} {b:g}" for a, b in zip(x[keep], y[keep], strict=True))

    def area(item: dict[str, Any]) -> str:
        return "".join(path(ring) + "Z" for polygon in item["r"] for ring in polygon)

    def pipe(item: dict[str, Any]) -> str:
        return "".join(path(line) for line in item.get("m", [item.get("l")]))

    parts = [Markup('<g fill-opacity=".35" fill-rule="evenodd" stroke="#4d4d4d" stroke-width=".6">')]
    parts += _by_colour(data["blocks"], area, "fill")
    parts.append(
        Markup('</g><g fill="none" stroke="#2b2b2b" stroke-width="1.4"><path d="{}"/>').format(
            "".join(area(f) for f in data["fields"])
        )
    )
    for name, width in (("submains", 1.2), ("mains", 2.6)):
        parts.append(Markup('</g><g fill="none" stroke-width="{}">').format(width))
        parts += _by_colour(data[name], pipe, "stroke")
    parts.append(Markup("</g>"))
    parts += [_field_name(f, scale, frame[1]) for f in data["fields"] if len(data["fields"]) <= 60]
    return Markup(
        '<svg class="still" viewBox="0 0 {} {}" role="img" '
        'aria-label="Map of fields, blocks by shift, submains and mains">{}</svg>'
    ).format(*frame, Markup("").join(parts))


def _by_colour(
    items: Sequence[dict[str, Any]], path: Callable[[dict[str, Any]], str], what: str
) -> list[Markup]:
    """One path a colour: a browser draws few long paths faster than thousands of short ones."""
    drawn: dict[str, list[str]] = {}
    for item in items:
        drawn.setdefault(item["c"], []).append(path(item))
    return [Markup('<path d="{}" {}="{}"/>').format("".join(d), Markup(what), c) for c, d in drawn.items()]


def _field_name(f: dict[str, Any], scale: float, high: int) -> Markup:
    ring = max((polygon[0] for polygon in f["r"]), key=len)
    x, y = float(np.mean(ring[::2])), float(np.mean(ring[1::2]))
    place = (10.0 + x * scale, high - 10.0 - y * scale)
    return Markup('<text x="{:.0f}" y="{:.0f}" text-anchor="middle">{}</text>').format(*place, f["n"][:30])
