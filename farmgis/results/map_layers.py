"""The layers of a plan drawn on a map sheet: ground, blocks, laterals, pipes, valves, fittings."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
import pandas
import shapely

from farmgis.records import Floats
from farmgis.results.map_fonts import text_width_pt
from farmgis.results.map_frame import MapFrame
from farmgis.results.map_ground import Ground, contours, fall, interval_m
from farmgis.results.map_page import POINTS_PER_MM, WHITE, Colour, Page, printable
from farmgis.results.map_points import Point
from farmgis.results.styles import FITTINGS, HEADS, INK, MAINS, PALE, SHIFTS, WARN

CONTOUR = "#6f5232"
LATERAL = "#7c939d"
TINT = 0.32
UNSEEN_MM = 0.02
"""Points of a line nearer to its course than this on paper are left out."""

THINNEST_MM = 1.3
"""Laterals are drawn no closer than this on paper."""


class Sheet:
    """A page with a map on it: draws shapes of the ground within the map's frame."""

    def __init__(self, frame: MapFrame) -> None:
        """An empty page with the frame's window."""
        self.frame = frame
        self.page = Page(frame.paper)
        self.window = (frame.left_mm, frame.bottom_mm, frame.width_mm, frame.height_mm)

    def lines(self, lines: Sequence[Floats], colour: Colour, width_pt: float, **more: Any) -> None:
        """Draw lines of the ground, each of shape (n, 2)."""
        drawn = shapely.linestrings(
            np.concatenate([self.frame.on_paper(line) for line in lines] or [np.empty((0, 2))]),
            indices=np.repeat(np.arange(len(lines)), [len(line) for line in lines]),
        )
        seen = [shapely.get_coordinates(line) for line in shapely.simplify(drawn, UNSEEN_MM)]
        self.page.lines(seen, colour, width_pt, within=self.window, **more)

    def areas(self, shapes: Iterable[Any], face: Colour | None, edge: Colour, **more: Any) -> None:
        """Draw polygons of the ground with their holes."""
        drawn = [
            [self.frame.on_paper(shapely.get_coordinates(r)) for r in (part.exterior, *part.interiors)]
            for shape in shapes
            if shape is not None
            for part in shapely.get_parts(shape)
        ]
        self.page.areas(drawn, face, edge, within=self.window, **more)

    def place(self, point: Any) -> tuple[float, float]:
        """Where a point of the ground lies on the page. [mm]"""
        x, y = self.frame.on_paper(shapely.get_coordinates(point)[:1])[0]
        return float(x), float(y)

    def shows(self, x: float, y: float) -> bool:
        """Whether a place of the page lies in the map."""
        f = self.frame
        return f.left_mm <= x <= f.left_mm + f.width_mm and f.bottom_mm <= y <= f.bottom_mm + f.height_mm

    def label(self, x: float, y: float, text: str, size_pt: float, **more: Any) -> None:
        """Write on the map and within it, with a white edge so that lines behind do not disturb."""
        if self.shows(x, y):
            style: dict[str, Any] = {"ha": "center", "va": "center", "halo": True} | more
            x += 0.0 if style.get("angle_deg") else self._inward(x, text, size_pt, style)
            self.page.text(x, y, text, size_pt, **style)

    def _inward(self, x: float, text: str, size_pt: float, style: dict[str, Any]) -> float:
        """How far a level text has to move to end within the map. [mm]"""
        wide = text_width_pt(text, size_pt, style.get("bold", False)) / POINTS_PER_MM
        left = x - {"left": 0.0, "center": 0.5, "right": 1.0}[style["ha"]] * wide
        least, most = self.frame.left_mm + 1.0, self.frame.left_mm + self.frame.width_mm - 1.0
        return max(least - left, 0.0) - max(left + wide - most, 0.0)


def shift_colour(shift: float) -> str:
    """The colour of a shift, grey where a block is in none."""
    return PALE if shift != shift else SHIFTS[(int(shift) - 1) % len(SHIFTS)]


def draw_fields(sheet: Sheet, fields: pandas.DataFrame) -> None:
    """Outlines of the fields; land that is not planned is hatched."""
    refused = fields.status == "not planned"
    sheet.areas(fields["shape"][~refused], None, INK, width_pt=0.9, zorder=6)
    sheet.areas(fields["shape"][refused], None, PALE, width_pt=0.9, hatched=True, zorder=6)


def draw_blocks(sheet: Sheet, blocks: pandas.DataFrame, opacity: float = TINT) -> None:
    """Blocks tinted by their shift."""
    for shift, own in blocks.groupby("shift", dropna=False):
        tint = thin_colour(shift_colour(float(shift)), opacity)
        sheet.areas(own["shape"], tint, "#4d4d4d", zorder=2)


