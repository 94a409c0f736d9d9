"""The season as it is drawn: days and years, in records that pass between the rooms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class BlockSeries:
    """A block's season from day to day: rain, net irrigation, what its soil lacks at the day's end. [mm]

    The crop takes `readily_mm` of what its soil holds (`total_mm`) without stress.
    """

    block_id: str
    crop: str
    dates: NDArray[np.datetime64]
    rain_mm: Floats
    irrigation_mm: Floats
    depletion_mm: Floats
    readily_mm: Floats
    total_mm: Floats


@dataclass(frozen=True)
class SourceSeries:
    """What a source is asked for and gives from day to day, and what it could give in a day. [m3]

    What is asked for is due on that day; what is given later is what it could not give in time.
    """

    source_id: str
    dates: NDArray[np.datetime64]
    asked_m3: Floats
    given_m3: Floats
    available_m3_day: float | None


@dataclass(frozen=True)
class CropYears:
    """What a crop on a soil needs in each year of the weather: the season, and the peak of a day. [mm net]"""

    crop: str
    soil: str
    years: tuple[int, ...]
    season_net_mm: tuple[float, ...]
    peak_net_mm_day: tuple[float, ...]
    design_year: int


@dataclass(frozen=True)
class SourceYears:
    """What a source's fields need in each year of the weather, against what it gives. [m3 gross]"""

    source_id: str
    years: tuple[int, ...]
    season_m3: tuple[float, ...]
    peak_m3_day: tuple[float, ...]
    available_m3_day: float
    licence_m3: float | None

    @property
    def short_years(self) -> tuple[int, ...]:
        """Years in which the peak is over what the source gives in a day, or the season over its licence."""
        return tuple(
            year
            for year, season, peak in zip(self.years, self.season_m3, self.peak_m3_day, strict=True)
            if peak > self.available_m3_day or (self.licence_m3 is not None and season > self.licence_m3)
        )


@dataclass(frozen=True)
class SeasonSeries:
    """The season as it is drawn: days of blocks and sources, years of crops and sources."""

    blocks: tuple[BlockSeries, ...] = ()
    sources: tuple[SourceSeries, ...] = ()
    crop_years: tuple[CropYears, ...] = ()
    source_years: tuple[SourceYears, ...] = ()
