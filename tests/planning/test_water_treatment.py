"""Amounts of chlorine and acid against published tables; no amount without an analysis."""

import pytest

from farmgis.planning.water_treatment import ACIDS, acid_ml_m3, chlorine_l_h, neutralised_share, treatments
from farmgis.records import Season, Shift, Source, WaterQuality

GAL_L, GPM_M3H = 3.785412, 0.2271247


@pytest.mark.parametrize(
    ("strength_pct", "mg_l", "gpm", "gal_h"),
    [(5.25, 1, 100, 0.114), (5.25, 1, 200, 0.229), (5.25, 1, 300, 0.343), (5.25, 1, 500, 0.571),
     (5.25, 10, 300, 3.429), (5.25, 50, 500, 28.57), (10.0, 1, 100, 0.060), (10.0, 50, 500, 15.0)],
)  # fmt: skip
def test_chlorine_injection_table(strength_pct, mg_l, gpm, gal_h):
    # the table of gal/h = 0.006 Q C / S (text seen); its factor is rounded: 0.006 stands for 0.0060000
    assert chlorine_l_h(gpm * GPM_M3H, mg_l, strength_pct) / GAL_L == pytest.approx(gal_h, rel=0.005)


def test_acid_extension_figures():
    # a fluid ounce in 100 gallons neutralises 136 mg/l of CaCO3 with sulphuric acid of 93 % (at second hand)
    per_gallons = 29.57353 / (100.0 * GAL_L) * 1000.0  # ml/m3
    assert acid_ml_m3(136.0, ACIDS["sulphuric"]) == pytest.approx(per_gallons, rel=0.01)
    assert acid_ml_m3(45.0, ACIDS["phosphoric"]) == pytest.approx(per_gallons, rel=0.05)


def test_neutralised_share_is_half_at_the_first_constant():
    assert neutralised_share(6.35) == pytest.approx(0.5)
    assert neutralised_share(4.3) > 0.99
    assert neutralised_share(8.3) < 0.02


def treated(travel=None, **water):
    travel = travel or {}
    source = Source("river", 0.0, 0.0, None, 500.0, water=WaterQuality(**water) if water else None)
    shifts = [Shift("river", n, (f"B{n}",), flow) for n, flow in ((1, 400.0), (2, 600.0))]
    return treatments([source], shifts, Season(), travel).get("river")


def test_without_an_analysis_no_amount_is_given():
    assert treated() is None
    little = treated(ph=7.2)
    assert (little.chlorine_l, little.acid_l) == (None, None)
    assert "test first" in little.acid_note


def test_amounts_by_hand():
    # 10 mg/l in 400 and in 500 m3/h (the source gives no more) with hypochlorite of 10 %: 40 and 50 l/h
    made = treated(ph=8.0, iron_mg_l=0.5, alkalinity_mg_l=200.0)
    assert made.chlorine_l == pytest.approx(90.0)
    assert "river-Z01 40.0 l/h for its last 60 min, river-Z02 50.0 l/h" in made.chlorine_note
    assert "upstream of the filter" in made.chlorine_note
    # 200 mg/l are 3.997 eq/m3; of them 41 % to pH 6.5; 49.04 g over 0.93 x 1.835 g/ml: 47.6 ml/m3, in 900 m3
    assert made.acid_l == pytest.approx(0.9 * 3.9968 * 0.41450 * 49.04 / 1.70655, rel=1e-3)
    assert "titrate before" in made.acid_note
    assert "may leave lime" in made.acid_note


def test_it_lasts_until_it_is_at_the_last_emitter():
    # 96 min to the last emitter of the second zone: 40 l in an hour, and 50 l/h for 1.6 h
    made = treated({"B1": 20.0, "B2": 96.0}, iron_mg_l=0.5, titration_ml_m3=60.0)
    assert made.chlorine_l == pytest.approx(40.0 + 80.0)
    assert "river-Z02 50.0 l/h for its last 96 min" in made.chlorine_note
    assert made.acid_l == pytest.approx(0.06 * (400.0 + 500.0 * 1.6))


def test_a_titration_goes_before_the_alkalinity():
    made = treated(ph=7.0, alkalinity_mg_l=200.0, titration_ml_m3=60.0)
    assert made.acid_l == pytest.approx(54.0)
    assert "by the titration" in made.acid_note
