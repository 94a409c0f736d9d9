"""Numbers as a sentence carries them: the layers keep the exact ones."""

from __future__ import annotations

import math


def three_figures(value: float) -> str:
    """A number to three figures, in groups of three digits.

    >>> three_figures(84728.3), three_figures(1955.0), three_figures(0.08859), three_figures(0.0)
    ('84,700', '1,960', '0.0886', '0')
    """
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    digits = 2 - math.floor(math.log10(abs(float(f"{value:.3g}"))))
    shown = f"{round(value, digits):,.{max(digits, 0)}f}"
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


def counted(count: int, noun: str) -> str:
    """So many of something.

    >>> counted(1, "season"), counted(12, "season")
    ('1 season', '12 seasons')
    """
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def amount_words(quantity: float, unit: str) -> str:
    """How much of a task, as exactly as it is worked by.

    >>> amount_words(7966.0, "laterals"), amount_words(0.0886, "machine days"), amount_words(0.02, "l")
    ('7,966 laterals', '0.1 machine days', 'under 0.1 l')
    """
    if 0.0 < quantity < 0.05:
        return f"under 0.1 {unit}"
    return f"{quantity:,.1f}".removesuffix(".0") + f" {unit}"
