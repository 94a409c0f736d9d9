"""Sizes of a submain that spend its fall: one linear program in lengths of the pipes on sale.

Friction takes what the ground gives, so that a block may run farther down a slope than its fall alone would
allow: at each offtake the head is kept between a lowest and a highest value, and the lightest pipe is sought.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise, product

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array

from farmgis.hydraulics.friction_kernel import loss_per_metre
from farmgis.planning import block_search_kernel as tables
from farmgis.planning.block_cuts import Bools
from farmgis.planning.strips import Ints
from farmgis.records import Floats

SHORTEST_PIECE_M = 6.0
"""No size is laid for less than this: a bar (common practice)."""

CLOSE_M = 0.001
"""Lengths of pieces nearer than this are alike: what differs is rounding."""

CHOICES = 3
"""So many choices of few sizes are tried before sizes are left out one by one."""

REDUCER_INDEX = 2.0
"""A change of size in the relative index in which a kilogram of pipe counts 1 (common practice)."""


@dataclass(frozen=True)
class SubmainProblem:
    """A run of units to size, fed at unit `valve`, and the emitters' heads that are allowed.

    Of each unit: `ground_m` at its inlet, `lines` as many as it stands for, `curves` (units, 2, 3, 3) of its
    arms about the inlet head `x1_m`, `arms` (units, 2) whether there is one. `reach_m[k]` joins units k and
    k + 1. `rows` (sizes, 9) are the pipes, `fastest_m3_s` and `weight_kg_m` theirs. Emitters' heads are kept
    over `least_m` and under `most_m`, their range to `range_m`, lowest over `ratio` times highest. The
    block's flow is `flow_m3_s`, or whatever comes of it where that is None.
    """

    valve: int
    ground_m: Floats
    reach_m: Floats
    lines: Floats
    curves: Floats
    arms: Bools
    x1_m: float
    rows: Floats
    fastest_m3_s: Floats
    weight_kg_m: Floats
    least_m: float
    most_m: float
    range_m: float
    ratio: float
    flow_m3_s: float | None


@dataclass(frozen=True)
class SubmainSizes:
    """Metres of each size (units, sizes) in each unit's reach towards the valve; inlet heads; kilograms."""

    length_m: Floats
    head_m: Floats
    weight_kg: float

    @property
    def changes(self) -> int:
        """Changes of size, as many as pieces but one a branch."""
        return max(0, int((self.length_m > 1e-6).sum()) - int((self.length_m > 1e-6).any(axis=1).sum()))


def cheapest_sizes(
    problem: SubmainProblem, head_m: Floats | None = None, turns: int = 1
) -> SubmainSizes | None:
    """The lightest sizes that keep all heads, or None where none do.

    Flows and lowest and highest heads are linear about `head_m` (the inlets' heads, level to begin with) in
    each of `turns` programs, the next about what the last one found.
    """
    heads = np.full(problem.ground_m.size, problem.x1_m) if head_m is None else head_m
    found = None
    for _ in range(turns):
        found = _program(problem, heads)
        if found is None:
            return None
        heads = found.head_m
    return found


def of_few_sizes(problems: Sequence[SubmainProblem], found: SubmainSizes, most: int) -> SubmainSizes:
    """A submain of no more than `most` of the sizes found, or of as few more as keep all heads.

    `problems` are the submain's, that of most even heads first: another stands in where it has no answer. The
    widest size is kept always. First those choices are tried that take least more weight with each size left
    out laid as the next wider one; then sizes are left out one by one, for as long as heads are kept.
    """
    metres, weight = found.length_m.sum(axis=0), problems[0].weight_kg_m
    used = np.flatnonzero(metres > CLOSE_M)
    if used.size <= most:
        return found
    ways = [np.array([*way, used[-1]]) for way in combinations(used[:-1], most - 1)]
    ways.sort(key=lambda kept: _weight(metres, kept, weight))
    for problem, kept in product(problems, ways[:CHOICES]):
        sizes = _with_sizes(problem, kept)
        if sizes is not None:
            return sizes
    while used.size > most:
        fewer = _with_one_less(problems[-1], found, used)
        if fewer is None:
            break
        found, used = fewer
    return found


def _with_one_less(
    problem: SubmainProblem, found: SubmainSizes, used: Ints
) -> tuple[SubmainSizes, Ints] | None:
    """The submain and its sizes without the first of them that it can do without."""
    metres = found.length_m.sum(axis=0)
    ways = [np.delete(used, i) for i in range(used.size - 1)]
    for kept in sorted(ways, key=lambda kept: _weight(metres, kept, problem.weight_kg_m)):
        sizes = _with_sizes(problem, kept)
        if sizes is not None:
            return sizes, kept
    return None


