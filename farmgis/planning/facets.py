"""Facets: a field cut by straight lines into few parts of like direction."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.special import erfc
from shapely.ops import split

from farmgis.planning.survey import Survey
from farmgis.records import Design, Floats
from farmgis.terrain.gradient import Mask
from farmgis.terrain.surface import cell_centres

MOST_FACETS = 6
LEAST_FACET_HA = 1.5
"""A facet smaller than this is not worth turning the machines for (common practice)."""

CUT_ANGLES = 18
CUT_PLACES = 24
"""Cuts are tried at this many angles, and at as many places each."""

STEEP_INDEX, ERODING_INDEX, LOST_INDEX = 60.0, 300.0, 600.0
"""A hectare whose rows are 1 % too steep, one whose rows are too steep at all, and one lost to the headland
along a cut: the index of `layout`."""

MOST_CELLS = 1500
"""Where no cut pays alone, cuts in both halves are tried with it, on no more cells than this."""

GAIN = 0.05
"""A cut has to save this share of the index of what it cuts, so that no one is cut for nothing."""


@dataclass(frozen=True)
class _Part:
    """A part of the field and what its cells hold: x, y and the gradient's products, a row a cell."""

    area: Any
    cells: Floats
    cell_ha: float

    @property
    def cost(self) -> float:
        """What rows along the best single direction cost for their grade."""
        return float(_cost(_sums(self.cells), self.cell_ha, self.limit_pct))

    limit_pct: float = 2.0


def facets(land: Any, ground: Survey, design: Design) -> list[Any]:
    """Polygons that make up the land, each of like direction; one alone where no cut pays."""
    x, y = (c[ground.inside] for c in cell_centres(ground.surface))
    gx, gy = ground.dz_dx[ground.inside], ground.dz_dy[ground.inside]
    cells = np.column_stack([x, y, gx * gx, gx * gy, gy * gy])
    cell_ha = ground.surface.cell_m**2 / 1e4
    parts = [
        _Part(p, cells[_within(p, cells)], cell_ha, design.row_grade_max_pct) for p in shapely.get_parts(land)
    ]
    closed: list[_Part] = []
    while parts and len(parts) + len(closed) < MOST_FACETS:
        worst = max(parts, key=lambda p: p.cost)
        parts.remove(worst)
        halves = _best_cut(worst, design)
        if halves is None:
            closed.append(worst)
        else:
            parts += halves
    return [p.area for p in sorted(closed + parts, key=lambda p: (p.area.centroid.x, p.area.centroid.y))]


def _within(area: Any, cells: Floats) -> Mask:
    shapely.prepare(area)
    return np.asarray(shapely.contains_xy(area, cells[:, 0], cells[:, 1]), dtype=bool)


def _sums(cells: Floats) -> Floats:
    """Number of cells and sums of the gradient's products."""
    return np.concatenate([[float(len(cells))], cells[:, 2:].sum(axis=0)])


def _cost(sums: Floats, cell_ha: float, limit_pct: float) -> Floats:
    """Index of the rows' grade along the best direction of each sum (the last axis holds n, xx, xy, yy).

    As if grades were normal about 0 with their root-mean-square r: a share erfc(g / r sqrt 2) is over g, by
    r sqrt(2 / pi) exp(-g2 / 2 r2) - g erfc(g / r sqrt 2) on average over all.
    """
    n, xx, xy, yy = np.moveaxis(np.asarray(sums), -1, 0)
    least = np.maximum((xx + yy) / 2.0 - np.hypot((xx - yy) / 2.0, xy), 0.0) / np.maximum(n, 1.0)
    rms = np.maximum(100.0 * np.sqrt(least), 1e-6)
    share = erfc(limit_pct / rms / math.sqrt(2.0))
    excess = rms * math.sqrt(2.0 / math.pi) * np.exp(-0.5 * (limit_pct / rms) ** 2) - limit_pct * share
    return np.asarray(n * cell_ha * (STEEP_INDEX * excess + ERODING_INDEX * share))


@dataclass(frozen=True)
class _Cut:
    """A straight cut, x cos + y sin = place, and what the rows' grade costs after it."""

    cost: float
    angle: float
    place: float


