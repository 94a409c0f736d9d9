"""Facets and contour rows on shapes whose answer is known, and on rough ground."""

import math
import re

import numpy as np
import pytest
import shapely

from farmgis.planning.block_search import submain_pipes
from farmgis.planning.contour_rows import contour_bands
from farmgis.planning.directions import direction_findings
from farmgis.planning.facets import facets
from farmgis.planning.grades import grades
from farmgis.planning.land import row_findings
from farmgis.planning.layout import lay_out
from farmgis.planning.survey import survey
from farmgis.records import Design, Dripline
from farmgis.tables import reader

COMPENSATING = Dripline("own", 22.2, 0.4, 1.0, exponent=0.0, least_head_m=4.0, greatest_head_m=22.0)


def plane(x, y):
    return 100.0 + 0.03 * x + 0.01 * y


def cone(x, y):
    return 150.0 - 0.04 * np.hypot(x + 450.0, y + 60.0)


def cylinder(x, y):
    return 100.0 + 3.0 * np.cos(x / 120.0) + 0.0 * y


def saddle(x, y):
    return 100.0 + 1.5e-4 * (x * x - y * y)


def ridge(x, y):
    return 120.0 - 0.05 * np.abs(x) - 0.03 * y


@pytest.fixture(scope="module")
def laid(square_field, ground):
    """Lays 12 ha (24 of the saddle) out on a shape; returns (survey, layout)."""
    made = {}

    def make(height, **design):
        key = (height, *design.items())
        if key not in made:
            field = square_field(
                24.0 if height is saddle else 12.0, line=COMPENSATING, design=Design(**design)
            )
            found = survey(field, ground(height))
            made[key] = found, lay_out(field, found, submain_pipes(reader.pipes()))
        return made[key]

    return make


@pytest.mark.parametrize("height", [plane, cylinder])
def test_where_contours_are_straight_one_direction_is_taken(laid, square_field, ground, height):
    _, layout = laid(height)
    assert layout.pattern == "straight"
    assert len(layout.plans) == 1
    field = square_field(12.0)
    assert len(facets(field.area, survey(field, ground(height)), field.design)) == 1
    (band,) = contour_bands(field.area, survey(field, ground(height)), field.design)
    assert np.abs(np.diff(band.guide.turned_rad)).max() < 1e-3


def test_rows_of_a_cone_are_circles_about_its_top(laid):
    ground, layout = laid(cone, row_pattern="contour")
    assert layout.pattern == "contour"
    assert len({id(p.axes.guide) for p in layout.plans}) >= 1
    off = []
    for block in layout.blocks:
        for row in shapely.get_parts(block.row_lines):
            points = shapely.get_coordinates(row)
            radius = np.hypot(points[:, 0] + 450.0, points[:, 1] + 60.0)
            off.append(radius.max() - radius.min())
    # smoothing flattens a circle of 450 m by no more than the smoothing's square over its diameter
    assert np.mean(off) < 1.0
    assert grades(layout.plans, ground).over_pct(2.0) < 1.0


@pytest.mark.parametrize("height", [saddle, ridge])
def test_twisted_ground_gets_facets_or_contour_rows(laid, height):
    layout = laid(height)[1]
    assert layout.pattern in ("facets", "contour")
    assert len(layout.plans) >= 2
    straight = min((c for c in layout.candidates if c.pattern == "straight"), key=lambda c: c.grade_over_pct)
    assert layout.chosen.grade_over_pct < 0.5 * straight.grade_over_pct
    assert layout.chosen.laid_index < straight.cost_index


def test_twisted_ground_is_told_in_whole_sentences(laid, square_field):
    found = direction_findings(square_field(24.0, line=COMPENSATING), *laid(saddle))
    (told,) = [f.what for f in found if "twisted" in f.what]
    assert ". Contour rows in " in told or ". Rows in facets in " in told
    assert not re.search(r"index \d{4}", told)  # thousands are set apart


def test_a_ridge_is_cut_along_its_crest(square_field, ground):
    field = square_field(12.0)
    parts = facets(field.area, survey(field, ground(ridge)), field.design)
    assert len(parts) == 2
    border = shapely.intersection(*parts)
    x = shapely.get_coordinates(border)[:, 0]
    assert np.abs(x).max() < 12.0  # the crest is x = 0, rounded over two cells


