"""Corn at Greeley, Colorado, 2022: a season of the USDA-ARS research farm (pyfao56 1.4.3, CC0, text seen).

Run 2022-129 to 2022-299 (171 days). Reference ET is that of the tall crop, as in the file; Kc 0.24, 0.97,
0.55, stages 30/40/50/50. The file's own totals: reference ET 1090.290 mm, ETcm 736.092 mm, rain 114.8 mm.
"""

import numpy as np
import pytest

from farmgis.agronomy import dual_coefficient, soil_water
from farmgis.agronomy.crop_coefficient import kc_curve

REFERENCE_ET_TEXT = """
    8.83 7.42 8.09 9.35 8.79 8.12 7.04 8.16 7.25 9.24 6.64 9.80 1.93 4.61 5.85 5.48 3.25 8.13 7.45 8.41
    6.20 7.07 6.32 3.97 3.52 5.53 6.06 7.42 7.35 7.65 7.61 8.42 7.66 7.10 9.86 10.75 11.97 9.86 10.25 13.13
    9.88 8.30 9.73 9.86 10.03 5.61 6.20 7.88 6.76 5.09 8.44 7.84 8.57 6.85 7.74 6.77 7.99 8.11 8.03 6.09
    5.72 8.70 8.13 9.52 7.94 8.54 8.26 7.34 8.68 6.99 8.39 8.09 7.23 8.14 7.55 9.01 8.49 5.55 7.60 7.81
    7.51 2.78 5.52 6.30 6.10 6.56 6.51 6.17 7.17 8.17 7.63 6.28 7.19 7.40 8.42 7.48 8.48 7.85 6.37 4.56
    3.67 5.40 7.12 6.76 5.93 5.79 6.53 5.58 6.31 6.10 5.49 6.30 6.75 5.61 5.91 6.10 6.14 7.76 6.85 6.32
    6.52 6.10 6.52 7.05 2.65 1.08 3.83 5.25 7.08 4.31 4.35 4.73 6.84 6.01 6.10 7.13 2.98 1.43 4.68 4.91
    3.58 4.79 3.88 5.17 5.08 3.03 3.04 3.36 2.83 3.32 4.37 1.82 2.45 3.02 3.84 4.74 3.53 5.19 5.63 3.77
    2.43 2.44 3.35 6.38 4.70 3.84 4.34 5.35 4.06 2.83 2.72
"""
REFERENCE_ET = np.array(REFERENCE_ET_TEXT.split(), dtype=float)
RAIN = {
    141: 1.52, 144: 1.52, 150: 1.27, 151: 0.25, 152: 19.56, 153: 1.02, 158: 2.29, 159: 0.25, 161: 0.25,
    168: 2.29, 169: 0.76, 177: 2.29, 178: 0.25, 181: 0.51, 182: 0.76, 183: 7.62, 189: 2.29, 196: 0.25,
    200: 2.29, 205: 3.30, 209: 0.51, 210: 13.72, 218: 1.27, 220: 0.51, 226: 10.67, 228: 2.03, 233: 1.52,
    246: 1.52, 252: 0.25, 253: 1.78, 254: 3.56, 259: 0.51, 261: 0.25, 265: 8.64, 266: 0.76, 273: 10.67,
    274: 4.57, 285: 0.25, 296: 0.76, 298: 0.51,
}  # fmt: skip
IRRIGATION = {
    165: 25.4, 172: 25.4, 179: 27.7, 182: 15, 187: 16.4, 190: 17, 193: 33, 196: 19, 200: 28, 203: 23, 207: 26,
    214: 26.3, 217: 18, 221: 26, 224: 20, 228: 11.3, 231: 18, 235: 23, 238: 18, 242: 22, 245: 16, 252: 33,
    263: 25.4,
}  # fmt: skip
STAGES = (30, 40, 50, 50)


def on_days(events):
    return np.array([float(events.get(day, 0.0)) for day in range(129, 300)])


