"""Steep planes under compensating line: what the search finds in the line's range is in it when laid."""

import numpy as np
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


def test_few_blocks_that_fail_are_cut_again_not_the_whole_field(square_field, ground):
    """A block that is too long by little costs a block more, not shorter laterals all over the field.

    By hand: 420 m that fall 5 % are 21 m. With half of a tolerance of 2 m left to the laterals, each metre
    of fall is a block: 21 in each of the two strips that rows of 600 m make. The plan has no more.
    """
    hill = ground(
        lambda x, y: (
            300.0 + 0.01 * x + 0.049 * y + 1.5 * np.sin((x + 300.0) / 90.0) * np.cos((y + 210.0) / 70.0)
        ),
        half_m=420.0,
    )
    field = square_field(area=shapely.box(-300.0, -210.0, 300.0, 210.0), design=Design(row_azimuth_deg=98.0))
    layout = lay_out(field, survey(field, hill), submain_pipes(reader.pipes()))
    assert layout.over_tolerance_ha == 0.0
    assert len(layout.blocks) <= 42
    rows = layout.plans[0].laterals  # no line is lost, and none is watered twice
    watered_m2 = sum(b.choice.strip.area_m2(1.5, b.choice.first, b.choice.last) for b in layout.blocks)
    assert watered_m2 + 1e4 * layout.left_out_ha == pytest.approx(rows.length_m * 1.5)
