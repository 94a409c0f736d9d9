"""Money over time: yearly payments and present worth, at a constant rate of interest."""

from __future__ import annotations


def annuity(interest_pct: float, years: float) -> float:
    """The equal payment at each year's end that pays off a loan of 1, interest included. [1/year]

    i / (1 - (1 + i)^-n), the capital recovery factor; without interest 1 / n.

    >>> round(annuity(6.0, 20.0), 5)
    0.08718
    """
    i = interest_pct / 100.0
    return 1.0 / years if i == 0.0 else i / (1.0 - (1.0 + i) ** -years)


def present_worth(interest_pct: float, years: float) -> float:
    """What a payment of 1 at each year's end, for some years, is worth today. [years]

    >>> round(present_worth(6.0, 20.0), 2)
    11.47
    """
    return 1.0 / annuity(interest_pct, years)
