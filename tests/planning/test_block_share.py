"""Where a submain crosses its rows: against brute force over all places, each lateral solved in full."""

import numpy as np
import pytest
import shapely
from scipy.optimize import brentq

from farmgis.hydraulics.lateral import solve_lateral
from farmgis.planning.block_search import submain_pipes
from farmgis.planning.layout import lay_out
from farmgis.planning.survey import survey
from farmgis.records import Design, Dripline, Tolerance
from farmgis.tables import reader

LINE = Dripline("22 mm", 22.2, 0.4, 1.0, greatest_head_m=40.0)


def spread_m(up, down, grade):
    """Range of emitter heads of a pair of some emitters uphill and downhill, the mean of all at 10 m."""

    def heads(inlet_m):
        sides = [(up, grade), (down, -grade)]
        return np.concatenate(
            [solve_lateral(LINE, g * 0.4 * np.arange(n + 1), inlet_m).head_m[1:] for n, g in sides if n]
        )

    inlet = brentq(lambda h: heads(h).mean() - 10.0, 5.0, 40.0, xtol=1e-4)
    found = heads(inlet)
    return float(found.max() - found.min())


@pytest.fixture(scope="module")
def placed(square_field, tilted):
    """Lays one block of laterals that run straight up a slope; returns (emitters uphill, downhill)."""

    def make(grade_pct, width_m, **design):
        land = shapely.box(-width_m / 2.0, -25.0, width_m / 2.0, 25.0)
        rules = {"row_azimuth_deg": 90.0, "headland_m": 0.0, "lateral_max_m": 600.0, "block_min_ha": 0.1}
        tolerance = Tolerance("head_variation_pct", 90.0)
        field = square_field(area=land, line=LINE, design=Design(tolerance=tolerance, **(rules | design)))
        layout = lay_out(field, survey(field, tilted(grade_pct, 90.0)), submain_pipes(reader.pipes()))
        (block,) = layout.blocks
        laterals = block.drawn.laterals
        inlet, end = laterals.ends_m()
        east = end[:, 0] > inlet[:, 0]  # uphill
        assert block.within_tolerance
        return tuple(int(np.median(laterals.emitters[side])) if side.any() else 0 for side in (east, ~east))

    return make


@pytest.mark.parametrize("grade_pct", [0.0, 0.5, 1.0, 1.5])
def test_a_pair_is_as_even_as_any_other_place_makes_it(placed, grade_pct):
    up, down = placed(grade_pct, 500.0)
    total = up + down
    assert total == pytest.approx(1249, abs=1)
    grade = grade_pct / 100.0
    least = min(spread_m(n, total - n, grade) for n in range(0, total + 1, total // 64))
    assert spread_m(up, down, grade) <= 1.05 * least + 0.02


@pytest.mark.parametrize(("grade_pct", "uphill_pct"), [(0.0, 50.0), (0.5, 36.0), (1.0, 26.0)])
def test_lowest_heads_of_a_pair_agree_where_they_can(placed, grade_pct, uphill_pct):
    """The shares at which a pair of 500 m fed at 10 m has like minima, to a step of 1/32 of the width."""
    up, down = placed(grade_pct, 500.0)
    assert 100.0 * up / (up + down) == pytest.approx(uphill_pct, abs=100.0 / 32.0)


def test_a_short_uphill_side_is_left_out(placed):
    """Where the uphill side of the pair would be under the least length: one side, fed from the top."""
    up = placed(0.7, 300.0, lateral_min_m=5.0)[0]
    assert 30.0 < 0.4 * up < 90.0
    up, down = placed(0.7, 300.0, lateral_min_m=90.0)
    assert (up, down) == (0, pytest.approx(750, abs=1))
