"""Sources of fields that name none, against all ways to choose them."""

import itertools

import numpy as np
import pytest
import shapely

from farmgis.planning.assignment import FieldNeed, _year_cost, assigned
from farmgis.planning.mains import Rates, annuity
from farmgis.records import Source

RATES = Rates(annuity=annuity(6.0, 20.0))


def need(number, x, peak, source_id=None, ground=120.0):
    area = shapely.box(x, 0.0, x + 100.0, 100.0)
    return FieldNeed(f"F{number}", area, ground, 50.0, peak, 100.0 * peak, source_id)


def test_near_source_is_taken_while_it_can_carry_the_field():
    sources = (Source("A", 0.0, 0.0, 110.0, 100.0, 20.0), Source("B", 3000.0, 0.0, 110.0, 100.0, 20.0))
    fields = [need(0, 200.0, 900.0), need(1, 2700.0, 900.0)]
    assert assigned(fields, sources, RATES) == {"F0": "A", "F1": "B"}


def test_full_source_sends_a_field_to_the_other():
    # by hand: A gives 2,000 m3/day, three fields beside it ask for 900 each; the one nearest to B moves
    sources = (Source("A", 0.0, 0.0, 110.0, 100.0, 20.0), Source("B", 3000.0, 0.0, 110.0, 100.0, 20.0))
    fields = [need(0, 200.0, 900.0), need(1, 400.0, 900.0), need(2, 600.0, 900.0)]
    assert assigned(fields, sources, RATES) == {"F0": "A", "F1": "A", "F2": "B"}
    bound = [need(9, 100.0, 1900.0, "A"), *fields]
    assert set(assigned(bound, sources, RATES).values()) == {"B"}


def test_deep_water_costs_its_lift():
    sources = (Source("deep", 0.0, 0.0, 20.0, 100.0), Source("shallow", 600.0, 0.0, 115.0, 100.0))
    assert assigned([need(0, 100.0, 900.0)], sources, RATES) == {"F0": "shallow"}


@pytest.mark.parametrize("seed", range(4))
def test_no_other_choice_is_cheaper(seed):
    rng = np.random.default_rng(seed)
    sources = tuple(Source(f"S{j}", float(rng.uniform(0, 4000)), 0.0, float(rng.uniform(80, 118)), 60.0, 20.0)
                    for j in range(3))  # fmt: skip
    fields = [need(i, float(rng.uniform(0, 4000)), float(rng.uniform(300, 700))) for i in range(5)]
    chosen = assigned(fields, sources, RATES)
    by_id = {s.source_id: s for s in sources}

    def cost(ids):
        load = dict.fromkeys(by_id, 0.0)
        for f, i in zip(fields, ids, strict=True):
            load[i] += f.peak_m3_day
        if any(v > 1200.0 + 1e-6 for v in load.values()):
            return np.inf
        return sum(_year_cost(f, by_id[i], RATES) for f, i in zip(fields, ids, strict=True))

    best = min(cost(ids) for ids in itertools.product(by_id, repeat=len(fields)))
    assert cost([chosen[f.field_id] for f in fields]) <= best * 1.001 + 1e-6
