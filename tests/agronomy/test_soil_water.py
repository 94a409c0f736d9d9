"""Laws of the root zone that is refilled each interval."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmgis.agronomy import soil_water
from farmgis.agronomy.sown_soil import Watering, sown_season


def seasons(seed, days=120, years=5):
    chance = np.random.default_rng(seed)
    et = chance.uniform(1.0, 9.0, (days, years))
    rain = np.where(chance.random((days, years)) < 0.15, chance.exponential(12.0, (days, years)), 0.0)
    total = np.broadcast_to(np.linspace(30.0, 80.0, days)[:, None], et.shape)
    return et, rain, total, 0.5 * total


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31), st.integers(1, 6))
def test_refilled_root_zone_closes_and_is_never_over_full(seed, interval):
    et, rain, total, readily = seasons(seed)
    zone = sown_season(et, rain, total, readily, Watering(interval))
    stored = rain.sum(0) + zone.refill_mm.sum(0) - zone.drained_mm.sum(0) - et.sum(0)
    assert zone.depletion_mm[-1] == pytest.approx(-stored, abs=0.01)
    assert (zone.depletion_mm >= et - 1e-9).all()
    assert (zone.refill_mm >= 0.0).all()
    assert (zone.drained_mm <= rain + 1e-9).all()
    for refills in zone.refill_mm.T:
        given_on = np.flatnonzero(refills)
        assert (np.diff(given_on) >= interval).all()
        assert 0 not in given_on


def test_refilled_root_zone_daily_without_rain_gives_what_was_taken():
    et = np.full((50, 1), 6.0)
    none, total = np.zeros((50, 1)), np.full((50, 1), 60.0)
    zone = sown_season(et, none, total, 0.5 * total, Watering(1))
    # 50 days take 300 mm; the season ends with the 30 mm of readily available water drawn
    assert zone.refill_mm.sum() == pytest.approx(270.0)
    assert zone.depletion_mm[-1, 0] == pytest.approx(30.0)
    assert zone.refill_mm[1:45, 0] == pytest.approx(6.0)
    assert zone.refill_mm[46:].sum() == pytest.approx(0.0)


def test_last_irrigations_keep_within_readily_available_water():
    et, _, total, readily = seasons(3)
    zone = sown_season(et, np.zeros_like(et), total, 0.9 * total, Watering(2))
    assert (zone.depletion_mm <= 0.9 * total + 1e-9).all()
    assert zone.depletion_mm[-1] == pytest.approx(0.9 * total[-1])
    assert (zone.stress == 1.0).all()
    assert readily.shape == total.shape


def test_heavy_rain_drains_and_is_not_counted():
    et = np.full((10, 1), 5.0)
    rain = np.zeros((10, 1))
    rain[4] = 100.0
    total = np.full((10, 1), 60.0)
    zone = sown_season(et, rain, total, 0.5 * total, Watering(3))
    # full at sowing; irrigated on day 3 (from 0), so day 4 has room for one day's ET
    assert zone.drained_mm[4, 0] == pytest.approx(95.0)


def test_too_long_an_interval_shows_as_stress_but_does_not_cut_the_need():
    et = np.full((60, 1), 8.0)
    none, total = np.zeros((60, 1)), np.full((60, 1), 30.0)
    zone = sown_season(et, none, total, 0.4 * total, Watering(4))
    assert zone.stress.min() < 1.0
    assert zone.refill_mm.sum() + zone.depletion_mm[-1, 0] == pytest.approx(480.0)


def test_balance_under_drought_never_passes_what_the_soil_holds():
    et = np.full(400, 7.0)
    none, total = np.zeros(400), np.full(400, 90.0)
    zone = soil_water.root_zone_balance(et, none, none, total, 0.5 * total)
    assert zone.depletion_mm.max() <= 90.0
    assert (np.diff(zone.depletion_mm) >= 0.0).all()


def test_root_depth_grows_to_the_end_of_development():
    depth = soil_water.root_depth_m([1, 35, 70, 150], (30, 40, 50, 30), 0.3, 1.0)
    assert depth == pytest.approx([0.31, 0.65, 1.0, 1.0])
