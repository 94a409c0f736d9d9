"""Stages that are irrigated with less than they need: laws, sums, the effect that is told, the farm file."""

from dataclasses import replace

import numpy as np
import pytest

from farmgis.planning.demand import block_demand, crop_demand
from farmgis.planning.salt import season_of
from farmgis.records import Design, Farm, Season, Source, StageShares, WaterQuality, Weather
from farmgis.tables import reader

MAIZE, LOAM = reader.crop("maize"), reader.soil("loam")
MOIST = Season(sown="moist")


def steady():
    """Ten years of 6 mm a day without rain, wind 2 m/s and 45 %: invented, Kc stays as tabled."""
    dates = np.arange("2001-01-01", "2011-01-01", dtype="datetime64[D]")
    return Weather(
        "daily", dates, {"et0_mm": np.full(dates.size, 6.0), "rain_mm": np.zeros(dates.size)}, 40.0, 0.0
    )


def demand_of(design, crop=MAIZE, season=MOIST):
    return crop_demand(crop, LOAM, design, season, steady())


def test_shares_of_all_change_nothing():
    plain = demand_of(Design())
    full = demand_of(Design(deficit_need=StageShares(100.0, 100.0, 100.0, 100.0)))
    np.testing.assert_allclose(full.net_mm, plain.net_mm)
    assert full.peak_net_mm_day == pytest.approx(plain.peak_net_mm_day)
    assert full.yield_loss_pct == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("coefficient", ["single", "dual"])
def test_sums_close_under_a_deficit(coefficient):
    design = Design(
        deficit_need=StageShares(development_pct=60.0, late_pct=40.0),
        deficit_depletion=StageShares(late_pct=140.0),
        crop_coefficient=coefficient,
    )
    d = demand_of(design)
    net = d.et_crop_mm.sum() - d.rain_effective_mm.sum() - d.soil_water_used_mm
    assert d.net_mm.sum() == pytest.approx(net, abs=0.01)
    assert (d.et_crop_mm <= d.et_full_mm + 1e-12).all()
    block = block_demand(d, 90.0, 1.0, 1.67)
    assert block.net_mm == pytest.approx(
        block.et_crop_mm - block.rain_effective_mm - block.soil_water_used_mm
    )
    assert sum(p.net_mm for p in block.periods) == pytest.approx(block.net_mm)


def test_less_given_saves_water_and_costs_more_the_more_sensitive_the_stage():
    plain = demand_of(Design())
    young, flowering, ripening = (
        demand_of(Design(deficit_need=StageShares(**{f"{stage}_pct": 30.0})))
        for stage in ("development", "middle", "late")
    )
    for one in (young, flowering, ripening):
        assert one.net_mm.sum() < plain.net_mm.sum() - 20.0
        assert "deficit irrigation gives" in " ".join(f.what for f in one.findings)
    # FAO-56 p 176 and FAO-33's factors of maize
    assert flowering.yield_loss_pct > young.yield_loss_pct
    assert flowering.yield_loss_pct > ripening.yield_loss_pct
    assert {f.severity for f in flowering.findings if "deficit" in f.what} == {"attention"}
    assert not any("draws" in f.what or "is drawn to" in f.what for f in flowering.findings)


def test_repaying_a_deficit_does_not_double_the_peak():
    plain = demand_of(Design())
    young = demand_of(Design(deficit_need=StageShares(development_pct=50.0)))
    assert young.peak_net_mm_day < 1.5 * plain.peak_net_mm_day


def test_stage_rule_goes_before_the_interval_in_its_stage_alone():
    design = Design(deficit_depletion=StageShares(late_pct=150.0))
    plain, wide = demand_of(Design()), demand_of(design)
    before = wide.stage < 3
    np.testing.assert_allclose(wide.net_mm[before], plain.net_mm[before])
    assert np.count_nonzero(wide.net_mm[~before]) < np.count_nonzero(plain.net_mm[~before])
    # FAO-56 eq 84: none of the late stage's days takes more, some take less
    assert wide.et_crop_mm[~before].sum() < plain.et_crop_mm[~before].sum()
    assert wide.depletion_mm.max() <= wide.total_mm.max()


def test_a_crop_without_a_known_response_is_told():
    crop = replace(MAIZE, name="mallow", stage_responses=None, season_response=None)
    d = demand_of(Design(deficit_need=StageShares(middle_pct=50.0)), crop)
    assert d.yield_loss_pct is None
    assert any("no response of its yield is known" in f.what for f in d.findings)


def test_salt_with_the_dual_coefficient_takes_its_share_of_transpiration():
    # ECe 5 at eq 93: stress 1 - 12 (ECe - 1.7) / 125 (eq 91, Ky 1.25), of transpiration alone
    season = Season(sown="moist", water_ec_ds_m=2.0, leaching_pct=15.0)
    design = Design(crop_coefficient="dual")
    fresh = demand_of(design)
    salty = demand_of(design, season=season)
    ece = 2.0 * 1.15 / 0.75
    stress = 1.0 - 12.0 / 125.0 * (ece - 1.7)
    middle = fresh.stage == 2
    share = salty.et_full_mm[middle].sum() / fresh.et_full_mm[middle].sum()
    assert stress < share < 1.0
    assert share == pytest.approx(stress, abs=0.06)
    assert salty.yield_loss_pct == pytest.approx(12.0 * (ece - 1.7), abs=0.01)
    # the single coefficient is left as it is (FAO-56 p 175): the need is the safe one
    plain = demand_of(Design(), season=season)
    np.testing.assert_allclose(plain.et_full_mm, demand_of(Design()).et_full_mm)
    assert plain.yield_loss_pct == pytest.approx(12.0 * (ece - 1.7), abs=0.01)


def test_stated_leaching_is_applied_whatever_its_size():
    season = Season(sown="moist", leaching_pct=8.0)
    d = demand_of(Design(), season=season)
    block = block_demand(d, 90.0, 1.0, 1.67)
    assert block.net_mm + block.leaching_mm == pytest.approx(block.net_mm / 0.92)


def test_each_field_has_the_salt_of_its_own_source(square_field):
    sources = (
        Source("river", 0.0, 0.0, None, 100.0, water=WaterQuality(ec_ds_m=0.4)),
        Source("borehole", 0.0, 0.0, None, 100.0, water=WaterQuality(ec_ds_m=3.0)),
        Source("pond", 0.0, 0.0, None, 100.0, water=WaterQuality(ph=7.0)),
    )
    fields = [square_field(source_id=name) for name in ("river", "borehole", "pond", None)]
    season = Season(sown="moist", water_ec_ds_m=1.0)
    farm = Farm("F", "EPSG:32610", tuple(fields), None, sources, (), steady(), season)
    assert [season_of(farm, f).water_ec_ds_m for f in fields] == [0.4, 3.0, 1.0, 1.0]
    fresh, salty = (
        crop_demand(f.crop, f.soil, f.design, season_of(farm, f), farm.weather) for f in fields[:2]
    )
    assert fresh.yield_loss_pct == pytest.approx(0.0, abs=1e-9)
    # 3 dS/m: LR 3 / 20.07 = 0.1495, the soil at 15 %: 4.6 dS/m, 100 - 12 (4.6 - 1.7)
    assert salty.yield_loss_pct == pytest.approx(12.0 * (3.0 * 1.15 / 0.75 - 1.7), abs=0.1)
