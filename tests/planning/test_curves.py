"""Curved rows: true spacing, lengths and areas, there and back."""

import itertools
import math

import numpy as np
import pytest
import shapely

from farmgis.planning.contour_rows import GRID_M, _between
from farmgis.planning.curves import CurvedAxes, guide_of, straightened
from farmgis.planning.rows import mended
from farmgis.terrain.surface import elevation_m


@pytest.fixture(scope="module")
def axes():
    """Along a guide that bends to the right and to the left, by chords of 4 m, not sharper than 80 m."""
    along = np.arange(0.0, 600.0, 4.0)
    heading = 0.8 * np.sin(along / 70.0)
    step = 4.0 * np.column_stack([np.sin(heading), np.cos(heading)])
    points = np.concatenate([[[0.0, 0.0]], np.cumsum(step, axis=0)])
    return CurvedAxes(guide_of(points), 75)


def test_rows_are_as_far_apart_as_they_say(axes):
    rows = [shapely.linestrings(axes.guide.row_m(v)) for v in np.arange(-30.0, 30.1, 0.75)]
    for one, other in itertools.pairwise(rows):
        inner = shapely.get_coordinates(shapely.segmentize(one, 1.0))[20:-20]
        gap = shapely.distance(shapely.points(inner), other)
        np.testing.assert_allclose(gap, 0.75, rtol=0.01)
        assert not shapely.intersects(one, other)


def test_rows_of_a_circle_are_circles():
    turn = np.linspace(0.0, math.pi, 101)
    guide = guide_of(200.0 * np.column_stack([np.sin(turn), np.cos(turn)]))
    for v in (-60.0, 40.0, 120.0):  # the right side is the inner one
        radius = np.hypot(*guide.row_m(v)[1:-1].T)
        np.testing.assert_allclose(radius, 200.0 - v, rtol=2e-4)


def test_there_and_back(axes):
    rng = np.random.default_rng(3)
    u, v = rng.uniform(-250.0, 250.0, 500), rng.uniform(-35.0, 35.0, 500)
    x, y = axes.to_xy(u, v)
    back_u, back_v = axes.to_uv(x, y)
    np.testing.assert_allclose(back_u, u, atol=1e-6)
    np.testing.assert_allclose(back_v, v, atol=1e-6)


def test_lengths_along_rows_and_areas_are_true(axes):
    hole = [(-20, -5), (20, -5), (20, 5), (-20, 5)]
    land = shapely.Polygon([(-100, -20), (80, -25), (120, 30), (-60, 22)], [hole])
    placed = axes.placed(land)
    assert placed.is_valid
    assert placed.area == pytest.approx(land.area, rel=1e-9)
    row = shapely.linestrings([(-100.0, 25.0), (100.0, 25.0)])
    assert axes.placed(row).length == pytest.approx(200.0, rel=1e-9)
    assert axes.turned(placed).symmetric_difference(land).area < 1e-3


def test_nothing_stays_nothing(axes):
    assert axes.placed(shapely.MultiPolygon()).is_empty
    assert axes.turned(shapely.MultiPolygon()).is_empty


def test_paths_are_the_placed_rows_both_ways(axes):
    start, end, v = np.array([-90.0, 40.0]), np.array([130.0, -160.0]), np.array([12.0, -28.0])
    points, at = axes.paths(start, end, v)
    for k in range(2):
        path = shapely.linestrings(points[at[k] : at[k + 1]])
        placed = axes.placed(shapely.linestrings([(start[k], v[k]), (end[k], v[k])]))
        assert path.length == pytest.approx(abs(end[k] - start[k]), rel=1e-9)
        assert path.hausdorff_distance(placed) < 1e-6
        np.testing.assert_allclose(points[at[k]], np.ravel(axes.to_xy(start[k : k + 1], v[k : k + 1])))


def test_the_straightened_ground_is_the_ground_under_the_rows(axes, ground):
    window = ground(lambda x, y: 0.01 * x + np.sin(y / 90.0), half_m=700.0)
    land = shapely.box(-100.0, -30.0, 100.0, 30.0)
    flat = straightened(window, axes, land)
    u, v = np.meshgrid(np.arange(-90.0, 90.0, 7.0), np.arange(-28.0, 28.0, 5.0))
    np.testing.assert_allclose(elevation_m(flat, v, u), elevation_m(window, *axes.to_xy(u, v)), atol=0.003)


def test_ground_between_rows_that_fold_on_themselves_is_land_alone():
    """A guide about three sides of 100 x 60 m: 30 m inside its row runs up a line and back down it."""
    guide = guide_of(np.array([(0.0, 0.0), (0.0, 100.0), (60.0, 100.0), (60.0, 0.0)]))
    between = _between(guide, -10.0, 30.0)
    assert {p.geom_type for p in shapely.get_parts(between)} == {"Polygon"}
    assert between.area == pytest.approx(80.0 * 110.0)
    piece = shapely.box(-50.0, 20.0, 50.0, 150.0)
    cut = shapely.intersection(piece, between, grid_size=GRID_M)
    assert cut.area == pytest.approx(60.0 * 90.0)


def test_a_hole_that_touches_an_edge_stays_a_hole_when_straightened(axes):
    """Areas are true in curved axes: a pond on the field's edge may not be filled by mending the knot."""
    x, y = axes.guide.points_m[axes.middle]
    square = [(x - 20.0, y - 20.0), (x + 20.0, y - 20.0), (x + 20.0, y + 20.0), (x - 20.0, y + 20.0)]
    knots = 0
    for corner in np.arange(-9.0, 9.0, 0.25):
        pond = [(x - 20.0, y + corner), (x - 4.0, y - 5.0), (x - 4.0, y + 6.0)]
        land = shapely.Polygon(square, [pond])
        turned = axes.turned(land)
        knots += not turned.is_valid
        assert mended(turned).area == pytest.approx(land.area, rel=1e-6)
    assert knots > 0
