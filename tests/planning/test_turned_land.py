"""Land turned into a field's own axes: rounding makes no knot of a corner that touches an edge."""

import pytest
import shapely

from farmgis.planning.rows import Axes


@pytest.mark.parametrize("corner_y", [0.0, 7.0, 31.0])
def test_land_that_touches_itself_stays_valid_at_every_azimuth(corner_y):
    """A hole with a corner on the west edge is valid as drawn; a turn moves the corner a hair across it."""
    hole = [(-150.0, corner_y), (-60.0, -40.0), (-60.0, 43.0)]
    square = [(-150.0, -150.0), (150.0, -150.0), (150.0, 150.0), (-150.0, 150.0)]
    land = shapely.MultiPolygon([shapely.Polygon(square, [hole])])
    assert land.is_valid
    for azimuth in range(1, 180):
        turned = Axes(float(azimuth), 3.7, -11.3).turned(land)
        assert turned.is_valid
        assert turned.area == pytest.approx(land.area, rel=1e-9)
