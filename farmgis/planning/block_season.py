"""A block with what its crop needs in the design year: what the season's steps pass on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmgis.planning.demand import BlockDemand, CropDemand
from farmgis.records import BlockFacts, Floats

LEAST_UNIFORMITY_PCT = 50.0
"""A block less uniform than this has a finding of its own; its demand is computed with this."""


@dataclass(frozen=True)
class BlockSeason:
    """A block with what its crop needs in the design year, day by day, and in all.

    `delay_days` is how much later than the farm's first day it is sown, where sowing is staggered.
    """

    facts: BlockFacts
    demand: CropDemand
    need: BlockDemand
    delay_days: int = 0

    @property
    def regular_net_mm(self) -> Floats:
        """Net irrigation of each day but for germination's. [mm]"""
        return np.asarray(self.demand.net_mm - self.demand.dose_net_mm)

    @property
    def gross_factor(self) -> float:
        """Gross over net of the block's regular irrigations."""
        net = float(self.regular_net_mm.sum())
        return (self.need.gross_mm - (self.need.germination_mm or 0.0)) / net if net > 1e-9 else 1.0
