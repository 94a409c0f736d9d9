"""The direction that a plan chooses, judged by what it costs."""

import numpy as np
import pytest
import shapely

from farmgis.planning.block_search import submain_pipes
from farmgis.planning.findings import layout_findings
from farmgis.planning.layout import lay_out
from farmgis.planning.survey import survey
from farmgis.records import Design
from farmgis.tables import reader


def apart_deg(a, b):
    return abs((a - b + 90.0) % 180.0 - 90.0)


@pytest.fixture(scope="module")
def laid():
    """Lays a field out on a window of ground; returns (survey, layout)."""

    def make(field, window):
        found = survey(field, window)
        return found, lay_out(field, found, submain_pipes(reader.pipes()))

    return make


@pytest.mark.parametrize("uphill_deg", [0.0, 25.0, 90.0, 140.0])
def test_rows_on_a_steep_plane_follow_the_contour_or_cost_less(square_field, tilted, laid, uphill_deg):
    found, layout = laid(square_field(6.0), tilted(3.0, uphill_deg))
    by_azimuth = {c.azimuth_deg: c for c in layout.candidates}
    chosen = by_azimuth[layout.azimuth_deg]
    contour = min(layout.candidates, key=lambda c: apart_deg(c.azimuth_deg, uphill_deg + 90.0))
    assert apart_deg(contour.azimuth_deg, found.contour.azimuth_deg) < 1e-6
    assert chosen is contour or chosen.cost_index < contour.cost_index
    for block in layout.blocks:
        inlet, end = block.drawn.laterals.ends_m()
        if chosen is contour:
            assert np.abs(inlet[:, 2] - end[:, 2]).max() < 1e-6


def test_a_direction_that_the_user_fixes_is_kept_and_judged(square_field, tilted, laid):
    field = square_field(6.0, design=Design(row_azimuth_deg=0.0))
    found, layout = laid(field, tilted(3.0, 0.0))
    assert layout.azimuth_deg == 0.0
    grades = np.concatenate([b.drawn.laterals.grades_pct()[0] for b in layout.blocks])
    np.testing.assert_allclose(np.abs(grades), 3.0, rtol=1e-6)
    told = {f.about: f for f in layout_findings(field, found, layout)}
    assert (
        "climb or fall 3.0 % on average; along the contour, at 90 degrees, it would be 0.0 %"
        in told["rows"].what
    )


def test_a_mirrored_field_gives_a_mirrored_plan(square_field, ground, laid):
    land = shapely.Polygon([(-150, -140), (170, -120), (140, 150), (-120, 130)])
    mirrored = shapely.transform(land, lambda p: p * [-1.0, 1.0])

    def hill(x, y):
        return 0.015 * y + 0.004 * x + 1.0 * np.sin(x / 120.0)

    _, one = laid(square_field(area=land), ground(hill))
    _, other = laid(square_field(area=mirrored), ground(lambda x, y: hill(-x, y)))
    assert apart_deg(one.azimuth_deg, -other.azimuth_deg) < 0.01
    assert len(one.blocks) == len(other.blocks)
    flows = [sum(b.heads.flow_m3h for b in p.blocks) for p in (one, other)]
    assert flows[0] == pytest.approx(flows[1], rel=0.01)


def test_a_raised_datum_gives_the_same_plan(square_field, ground, laid):
    def hill(x, y):
        return 0.02 * y + 0.5 * np.sin(x / 70.0)

    (_, low), (_, high) = (
        laid(square_field(5.0), ground(lambda x, y, d=d: d + hill(x, y))) for d in (0.0, 1500.0)
    )
    assert low.azimuth_deg == pytest.approx(high.azimuth_deg, abs=1e-6)
    for a, b in zip(low.blocks, high.blocks, strict=True):
        assert a.heads.valve_head_m == pytest.approx(b.heads.valve_head_m, abs=1e-5)
        assert a.heads.head_variation_pct == pytest.approx(b.heads.head_variation_pct, abs=1e-3)
