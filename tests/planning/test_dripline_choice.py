"""The comparison of a field's driplines: what is laid, what the others would take, and the break-even."""

from dataclasses import replace

import pytest

from farmgis.planning.block_search import TRENCH_INDEX, VALVE_INDEX, submain_pipes
from farmgis.planning.dripline_choice import line_choices
from farmgis.planning.layout import LATERAL_INDEX, lay_out
from farmgis.planning.survey import survey
from farmgis.records import Design, Dripline
from farmgis.tables import reader

PLAIN = Dripline("plain", 22.2, 0.4, 1.0)
HEAVY = Dripline(
    "compensating", 22.2, 0.4, 1.0, exponent=0.0, least_head_m=4.0, greatest_head_m=30.0
)  # fmt: skip
PIPES = submain_pipes(reader.pipes())


@pytest.fixture(scope="module")
def compared(square_field, tilted):
    """Lays a field on a slope; returns (layout, its rows of the comparison)."""

    def make(slope_pct, *lines, **more):
        field = replace(
            square_field(5.0, design=Design(row_azimuth_deg=0.0, lateral_max_m=120.0)), driplines=lines
        )
        found = survey(field, tilted(slope_pct, 0.0))
        layout = lay_out(field, found, PIPES)
        return layout, line_choices(field, found, layout, PIPES, **more)

    return make


def test_every_listed_line_has_a_row_and_one_is_chosen(compared):
    layout, rows = compared(0.5, PLAIN, HEAVY)
    assert [r.dripline for r in rows] == ["plain", "compensating"]
    assert [r.chosen for r in rows] == [True, False]
    assert rows[0].blocks == len(layout.blocks)
    assert rows[0].uniformity_pct == min(b.heads.emission_uniformity_pct for b in layout.blocks)
    assert rows[1].uniformity_pct == pytest.approx(100.0 * (1.0 - 1.27 * 0.03))  # the same flow everywhere
    assert rows[1].bears_m == 30.0


def test_a_line_that_the_slope_rules_out_says_how_much_land(compared):
    """Rows straight up 6 %: a lateral's own fall is over the tolerance, whatever feeds it."""
    layout, rows = compared(6.0, PLAIN, HEAVY)
    assert layout.dripline == HEAVY
    assert not rows[0].within_tolerance
    assert rows[0].over_tolerance_ha > 1.0
    assert "out of tolerance" in rows[0].why
    assert rows[1].chosen


def test_like_lines_break_even_at_no_difference(compared):
    """The same line under another name is worth not a bit more."""
    _, rows = compared(0.5, PLAIN, replace(PLAIN, name="the same"), price_kg=2.0)
    assert rows[1].break_even_index_m == 0.0
    assert rows[1].break_even_m == 0.0


def test_break_even_is_the_difference_by_the_metre_and_in_money(compared):
    """What pipe, trench and valves of the one cost more, over its metres of line; money by the kilogram."""
    layout, rows = compared(0.5, PLAIN, HEAVY, price_kg=2.0)
    other = rows[1]
    metres = sum(b.area.area for b in layout.blocks) / 1.5
    assert other.break_even_m == pytest.approx(2.0 * other.break_even_index_m)
    assert abs(other.break_even_index_m) < (rows[0].cost_index + other.cost_index) / metres
    valves = VALVE_INDEX * other.blocks
    assert other.cost_index > valves + TRENCH_INDEX * 100.0 + LATERAL_INDEX
