"""Voids of the elevation model: narrow ones are filled from around, wide ones and the model's end are not."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from farmgis.planning.survey import survey
from farmgis.terrain.surface import without_voids


def disc(radius_m, x0=0.0, y0=0.0):
    return lambda x, y: np.hypot(x - x0, y - y0) < radius_m


def holed(height, *voids):
    return lambda x, y: np.where(np.any([v(x, y) for v in voids], axis=0), np.nan, height(x, y))


def test_a_plane_is_filled_to_itself(ground):
    def plane(x, y):
        return 50.0 + 0.03 * x - 0.02 * y

    voids = disc(8.0), disc(5.0, 60.0, -40.0), disc(9.0, -100.0, 90.0)
    filled = without_voids(ground(holed(plane, *voids), cell_m=2.0), 20.0)
    assert filled.z_m == pytest.approx(ground(plane, cell_m=2.0).z_m, abs=1e-9)


def test_what_is_filled_is_off_by_no_more_than_the_ground_bends(ground):
    """Linear between places 20 m apart at most: no farther off than h^2 / 8 times the greatest curvature."""

    def waves(x, y):
        return 2.0 * np.sin(x / 40.0) + 2.0 * np.cos(y / 40.0)

    filled = without_voids(ground(holed(waves, disc(9.0, 30.0, 20.0)), cell_m=2.0), 20.0)
    off = np.abs(filled.z_m - ground(waves, cell_m=2.0).z_m).max()
    assert 0.0 < off <= 20.0**2 / 8.0 * (2.0 * 2.0 / 40.0**2)


def test_wide_voids_and_the_models_end_stay(ground):
    def flat(x, y):
        return 0.0 * x + 0.0 * y

    window = ground(
        holed(flat, disc(14.0), lambda x, y: (x > 300.0) & (y == y), disc(6.0, -60.0)), cell_m=2.0
    )
    filled = np.isnan(without_voids(window, 20.0).z_m)
    assert (
        filled.sum()
        == np.isnan(window.z_m).sum() - np.isnan(ground(holed(flat, disc(6.0)), cell_m=2.0).z_m).sum()
    )
    whole = ground(flat)
    assert without_voids(whole, 20.0) is whole


def test_a_field_with_a_narrow_void_is_surveyed_and_told(square_field, ground):
    def slope(x, y):
        return 0.02 * y + 0.0 * x

    found = survey(square_field(), ground(holed(slope, disc(8.0)), cell_m=2.0))
    assert found.slope_mean_pct == pytest.approx(2.0, rel=1e-3)
    (told,) = found.findings
    assert "voids" in told.what


@pytest.mark.parametrize("cell_m", [2.0, 5.0])
def test_a_pond_without_heights_under_an_exclusion_leaves_slopes_as_they_are(square_field, ground, cell_m):
    """A plane of 2 %, its pond 60 m wide void and excluded: slope and contour of the plane."""
    pond = shapely.MultiPolygon([shapely.Point(0.0, 0.0).buffer(30.0)])
    field = replace(square_field(9.0), exclusions=pond)
    found = survey(field, ground(holed(lambda x, y: 0.02 * y + 0.0 * x, disc(30.0)), cell_m=cell_m))
    assert found.slope_mean_pct == pytest.approx(2.0, rel=1e-6)
    assert found.contour.azimuth_deg % 180.0 == pytest.approx(90.0, abs=1e-6)
    assert np.isfinite(found.surface.z_m).all()
    assert found.findings == ()


def test_a_model_that_ends_at_the_field_gives_slopes_up_to_its_edge(square_field, ground):
    """A plane of 3 % towards the east and 1 % to the north; the model ends half a cell beyond the field."""

    def plane(x, y):
        return 0.03 * x + 0.01 * y

    field = square_field(4.0)  # 200 m: the model's last cells lie at 100 m
    found = survey(field, ground(holed(plane, lambda x, y: (np.abs(x) > 101.0) | (np.abs(y) > 101.0))))
    assert found.slope_mean_pct == pytest.approx(100.0 * np.hypot(0.03, 0.01), rel=1e-6)