def thin_colour(colour: str, opacity: float) -> tuple[float, float, float]:
    """A colour laid thin over white, without transparency: it prints the same everywhere."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    red, green, blue = (1.0 - opacity * (1.0 - p) for p in parts)
    return red, green, blue


def name_places(
    sheet: Sheet, blocks: pandas.DataFrame, pipes: pandas.DataFrame, clear_mm: float
) -> dict[str, Any]:
    """For each block a place well inside it, clear of submains where there is one."""
    reach = clear_mm * sheet.frame.scale / 1000.0
    found = {}
    for row in blocks.itertuples():
        own = pipes["shape"][pipes.block_id == row.block_id].to_numpy()
        free = shapely.difference(row.shape, shapely.buffer(shapely.union_all(own), reach))
        found[row.block_id] = _middle(row.shape if free.is_empty else free)
    return found


def name_blocks(
    sheet: Sheet,
    blocks: pandas.DataFrame,
    places: dict[str, Any],
    shifts: dict[str, str],
    size_pt: float,
    full: bool,
) -> None:
    """Each block's id and shift and, in full, its flow."""
    for row in blocks.itertuples():
        x, y = sheet.place(places[row.block_id])
        short = str(row.block_id).removeprefix(f"{row.field_id}-") if full else str(row.block_id)
        sheet.label(x, y + 0.2 * size_pt, short, size_pt, bold=True)
        told = shifts[row.block_id] + (f" · {row.flow_m3h:.0f} m³/h" if full else "")
        sheet.label(x, y - 0.26 * size_pt, told, 0.8 * size_pt)


def name_fields(sheet: Sheet, fields: pandas.DataFrame) -> None:
    """Each field's name, clear above the part of it that lies under the name."""
    half = 14.0 * sheet.frame.scale / 1000.0
    for row in fields.itertuples():
        west, south, east, north = shapely.bounds(row.shape)
        middle = (west + east) / 2.0
        under = shapely.intersection(row.shape, shapely.box(middle - half, south, middle + half, north))
        x, y = sheet.place(shapely.Point(middle, north if under.is_empty else shapely.bounds(under)[3]))
        sheet.label(x, y + 2.6, printable(row.name or row.field_id, 40), 7.5, bold=True)


def draw_neighbours(sheet: Sheet, fields: pandas.DataFrame, frame: MapFrame) -> None:
    """Other fields that the map shows, as grey outlines with their names."""
    sheet.areas(fields["shape"], None, PALE, zorder=1)
    for row in fields.itertuples():
        seen = shapely.intersection(row.shape, shapely.box(*frame.bounds))
        if seen.area > (25.0 * frame.scale / 1000.0) ** 2:
            x, y = sheet.place(_middle(seen))
            sheet.label(x, y, printable(row.name or row.field_id, 30), 6.0, colour=PALE)


def draw_points(sheet: Sheet, points: Sequence[Point]) -> None:
    """Points to set out, each with its number."""
    places = sheet.frame.on_paper(np.array([(p.x_m, p.y_m) for p in points]).reshape(-1, 2)).tolist()
    sheet.page.marks([at for at in places if sheet.shows(*at)], "circle", 1.1, INK, width_pt=0.25)
    for p, (x, y) in zip(points, places, strict=True):
        sheet.label(x + 0.9, y + 1.0, str(p.number), 4.8, ha="left", va="bottom", zorder=21)


def _middle(shape: Any) -> Any:
    """A place well inside the largest part of a shape."""
    parts = shapely.get_parts(shape)
    largest = parts[int(np.argmax(shapely.area(parts)))]
    circle = shapely.maximum_inscribed_circle(largest, tolerance=math.sqrt(largest.area) / 50.0)
    return shapely.get_point(circle, 0)


def lateral_step(spacing_m: float, scale: float) -> int:
    """Each how-manieth lateral is drawn, so that lines stand apart on paper.

    >>> lateral_step(1.5, 2500.0), lateral_step(5.0, 1000.0)
    (3, 1)
    """
    return max(1, math.ceil(THINNEST_MM / (1000.0 * spacing_m / scale) - 1e-9))