@pytest.mark.parametrize("pattern", ["facets", "contour"])
@pytest.mark.parametrize("height", [saddle, ridge, cone])
def test_parts_cover_the_field_once_and_blocks_do_not_overlap(laid, height, pattern):
    _, layout = laid(height, row_pattern=pattern)
    parts = [p.part for p in layout.plans if p.part is not None]
    if layout.pattern == "straight":
        pytest.skip("one direction: no cut paid")
    half = math.sqrt(24e4 if height is saddle else 12e4) / 2.0
    field = shapely.box(-half, -half, half, half)
    assert sum(p.area for p in parts) == pytest.approx(shapely.union_all(parts).area, rel=1e-6)
    assert shapely.union_all(parts).area > 0.97 * field.area
    areas = [b.area for b in layout.blocks]
    assert sum(a.area for a in areas) == pytest.approx(shapely.union_all(areas).area, rel=1e-6)
    assert all(shapely.within(a, shapely.buffer(field, 1e-6)) for a in areas)


def test_contour_rows_keep_spacing_and_radius_and_never_cross(laid):
    _, layout = laid(saddle, row_pattern="contour")
    for block in layout.blocks:
        rows = list(shapely.get_parts(block.row_lines))
        tree = shapely.STRtree(rows)
        first, second = tree.query(rows, predicate="intersects")
        assert (first == second).all()
        inner = [shapely.line_interpolate_point(r, np.linspace(0.3, 0.7, 5), normalized=True) for r in rows]
        for k, points in enumerate(inner):
            others = rows[:k] + rows[k + 1 :]
            if others:
                gap = min(float(shapely.distance(points, o).min()) for o in others)
                assert gap > 0.75 * 0.99
        for row in rows:
            assert least_radius(row) > 30.0 * 0.95


