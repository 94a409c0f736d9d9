"""Where a strip is cut into blocks: dynamic programming over runs of units, true to what blocks cost."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from farmgis.planning import block_cuts_kernel as kernel
from farmgis.records import Floats

BLOCK_PRICE = 1e5
"""In the cuts, fewer blocks go before cheaper ones."""

OVER_PRICE = 10.0 * BLOCK_PRICE
"""A block of the greatest flow that is out of tolerance, where a strip cannot be kept within it."""

EVEN_INDEX = 40.0
"""What the square of a block's flow, in greatest flows, counts beside kilograms of pipe: of cuts that cost
about the same, the even ones are taken, of which shifts can be made that balance (common practice)."""

MOST_LOOKS = 400
"""So many runs of a strip are looked at closely before what was found by then is taken."""


Bools = NDArray[np.bool_]
Cuts = list[tuple[int, int]]


def cheapest_cuts(
    best: Floats,
    flows: Floats,
    band_m3h: tuple[float, float],
    least_cost: Floats,
    look: Callable[[int, int], None] | None = None,
    perhaps: Bools | None = None,
) -> Cuts:
    """Cut a strip by dynamic programming: the fewest blocks within tolerance, then the cheapest.

    `best` (units, longest, 2) holds excess and cost of the run of each length from each unit; `least_cost`
    what it costs at least; `band_m3h` the least and greatest flow. `look(a, b)` finds a run's own least cost
    and writes it into `best`: it is asked for those runs only that may be in the answer, which is the same
    as if it were asked for all. `perhaps` are runs that may turn out within tolerance when looked at. A block
    under the least flow is charged in proportion to what it lacks, so
    that remainders are shared out evenly. Where no cuts keep every block within tolerance, land out of it is
    charged instead.
    """
    flow = _flow_of_runs(flows, best.shape[1])
    least, most = band_m3h
    lack = np.maximum(0.0, 1.0 - flow / max(least, 1e-9))
    fixed = BLOCK_PRICE * (1.0 + 0.2 * lack**2) + EVEN_INDEX * (flow / most) ** 2
    if look is not None:
        cuts = _looked_at(best, fixed, perhaps, least_cost, look)
        if cuts is not None:
            return cuts
    within = best[:, :, 0] <= 0.0
    price = fixed + best[:, :, 1]
    cuts = least_price(np.where(within, price, math.inf))
    if cuts is None:
        over = OVER_PRICE * (1.0 + best[:, :, 0]) * flow / most
        cuts = least_price(price + np.where(within, 0.0, over))
        for a, b in cuts or []:
            if look is not None:
                look(a, b)
    assert cuts is not None
    return cuts


def _looked_at(
    best: Floats, fixed: Floats, perhaps: Bools | None, least_cost: Floats, look: Callable[[int, int], None]
) -> Cuts | None:
    """Cuts of least price, all of whose runs were looked at: others would cost more even at their least.

    None where no cuts keep every block within tolerance.
    """
    within = best[:, :, 0] <= 0.0
    known = np.zeros(within.shape, dtype=bool)
    hoped = np.where(within, fixed + np.minimum(least_cost, best[:, :, 1]), math.inf)
    if perhaps is not None:
        hoped = np.where(perhaps & ~within, fixed + least_cost, hoped)
    for _ in range(MOST_LOOKS):
        cuts = least_price(hoped)
        if cuts is None:
            return None
        new = [(a, b) for a, b in cuts if not known[a, b - a - 1]]
        if not new:
            return cuts
        for a, b in new:
            look(a, b)
            run = a, b - a - 1
            known[run] = True
            hoped[run] = fixed[run] + best[run][1] if best[run][0] <= 0.0 else math.inf
    return least_price(np.where(best[:, :, 0] <= 0.0, fixed + best[:, :, 1], math.inf))


def fewest_blocks(flows: Floats, most_flow: float) -> int:
    """Fewest runs of units that keep the greatest flow: what no cuts can go under, whatever else holds."""
    count, carried = 1, 0.0
    for flow in flows:
        if carried > 0.0 and carried + float(flow) > most_flow * (1.0 + 1e-9):
            count, carried = count + 1, 0.0
        carried += float(flow)
    return count


def _flow_of_runs(flows: Floats, longest: int) -> Floats:
    """Flow of the run of each length (columns, from 1) from each unit (rows); cut off at the strip's end."""
    total = np.concatenate([[0.0], np.cumsum(flows)])
    a = np.arange(flows.size)[:, None]
    b = np.minimum(a + np.arange(1, longest + 1)[None, :], flows.size)
    return np.asarray(total[b] - total[a])


def least_price(price: Floats) -> Cuts | None:
    """The runs (a, b) of least total price that make up a strip, or None. `price` is by a and length - 1."""
    units = len(price)
    cost, came_from = np.empty(units + 1), np.zeros(units + 1, np.int64)
    kernel.cheapest_ways(price, cost, came_from)
    if not math.isfinite(cost[units]):
        return None
    cuts = []
    b = units
    while b > 0:
        cuts.append((int(came_from[b]), b))
        b = int(came_from[b])
    return cuts[::-1]
