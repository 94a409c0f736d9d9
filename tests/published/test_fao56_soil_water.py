"""FAO-56 chapter 8, examples 36 to 38 (text seen)."""

import numpy as np
import pytest

from farmgis.agronomy import soil_water


@pytest.mark.parametrize(
    ("root_m", "fraction", "printed"),
    [
        (0.4, 0.30, [(36, 11), (68, 20), (48, 14)]),
        (0.8, 0.40, [(72, 29), (136, 54), (96, 38)]),
        (1.2, 0.55, [(108, 59), (204, 112), (144, 79)]),
    ],
)
def test_available_water_fao56_example_36(root_m, fraction, printed):
    # page 166: onion, tomato, maize on loamy sand, silt, silty clay of 90, 170, 120 mm/m
    for per_metre, (total, readily) in zip((0.09, 0.17, 0.12), printed, strict=True):
        held = soil_water.total_available_mm(0.1 + per_metre, 0.1, root_m)
        assert float(held) == pytest.approx(total, abs=0.6)
        assert float(soil_water.readily_available_mm(held, fraction)) == pytest.approx(readily, abs=0.6)


def test_depletion_fraction_fao56_table_22_note_2():
    assert soil_water.depletion_fraction(0.55, [7.0, 3.0]) == pytest.approx([0.47, 0.63])
    assert soil_water.depletion_fraction(0.3, [15.0, -20.0]) == pytest.approx([0.1, 0.8])


def test_stress_fao56_example_37():
    # page 168: tomato without water for ten days
    dry = np.zeros(10)
    zone = soil_water.root_zone_balance(
        np.full(10, 6.0), dry, dry, np.full(10, 160.0), np.full(10, 64.0), start_depletion_mm=55.0
    )
    assert zone.stress == pytest.approx([1, 1, 0.97, 0.91, 0.85, 0.80, 0.75, 0.70, 0.66, 0.62], abs=0.006)
    assert zone.et_mm == pytest.approx([6, 6, 5.8, 5.4, 5.1, 4.8, 4.5, 4.2, 3.9, 3.7], abs=0.06)
    printed = [61, 67, 72.8, 78.3, 83.4, 88.2, 92.6, 96.9, 100.8, 104.5]
    assert zone.depletion_mm == pytest.approx(printed, abs=0.06)


def test_depletion_fao56_example_38():
    # pages 172-173: the printed ETc fed in; the rain of day 6 and its ET as printed; 1 mm as they are rounded
    et_crop = np.array([5.5, 6.1, 4.0, 2.9, 2.5, 2.7, 4.7, 2.8, 2.2, 6.3])
    irrigation = np.array([40.0, 0, 0, 0, 0, 0, 0, 0, 0, 27.0])
    rain = np.array([0, 0, 0, 0, 0, 6.0, 0, 0, 0, 0])
    total = 130.0 * np.linspace(0.30, 0.35, 10)
    zone = soil_water.root_zone_balance(
        et_crop, rain, irrigation, total, 0.6 * total, start_depletion_mm=23.0
    )
    assert zone.depletion_mm == pytest.approx([5, 12, 16, 18, 21, 18, 22, 25, 27, 6], abs=1.0)
    assert zone.deep_percolation_mm[0] == pytest.approx(17.0, abs=0.5)
    assert zone.deep_percolation_mm[1:9].max() == 0.0
    assert 0.6 * total == pytest.approx([23, 24, 24, 25, 25, 26, 26, 26, 27, 27], abs=0.6)