def _cuts(
    cells: Floats, cell_ha: float, limit_pct: float, angles: int, places: int, least: int
) -> list[_Cut]:
    """The best cut at each of some angles, the best of all first; `least` cells stay on either side."""
    if len(cells) < 2 * least:
        return []
    found = []
    for angle in np.arange(angles) * (math.pi / angles):
        across = cells[:, 0] * math.cos(angle) + cells[:, 1] * math.sin(angle)
        order = np.argsort(across, kind="stable")
        upto = np.cumsum(np.column_stack([np.ones(len(order)), cells[order, 2:]]), axis=0)
        at = np.unique(np.linspace(least, len(order) - least, places).astype(np.int64))
        at = at[(at > 0) & (at < len(order))]
        cost = _cost(upto[at - 1], cell_ha, limit_pct) + _cost(upto[-1] - upto[at - 1], cell_ha, limit_pct)
        k = int(np.argmin(cost))
        place = float(across[order[at[k] - 1]] + across[order[at[k]]]) / 2.0
        found.append(_Cut(float(cost[k]), float(angle), place))
    return sorted(found, key=lambda c: (c.cost, c.angle))


def _best_cut(part: _Part, design: Design) -> list[_Part] | None:
    """The two halves of the straight cut that saves most, or None where none pays."""
    least = math.ceil(LEAST_FACET_HA / part.cell_ha)
    if part.cost <= 0.0 or len(part.cells) < 2 * least:
        return None
    cuts = _cuts(part.cells, part.cell_ha, part.limit_pct, CUT_ANGLES, CUT_PLACES, least)
    for cut in cuts[:6]:
        line = _line(part.area, cut.angle, cut.place)
        if part.cost - cut.cost >= _lost(part, line, design) + GAIN * part.cost:
            halves = _halves(part, line)
            if halves is not None:
                return halves
    return _best_cross(part, design)


def _lost(part: _Part, line: Any, design: Design) -> float:
    """Index of the headland along a cut."""
    length = float(shapely.length(shapely.intersection(line, part.area)))
    return LOST_INDEX * length * design.headland_m / 1e4


def _best_cross(part: _Part, design: Design) -> list[_Part] | None:
    """The halves of a cut that pays only together with a cut in each half, or None.

    So it is at a col: across each of its four ways the ground falls alike.
    """
    step = math.ceil(len(part.cells) / MOST_CELLS)
    cells, cell_ha = part.cells[::step], part.cell_ha * step
    least = max(1, math.ceil(LEAST_FACET_HA / cell_ha))
    best, best_cost = None, part.cost
    for angle in np.arange(CUT_ANGLES // 2) * (2.0 * math.pi / CUT_ANGLES):
        across = cells[:, 0] * math.cos(angle) + cells[:, 1] * math.sin(angle)
        for share in (0.35, 0.5, 0.65):
            place = float(np.quantile(across, share))
            halves = [cells[across <= place], cells[across > place]]
            again = [
                _cuts(h, cell_ha, part.limit_pct, CUT_ANGLES // 2, CUT_PLACES // 2, least) for h in halves
            ]
            if not all(again):
                continue
            line = _line(part.area, angle, place)
            cost = sum(cuts[0].cost for cuts in again) + 2.0 * _lost(part, line, design)
            if cost < (1.0 - GAIN) * part.cost and cost < best_cost:
                best, best_cost = line, cost
    return None if best is None else _halves(part, best)


def _line(area: Any, angle: float, place: float) -> Any:
    """The line on which x cos + y sin = place, through an area."""
    c, s = math.cos(angle), math.sin(angle)
    middle = area.centroid
    along = -middle.x * s + middle.y * c
    reach = np.array([-1e4, 1e4]) + along
    return shapely.linestrings(np.column_stack([place * c - reach * s, place * s + reach * c]))


def _halves(part: _Part, line: Any) -> list[_Part] | None:
    """The parts on a line's two sides; None where it leaves one too small or in many pieces."""
    pieces = list(shapely.get_parts(split(part.area, line)))
    if len(pieces) != 2:
        return None
    made = [_Part(p, part.cells[_within(p, part.cells)], part.cell_ha, part.limit_pct) for p in pieces]
    return None if min(p.area.area for p in made) < LEAST_FACET_HA * 1e4 else made
