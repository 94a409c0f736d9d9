"""Annuity and present worth against printed examples and against money counted year by year."""

import pytest

from farmgis.planning.economics import annuity, present_worth


def test_annuity_numpy_pmt_example():
    # NumPy's page on pmt: 200,000 at 7.5 % a year, paid off in 180 months, is 1,854.0247200054619 a month
    assert 200_000 * annuity(7.5 / 12, 180) == pytest.approx(1854.0247200054619, abs=1e-9)


@pytest.mark.parametrize(
    ("interest_pct", "years", "factor"), [(8.0, 5, 0.25046), (8.0, 10, 0.14903), (6.0, 20, 0.08718)]
)
def test_annuity_interest_tables(interest_pct, years, factor):
    # (A/P, i, n) of tables of engineering economy, five decimals (8 % seen on a page, 6 % from memory)
    assert annuity(interest_pct, years) == pytest.approx(factor, abs=5e-6)


def test_present_worth_interest_table():
    # (P/A, 8 %, 10) = 6.7101, as printed in such tables
    assert present_worth(8.0, 10) == pytest.approx(6.7101, abs=5e-5)


def test_no_interest_is_equal_parts():
    assert annuity(0.0, 4.0) == 0.25


@pytest.mark.parametrize("life", [1, 2, 5, 10, 20])
def test_present_cost_of_replacements_counted_year_by_year(life):
    # bought at the start of each life for twenty years: by annuities it must cost the same today
    i, price = 0.06, 1000.0
    counted = sum(price / (1 + i) ** year for year in range(0, 20, life))
    assert price * annuity(6.0, life) * present_worth(6.0, 20) == pytest.approx(counted, rel=1e-12)