def _weight(metres: Floats, kept: Ints, weight_kg_m: Floats) -> float:
    """What metres of each size weigh if each is laid as the narrowest that is kept and no narrower. [kg]"""
    used = np.flatnonzero(metres > CLOSE_M)
    return round(float(metres[used] @ weight_kg_m[kept[np.searchsorted(kept, used)]]), 3)


def _with_sizes(problem: SubmainProblem, kept: Ints) -> SubmainSizes | None:
    """The lightest of some sizes alone."""
    rows, fastest, weight = problem.rows[kept], problem.fastest_m3_s[kept], problem.weight_kg_m[kept]
    sizes = cheapest_sizes(replace(problem, rows=rows, fastest_m3_s=fastest, weight_kg_m=weight))
    if sizes is None:
        return None
    laid = np.zeros((len(sizes.length_m), problem.weight_kg_m.size))
    laid[:, kept] = sizes.length_m
    return replace(sizes, length_m=laid)


def _program(p: SubmainProblem, about_m: Floats) -> SubmainSizes | None:
    n = p.ground_m.size
    out = _outward(p, about_m)
    unit, size, loss = _pieces(p, out)
    if unit is None:
        return None
    count = n + 2 + unit.size  # heads, lowest and highest emitter, lengths
    cost = np.concatenate([np.zeros(n), [-1e-3, 1e-3], p.weight_kg_m[size]])
    own = np.arange(n)[np.arange(n) != p.valve]
    inner = own - np.sign(own - p.valve)
    row = np.full(n, -1)
    row[own] = np.arange(own.size)
    reach = np.array([p.reach_m[min(k, k - np.sign(k - p.valve))] for k in own.tolist()])
    length = n + 2 + np.arange(unit.size)
    rows = [row[unit], own.size + row[unit], own.size + np.arange(own.size), own.size + np.arange(own.size)]
    cols = [length, length, own, inner]
    vals = [np.ones(unit.size), loss, np.ones(own.size), -np.ones(own.size)]
    right = [reach, p.ground_m[inner] - p.ground_m[own]]
    if p.flow_m3_s is not None:
        value, slope = _tangent(p, tables.FLOW, about_m)
        value, slope = (np.where(p.arms, t, 0.0).sum(axis=1) * p.lines for t in (value, slope))
        rows.append(np.full(n, 2 * own.size))
        cols.append(np.arange(n))
        vals.append(slope)
        right.append(np.array([p.flow_m3_s - (value - slope * about_m).sum()]))
    equal = coo_array(
        (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))),
        shape=(2 * own.size + (p.flow_m3_s is not None), count),
    )
    over, most = _limits(p, about_m, count)
    bounds = [(None, p.most_m)] * n + [(p.least_m, p.most_m)] * 2 + [(0.0, None)] * unit.size
    result = linprog(
        cost,
        A_ub=over,
        b_ub=most,
        A_eq=equal.tocsc(),
        b_eq=np.concatenate(right),
        bounds=bounds,
        method="highs-ds",
        options={"presolve": False},
    )
    if result.status != 0:
        return None
    metres = np.zeros((n, p.weight_kg_m.size))
    metres[unit, size] = np.maximum(result.x[n + 2 :], 0.0)
    return SubmainSizes(metres, result.x[:n], float((metres @ p.weight_kg_m).sum()))


def _outward(p: SubmainProblem, heads_m: Floats) -> Floats:
    """Flow in the reach from each unit towards the valve, at some inlet heads. [m3/s]"""
    value, _ = _tangent(p, tables.FLOW, heads_m)
    own = np.where(p.arms, value, 0.0).sum(axis=1) * p.lines
    flow = np.zeros(own.size)
    flow[p.valve + 1 :] = np.cumsum(own[: p.valve : -1])[::-1]
    flow[: p.valve] = np.cumsum(own[: p.valve])
    return flow


def _pieces(p: SubmainProblem, flow: Floats) -> tuple[Ints | None, Ints, Floats]:
    """Return (unit, size, loss a metre) of all pieces that may lie in reaches; None where one has none."""
    unit, size, loss = [], [], []
    for k in range(flow.size):
        if k == p.valve:
            continue
        fits = np.flatnonzero(flow[k] <= p.fastest_m3_s)
        if fits.size == 0:
            return None, np.zeros(0, np.int64), np.zeros(0)
        unit += [k] * fits.size
        size += fits.tolist()
        loss += [loss_per_metre(float(flow[k]), p.rows[i])[0] for i in fits]
    return np.array(unit, np.int64), np.array(size, np.int64), np.array(loss)