def test_reference_et_and_rain_sums_lirf_2022():
    # guards what was typed: totals of the source
    assert REFERENCE_ET.size == 171
    assert REFERENCE_ET.sum() == pytest.approx(1090.290, abs=0.005)
    assert on_days(RAIN).sum() == pytest.approx(114.8, abs=0.1)
    assert on_days(IRRIGATION).sum() == pytest.approx(512.9, abs=0.05)


def test_crop_et_lirf_2022_with_the_day_counted_from_0():
    days = np.arange(171.0)
    assert (kc_curve(days, STAGES, 0.24, 0.97, 0.55) * REFERENCE_ET).sum() == pytest.approx(736.092, abs=0.01)


def test_crop_et_lirf_2022_by_day_convention():
    # 5 mm: the convention moves the season by that little; ours is FAO's, 1 on the day of sowing
    days = np.arange(1.0, 172.0)
    assert (kc_curve(days, STAGES, 0.24, 0.97, 0.55) * REFERENCE_ET).sum() == pytest.approx(736.092, abs=5.0)


def test_root_zone_closes_lirf_2022():
    # law, on real weather and irrigation: what comes in is taken, drained, or stored, to 0.01 mm
    days = np.arange(1.0, 172.0)
    et_crop = kc_curve(days, STAGES, 0.24, 0.97, 0.55) * REFERENCE_ET
    depth = soil_water.root_depth_m(days, STAGES, 0.20, 1.05)
    total = soil_water.total_available_mm(0.207, 0.1035, depth)
    readily = soil_water.readily_available_mm(total, soil_water.depletion_fraction(0.5, et_crop))
    zone = soil_water.root_zone_balance(et_crop, on_days(RAIN), on_days(IRRIGATION), total, readily)
    left = zone.et_mm.sum() + zone.deep_percolation_mm.sum() - on_days(RAIN).sum() - zone.irrigation_mm.sum()
    assert zone.depletion_mm[-1] == pytest.approx(left, abs=0.01)
    # the source's run with the dual coefficient takes 723.7 mm; the single one no more than 740
    assert 600.0 < zone.et_mm.sum() < 740.4


def test_dual_coefficient_lirf_2022():
    # the source's default run, text seen; its conventions: day counted from 0, each day's ET before its water
    # drains, a fixed share of 0.5, Kcmax of the tall reference, roots and height by Kcb, topsoil dry at first
    days = np.arange(171.0)
    kcb = kc_curve(days, STAGES, 0.15, 0.96, 0.50)
    grown = np.maximum.accumulate((kcb - 0.15) / (0.96 - 0.15))
    top = np.maximum(1.0, kcb + 0.05)
    cover = dual_coefficient.canopy_cover(kcb, top, 0.05 + 1.95 * grown, kc_min=0.15)
    total = soil_water.total_available_mm(0.207, 0.1035, 0.20 + 0.85 * grown)
    evaporable = float(dual_coefficient.total_evaporable_mm(0.207, 0.1035, 0.0773))
    layer = dual_coefficient.EvaporationLayer(evaporable, 8.0, start_depletion_mm=evaporable)
    run = dual_coefficient.dual_balance(
        REFERENCE_ET, on_days(RAIN), on_days(IRRIGATION), kcb, top, cover, total, 0.5, layer,
        early=False, adjust_fraction=False,
    )  # fmt: skip
    full = (kcb + run.ke) * REFERENCE_ET
    assert (kcb * REFERENCE_ET).sum() == pytest.approx(690.570, abs=0.01)
    assert full.sum() == pytest.approx(801.699, abs=0.01)
    assert run.et_mm.sum() == pytest.approx(723.695, abs=0.01)
    assert run.evaporation_mm.sum() == pytest.approx(111.128, abs=0.01)
    assert run.transpiration_mm.sum() == pytest.approx(612.567, abs=0.01)
    assert run.deep_percolation_mm.sum() == pytest.approx(0.582, abs=0.002)
    assert run.depletion_mm[-1] == pytest.approx(96.577, abs=0.01)
