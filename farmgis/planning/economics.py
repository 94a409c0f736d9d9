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


def sinking_fund(interest_pct: float, years: float) -> float:
    """The equal payment at each year's end that makes 1 at the end of some years. [1/year]

    i / ((1 + i)^n - 1); what is paid once in some years, at their end, as a yearly cost.

    >>> round(sinking_fund(6.0, 2.0), 5), round(sinking_fund(6.0, 1.0), 9)
    (0.48544, 1.0)
    """
    return annuity(interest_pct, years) - interest_pct / 100.0


def present_worth(interest_pct: float, years: float) -> float:
    """What a payment of 1 at each year's end, for some years, is worth today. [years]

    >>> round(present_worth(6.0, 20.0), 2)
    11.47
    """
    return 1.0 / annuity(interest_pct, years)
