"""One figure of a plan with what it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

CLOSE = 1e-3
"""What is reckoned again agrees within this share."""


def gaps_as_none(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row whose gaps are None, also where it was read back with NaN for them."""
    return {name: None if value != value else value for name, value in row.items()}


@dataclass(frozen=True)
class Reason:
    """A figure, how it comes about, from which inputs and source, and what it is when reckoned again.

    `again` is None where it cannot be reckoned from the layers; `how` then says what it needs.
    """

    what: str
    value: float | str | None
    unit: str
    how: str
    source: str = ""
    again: float | None = None

    @property
    def agrees(self) -> bool | None:
        """Whether the figure and what is reckoned again are the same; None where it was not."""
        if self.again is None or not isinstance(self.value, (int, float)):
            return None
        return abs(self.again - self.value) <= CLOSE * max(abs(self.value), abs(self.again), 1e-3)
