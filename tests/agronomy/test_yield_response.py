"""Yield and water: FAO-56 table 24 (text seen), the laws of the product of stages, and hand-made seasons."""

import numpy as np
import pytest

from farmgis.agronomy.yield_response import stage_of_day, stage_sums, yield_left
from farmgis.tables import reader


def test_season_responses_fao56_table_24():
    # page 181, text seen; citrus is printed 1.1-1.3
    printed = {
        "alfalfa": 1.1, "dry bean": 1.15, "cotton": 0.85, "maize": 1.25, "onion": 1.1, "sweet pepper": 1.1,
        "potato": 1.1, "sorghum": 0.9, "soybean": 0.85, "spring wheat": 1.15, "sugar beet": 1.0,
        "sunflower": 0.95, "tomato": 1.05, "watermelon": 1.1, "winter wheat": 1.05,
    }  # fmt: skip
    for name, factor in printed.items():
        assert reader.crop(name).season_response == factor
    assert 1.1 <= reader.crop("citrus").season_response <= 1.3
    assert {row["crop"] for row in reader.rows("yield_response")} == {*printed, "citrus"}
    assert reader.crop("hazelnut").season_response is None


def test_stage_responses_of_maize():
    # FAO-33, seen at second hand: vegetative 0.40, flowering 1.50, yield formation 0.50
    assert reader.crop("maize").stage_responses == (0.40, 0.40, 1.50, 0.50)


def test_flowering_and_filling_answer_most():
    # FAO-56 p 176: small while vegetative and ripening, large in flowering and yield formation
    for row in reader.rows("yield_response"):
        responses = reader.crop(row["crop"]).stage_responses
        if responses is not None and row["crop"] != "potato":
            assert responses[2] == max(responses)


def test_stages_of_days():
    stage = stage_of_day(10, np.array([[2.0, 3.0], [3.0, 3.0], [2.0, 2.0], [3.0, 2.0]]))
    assert stage[:, 0].tolist() == [0, 0, 1, 1, 1, 2, 2, 3, 3, 3]
    assert stage[:, 1].tolist() == [0, 0, 0, 1, 1, 1, 2, 2, 3, 3]


def test_yield_by_hand():
    full = np.array([10.0, 10.0, 40.0, 40.0, 20.0])
    stage = np.array([0, 1, 2, 2, 3])
    taken = np.array([10.0, 5.0, 40.0, 32.0, 10.0])
    lacking, whole = stage_sums(full - taken, stage), stage_sums(full, stage)
    assert lacking == pytest.approx([0.0, 5.0, 8.0, 10.0])
    # maize: (1 - 0.4 x 0.5) (1 - 1.5 x 0.1) (1 - 0.5 x 0.5) = 0.8 x 0.85 x 0.75
    assert yield_left(lacking, whole, (0.4, 0.4, 1.5, 0.5), 1.25) == pytest.approx(0.51)
    # the season alone, FAO-56 eq 90: 97 of 120 mm, 1 - 1.25 x 23 / 120
    assert yield_left(lacking, whole, None, 1.25) == pytest.approx(1.0 - 1.25 * 23.0 / 120.0)
    assert yield_left(lacking, whole, None, None) is None
    assert yield_left(whole, whole, (0.4, 0.4, 1.5, 0.5), None) == 0.0
