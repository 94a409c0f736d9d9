"""Fields with very many things in them: pylons, trees, rocks drawn as circles of many vertices."""

import numpy as np
import pytest
import shapely

from farmgis.planning.patterns import GLANCE_M, Ground
from farmgis.planning.rows import row_plan
from farmgis.planning.survey import survey


@pytest.fixture(scope="module")
def orchard(square_field):
    """9 ha with 81 round exclusions of 64 vertices each."""
    places = [(x, y) for x in np.linspace(-128, 128, 9) for y in np.linspace(-128, 128, 9)]
    round_ones = [shapely.Point(p).buffer(4.0, quad_segs=16) for p in places]
    return square_field(9.0, exclusions=shapely.multipolygons(round_ones))


def test_a_glance_sees_exclusions_to_a_metre(orchard, tilted):
    whole = Ground(orchard, survey(orchard, tilted(1.0, 0.0)), lambda plans: 0.0)
    seen = whole._outline.exclusions
    assert shapely.get_num_geometries(seen) == 81
    assert shapely.get_num_coordinates(seen) < shapely.get_num_coordinates(orchard.exclusions) / 4
    assert shapely.hausdorff_distance(seen, orchard.exclusions) <= GLANCE_M


def test_headlands_around_many_edges_are_kept(orchard):
    """Against the definition: no irrigated point nearer than the headland to an edge that rows run into."""
    plan = row_plan(orchard, 20.0)  # all edges in one buffer take ten times as long
    edges = []
    for ring in shapely.get_rings(shapely.get_parts(plan.axes.turned(orchard.area - orchard.exclusions))):
        points = shapely.get_coordinates(ring)
        edges.append(np.stack([points[:-1], points[1:]], axis=1))
    edges = np.concatenate(edges)
    step = np.abs(edges[:, 1] - edges[:, 0])
    into = step[:, 1] > np.hypot(*step.T) * np.sin(np.radians(20.0))
    u, v = np.meshgrid(np.arange(-200.0, 200.0, 4.0), np.arange(-200.0, 200.0, 4.0))
    places = shapely.points(u.ravel(), v.ravel())
    ends, sides = (shapely.multilinestrings(shapely.linestrings(edges[k])) for k in (into, ~into))
    away, aside = shapely.distance(places, ends), shapely.distance(places, sides)
    land = shapely.contains(plan.axes.turned(orchard.area - orchard.exclusions), places)
    wanted = land & (away > 12.0) & (aside > 1.0)
    unsure = (np.abs(away - 12.0) < 0.3) | (np.abs(aside - 1.0) < 0.05)  # rounded corners are drawn as chords
    laid = shapely.contains(plan.irrigated, places)
    np.testing.assert_array_equal(laid[~unsure], wanted[~unsure])
