"""Which source serves a field that names none: the cheapest that each source can still carry.

What a main from the source to the field and the lift of the water would cost in a year is weighed, all
such fields together, so that no source is asked for more at its peak than it gives while another has
some to spare.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from farmgis.hydraulics.friction import DEFAULT_WATER
from farmgis.planning.mains import Rates
from farmgis.planning.pump import energy_kwh_m3
from farmgis.planning.routes import PIPE_INDEX
from farmgis.records import Floats, Source

OVER_COST = 1e3
"""A cubic metre a day over what a source gives, in the rates' unit: dearer than any main."""

GAP = 1e-3


@dataclass(frozen=True)
class FieldNeed:
    """What a field will ask of its source. `ground_m` may be NaN; `source_id` is None where not stated."""

    field_id: str
    area: Any
    ground_m: float
    flow_m3h: float
    peak_m3_day: float
    season_m3: float
    source_id: str | None


def assigned(needs: Sequence[FieldNeed], sources: Sequence[Source], rates: Rates) -> Mapping[str, str]:
    """The source of each field that states none: least cost within what each source gives."""
    free = [n for n in needs if n.source_id is None]
    if not free or not sources:
        return {}
    if len(sources) == 1:
        return {n.field_id: sources[0].source_id for n in free}
    cost = np.array([[_year_cost(n, s, rates) for s in sources] for n in free])
    chosen = _program(free, cost, _left_m3_day(needs, sources))
    return {n.field_id: sources[j].source_id for n, j in zip(free, chosen, strict=True)}


def _left_m3_day(needs: Sequence[FieldNeed], sources: Sequence[Source]) -> Floats:
    """What the fields that are bound leave of each source's day. [m3/day]"""
    bound = {s.source_id: 0.0 for s in sources}
    for need in needs:
        if need.source_id in bound:
            bound[need.source_id] += need.peak_m3_day
    return np.array([max(s.flow_m3h * s.hours_per_day - bound[s.source_id], 0.0) for s in sources])


def _year_cost(need: FieldNeed, source: Source, rates: Rates) -> float:
    """A year's cost of a straight main along which the field's water is led and lifted."""
    metres = need.area.distance(shapely.Point(source.x_m, source.y_m))
    main = metres * (rates.trench_m + rates.pipe_kg * PIPE_INDEX * need.flow_m3h)
    lift = 0.0
    if source.water_level_m is not None and np.isfinite(need.ground_m):
        lift = max(need.ground_m - source.water_level_m, 0.0)
    each = energy_kwh_m3(lift, source.pump_efficiency_pct, source.motor_efficiency_pct, DEFAULT_WATER)
    return float(rates.annuity * main + rates.energy_kwh * each * need.season_m3)


def _program(free: Sequence[FieldNeed], cost: Floats, left: Floats) -> list[int]:
    """The integer program: each field one source, what is over a source's day as dear as can be."""
    n, m = cost.shape
    y = np.arange(n * m).reshape(n, m)
    over = n * m + np.arange(m)
    rows = [np.repeat(np.arange(n), m), *(np.full(n + 1, n + j) for j in range(m))]
    cols = [y.ravel(), *(np.append(y[:, j], over[j]) for j in range(m))]
    peaks = np.array([f.peak_m3_day for f in free])
    values = [np.ones(n * m), *(np.append(peaks, -1.0) for _ in range(m))]
    matrix = coo_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(cols))), shape=(n + m, n * m + m)
    )
    limit = LinearConstraint(
        matrix.tocsc(),
        np.concatenate([np.ones(n), np.full(m, -np.inf)]),
        np.concatenate([np.ones(n), left]),
    )
    high = np.concatenate([np.ones(n * m), np.full(m, np.inf)])
    result = milp(
        np.concatenate([cost.ravel(), np.full(m, OVER_COST)]),
        constraints=limit,
        bounds=Bounds(np.zeros(n * m + m), high),
        integrality=np.concatenate([np.ones(n * m), np.zeros(m)]),
        options={"mip_rel_gap": GAP, "node_limit": 1000},
    )
    if result.x is None:
        return [int(j) for j in cost.argmin(axis=1)]
    return [int(j) for j in np.asarray(result.x[: n * m]).reshape(n, m).argmax(axis=1)]
