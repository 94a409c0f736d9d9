"""Paper and scale of a map sheet, and where a point of the ground lies on it. Millimetres on paper."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from farmgis.records import Floats

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class Paper:
    """A sheet of paper, landscape, with the width of the panel beside the map. [mm]"""

    name: str
    width_mm: float
    height_mm: float
    panel_mm: float


A4 = Paper("A4", 297.0, 210.0, 70.0)
A3 = Paper("A3", 420.0, 297.0, 88.0)

MARGIN_MM = 12.0
"""Free at the edge of the paper: what a printer cannot reach, and the coordinates of the corners."""

AROUND_MM = 6.0
"""Ground that is shown around what the map is about."""

STEPS = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5)
"""Round scales, times a power of ten."""


@dataclass(frozen=True)
class MapFrame:
    """The map's rectangle on its paper: `scale` 2000 means 1:2000; `west_m`, `south_m` its corner."""

    paper: Paper
    scale: float
    west_m: float
    south_m: float

    @property
    def left_mm(self) -> float:
        """Left edge of the map on paper."""
        return MARGIN_MM

    @property
    def bottom_mm(self) -> float:
        """Bottom edge of the map on paper."""
        return MARGIN_MM

    @property
    def width_mm(self) -> float:
        """Width of the map on paper."""
        return self.paper.width_mm - 2.0 * MARGIN_MM - self.paper.panel_mm

    @property
    def height_mm(self) -> float:
        """Height of the map on paper."""
        return self.paper.height_mm - 2.0 * MARGIN_MM

    @property
    def bounds(self) -> Bounds:
        """The ground that the map shows: west, south, east, north. [m]"""
        k = self.scale / 1000.0
        return (
            self.west_m, self.south_m,
            self.west_m + k * self.width_mm, self.south_m + k * self.height_mm,
        )  # fmt: skip

    def on_paper(self, xy: Floats) -> Floats:
        """Points of the ground, shape (n, 2), as millimetres from the paper's lower left corner."""
        k = 1000.0 / self.scale
        return np.column_stack(
            [self.left_mm + k * (xy[:, 0] - self.west_m), self.bottom_mm + k * (xy[:, 1] - self.south_m)]
        )


def round_scale(least: float) -> float:
    """The smallest round denominator that is not under the one asked for.

    >>> round_scale(1300.0), round_scale(2000.0), round_scale(76.0)
    (1500.0, 2000.0, 100.0)
    """
    power = 10.0 ** math.floor(math.log10(least))
    for step in (*STEPS, 10.0):
        if step * power >= least * (1.0 - 1e-9):
            return step * power
    raise AssertionError("ten steps hold any number")


def choose_frame(bounds: Bounds, good_scale: float, papers: tuple[Paper, ...] = (A4, A3)) -> MapFrame:
    """The frame that shows the bounds: the first paper on which the scale is good, else the last one.

    A scale is good where its denominator is not over `good_scale`. The bounds stand in the middle.
    """
    west, south, east, north = bounds
    for paper in papers:
        empty = MapFrame(paper, 1.0, 0.0, 0.0)
        needed = 1000.0 * max(
            (east - west) / (empty.width_mm - 2.0 * AROUND_MM),
            (north - south) / (empty.height_mm - 2.0 * AROUND_MM),
        )
        scale = round_scale(max(needed, 100.0))
        if scale <= good_scale:
            break
    k = scale / 1000.0
    return MapFrame(
        paper,
        scale,
        (west + east - k * empty.width_mm) / 2.0,
        (south + north - k * empty.height_mm) / 2.0,
    )
