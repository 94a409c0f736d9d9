"""How moist the seed bed is at sowing: bare ground that dried in the weather before it (FAO-56 chapter 7)."""

from __future__ import annotations

import numpy as np

from farmgis.agronomy.dual_coefficient import EvaporationLayer, dual_balance, total_evaporable_mm
from farmgis.records import Floats, Soil

BARE_KC = 1.2
"""Greatest coefficient of wet bare ground, of the grass reference (Kc max without a crop, FAO-56 eq 72)."""

READILY_ASSUMED_MM = 8.0
"""What leaves the top layer freely, where it is not known (least of loams and clays, FAO-56 table 19)."""


def seed_bed_moisture(et0_mm: Floats, rain_mm: Floats, soil: Soil) -> float:
    """Share of its evaporable water that the top 0.10 m still holds after those days; it starts full.

    >>> from farmgis.records import Soil
    >>> loam, day = Soil("loam", 0.25, 0.12, "FAO-56 table 19"), np.ones(30)
    >>> round(seed_bed_moisture(4.0 * day, 0.0 * day, loam), 2)
    0.0
    >>> seed_bed_moisture(2.0 * day, 9.0 * day, loam) > 0.8
    True
    """
    total = float(total_evaporable_mm(soil.field_capacity, soil.wilting_point))
    readily = min(
        READILY_ASSUMED_MM if soil.readily_evaporable_mm is None else soil.readily_evaporable_mm, total
    )
    none = np.zeros_like(et0_mm)
    dried = dual_balance(
        et0_mm,
        rain_mm,
        none,
        none,
        none + BARE_KC,
        none,
        none + 1000.0,
        0.5,
        EvaporationLayer(total, readily),
    )
    return 1.0 - float(dried.layer_mm[-1]) / total
