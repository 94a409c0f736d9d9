"""Slopes that others have printed, and a general-purpose library on the same cells."""

import math
from importlib.metadata import distribution

import numpy as np
import pytest
from scipy.ndimage import convolve1d, sobel

from farmgis.records import Surface
from farmgis.terrain.gradient import azimuth_unit, grade_along_pct, gradient, horn_gradient, slope_pct


def test_slope_horn_1981_nine_cells():
    """A worked example of Horn's (1981) nine cells in public GIS documentation: 75.25762 degrees."""
    north_first = np.array([[50.0, 45.0, 50.0], [30.0, 30.0, 30.0], [8.0, 10.0, 10.0]])
    dz_dx, dz_dy = horn_gradient(north_first[::-1], 5.0)
    assert dz_dx == pytest.approx(0.05, abs=1e-9)
    assert -dz_dy == pytest.approx(-3.8, abs=1e-9)  # printed from north to south
    assert math.degrees(math.atan(math.hypot(dz_dx, dz_dy))) == pytest.approx(
        75.25762, abs=1e-4
    )  # its last digits are rounded on the way


def test_aspect_horn_1981_nine_cells():
    """The same documentation: the downhill direction is 92.64 degrees from north."""
    north_first = np.array([[101.0, 92.0, 85.0], [101.0, 92.0, 85.0], [101.0, 91.0, 84.0]])
    dz_dx, dz_dy = horn_gradient(north_first[::-1], 1.0)
    assert math.degrees(math.atan2(-dz_dx, -dz_dy)) % 360.0 == pytest.approx(92.64, abs=0.005)


@pytest.mark.parametrize(
    ("grade_pct", "degrees"), [(1, 0.5729), (2, 1.1458), (5, 2.8624), (10, 5.7106), (20, 11.3099)]
)
def test_percent_is_rise_over_run(grade_pct, degrees):
    """An identity: percent is 100 tan of the angle."""
    told = slope_pct(np.array([math.tan(math.radians(degrees))]), np.array([0.0]))
    assert told[0] == pytest.approx(grade_pct, abs=2e-4)


@pytest.fixture(scope="module")
def srtm():
    """SRTM of the Jacksboro fault (public domain), as the package matplotlib ships it, cells of 30 m."""
    path = distribution("matplotlib").locate_file("matplotlib/mpl-data/sample_data/jacksboro_fault_dem.npz")
    with np.load(str(path)) as data:
        return Surface(data["elevation"].astype(float), 0.0, 0.0, 30.0)


def test_gradient_on_real_ground_against_scipy(srtm):
    """Horn's nine cells, scipy's Sobel over 8 cells, are our differences weighed 1, 2, 1 across."""
    dz_dx, dz_dy = gradient(srtm)
    horn_x, horn_y = (sobel(srtm.z_m, axis=a) / (8.0 * 30.0) for a in (1, 0))
    inner = (slice(1, -1), slice(1, -1))
    weighed_x = convolve1d(dz_dx, [0.25, 0.5, 0.25], axis=0)
    weighed_y = convolve1d(dz_dy, [0.25, 0.5, 0.25], axis=1)
    np.testing.assert_allclose(weighed_x[inner], horn_x[inner], atol=1e-12)
    np.testing.assert_allclose(weighed_y[inner], horn_y[inner], atol=1e-12)


def test_horn_of_ours_is_scipys(srtm):
    horn_x, horn_y = (sobel(srtm.z_m, axis=a) / (8.0 * 30.0) for a in (1, 0))
    for i, j in ((10, 20), (100, 50), (200, 300)):
        ours = horn_gradient(srtm.z_m[i - 1 : i + 2, j - 1 : j + 2], 30.0)
        assert ours == pytest.approx((horn_x[i, j], horn_y[i, j]), abs=1e-12)


def test_grade_along_a_direction_is_the_heights_difference(srtm):
    """Along east and north it is what two cells 60 m apart differ by."""
    dz_dx, dz_dy = gradient(srtm)
    for azimuth, di, dj in ((90.0, 0, 1), (0.0, 1, 0)):
        along = grade_along_pct(dz_dx, dz_dy, azimuth)[50, 60]
        rise = srtm.z_m[50 + di, 60 + dj] - srtm.z_m[50 - di, 60 - dj]
        assert along == pytest.approx(100.0 * rise / 60.0, abs=1e-9)
    assert azimuth_unit(90.0) == pytest.approx((1.0, 0.0), abs=1e-12)