def _tangent(p: SubmainProblem, curve: int, about_m: Floats) -> tuple[Floats, Floats]:
    """Return (value, slope) of a curve of each arm at the units' inlet heads, shape (units, 2)."""
    c = p.curves[:, :, curve]
    x = (about_m - p.x1_m)[:, None]
    return c[..., 0] + x * (c[..., 1] + x * c[..., 2]), c[..., 1] + 2.0 * x * c[..., 2]


def _limits(p: SubmainProblem, about_m: Floats, count: int) -> tuple[coo_array, Floats]:
    """No emitter under the lowest or over the highest; these two no farther apart than they may be."""
    n = p.ground_m.size
    unit, arm = np.nonzero(p.arms)
    rows, cols, vals, right = [], [], [], []
    for which, curve, sign in ((n, tables.LOWEST, -1.0), (n + 1, tables.HIGHEST, 1.0)):
        value, slope = (t[unit, arm] for t in _tangent(p, curve, about_m))
        at = (curve - 1) * unit.size + np.arange(unit.size)
        rows += [at, at]
        cols += [unit, np.full(unit.size, which)]
        vals += [sign * slope, np.full(unit.size, -sign)]
        right.append(-sign * (value - slope * about_m[unit]))
    last = 2 * unit.size
    rows.append(np.array([last, last, last + 1, last + 1]))
    cols.append(np.array([n, n + 1, n, n + 1]))
    vals.append(np.array([-1.0, 1.0, -1.0, p.ratio]))
    right.append(np.array([p.range_m, 0.0]))
    matrix = coo_array(
        (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(last + 2, count)
    )
    return matrix.tocsc(), np.concatenate(right)


# ---- as it can be laid -----------------------------------------------------------------------------


def sizes_of_lines(p: SubmainProblem, sizes: SubmainSizes, middle: Ints, lines: int, valve_line: int) -> Ints:
    """The pipe of each line's reach towards the valve; `middle` are the units' lines, of `lines` in all.

    Along each branch the wider of two sizes in a reach comes first. A piece shorter than can be laid takes
    the wider size beside it, and sizes change at offtakes only.
    """
    found = np.zeros(lines, np.int64)
    apart = np.concatenate([[0.0], np.cumsum(p.reach_m[: middle.size - 1])])
    place = np.interp(np.arange(lines), middle, apart)
    for step in (1, -1):
        units = range(p.valve + step, middle.size if step > 0 else -1, step)
        pieces = _merged([(i, sizes.length_m[k, i]) for k in units for i in _wide_first(p, sizes, k)])
        own = np.arange(valve_line + 1, lines) if step > 0 else np.arange(valve_line - 1, -1, -1)
        if not pieces or own.size == 0:
            continue
        at = np.abs(0.5 * (place[own] + place[own - step]) - apart[p.valve])
        ends = np.cumsum([length for _, length in pieces]) + CLOSE_M
        which = np.minimum(np.searchsorted(ends, at), len(pieces) - 1)
        found[own] = np.array([size for size, _ in pieces])[which]
    if middle.size > 1 and 0 <= valve_line < lines:
        found[valve_line] = (
            found[min(valve_line + 1, lines - 1)] if valve_line + 1 < lines else found[valve_line - 1]
        )
    return found


def _wide_first(p: SubmainProblem, sizes: SubmainSizes, unit: int) -> list[int]:
    used = np.flatnonzero(sizes.length_m[unit] > 1e-6)
    return [int(i) for i in used[::-1]]  # sizes are sorted by inside diameter


def _merged(pieces: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """Pieces of like size joined, and those too short to lay given to the wider one beside them."""
    joined: list[tuple[int, float]] = []
    for size, length in pieces:
        if joined and joined[-1][0] == size:
            joined[-1] = (size, joined[-1][1] + length)
        else:
            joined.append((size, length))
    short = [i for i, (_, length) in enumerate(joined) if length < SHORTEST_PIECE_M - CLOSE_M]
    if len(joined) < 2 or not short:
        return joined
    i = min(short, key=lambda k: round(joined[k][1], 3))
    beside = [joined[k][0] for k in (i - 1, i + 1) if 0 <= k < len(joined)]
    wider = [size for size in beside if size > joined[i][0]] or beside
    joined[i] = (min(wider), joined[i][1])
    return _merged(joined)


def changes_of(sizes: Ints, valve_line: int) -> int:
    """How often the size changes along both branches of a submain."""
    return sum(int(a != b) for a, b in _next_outward(sizes, valve_line))


def widens(sizes: Ints, valve_line: int) -> bool:
    """Whether a pipe is followed by a wider one away from the valve, which no crew expects."""
    return any(b > a for a, b in _next_outward(sizes, valve_line))


def _next_outward(sizes: Ints, valve_line: int) -> list[tuple[int, int]]:
    branches = (sizes[valve_line + 1 :], sizes[:valve_line][::-1])
    return [pair for branch in branches for pair in pairwise(branch.tolist())]
