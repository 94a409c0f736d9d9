"""What things cost, how long they last, what is bought over what is drawn; and what was measured."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Price:
    """A row of the user's price table. An empty size stands for every size of the item."""

    item: str
    size: str
    unit: str
    unit_price: float


def plain(text: str) -> str:
    """A name without what does not matter in it, case and blanks: so that 150mm is 150 mm.

    >>> plain("Block  valve") == plain("block valve"), plain("150mm") == plain("150 mm")
    (True, True)
    """
    return "".join(text.split()).casefold()


@dataclass(frozen=True)
class Life:
    """Years until each part of a plan is bought again."""

    seasonal_line_years: float = 1.0
    lasting_line_years: float = 10.0
    line_fittings_years: float = 5.0
    pipe_years: float = 20.0
    trench_years: float = 20.0
    valves_years: float = 10.0
    head_works_years: float = 15.0

    def of(self, part: str) -> float:
        """Life of a part by its name, such as 'seasonal line'. [years]"""
        return float(getattr(self, f"{part.replace(' ', '_')}_years"))


@dataclass(frozen=True)
class Prices:
    """The user's prices, in one currency; None where not given."""

    currency: str = ""
    items: tuple[Price, ...] = ()
    pipe_kg: float | None = None
    trench_m: float | None = None
    energy_kwh: float | None = None
    labour_h: float | None = None
    interest_pct: float = 6.0
    horizon_years: float = 20.0
    life: Life = Life()

    @property
    def life_years(self) -> float:
        """Life of pipe in the ground. [years]"""
        return self.life.pipe_years

    @property
    def given(self) -> bool:
        """Whether the user gave any price."""
        keys = (self.pipe_kg, self.trench_m, self.energy_kwh, self.labour_h)
        return bool(self.items) or any(k is not None for k in keys)


@dataclass(frozen=True)
class Measured:
    """What was measured at a point of `test_points`; None where nothing was, 0 where nothing came."""

    point_id: str
    flow_l_h: float | None
    head_m: float | None


@dataclass(frozen=True)
class FieldGrade:
    """A class of measured blocks, and the least that both of its uniformities have to be."""

    grade: str
    least_emission_uniformity_pct: float
    least_statistical_uniformity_pct: float


@dataclass(frozen=True)
class Spares:
    """What is bought over what is drawn, for waste and repair."""

    line_pct: float = 4.0
    pipe_pct: float = 3.0
    fittings_pct: float = 8.0
