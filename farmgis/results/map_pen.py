"""Puts what is on a page into a PDF: lines, areas, marks and text, in millimetres."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np

from farmgis.records import Floats
from farmgis.results.map_fonts import run_width_pt, runs, shaped, text_width_pt
from farmgis.results.map_page import POINTS_PER_MM, WHITE, Box, Colour, Look

HATCH_MM = 2.0
"""Distance between the lines of a hatch."""

DASH, DASH_GAP = 3.7, 1.6
"""A dash and the gap after it, in widths of the line."""

HALO = 0.28
"""Width of the white edge of a text, in sizes of it; half of it lies under the letters."""


def _regular(corners: int, turned_deg: float = 90.0, inner: float = 1.0) -> Floats:
    """Corners on a circle of diameter 1, the first at an angle; each second at `inner` of its radius."""
    angle = np.radians(turned_deg) + 2.0 * np.pi * np.arange(corners) / corners
    radius = 0.5 * np.where(np.arange(corners) % 2 == 0, 1.0, inner)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)


SHAPES: dict[str, Floats] = {
    "circle": _regular(32),
    "star": _regular(10, inner=0.42),
    "pentagon": _regular(5),
    "diamond": _regular(4) * math.sqrt(2.0),
    "square": _regular(4, 45.0) * math.sqrt(2.0),
    "equilateral_triangle": np.array([(0.0, 0.5), (-0.5, -0.5), (0.5, -0.5)]),
    "triangle_down": np.array([(0.0, -0.5), (0.5, 0.5), (-0.5, 0.5)]),
    "filled_arrowhead": np.array([(0.5, 0.0), (-0.5, 0.5), (-0.5, -0.5)]),
    "cross2": np.array([
        (-0.25, -0.5), (0.0, -0.25), (0.25, -0.5), (0.5, -0.25), (0.25, 0.0), (0.5, 0.25),
        (0.25, 0.5), (0.0, 0.25), (-0.25, 0.5), (-0.5, 0.25), (-0.25, 0.0), (-0.5, -0.25),
    ]),
}  # fmt: skip
"""Markers, as polygons one unit wide."""


class Pen:
    """Draws on the open page of a PDF; places and sizes are in millimetres from its lower left corner."""

    def __init__(self, canvas: Any) -> None:
        """A pen for a canvas of the writer of PDF."""
        self.canvas = canvas
        canvas.setLineJoin(1)

    def lines(
        self, lines: Sequence[Floats], colour: Colour, width_pt: float, dashed: bool, within: Box | None
    ) -> None:
        """Draw lines, each of shape (n, 2)."""
        with self._within(within):
            self._stroke(colour, width_pt)
            if dashed:
                self.canvas.setDash([DASH * width_pt, DASH_GAP * width_pt])
            self.canvas.drawPath(self._path(lines, closed=False), stroke=1, fill=0)
            if dashed:
                self.canvas.setDash()

    def areas(
        self, areas: Sequence[Sequence[Floats]], face: Colour | None, edge: Colour | None, width_pt: float,
        hatched: bool, within: Box | None,
    ) -> None:  # fmt: skip
        """Draw areas, each of an outline and its holes."""
        with self._within(within):
            for rings in areas:
                if hatched:
                    self._hatch(rings, edge or WHITE)
                if edge is not None:
                    self._stroke(edge, width_pt)
                if face is not None:
                    self.canvas.setFillColorRGB(*_rgb(face))
                path = self._path(rings, closed=True)
                self.canvas.drawPath(path, int(edge is not None), int(face is not None), fillMode=0)

    def marks(
        self, places: Sequence[tuple[float, float]], shape: str, size_mm: float, face: Colour,
        edge: Colour | None, width_pt: float,
    ) -> None:  # fmt: skip
        """Draw a marker at each place, `size_mm` wide."""
        corners = SHAPES[shape] * size_mm
        self.areas([[corners + np.array(at)] for at in places], face, edge, width_pt, False, None)

    def text(self, x: float, y: float, text: str, look: Look) -> None:
        """Write a line of text."""
        size = look.size_pt
        right = {"left": 0.0, "center": -0.5, "right": -1.0}[look.ha]
        right *= text_width_pt(text, size, look.bold) if right else 0.0
        up = {"baseline": 0.0, "center": -0.36, "bottom": 0.2}[look.va] * size
        if not look.angle_deg:
            self._write(x * POINTS_PER_MM + right, y * POINTS_PER_MM + up, text, look)
            return
        self.canvas.saveState()
        self.canvas.translate(x * POINTS_PER_MM, y * POINTS_PER_MM)
        self.canvas.rotate(look.angle_deg)
        self._write(right, up, text, look)
        self.canvas.restoreState()

    def _write(self, x: float, y: float, text: str, look: Look) -> None:
        if look.halo:
            self._stroke(WHITE, HALO * look.size_pt)
        self.canvas.setFillColorRGB(*_rgb(look.colour))
        for mode in (1, 0) if look.halo else (0,):  # first the edge alone, then the letters
            at = x
            for font, part in runs(text, look.bold):
                self.canvas.setFont(font, look.size_pt)
                run = shaped(part, font, look.size_pt)
                self.canvas.drawString(at, y, run, mode)
                at += run_width_pt(run, font, look.size_pt)

    def _stroke(self, colour: Colour, width_pt: float) -> None:
        self.canvas.setStrokeColorRGB(*_rgb(colour))
        self.canvas.setLineWidth(width_pt)

    def _path(self, lines: Sequence[Floats], closed: bool) -> Any:
        path = self.canvas.beginPath()
        for line in lines:
            points = (line * POINTS_PER_MM).tolist()
            if closed and points[0] == points[-1]:
                points.pop()
            path.moveTo(*points[0])
            for point in points[1:]:
                path.lineTo(*point)
            if closed:
                path.close()
        return path

    def _hatch(self, rings: Sequence[Floats], colour: Colour) -> None:
        """Draw lines up to the right over an area."""
        (left, low), (right, high) = rings[0].min(axis=0), rings[0].max(axis=0)
        tall = high - low
        starts = np.arange(left - tall, right, HATCH_MM * math.sqrt(2.0))
        with self._clipped(self._path(rings, closed=True)):
            lines = [np.array([(x, low), (x + tall, high)]) for x in starts]
            self.lines(lines, colour, 0.5, False, None)

    @contextmanager
    def _within(self, box: Box | None) -> Iterator[None]:
        """Draw only what lies in a box."""
        if box is None:
            yield
            return
        x, y, width, height = box
        corners = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
        with self._clipped(self._path([corners], closed=True)):
            yield

    @contextmanager
    def _clipped(self, path: Any) -> Iterator[None]:
        self.canvas.saveState()
        self.canvas.clipPath(path, stroke=0, fill=0, fillMode=0)
        yield
        self.canvas.restoreState()


def _rgb(colour: Colour) -> tuple[float, float, float]:
    """Red, green and blue, each 0 to 1."""
    if not isinstance(colour, str):
        return colour
    red, green, blue = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    return red, green, blue
