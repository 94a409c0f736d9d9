"""Effective rain of a month: formulas as seen in the public code of CRAN package FAO56, and NEH 623."""

import numpy as np
import pytest

from farmgis.agronomy import effective_rain as rain


def test_monthly_scs_fao_form():
    given = [10, 25, 50, 75, 100, 150, 200, 250, 300, 450]
    printed = [9.84, 24, 46, 66, 84, 114, 136, 150, 155, 170]
    assert rain.monthly_scs_mm(given) == pytest.approx(printed, abs=0.01)


def test_monthly_scs_twelve_months():
    # arithmetic on the rain row of the FAO climate estimate at 20.59 N
    given = [10, 12, 21, 14, 14, 175, 356, 338, 219, 48, 8, 13]
    expected = [9.8, 11.8, 20.3, 13.7, 13.7, 126.0, 160.6, 158.8, 142.3, 44.3, 7.9, 12.7]
    assert rain.monthly_scs_mm(given) == pytest.approx(expected, abs=0.1)


def test_monthly_dependable():
    assert rain.monthly_dependable_mm([50, 70, 100, 10]) == pytest.approx([20, 32, 56, 0], abs=0.01)


def test_monthly_with_storage_fao24_table_34():
    # from memory: rain 100, ETc 150, storage 175 mm: 79 mm
    assert float(rain.monthly_scs_with_storage_mm(100.0, 150.0, 175.0)) == pytest.approx(79.0, abs=1.0)


def test_monthly_with_storage_neh_623_in_inches():
    # secondary: a public package's README quoting NEH 623 chapter 2; storage 3 inches
    cases = {1: [0.664, 0.743, 0.831, 0.929], 2: [1.276, 1.426, 1.595, 1.784], 4: [2.0, 2.637, 2.949, 3.297]}
    et = np.array([2.0, 4.0, 6.0, 8.0]) * 25.4
    for inches, expected in cases.items():
        got = rain.monthly_scs_with_storage_mm(inches * 25.4, et, 3.0 * 25.4) / 25.4
        assert got == pytest.approx(expected, abs=0.005)
