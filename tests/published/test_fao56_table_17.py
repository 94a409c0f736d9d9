"""Basal coefficients of FAO-56 table 17 (p 137, text seen); where a tabled Kc end is left alone (eq 65)."""

import pytest

from farmgis.agronomy.crop_coefficient import kc_end_adjusted
from farmgis.tables import reader

# crop, Kcb ini, then mid and end as printed: a number, or a range
PRINTED = {
    "maize": (0.15, (1.15, 1.15), (0.15, 0.50)),
    "sweet maize": (0.15, (1.10, 1.10), (1.00, 1.00)),
    "cotton": (0.15, (1.10, 1.15), (0.40, 0.50)),
    "tomato": (0.15, (1.10, 1.10), (0.60, 0.80)),
    "sugar beet": (0.15, (1.15, 1.15), (0.50, 0.50)),
    "soybean": (0.15, (1.10, 1.10), (0.30, 0.30)),
    "potato": (0.15, (1.10, 1.10), (0.65, 0.65)),
    "onion": (0.15, (0.95, 0.95), (0.65, 0.65)),
    "sunflower": (0.15, (0.95, 1.10), (0.25, 0.25)),
    "spring wheat": (0.15, (1.10, 1.10), (0.15, 0.30)),
}


def test_basal_coefficients_fao56_table_17():
    assert {row["crop"] for row in reader.rows("basal_coefficients")} == set(PRINTED)
    for name, (initial, mid, end) in PRINTED.items():
        basal = reader.crop(name).basal
        assert basal[0] == initial
        for value, (least, most) in zip(basal[1:], (mid, end), strict=True):
            assert least - 1e-9 <= value <= most + 1e-9, name
        # a crop transpires no more than it takes in all (table 12)
        assert basal[1] <= reader.crop(name).kc_mid


@pytest.mark.parametrize("tabled", [0.35, 0.45])
def test_kc_end_up_to_0_45_stays_as_tabled_fao56_equation_65(tabled):
    assert kc_end_adjusted(tabled, 4.6, 30.0, 2.0) == tabled


def test_kc_end_over_0_45_is_adjusted_fao56_equation_65():
    # 0.60 + (0.04 (4.6 - 2) - 0.004 (30 - 45)) (2 / 3)^0.3, by hand: 0.60 + 0.164 x 0.88547
    assert kc_end_adjusted(0.60, 4.6, 30.0, 2.0) == pytest.approx(0.74522, abs=1e-4)
