"""Lateral lines gathered into strips: neighbours that one submain can feed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmgis.planning.rows import Lines
from farmgis.records import Design, Floats

Ints = NDArray[np.int64]

JUMP_SPACINGS = 8.0
"""Ends of neighbouring lines that lie farther apart than this many spacings are a jump."""

LEAN = 0.1
"""Ends of a chain that lean less than this per metre across call for no slanting submain."""

SHORT_LATERAL_M = 50.0
"""Submains are not set so close that laterals would be shorter than this (common practice)."""


@dataclass(frozen=True)
class Strip:
    """Consecutive lateral lines, one piece each, crossed by one submain.

    `slant` is how far the submain runs along u for each metre across; `low_m` and `high_m` bound the
    strip along the rows, measured at v = 0 along the slant.
    """

    number: Ints
    v_m: Floats
    start_u_m: Floats
    end_u_m: Floats
    slant: float
    low_m: float
    high_m: float

    def area_m2(self, spacing_m: float, first: int = 0, last: int | None = None) -> float:
        """Ground that its lines `first` to `last` (exclusive; all by default) serve. [m2]"""
        return float((self.end_u_m - self.start_u_m)[first:last].sum()) * spacing_m

    def inlet_u_m(self, share: float, snap_m: float) -> Floats:
        """Where a submain at a share of the strip's width crosses each line. [m]

        It keeps to the piece, and goes to its end rather than leave an arm shorter than `snap_m`.
        """
        wanted = self.low_m + share * (self.high_m - self.low_m) + self.slant * self.v_m
        u = np.clip(wanted, self.start_u_m, self.end_u_m)
        u = np.where(u - self.start_u_m < snap_m, self.start_u_m, u)
        return np.where(self.end_u_m - u < snap_m, self.end_u_m, u)


def chains(lines: Lines) -> list[Lines]:
    """Lines gathered into chains: one piece a line, each overlapping the next.

    Where a hole parts a line, the piece that overlaps most goes on with the chain and the other starts
    a new one. Chains come in the order of their first piece.
    """
    if (np.diff(lines.number) > 0).all():
        return _runs(lines)
    follower = np.full(lines.number.size, -1)
    followed = np.zeros(lines.number.size, dtype=bool)
    overlap, first, second = _overlaps(lines)
    order = np.lexsort((second, first, -overlap))
    for before, after in zip(first[order].tolist(), second[order].tolist(), strict=True):
        if follower[before] < 0 and not followed[after]:
            follower[before] = after
            followed[after] = True
    found = []
    for start in np.flatnonzero(~followed):
        members = [int(start)]
        while follower[members[-1]] >= 0:
            members.append(int(follower[members[-1]]))
        which = np.zeros(lines.number.size, dtype=bool)
        which[members] = True
        found.append(lines.chosen(which))
    return found


def jumps(start_u_m: Floats, end_u_m: Floats, spacing_m: float) -> Ints:
    """Indices of lines after which an end of the next lies more than eight spacings (or 12 m) away."""
    limit = max(JUMP_SPACINGS * spacing_m, 12.0)
    return np.flatnonzero((np.abs(np.diff(start_u_m)) > limit) | (np.abs(np.diff(end_u_m)) > limit))


def _runs(lines: Lines) -> list[Lines]:
    """The chains of lines of one piece each: cut where a line is missing or does not overlap the next."""
    if lines.number.size == 0:
        return []
    apart = np.ones(lines.number.size - 1, dtype=bool)
    _, before, _ = _overlaps(lines)
    apart[before] = False
    chain = np.concatenate([[0], np.cumsum(apart)])
    return [lines.chosen(chain == k) for k in range(chain[-1] + 1)] if apart.any() else [lines]


def _overlaps(lines: Lines) -> tuple[Floats, Ints, Ints]:
    """All (overlap, i, j) of pieces i and j on neighbouring lines."""
    first = np.searchsorted(lines.number, lines.number + 1, side="left")
    count = np.searchsorted(lines.number, lines.number + 1, side="right") - first
    i = np.repeat(np.arange(lines.number.size), count)
    j = first[i] + np.arange(i.size) - np.repeat(np.cumsum(count) - count, count)
    low = np.maximum(lines.start_u_m[i], lines.start_u_m[j])
    overlap = np.minimum(lines.end_u_m[i], lines.end_u_m[j]) - low
    kept = overlap > 0.0
    return overlap[kept], i[kept], j[kept]


def slants(chain: Lines) -> list[float]:
    """Slants worth trying for a chain's submains: straight across, and along its own lean."""
    if chain.number.size < 3:
        return [0.0]
    middle = (chain.start_u_m + chain.end_u_m) / 2.0
    lean = float(np.polyfit(chain.v_m, middle, 1)[0])
    lean = max(-2.0, min(2.0, lean))
    return [0.0, lean] if abs(lean) > LEAN else [0.0]


def least_bays(chain: Lines, slant: float, lateral_max_m: float) -> int:
    """Fewest submains side by side that keep laterals within their greatest length."""
    low, high = _bounds(chain, slant)
    return max(1, math.ceil((high - low) / (2.0 * lateral_max_m) - 1e-9))


def bay_counts(chain: Lines, slant: float, design: Design, most: int = 5) -> list[int]:
    """Numbers of submains side by side worth trying, the fewest first, down to short laterals."""
    low, high = _bounds(chain, slant)
    count = least_bays(chain, slant, design.lateral_max_m)
    last = max(count, int((high - low) / (2.0 * SHORT_LATERAL_M)))
    step = 1.3 ** (4.0 / max(most - 1, 1))
    counts: list[int] = []
    while count <= last and len(counts) < most:
        counts.append(count)
        count = max(count + 1, round(step * count))
    return counts


def bays(chain: Lines, slant: float, count: int, design: Design) -> list[Strip]:
    """A chain cut across into equal bays, each with its own submain.

    A remainder too short for a lateral stays with the bay beside it.
    """
    low, high = _bounds(chain, slant)
    borders = low + (high - low) * np.arange(count + 1) / count
    cut = borders[None, :] + slant * chain.v_m[:, None]
    room = design.lateral_min_m
    start, end = chain.start_u_m[:, None], chain.end_u_m[:, None]
    cut = np.where(cut - start < room, start, cut)
    cut = np.where(end - cut < room, end, cut)
    cut[:, 0], cut[:, -1] = chain.start_u_m, chain.end_u_m
    strips: list[Strip] = []
    for b in range(count):
        kept = cut[:, b + 1] - cut[:, b] > 1e-9
        pieces = Lines(
            chain.number[kept],
            chain.v_m[kept],
            cut[kept, b],
            cut[kept, b + 1],
            chain.first_v_m,
            chain.spacing_m,
            chain.pair_gap_m,
        )
        strips.extend(_strip(part, slant) for part in chains(pieces))
    return strips


def _strip(part: Lines, slant: float) -> Strip:
    low, high = _bounds(part, slant)
    return Strip(part.number, part.v_m, part.start_u_m, part.end_u_m, slant, low, high)


def _bounds(lines: Lines, slant: float) -> tuple[float, float]:
    low = lines.start_u_m - slant * lines.v_m
    high = lines.end_u_m - slant * lines.v_m
    return float(low.min()), float(high.max())
