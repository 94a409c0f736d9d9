"""Measures of uniformity against their definitions and values worked out by hand."""

import numpy as np
import pytest

from farmgis.hydraulics.uniformity import (
    christiansen_uniformity_pct,
    emission_uniformity_pct,
    flow_variation_pct,
    low_quarter_uniformity_pct,
    manufactured,
    statistical_uniformity_pct,
)


@pytest.mark.parametrize(
    ("plants", "variation", "share", "expected"),
    [(1, 0.05, 0.95, 88.97), (4, 0.07, 0.95, 90.78), (1, 0.03, 0.93, 89.46), (2, 0.05, 0.95, 90.73)],
)
def test_emission_uniformity_by_hand(plants, variation, share, expected):
    """EU = 100 (1 - 1.27 Cv / sqrt n) qmin / qmean; the formula from memory, worked out apart."""
    assert emission_uniformity_pct(share, 1.0, variation, plants) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(("exponent", "expected"), [(0.5, 10.56), (0.46, 9.76), (1.0, 20.0)])
def test_flow_variation_of_20_pct_of_head(exponent, expected):
    """An identity: 100 (1 - 0.8^x) where the lowest head is 0.8 of the highest."""
    assert flow_variation_pct(0.8**exponent, 1.0) == pytest.approx(expected, abs=0.02)


def test_low_quarter_by_hand():
    """The mean of the lowest quarter, 3.6, over the mean of all, 4.0: 90 % (an examination's example)."""
    flows = np.array([3.6, 3.6, 4.0, 4.0, 4.1, 4.1, 4.3, 4.3])
    assert low_quarter_uniformity_pct(flows) == pytest.approx(90.0, abs=0.01)


def test_christiansen_and_statistical_of_a_normal_spread():
    """For a normal spread the mean absolute deviation is sqrt(2 / pi) of the standard deviation."""
    flows = np.random.default_rng(4).normal(1.0, 0.08, 400_000)
    assert christiansen_uniformity_pct(flows) == pytest.approx(100 - 8 * np.sqrt(2 / np.pi), abs=0.03)
    assert statistical_uniformity_pct(flows) == pytest.approx(92.0, abs=0.03)
    assert statistical_uniformity_pct(np.ones(5), 0.08) == pytest.approx(92.0)
    assert statistical_uniformity_pct(flows, 0.06) == pytest.approx(90.0, abs=0.03)  # 6, 8, 10


def test_manufacture_spreads_the_flows_by_its_own_variation():
    drawn = manufactured(np.full(200_000, 2.0), 0.05, seed=1)
    assert drawn.std() / drawn.mean() == pytest.approx(0.05, rel=0.01)
    assert np.all(drawn >= 0.0)
    np.testing.assert_array_equal(drawn, manufactured(np.full(200_000, 2.0), 0.05, seed=1))