def lateral_spacing_m(laterals: pandas.DataFrame) -> float:
    """Distance from lateral to lateral on the ground: the median between neighbouring inlets. [m]"""
    gaps = []
    for _, own in laterals.groupby("block_id"):
        starts = shapely.get_coordinates(shapely.get_point(own["shape"].to_numpy(), 0))
        ends = shapely.get_coordinates(shapely.get_point(own["shape"].to_numpy(), -1))
        along = ends - starts
        along = np.where((along @ along[0] < 0.0)[:, None], -along, along).sum(axis=0)
        length = np.hypot(*along)
        across = np.unique(np.round(starts @ np.array([-along[1], along[0]]) / max(length, 1e-9), 2))
        gaps.append(np.diff(across)[np.diff(across) > 0.05])
    every = np.concatenate(gaps) if gaps else np.array([])
    return float(np.median(every)) if len(every) else 1.0


def sides(laterals: pandas.DataFrame) -> Any:
    """On which side of its submain each lateral lies, by the way it runs."""
    lines = laterals["shape"].to_numpy()
    along = shapely.get_coordinates(shapely.get_point(lines, -1)) - shapely.get_coordinates(
        shapely.get_point(lines, 0)
    )
    return along @ along[0] >= 0.0


def draw_laterals(sheet: Sheet, laterals: pandas.DataFrame) -> int:
    """Laterals, thinned where they would run together; returns each how-manieth is drawn."""
    if laterals.empty:
        return 1
    step = lateral_step(lateral_spacing_m(laterals), sheet.frame.scale)
    place = laterals.groupby([laterals.block_id, laterals.submain_id, sides(laterals)]).cumcount()
    kept = laterals["shape"][place % step == 0]
    sheet.lines([shapely.get_coordinates(s) for s in kept], LATERAL, 0.3, zorder=3)
    return step


def draw_ground(sheet: Sheet, ground: Ground | None, interval: float | None = None) -> float | None:
    """Contours with their heights; returns the height between them."""
    if ground is None:
        return None
    step = interval or interval_m(*ground.range_m)
    for height, lines in contours(ground, step):
        heavy = round(height / step) % 5 == 0
        sheet.lines(lines, CONTOUR, 0.75 if heavy else 0.4, zorder=4)
        longest = max(lines, key=lambda line: float(np.hypot(*np.diff(line, axis=0).T).sum()))
        on_paper = sheet.frame.on_paper(longest)
        run = np.hypot(*np.diff(on_paper, axis=0).T).cumsum()
        if run[-1] > 14.0:
            _along(sheet, on_paper, 0.12, f"{height:g}", 5.0, CONTOUR)
    return step


def _along(
    sheet: Sheet, line: Floats, share: float, text: str, size_pt: float, colour: str, beside_mm: float = 0.0
) -> None:
    """Write a text along a line of the page, upright, where a share of its length is behind."""
    run = np.r_[0.0, np.hypot(*np.diff(line, axis=0).T).cumsum()]
    at = share * run[-1]
    x, y = (float(np.interp(at, run, line[:, k])) for k in (0, 1))
    reach = min(3.0, run[-1] / 4.0)
    ends = [(np.interp(at + d, run, line[:, 0]), np.interp(at + d, run, line[:, 1])) for d in (-reach, reach)]
    angle = math.degrees(math.atan2(ends[1][1] - ends[0][1], ends[1][0] - ends[0][0]))
    angle = angle - 180.0 if angle > 90.0 else angle + 180.0 if angle <= -90.0 else angle
    x -= beside_mm * math.sin(math.radians(angle))
    y += beside_mm * math.cos(math.radians(angle))
    sheet.label(x, y, text, size_pt, colour=colour, angle_deg=angle, zorder=12)


def draw_falls(sheet: Sheet, ground: Ground | None, blocks: pandas.DataFrame, places: dict[str, Any]) -> None:
    """In each block an arrow down the slope, with the mean slope in percent."""
    if ground is None:
        return
    for row in blocks.itertuples():
        found = fall(ground, row.shape)
        if found is None:
            continue
        east, north, slope_pct = found
        x, y = sheet.place(places[row.block_id])
        y -= 7.5
        if not sheet.shows(x, y):
            continue
        start, end = (x - 3.2 * east, y - 3.2 * north), (x + 3.2 * east, y + 3.2 * north)
        sheet.page.arrow(start, end, CONTOUR, 13.0)
        sheet.label(x + 4.4, y, f"{slope_pct:.1f} %", 5.2, ha="left", colour=CONTOUR)


def sizes_drawn(pipes: pandas.DataFrame, colours: Sequence[str]) -> dict[float, str]:
    """The nominal sizes that occur, small to large, each with its colour."""
    sizes = sorted(set(pipes.nominal_mm[np.isfinite(pipes.nominal_mm)]))
    last = len(colours) - 1
    return {s: colours[round(i * last / max(len(sizes) - 1, 1))] for i, s in enumerate(sizes)}


