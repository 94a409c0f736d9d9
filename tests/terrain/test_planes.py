"""Tilted planes have a slope and a contour that need no computing."""

import numpy as np
import pytest

from farmgis.planning.survey import row_grades_pct, survey


def apart_deg(a, b):
    """Angle between two directions, of which 0 and 180 are one."""
    return abs((a - b + 90.0) % 180.0 - 90.0)


@pytest.mark.parametrize("slope_pct", [0.5, 2.0, 8.0, 20.0])
@pytest.mark.parametrize("uphill_deg", [0, 17, 45, 90, 133, 180, 251, 300])
def test_a_plane_at_any_slope_and_azimuth(square_field, tilted, slope_pct, uphill_deg):
    found = survey(square_field(), tilted(slope_pct, uphill_deg))
    assert found.slope_mean_pct == pytest.approx(slope_pct, rel=1e-6)
    assert apart_deg(found.contour.azimuth_deg, uphill_deg + 90.0) < 1e-4
    assert found.contour.agreement == pytest.approx(1.0)
    assert row_grades_pct(found, found.contour.azimuth_deg) == pytest.approx((0.0,) * 3, abs=1e-6) or max(
        map(abs, row_grades_pct(found, found.contour.azimuth_deg)[:2])
    ) == pytest.approx(0.0, abs=1e-6)


def test_eight_degrees_is_14_05_percent(square_field, tilted):
    """Rise over run: tan 8 degrees."""
    found = survey(square_field(), tilted(100.0 * np.tan(np.radians(8.0)), 30.0))
    assert found.slope_mean_pct == pytest.approx(14.05, abs=0.005)


def test_a_raised_datum_changes_nothing(square_field, ground):
    def hill(x, y):
        return 0.03 * x + 3.0 * np.sin(y / 80.0)

    low, high = (survey(square_field(), ground(lambda x, y, d=d: d + hill(x, y))) for d in (0.0, 2500.0))
    assert high.contour.azimuth_deg == pytest.approx(low.contour.azimuth_deg, abs=1e-6)
    assert high.relief_m == pytest.approx(low.relief_m, abs=1e-6)


def test_a_mirrored_field_has_the_mirrored_contour(square_field, ground):
    def hill(x, y):
        return 0.03 * x + 0.01 * y + 2.0 * np.sin(x / 90.0 + y / 60.0)

    one = survey(square_field(), ground(hill))
    other = survey(square_field(), ground(lambda x, y: hill(-x, y)))
    assert apart_deg(other.contour.azimuth_deg, -one.contour.azimuth_deg) < 1e-6


NOISE_M = 0.3
SEEDS = 40


@pytest.fixture(scope="module")
def noisy(square_field, tilted):
    """Surveys of 5 ha on a 2 % plane, cells of 10 m, each with noise of 0.3 m of its own."""
    plane = tilted(2.0, 60.0, cell_m=10.0)
    made = []
    for seed in range(SEEDS):
        z = plane.z_m + np.random.default_rng(seed).normal(0.0, NOISE_M, plane.z_m.shape)
        made.append(survey(square_field(5.0), type(plane)(z, plane.x0_m, plane.y0_m, plane.cell_m)))
    return made


def test_noise_turns_no_field_by_more_than_5_degrees(noisy):
    assert max(apart_deg(s.contour.azimuth_deg, 150.0) for s in noisy) < 5.0


def test_the_standard_error_is_the_spread_of_the_directions(noisy):
    """The root-mean-square turn over the seeds against what each survey told: chi-square, 40 samples."""
    turns = np.array([apart_deg(s.contour.azimuth_deg, 150.0) for s in noisy])
    told = np.array([s.contour.error_deg for s in noisy])
    ratio = np.sqrt(np.mean(turns**2)) / np.median(told)
    assert 0.7 < ratio < 1.35  # 0.5 % and 99.5 % points of sqrt(chi2(40) / 40): 0.72 and 1.29, and a little
