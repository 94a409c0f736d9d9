"""What is dissolved and what is taken up, against published figures."""

import pytest

from farmgis.tables import reader

LB_BU_KG_T = 17.857  # of maize: a bushel of 56 lb


@pytest.mark.parametrize(
    ("product", "g_l"),
    [
        ("monoammonium phosphate", (250, 295)), ("monopotassium phosphate", (110, 180)),
        ("potassium chloride", (229, 238)), ("potassium sulphate", (80, 90)), ("urea", (780, 850)),
        ("ammonium sulphate", (710, 730)), ("ammonium nitrate", (1183, 1510)),
        ("calcium nitrate", (1020, 1130)), ("potassium nitrate", (133, 170)),
    ],
)  # fmt: skip
def test_solubility_in_cold_water(product, g_l):
    # seen at second hand, in grams in a litre of water at 5 and 10 degrees C; good to 15 %
    assert 0.85 * g_l[0] <= reader.fertiliser(product).solubility_g_l <= 1.15 * g_l[1]


def test_whole_plant_takes_more_than_the_grain_carries_off():
    # an extension page (text seen): maize grain removes 0.90 lb N, 0.37 P2O5, 0.27 K2O a bushel
    removed = [LB_BU_KG_T * lb for lb in (0.90, 0.37, 0.27)]
    assert removed == pytest.approx([16.1, 6.6, 4.8], abs=0.05)
    for whole, grain in zip(reader.nutrient_uptake()["maize"], removed, strict=True):
        assert grain < whole < 4.0 * grain


def test_peak_of_corn_by_an_extension_service():
    # Michigan State University Extension (text seen): ETo 0.19 in/d x Kc 1.2 = 0.23 in/d
    assert 0.19 * reader.crop("maize").kc_mid == pytest.approx(0.23, abs=0.005)
