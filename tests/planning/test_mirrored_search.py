"""Mirrored ground costs the same in every search: what is judged first decides nothing."""

from dataclasses import replace

import pytest
import shapely

from farmgis.planning.block_search import COARSE, FINE, GLANCE, submain_pipes
from farmgis.planning.layout import blocks_of, rules_for
from farmgis.planning.rows import row_plan
from farmgis.planning.survey import survey
from farmgis.records import Design, Dripline
from farmgis.tables import reader

PLAIN = Dripline("plain", 22.2, 0.4, 1.0)
STEEP = Dripline("compensating", 22.2, 0.4, 1.0, exponent=0.0, least_head_m=4.0, greatest_head_m=22.0)


@pytest.mark.parametrize("detail", [GLANCE, COARSE, FINE], ids=["glance", "coarse", "fine"])
@pytest.mark.parametrize(("line", "slope_pct"), [(PLAIN, 0.6), (STEEP, 1.5), (STEEP, 4.0)])
def test_ground_that_rises_to_the_other_side_costs_the_same(square_field, tilted, detail, line, slope_pct):
    """Rows run on the contour; the submain's valve stands at its upper or its lower end, as is cheaper."""
    field = square_field(area=shapely.box(-150, -120, 150, 120), line=line, design=Design(row_azimuth_deg=90))
    cost = []
    for uphill_deg in (0.0, 180.0):
        found = survey(field, tilted(slope_pct, uphill_deg))
        rules = replace(rules_for(field.design, line, submain_pipes(reader.pipes())), detail=detail)
        blocks = blocks_of(row_plan(field, 90.0), found, rules)
        assert all(b.excess <= 0.0 for b in blocks)
        cost.append(sum(b.cost for b in blocks))
    assert cost[0] == pytest.approx(cost[1], rel=0.02)
