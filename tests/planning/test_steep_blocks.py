"""Steep planes under compensating line: what the search finds in the line's range is in it when laid."""

import pytest
import shapely

from farmgis.planning.block_search import RESERVE_M, submain_pipes
from farmgis.planning.layout import lay_out
from farmgis.planning.survey import survey
from farmgis.records import Design, Dripline
from farmgis.tables import reader

STEEP = Dripline("compensating", 22.2, 0.4, 1.0, exponent=0.0, least_head_m=4.0, greatest_head_m=22.0)


@pytest.mark.parametrize(
    ("slope_pct", "width_m", "depth_m"),
    [(7.0, 250, 280), (10.0, 300, 200), (10.0, 200, 400), (12.0, 250, 280), (14.0, 200, 400)],
)
def test_submains_that_spend_their_fall_keep_the_line_in_its_range(
    square_field, tilted, slope_pct, width_m, depth_m
):
    """Rows on the contour, submains down the slope: smaller blocks always keep the range."""
    land = shapely.box(-width_m / 2.0, -depth_m / 2.0, width_m / 2.0, depth_m / 2.0)
    field = square_field(area=land, line=STEEP, design=Design(row_azimuth_deg=90.0))
    found = survey(field, tilted(slope_pct, 0.0))
    layout = lay_out(field, found, submain_pipes(reader.pipes()))
    assert layout.over_tolerance_ha == 0.0
    for block in layout.blocks:
        assert block.heads.head_min_m >= 4.0 + RESERVE_M - 1e-6
        assert max(block.heads.line_head_max_m, block.heads.rest_head_m) <= 22.0 + 1e-6
