"""Laws of the dual coefficient and its two stores."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmgis.agronomy import dual_coefficient as dual


def season(seed, days=150, places=4):
    chance = np.random.default_rng(seed)
    et0 = chance.uniform(0.5, 9.0, (days, places))
    rain = np.where(chance.random((days, places)) < 0.2, chance.exponential(10.0, (days, places)), 0.0)
    water = np.where(chance.random((days, places)) < 0.2, 20.0, 0.0)
    kcb = np.linspace(0.15, 1.15, days)[:, None] * np.ones(places)
    top = dual.kc_max(kcb, 2.0, 45.0, 1.5)
    cover = dual.canopy_cover(kcb, top, 1.5)
    return et0, rain, water, kcb, top, cover, np.full((days, places), 120.0)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**31), st.booleans(), st.booleans())
def test_balance_closes_each_day(seed, early, drip):
    et0, rain, water, kcb, top, cover, total = season(seed)
    layer = dual.EvaporationLayer(22.0, 9.0, 0.35 if drip else 1.0, drip, start_depletion_mm=10.0)
    got = dual.dual_balance(et0, rain, water, kcb, top, cover, total, 0.5, layer, 30.0, early=early)
    before = np.vstack([np.full((1, 4), 30.0), got.depletion_mm[:-1]])
    left = got.depletion_mm - before - got.et_mm - got.deep_percolation_mm + rain + water
    assert np.abs(left).max() < 1e-9
    assert got.layer_mm.max() <= 22.0 + 1e-9
    assert got.layer_mm.min() >= 0.0
    assert (got.ke >= 0.0).all()
    assert (got.ke + kcb <= top + 1e-9).all()
    assert got.deep_percolation_mm.min() >= 0.0


def test_drip_evaporates_less_than_sprinkler_and_a_mulch_less_still():
    et0, rain, water, kcb, top, cover, total = season(3)
    rain = rain * 0.0
    sums = [
        dual.dual_balance(et0, rain, water, kcb, top, cover, total, 0.5, layer).evaporation_mm.sum()
        for layer in (
            dual.EvaporationLayer(22.0, 9.0),
            dual.EvaporationLayer(22.0, 9.0, 0.35, True),
            dual.EvaporationLayer(22.0, 9.0, 0.35, True, dual.mulch_factor("plastic", 0.8)),
        )
    ]
    assert sums[0] > sums[1] > sums[2] > 0.0


def test_many_places_are_as_one_by_one():
    et0, rain, water, kcb, top, cover, total = season(5)
    layer = dual.EvaporationLayer(22.0, 9.0, 0.35, True)
    all_at_once = dual.dual_balance(et0, rain, water, kcb, top, cover, total, 0.5, layer)
    for j in range(4):
        one = dual.dual_balance(*(a[:, j] for a in (et0, rain, water, kcb, top, cover, total)), 0.5, layer)
        assert one.depletion_mm == pytest.approx(all_at_once.depletion_mm[:, j], abs=1e-12)
