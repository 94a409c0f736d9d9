"""Salt: FAO-56 example 39 and eq 93 (text seen), leaching requirements (source beside each)."""

import numpy as np
import pytest

from farmgis.agronomy import salinity, soil_water


def test_salt_and_water_stress_fao56_example_39():
    # page 182: beans; both factors together
    salt = float(salinity.salt_stress(1.5, 1.0, 19.0, 1.15))
    assert salt == pytest.approx(0.92, abs=0.005)
    water = soil_water.stress_coefficient(np.arange(50.0, 101.0, 10.0), 110.0, 44.0)
    assert water == pytest.approx([0.91, 0.76, 0.61, 0.45, 0.30, 0.15], abs=0.006)
    assert salt * water == pytest.approx([0.83, 0.69, 0.56, 0.42, 0.28, 0.14], abs=0.006)


def test_salt_and_dry_soil_in_the_daily_balance_fao56_example_39():
    # the same table, line by line: what a day takes of a full millimetre, from depletions of 0 to 110 mm
    depletion = np.array([0.0, 35.0, 40.0, 44.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0, 110.0])
    none, total = np.zeros((1, depletion.size)), np.full((1, depletion.size), 110.0)
    readily = np.full((1, depletion.size), 44.0)
    full = np.ones((1, depletion.size))
    salt = float(salinity.salt_stress(1.5, 1.0, 19.0, 1.15))
    for factor, printed in (
        (1.0, [1.0, 1.0, 1.0, 1.0, 0.91, 0.76, 0.61, 0.45, 0.30, 0.15, 0.0]),
        (salt, [0.92, 0.92, 0.92, 0.92, 0.83, 0.69, 0.56, 0.42, 0.28, 0.14, 0.0]),
    ):
        day = soil_water.root_zone_balance(factor * full, none, none, total, readily, depletion)
        assert day.et_mm[0] == pytest.approx(printed, abs=0.006)


def test_soil_salinity_fao56_equation_93():
    assert salinity.soil_ece_ds_m(1.0, [0.15, 0.20]) == pytest.approx([1.53, 1.20], abs=0.05)


def test_leaching_fao29():
    # secondary: an examination bank quoting FAO-29, 11.1 %; maize by arithmetic of the formula
    assert 100.0 * float(salinity.leaching_requirement_fao29(1.5, 3.0)) == pytest.approx(11.1, abs=0.1)
    assert float(salinity.leaching_requirement_fao29(1.1, 1.7)) == pytest.approx(0.1486, abs=0.001)
    assert float(salinity.leaching_requirement_fao29(9.0, 1.7)) == 1.0


def test_leaching_drip_maize():
    # ECw / (2 max ECe) with max ECe 10 (from memory: Keller and Bliesner 1990): 0.055
    assert float(salinity.leaching_requirement_drip(1.1, 10.0)) == pytest.approx(0.055, abs=0.001)


def test_greatest_salinity_against_a_separate_list():
    # from memory: soil salinity at no yield, dS/m; tomato 13 or 13.6 by source
    for threshold, slope, printed, tolerance in (
        (1.7, 12.0, 10.0, 0.5),
        (7.7, 5.2, 27.0, 0.5),
        (6.0, 7.1, 20.0, 0.5),
        (7.0, 5.9, 24.0, 0.5),
        (2.0, 7.3, 16.0, 0.5),
        (1.2, 16.0, 7.4, 0.5),
        (1.7, 9.0, 13.0, 0.7),
    ):
        assert salinity.greatest_ece_ds_m(threshold, slope) == pytest.approx(printed, abs=tolerance)


def test_yield_of_maize_fao29_table_4():
    # from memory: 100, 90, 75, 50, 0 % at ECe 1.7, 2.5, 3.8, 5.9, 10 dS/m, printed to 0.1 (0.6 % of yield)
    left = salinity.relative_yield_pct([1.7, 2.5, 3.8, 5.9, 10.0], 1.7, 12.0)
    assert left == pytest.approx([100.0, 90.0, 75.0, 50.0, 0.0], abs=0.7)


def test_water_of_maize_fao29_table_4():
    # from memory: ECw 1.1, 1.7, 2.5, 3.9, 6.7 dS/m for the same yields, the soil at 1.5 times it
    left = salinity.relative_yield_pct(1.5 * np.array([1.1, 1.7, 2.5, 3.9, 6.7]), 1.7, 12.0)
    assert left == pytest.approx([100.0, 90.0, 75.0, 50.0, 0.0], abs=1.1)


def test_gross_from_net_with_leaching():
    # arithmetic: 6.0 / ((1 - 0.055) x 0.90) = 7.055 mm; under 0.1 none is applied
    extra = float(salinity.leaching_mm(6.0, 0.055, least=0.0))
    assert (6.0 + extra) / 0.90 == pytest.approx(7.055, abs=0.001)
    assert float(salinity.leaching_mm(6.0, 0.055)) == 0.0