def least_radius(row):
    """Least radius of a line through its vertices: edge length over turn. [m]"""
    step = np.diff(shapely.get_coordinates(row), axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    step, length = step[length > 0.5], length[length > 0.5]
    turn = np.abs(np.diff(np.unwrap(np.arctan2(step[:, 0], step[:, 1]))))
    even = np.minimum(length[1:], length[:-1]) > 0.9 * np.maximum(length[1:], length[:-1])
    each = 0.5 * (length[1:] + length[:-1])
    return float((each / np.maximum(turn, 1e-9))[even & (turn > 1e-6)].min(initial=math.inf))


def test_laterals_follow_their_rows_and_the_ground(laid):
    found, layout = laid(saddle, row_pattern="contour")
    from farmgis.terrain.surface import elevation_m

    for block, plan in (
        (b, p) for b in layout.blocks for p in layout.plans if p.part.contains(b.area.centroid)
    ):
        points = block.drawn.laterals.points_m
        off = np.abs(points[:, 2] - elevation_m(found.surface, points[:, 0], points[:, 1]))
        assert off.max() < 0.03
        v = plan.axes.to_uv(points[:, 0], points[:, 1])[1]
        for k in range(block.drawn.laterals.count):
            own = v[block.drawn.laterals.offsets[k] : block.drawn.laterals.offsets[k + 1]]
            assert np.ptp(own) < 1e-6


def test_a_mirrored_field_has_mirrored_contour_rows(square_field, ground):
    land = shapely.Polygon([(-180, -160), (150, -170), (190, 120), (20, 190), (-160, 150)])
    mirrored = shapely.transform(land, lambda p: p * [-1.0, 1.0])

    def hill(x, y):
        return 100.0 + 1.3e-4 * ((x - 40.0) ** 2 - (y + 20.0) ** 2) + 0.004 * x

    bands = [
        contour_bands(f.area, survey(f, ground(h)), f.design)
        for f, h in (
            (square_field(area=land), hill),
            (square_field(area=mirrored), lambda x, y: hill(-x, y)),
        )
    ]
    areas = [sorted(b.area.area for b in found) for found in bands]
    assert len(areas[0]) == len(areas[1])
    np.testing.assert_allclose(areas[0], areas[1], rtol=0.02)


def test_what_the_user_asks_for_is_laid(laid):
    for pattern in ("straight", "facets", "contour"):
        assert laid(saddle, row_pattern=pattern)[1].pattern == pattern
    assert laid(saddle, row_azimuth_deg=30.0)[1].pattern == "straight"


@pytest.mark.parametrize(
    ("height", "design", "why"),
    [
        (plane, {"row_pattern": "facets"}, "no parts of it have contours of unlike directions"),
        (
            saddle,
            {"row_pattern": "contour", "row_azimuth_deg": 30.0},
            "`row_azimuth_deg` fixes one way",
        ),
    ],
)
def test_what_is_asked_for_and_comes_to_nothing_is_told(laid, square_field, height, design, why):
    found, layout = laid(height, **design)
    field = square_field(24.0 if height is saddle else 12.0, line=COMPENSATING, design=Design(**design))
    told = [f for f in direction_findings(field, found, layout) if "were asked for" in f.what]
    assert [f.what.split(": ")[1] for f in told] == [why]
    asked = laid(saddle, row_pattern="contour")
    field = square_field(24.0, line=COMPENSATING, design=Design(row_pattern="contour"))
    assert not [f for f in direction_findings(field, *asked) if "were asked for" in f.what]


def test_guides_fall_as_much_as_is_wanted(square_field, ground):
    field = square_field(12.0, design=Design(row_fall_pct=0.6))
    found = survey(field, ground(plane))
    (band,) = contour_bands(field.area, found, field.design)
    points = band.guide.points_m
    inside = np.hypot(points[:, 0], points[:, 1]) < 150.0
    z = plane(points[inside, 0], points[inside, 1])
    run = np.hypot(*np.diff(points[inside], axis=0).T)
    np.testing.assert_allclose(np.abs(np.diff(z)) / run * 100.0, 0.6, atol=0.05)


def arc(radius_m, first_deg, last_deg):
    """An arc about (0, -radius), so that it goes through the origin."""
    turn = np.radians(np.linspace(first_deg, last_deg, 60))
    return np.column_stack([radius_m * np.sin(turn), radius_m * np.cos(turn) - radius_m])


def test_curved_rows_that_stand_are_gone_on_with(square_field, ground):
    """Rows about one centre stay circles about it, in step with the one that stands."""
    standing = shapely.multilinestrings([arc(260.0, -50.0, 50.0)])
    field = square_field(9.0, line=COMPENSATING, kept_rows=standing)
    found = survey(field, ground(plane))
    layout = lay_out(field, found, submain_pipes(reader.pipes()))
    assert layout.pattern == "contour"
    assert row_findings(field, layout.pattern) == []
    off, step = [], []
    for block in layout.blocks:
        for row in shapely.get_parts(block.row_lines):
            points = shapely.get_coordinates(row)
            beside = np.abs(np.degrees(np.arctan2(points[:, 0], points[:, 1] + 260.0))) < 40.0
            if beside.sum() > 3:
                radius = np.hypot(points[beside, 0], points[beside, 1] + 260.0)
                off.append(np.ptp(radius))
                step.append((radius.mean() - 260.0) / 0.75)
    assert max(off) < 0.05  # chords of 4 m lie 8 mm within an arc of 260 m
    assert np.abs(np.array(step) - np.round(step)).max() < 0.05


def test_a_short_row_that_stands_is_led_on_along_the_contour(square_field, ground):
    """A cone: its contours are circles, of which 40 degrees stand. Straight on, rows left them by 50 m."""
    standing = shapely.multilinestrings([arc(200.0, -20.0, 20.0)])
    field = square_field(9.0, line=COMPENSATING, kept_rows=standing)
    found = survey(field, ground(lambda x, y: 100.0 - 0.04 * np.hypot(x, y + 200.0)))
    layout = lay_out(field, found, submain_pipes(reader.pipes()))
    assert layout.pattern == "contour"
    rows = [r for b in layout.blocks for r in shapely.get_parts(b.row_lines) if shapely.length(r) > 100.0]
    points = [shapely.get_coordinates(row) for row in rows]
    spread = [np.ptp(np.hypot(p[:, 0], p[:, 1] + 200.0)) for p in points]
    assert len(spread) > 100
    assert np.median(spread) < 0.5
    assert max(spread) < 8.0  # in corners, beside where the guide has left the field
    assert layout.chosen.grade_mean_pct < 0.1
    assert layout.chosen.grade_over_pct == 0.0


def test_curves_too_sharp_for_the_machines_are_not_followed(square_field, ground):
    field = square_field(9.0, line=COMPENSATING, kept_rows=shapely.multilinestrings([arc(12.0, -80.0, 80.0)]))
    layout = lay_out(field, survey(field, ground(plane)), submain_pipes(reader.pipes()))
    assert layout.pattern == "straight"
    assert ["no sharper than `turn_radius_m`" in f.advice for f in row_findings(field, layout.pattern)] == [
        True
    ]
