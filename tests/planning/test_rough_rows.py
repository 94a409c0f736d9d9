"""Contour rows on rough real ground: SRTM (public domain) that the package matplotlib ships, flattened."""

from importlib.metadata import distribution

import numpy as np
import pytest
import shapely

from farmgis.planning.contour_rows import contour_bands
from farmgis.planning.grades import grades
from farmgis.planning.parts import band_plans
from farmgis.planning.rows import row_plan
from farmgis.planning.survey import survey
from farmgis.records import Surface


@pytest.fixture(scope="module", params=[(60, 80), (200, 150), (250, 300)])
def rough(request, square_field):
    """A field of 25 ha on a piece of the model, its relief brought to a mean slope of 4 %."""
    path = distribution("matplotlib").locate_file("matplotlib/mpl-data/sample_data/jacksboro_fault_dem.npz")
    with np.load(str(path)) as data:
        i, j = request.param
        z = data["elevation"][i : i + 70, j : j + 70].astype(float)
    slope = np.hypot(*np.gradient(z, 10.0)).mean()
    window = Surface(z * 0.04 / slope, -345.0, -345.0, 10.0)
    field = square_field(25.0)
    found = survey(field, window)
    bands = contour_bands(field.area, found, field.design)
    plans = [p for k in range(len(bands)) for p in band_plans(field, bands, k, found)]
    return field, found, plans


def pieces(lines, numbers):
    """The pieces of one line, in (u, v)."""
    own = np.flatnonzero(lines.number == numbers)
    return shapely.multilinestrings(
        [[(lines.start_u_m[k], lines.v_m[k]), (lines.end_u_m[k], lines.v_m[k])] for k in own]
    )


def test_spacing_is_true_within_1_percent_and_rows_never_cross(rough):
    _, _, plans = rough
    measured = 0
    for plan in plans:
        numbers = np.unique(plan.rows.number)
        for n in numbers[::7]:
            if n + 1 not in numbers:
                continue
            one, other = (plan.axes.placed(pieces(plan.rows, k)) for k in (n, n + 1))
            assert not shapely.intersects(one, other)
            points = shapely.points(shapely.get_coordinates(shapely.segmentize(one, 2.0)))
            nearest = shapely.points(shapely.get_coordinates(shapely.shortest_line(points, other))[1::2])
            inner = (
                shapely.distance(nearest, shapely.boundary(other)) > 1e-3
            )  # beside the row, not past its end
            gap = shapely.distance(points, other)[inner]
            measured += gap.size
            np.testing.assert_allclose(gap, 0.75, rtol=0.01)
    assert measured > 5000


def test_less_land_is_over_the_grade_limit_than_along_one_direction(rough):
    field, found, plans = rough
    one = grades((row_plan(field, found.contour.azimuth_deg),), found)
    assert grades(plans, found).over_pct(2.0) < 0.8 * one.over_pct(2.0)
