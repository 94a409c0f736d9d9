"""Laws of the season from sowing to harvest, and small seasons worked by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmgis.agronomy.soil_water import root_zone_balance
from farmgis.agronomy.sown_soil import REPAY_DAYS, Deficit, Watering, sown_season


def seasons(seed, days=120, years=5):
    chance = np.random.default_rng(seed)
    et = chance.uniform(0.5, 8.0, (days, years)) * np.linspace(0.3, 1.0, days)[:, None]
    rain = np.where(chance.random((days, years)) < 0.15, chance.exponential(12.0, (days, years)), 0.0)
    total = np.broadcast_to(np.linspace(30.0, 80.0, days)[:, None], et.shape)
    return et, rain, total, 0.5 * total


WAYS = st.builds(
    Watering,
    interval_days=st.integers(1, 6),
    trigger=st.one_of(st.none(), st.floats(0.3, 1.0)),
    first_day=st.integers(0, 50),
    young_share=st.floats(1.0, 2.5),
    doses=st.sampled_from([(), ((0, 36.0), (4, 36.0), (13, 36.0))]),
)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**31), WAYS, st.floats(0.0, 1.0))
def test_water_balance_closes_on_every_day(seed, watering, start):
    et, rain, total, readily = seasons(seed)
    s = sown_season(et, rain, total, readily, watering, start)
    came = rain - s.drained_mm + s.refill_mm + s.dose_mm
    begun = np.full(et.shape[1], start) * total[0] * watering.young_share
    # closes over the season to 0.01 mm, and on each day but that on which regular irrigation takes over
    np.testing.assert_allclose(s.depletion_mm[-1], begun + (et - came).sum(axis=0) - s.outside_mm, atol=0.01)
    before = np.vstack([begun[None], s.depletion_mm[:-1]])
    step = s.depletion_mm - before - et + came
    taking_over = np.arange(et.shape[0])[:, None] == s.begin
    assert np.abs(np.where(taking_over, 0.0, step)).max() < 0.01
    assert (s.depletion_mm >= et - 1e-9).all()
    assert (s.dose_mm <= 36.0).all()
    assert (s.refill_mm[np.arange(et.shape[0])[:, None] < s.begin] == 0.0).all()
    assert (s.begin <= max(watering.first_day, 14 if watering.doses else 0)).all()


def test_young_crop_without_rain_by_hand():
    # 2 mm a day; 40 mm held by the wetted zone, half of it readily; the young crop has 2.5 times that: 50 mm
    et = np.full((60, 1), 2.0)
    none, total = np.zeros((60, 1)), np.full((60, 1), 40.0)
    s = sown_season(et, none, total, 0.5 * total, Watering(5, first_day=35, young_share=2.5))
    # after day 25 (from 0) it has taken 52 mm, over 50: regular irrigation begins on that morning
    assert s.begin[0] == 25
    assert s.depletion_mm[24, 0] == pytest.approx(50.0)
    # 1 / 2.5 of the 50 mm is the wetted zone's: 20 mm are refilled, 30 mm come from outside it
    assert s.refill_mm[25, 0] == pytest.approx(20.0)
    assert s.outside_mm[0] == pytest.approx(30.0)
    assert s.refill_mm[30, 0] == pytest.approx(10.0)
    assert s.refill_mm[26:30].sum() == 0.0
    # the peak is 10 mm over 5 days; the first refill is spread over the 25 days that it is for
    assert s.peak_mm_day[0] == pytest.approx(2.0)
    assert (s.stress == 1.0).all()


def test_regular_irrigation_begins_on_its_day_where_the_soil_lasts():
    et = np.full((60, 1), 1.0)
    none, total = np.zeros((60, 1)), np.full((60, 1), 40.0)
    s = sown_season(et, none, total, 0.5 * total, Watering(5, first_day=35, young_share=2.5))
    assert s.begin[0] == 35
    assert np.flatnonzero(s.refill_mm[:, 0])[0] == 35


def test_germination_fills_a_dry_seed_bed_by_hand():
    # 20 mm held by the wetted zone, the strip holds 35; dry at sowing; 36 mm reach the soil, three times
    et = np.full((40, 1), 1.0)
    none, total = np.zeros((40, 1)), np.full((40, 1), 20.0)
    doses = ((0, 36.0), (4, 36.0), (13, 36.0))
    s = sown_season(et, none, total, 0.5 * total, Watering(3, None, 35, 1.75, doses), 1.0)
    # 35 mm of the first stay, then what was taken since: 4 mm, then 9
    assert s.dose_mm[[0, 4, 13], 0] == pytest.approx([35.0, 4.0, 9.0])
    # 17.5 mm are readily available: taken from day 13 to day 30, over it on day 30
    assert s.begin[0] == 30


def test_trigger_irrigates_before_the_share_is_passed():
    et = np.full((50, 1), 3.0)
    none, total = np.zeros((50, 1)), np.full((50, 1), 60.0)
    s = sown_season(et, none, total, 0.5 * total, Watering(trigger=0.5))
    # 15 mm is the trigger: five days draw it, the sixth would pass it
    assert np.flatnonzero(s.refill_mm[:, 0]).tolist()[:3] == [5, 10, 15]
    assert s.refill_mm[5, 0] == pytest.approx(15.0)
    assert s.peak_mm_day[0] == pytest.approx(3.0)


def test_rain_moves_irrigations():
    et = np.full((30, 1), 3.0)
    total = np.full((30, 1), 60.0)
    dry = np.zeros((30, 1))
    wet = dry.copy()
    wet[4] = 12.0
    first = [
        np.flatnonzero(sown_season(et, rain, total, 0.5 * total, Watering(trigger=0.5)).refill_mm[:, 0])[0]
        for rain in (dry, wet)
    ]
    # 12 mm of rain are four days' need
    assert first == [5, 9]


def test_irrigation_waits_after_rain_while_the_soil_lasts():
    # 3 mm a day, every 3 days: 9 mm on day 3. 12 mm fall on day 4, when 3 mm are lacking: full. From day 6
    # the next is due. The soil gives 10 mm: on day 7, with 9 mm lacking, the day would pass that
    et, total = np.full((40, 1), 3.0), np.full((40, 1), 60.0)
    rain = np.zeros((40, 1))
    rain[4] = 12.0
    s = sown_season(et, rain, total, total / 6.0, Watering(3))
    assert s.refill_mm[[3, 6, 7, 10, 13], 0] == pytest.approx([9.0, 0.0, 9.0, 9.0, 9.0])
    # where it gives 30 mm, rain is half of what was taken up to day 11: 12 of 24; on day 12 it is less
    s = sown_season(et, rain, total, 0.5 * total, Watering(3))
    assert np.flatnonzero(s.refill_mm[:, 0]).tolist()[:3] == [3, 12, 15]
    assert s.refill_mm[12, 0] == pytest.approx(24.0)
    assert s.peak_mm_day[0] == pytest.approx(3.0)  # 24 mm are for nine days
    # and a shower that gives less than half moves nothing
    rain[4] = 2.0
    s = sown_season(et, rain, total, 0.5 * total, Watering(3))
    assert s.refill_mm[[3, 6, 9], 0] == pytest.approx([9.0, 7.0, 9.0])


def test_given_irrigations_go_before_the_rule():
    et = np.full((40, 1), 3.0)
    none, total = np.zeros((40, 1)), np.full((40, 1), 60.0)
    given_mm = np.full((40, 1), np.nan)
    given_mm[:10] = 0.0
    given_mm[6] = 5.0
    s = sown_season(et, none, total, 0.5 * total, Watering(3), given_mm=given_mm)
    assert s.refill_mm[:10].sum() == pytest.approx(5.0)
    assert s.depletion_mm[9, 0] == pytest.approx(25.0)
    assert s.refill_mm[10, 0] == pytest.approx(25.0)


def test_soil_that_was_given_too_little_lacks_no_more_than_it_holds():
    # FAO-56 chapter 8, as `root_zone_balance` reckons it: the crop takes less as the soil dries, and wilts
    et, rain, total, readily = seasons(7)
    rain = 0.2 * rain
    given_mm = np.zeros_like(et)
    given_mm[::9] = 12.0
    s = sown_season(et, rain, total, readily, Watering(3), given_mm=given_mm)
    dry = root_zone_balance(et, rain, given_mm, total, readily)
    np.testing.assert_allclose(s.depletion_mm, dry.depletion_mm, atol=1e-9)
    np.testing.assert_allclose(s.et_mm, dry.et_mm, atol=1e-9)
    assert (s.depletion_mm <= np.maximum.accumulate(total) + 1e-9).all()
    assert ((et - rain - given_mm).sum(axis=0) > total[-1]).any()  # its full ET it could not take


# ---- managed deficit -------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**31), WAYS, st.floats(0.0, 1.0), st.floats(0.5, 2.0))
def test_water_balance_closes_under_a_deficit(seed, watering, share, trigger):
    et, rain, total, readily = seasons(seed)
    days = np.arange(et.shape[0])[:, None]
    rules = Deficit(
        np.where((days > 30) & (days < 70), share, np.ones_like(et)),
        np.where(days >= 90, trigger, np.full_like(et, np.nan)),
    )
    s = sown_season(et, rain, total, readily, watering, 0.0, deficit=rules)
    came = rain - s.drained_mm + s.refill_mm + s.dose_mm
    np.testing.assert_allclose(s.depletion_mm[-1], (s.et_mm - came).sum(axis=0) - s.outside_mm, atol=0.01)
    assert (s.et_mm <= et + 1e-12).all()
    # the crop takes by FAO-56 eq 84: less exactly where there is stress, and never below wilting by its own
    np.testing.assert_allclose(s.et_mm, s.stress * et)


def test_a_share_of_the_need_dries_the_soil_by_the_rest_by_hand():
    # 5 mm a day, every 4 days, 60 mm readily: in full 20 mm each; at 60 % 12 mm, so 8 mm more lacks each time
    et = np.full((61, 1), 5.0)
    none, total = np.zeros((61, 1)), np.full((61, 1), 120.0)
    share = np.where(np.arange(61) <= 12, 0.6, 1.0)[:, None]
    rules = Deficit(share, np.full((61, 1), np.nan))
    s = sown_season(et, none, total, 0.5 * total, Watering(4), deficit=rules)
    assert s.refill_mm[[4, 8, 12], 0] == pytest.approx([12.0, 12.0, 12.0])
    assert s.depletion_mm[12, 0] == pytest.approx(3 * 8.0 + 5.0)
    # after it the 24 mm come back over 20 days, five irrigations: 20 + 24 x 4 / 20 = 24.8 mm each, then 20
    assert REPAY_DAYS == 20
    assert s.refill_mm[[16, 20, 24, 28, 32], 0] == pytest.approx([24.8] * 5)
    assert s.peak_mm_day[0] == pytest.approx(6.2)
    assert (s.stress == 1.0).all()
    assert s.et_mm.sum() == pytest.approx(et.sum())


def test_a_deficit_past_the_readily_available_water_cuts_what_the_crop_takes():
    # nothing is given: FAO-56 example 37's tomato from 55 mm on, 160 mm held, 64 readily, 6 mm a day
    et = np.full((10, 1), 6.0)
    none, total = np.zeros((10, 1)), np.full((10, 1), 160.0)
    rules = Deficit(np.zeros((10, 1)), np.full((10, 1), np.nan))
    s = sown_season(et, none, total, 0.4 * total, Watering(3), 55.0 / 160.0, deficit=rules)
    assert s.stress[:, 0] == pytest.approx([1, 1, 0.97, 0.91, 0.85, 0.80, 0.75, 0.70, 0.66, 0.62], abs=0.006)
    assert s.depletion_mm[-1, 0] == pytest.approx(104.5, abs=0.06)


def test_wider_depletion_irrigates_later_and_more_at_a_time():
    et = np.full((60, 1), 5.0)
    none, total = np.zeros((60, 1)), np.full((60, 1), 120.0)
    ones = np.ones((60, 1))

    def of(trigger):
        return sown_season(et, none, total, 0.5 * total, Watering(4), deficit=Deficit(ones, trigger * ones))

    at_full, wider = of(1.0), of(1.3)
    assert (at_full.stress == 1.0).all()
    # 65 mm after 13 days without stress, then less by eq 84; due when 78 would be passed
    fourteen = 65.0 + 5.0 * (120.0 - 65.0) / 60.0
    fifteen = fourteen + 5.0 * (120.0 - fourteen) / 60.0
    first = int(np.flatnonzero(wider.refill_mm[:, 0])[0])
    assert first == 15
    assert wider.refill_mm[first, 0] == pytest.approx(fifteen)
    assert first > int(np.flatnonzero(at_full.refill_mm[:, 0])[0])
    assert np.count_nonzero(wider.refill_mm) < np.count_nonzero(at_full.refill_mm)
    assert wider.et_mm.sum() < et.sum()
