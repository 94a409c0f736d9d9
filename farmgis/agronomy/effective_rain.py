"""Rain that a crop can use, from a month's rain. Daily rain goes through the soil water balance instead."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from farmgis.records import Floats


def monthly_scs_mm(rain_mm: ArrayLike) -> Floats:
    """Effective rain of a month, USDA Soil Conservation Service in FAO's monthly form. [mm/month]

    >>> float(monthly_scs_mm(100.0))
    84.0
    """
    rain = np.asarray(rain_mm, dtype=np.float64)
    return np.where(rain <= 250.0, rain * (125.0 - 0.2 * rain) / 125.0, 125.0 + 0.1 * rain)


def monthly_dependable_mm(rain_mm: ArrayLike) -> Floats:
    """Effective rain of a month by FAO's dependable rain, none under about 17 mm. [mm/month]"""
    rain = np.asarray(rain_mm, dtype=np.float64)
    return np.maximum(np.where(rain <= 70.0, 0.6 * rain - 10.0, 0.8 * rain - 24.0), 0.0)


def monthly_scs_with_storage_mm(rain_mm: ArrayLike, crop_et_mm: ArrayLike, storage_mm: ArrayLike) -> Floats:
    """Effective rain of a month from rain, crop ET and usable storage (NEH 623 chapter 2). [mm/month]

    The source's equation is in inches. Storage is held to 7 inches, past which its polynomial runs away;
    the result exceeds neither the rain nor the crop ET.
    """
    inch = 25.4
    rain, et = np.asarray(rain_mm, dtype=np.float64) / inch, np.asarray(crop_et_mm, dtype=np.float64) / inch
    d = np.clip(np.asarray(storage_mm, dtype=np.float64) / inch, 0.0, 7.0)
    factor = 0.531747 + 0.295164 * d - 0.057697 * d**2 + 0.003804 * d**3
    used = factor * (0.70917 * rain**0.82416 - 0.11556) * 10.0 ** (0.02426 * et)
    return np.asarray(np.clip(used, 0.0, np.minimum(rain, et)) * inch)