def submain_width_pt(nominal_mm: float) -> float:
    """Width at which a submain is drawn: wider where the pipe is. [pt]"""
    return 0.7 + nominal_mm / 75.0


def main_width_pt(nominal_mm: float) -> float:
    """Width at which a main is drawn: wider where the pipe is. [pt]"""
    return 1.3 + nominal_mm / 140.0


def trench_width_pt(nominal_mm: float) -> float:
    """Width of a main on a field's sheet: a submain in the same trench is seen within it. [pt]"""
    return main_width_pt(nominal_mm) + 1.8


def draw_pipes(
    sheet: Sheet,
    pipes: pandas.DataFrame,
    colours: Sequence[str],
    width_pt: Callable[[float], float],
    label_pt: float,
    zorder: float,
    beside_mm: float = 1.7,
    edge_pt: float = 0.9,
) -> None:
    """Pipes by size, each piece that is long enough on paper with its size beside it."""
    drawn = sizes_drawn(pipes, colours)
    for size, colour in drawn.items():
        lines = [shapely.get_coordinates(s) for s in pipes["shape"][pipes.nominal_mm == size]]
        sheet.lines(lines, WHITE, width_pt(size) + edge_pt, zorder=zorder)
        sheet.lines(lines, colour, width_pt(size), zorder=zorder + 0.1)
        for line in lines:
            on_paper = sheet.frame.on_paper(line)
            if label_pt and float(np.hypot(*np.diff(on_paper, axis=0).T).sum()) > 7.0:
                _along(sheet, on_paper, 0.5, f"{size:.0f}", label_pt, colours[-1], beside_mm)
    unknown = pipes["shape"][~np.isfinite(pipes.nominal_mm)]
    sheet.lines([shapely.get_coordinates(s) for s in unknown], PALE, 1.2, zorder=zorder, dashed=True)


def draw_valves(
    sheet: Sheet, valves: pandas.DataFrame, size_pt: float, named: bool, colour: str = INK
) -> None:
    """Block valves, with the end of their id that is their own."""
    for row in valves.itertuples():
        x, y = sheet.place(row.shape)
        if sheet.shows(x, y):
            sheet.page.marks([(x, y)], "diamond", 2.1, colour, zorder=15)
            if named:
                own = "-".join(str(row.valve_id).split("-")[-2:])
                sheet.label(x + 2.0, y + 1.8, own, size_pt, ha="left", zorder=21)


def draw_fittings(sheet: Sheet, fittings: pandas.DataFrame, size_pt: float) -> None:
    """Fittings by kind, each with its number in the table of all; without numbers where `size_pt` is 0."""
    for row in fittings.itertuples():
        x, y = sheet.place(row.shape)
        if sheet.shows(x, y):
            shape, colour = FITTINGS.get(str(row.kind), ("circle", PALE))
            sheet.page.marks([(x, y)], shape, 1.7, colour, INK, zorder=14)
            if size_pt:
                sheet.label(x - 1.3, y - 1.5, str(row.Index + 1), size_pt, ha="right", zorder=21)


def draw_headworks(sheet: Sheet, headworks: pandas.DataFrame) -> None:
    """Pump and filter of each source, with its flow."""
    for row in headworks.itertuples():
        x, y = sheet.place(row.shape)
        if sheet.shows(x, y):
            sheet.page.marks([(x, y)], "pentagon", 4.6, MAINS[-1], zorder=17)
            flow = f" · {row.flow_m3h:.0f} m³/h" if row.flow_m3h == row.flow_m3h else ""
            words = printable(row.name or row.source_id, 30) + flow
            end = x + 5.0 + text_width_pt(words, 6.5, bold=True) / POINTS_PER_MM
            fits = end < sheet.frame.left_mm + sheet.frame.width_mm
            beside, ha = (3.4, "left") if fits else (-3.4, "right")
            sheet.label(x + beside, y, words, 6.5, ha=ha, colour=MAINS[-1], bold=True, zorder=22)


def draw_extremes(sheet: Sheet, emitters: pandas.DataFrame) -> None:
    """The emitters of lowest and highest head of each block, with the head."""
    for row in emitters.itertuples():
        x, y = sheet.place(row.shape)
        low = row.which == "lowest"
        if sheet.shows(x, y):
            shape, colour = ("triangle_down", WARN) if low else ("equilateral_triangle", HEADS[-1])
            sheet.page.marks([(x, y)], shape, 1.9, colour, zorder=14)
            sheet.label(x + 1.5, y - 1.5, f"{row.head_m:.1f} m", 4.6, ha="left", zorder=21)
