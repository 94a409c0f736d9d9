"""Limits of the land and the machines: refused or told with what was measured, and how rows keep them."""

import math

import numpy as np
import pytest
import shapely

from farmgis.errors import ElevationCoverError, LandError
from farmgis.planning.land import land_findings, line_azimuth, nothing_fits, refuse_land, row_findings
from farmgis.planning.rows import lateral_lines, row_plan, wheel_shift_m
from farmgis.planning.survey import survey
from farmgis.records import Design


def test_land_too_steep_for_any_direction_is_refused_with_its_slope(square_field, tilted):
    field = square_field(4.0)
    ground = survey(field, tilted(26.0, 30.0))
    with pytest.raises(LandError, match="too steep") as refused:
        refuse_land(field, ground)
    assert refused.value.measured == pytest.approx(26.0, rel=1e-6)
    assert refused.value.limit == pytest.approx(math.hypot(20.0, 2.0))
    refuse_land(square_field(4.0, design=Design(cross_slope_max_pct=26.0)), ground)


def test_a_steep_part_is_told_with_its_place(square_field, ground):
    field = square_field(4.0)
    bank = survey(field, ground(lambda x, y: np.where(x > 60.0, 0.3 * (x - 60.0), 0.0) + 0.0 * y))
    refuse_land(field, bank)
    (told,) = land_findings(field, bank)
    assert told.measured == pytest.approx(30.0, rel=0.01)
    assert told.geometry.bounds[0] > 55.0
    assert told.geometry.area == pytest.approx(40.0 * 200.0, rel=0.15)


def test_a_wall_in_the_model_is_told_with_its_place(square_field, ground):
    """A tree of 12 m in a model of surfaces, and a step of 5 m where two models meet."""
    field = square_field(4.0)
    tree = survey(field, ground(lambda x, y: np.where(np.hypot(x - 30.0, y) < 6.0, 12.0, 0.01 * y)))
    (told,) = tree.findings
    assert "like a wall" in told.what
    assert told.measured > 60.0
    assert shapely.distance(told.geometry, shapely.Point(30.0, 0.0)) < 12.0
    assert told.geometry.area < 1000.0
    step = survey(field, ground(lambda x, y: np.where(x > 40.0, 5.0, 0.0) + 0.01 * y))
    assert [f.about for f in step.findings] == ["elevation"]
    assert survey(field, ground(lambda x, y: 0.25 * y + 0.0 * x)).findings == ()  # steep, and no wall


def test_a_void_that_stops_a_field_is_told_with_its_share(square_field, ground):
    """Of 4 ha one void of 40 x 40 m: 4 %; what smoothing does not fill of it is at most that."""
    field = square_field(4.0)
    holed = ground(lambda x, y: np.where((abs(x) < 21.0) & (abs(y) < 21.0), np.nan, 0.01 * y))
    said = r"no values for [1-4](\.\d+)? % of it \(0\.1\d? ha\)"
    with pytest.raises(ElevationCoverError, match=said) as refused:
        survey(field, holed)
    assert 1.0 < refused.value.measured <= 4.1
    assert (refused.value.limit, refused.value.unit) == (0.0, "%")
    assert "no voids wider than" in refused.value.advice


def test_a_field_too_small_is_refused_with_its_size(square_field, tilted):
    field = square_field(0.1)
    with pytest.raises(LandError, match="too small") as refused:
        refuse_land(field, survey(field, tilted(1.0, 0.0)))
    assert refused.value.measured == pytest.approx(0.1)


def test_the_mean_of_lines_has_no_front():
    lines = shapely.multilinestrings([[(0, 0), (100, 1)], [(100, 5), (0, 6)], [(0, 9), (0.5, 9)]])
    azimuth, spread = line_azimuth(lines)
    assert azimuth == pytest.approx(90.0, abs=0.05)
    assert 0.3 < spread < 1.0  # atan 0.01 = 0.57 degrees either side
    crossed = shapely.multilinestrings([[(0, 0), (1, 0)], [(0, 0), (0, 1)]])
    assert line_azimuth(crossed)[1] > 45.0


def test_new_rows_fall_on_those_that_stand(square_field):
    standing = shapely.multilinestrings(
        [[(-80.0, -60.0 + 2.25 * k), (80.0, -56.0 + 2.25 * k)] for k in range(4)]
    )
    field = square_field(4.0, kept_rows=standing)
    azimuth = line_azimuth(standing)[0]
    plan = row_plan(field, azimuth)
    across = math.cos(math.atan2(4.0, 160.0))
    assert azimuth == pytest.approx(90.0 - math.degrees(math.atan2(4.0, 160.0)))
    v = shapely.get_coordinates(plan.axes.turned(standing))[::2, 1]
    off = (v - plan.rows.first_v_m) / 0.75
    # 2.25 m along y are 2.2493 m across: the mean of four keeps within half of what that sums up to
    assert np.abs(off - np.round(off)).max() * 0.75 <= 1.5 * 2.25 * (1.0 - across) + 1e-9


def test_bent_rows_and_a_contradicted_direction_are_told(square_field):
    bent = shapely.multilinestrings([[(-80, 0), (0, 0), (60, 60)]])
    said = row_findings(square_field(4.0, kept_rows=bent, design=Design(row_azimuth_deg=0.0)))
    assert ["one way" in f.what for f in said] == [True, False]
    assert said[1].measured > 60.0


def test_no_row_crosses_a_track_or_enters_a_clearance(square_field):
    track = shapely.box(-200, -3, 200, 3)
    plan = row_plan(square_field(6.0, taken=shapely.multipolygons([track])), 0.0)
    for lines in (plan.rows, plan.laterals):
        ends = np.concatenate([np.abs(lines.start_u_m), np.abs(lines.end_u_m)])
        assert ends.min() == pytest.approx(3.0)  # up to the track, with no headland of its own
        assert (lines.start_u_m * lines.end_u_m > 0.0).all()


# ---- patterns of rows ------------------------------------------------------------------------------

LAND = shapely.multipolygons([shapely.box(0.0, 0.0, 100.0, 90.0)])


def laterals_v(design):
    return np.unique(lateral_lines(LAND, design.row_spacing_m / 2.0, design).v_m)


def wheels_v(design):
    """The wheels' middles, pass by pass, laid out by hand."""
    first = design.row_spacing_m / 2.0
    middles = (
        first
        + (np.arange(-2, 40) * design.planter_rows + (design.planter_rows - 1) / 2.0) * design.row_spacing_m
    )
    return np.sort(
        np.concatenate([middles - design.wheel_gauge_m / 2.0, middles + design.wheel_gauge_m / 2.0])
    )


@pytest.mark.parametrize(
    ("rows", "gauge", "served"),
    [
        (8, 1.5, 2),
        (8, 3.0, 2),
        (6, 1.5, 2),
        (12, 2.25, 2),
        (4, 1.8, 2),
        (9, 1.5, 3),
        (8, 2.2, 1),
        (6, 1.5, 1),
    ],
)
def test_no_lateral_lies_under_a_wheel(rows, gauge, served):
    design = Design(rows_per_lateral=served, planter_rows=rows, wheel_gauge_m=gauge)
    free = wheel_shift_m(design)[1]
    v = laterals_v(design)
    assert free
    assert np.abs(v[:, None] - wheels_v(design)[None, :]).min() >= design.tyre_width_m / 2.0 - 1e-6
    np.testing.assert_allclose(np.diff(v), design.lateral_spacing_m)
    row = np.arange(0, 120) * 0.75 + 0.375
    if served == 2:
        assert np.abs(v[:, None] - row[None, :]).min() >= 0.1 - 1e-6


def test_where_the_wheels_leave_no_room_it_is_told(square_field):
    design = Design(row_spacing_m=0.4, rows_per_lateral=1, planter_rows=1, wheel_gauge_m=2.0)
    assert not wheel_shift_m(design)[1]
    assert any("wheels" in f.what for f in row_findings(square_field(design=design)))


def test_twin_rows_have_a_lateral_in_each_pair(square_field):
    design = Design(row_spacing_m=0.2, rows_per_bed=2, bed_spacing_m=0.75, rows_per_lateral=2)
    assert design.lateral_spacing_m == pytest.approx(0.75)
    plan = row_plan(square_field(4.0, design=design), 90.0)
    rows, laterals = np.unique(plan.rows.v_m), np.unique(plan.laterals.v_m)
    assert sorted({round(g, 6) for g in np.diff(rows)}) == [0.2, 0.55]
    pairs = rows[: 2 * (rows.size // 2)].reshape(-1, 2).mean(axis=1)
    np.testing.assert_allclose(laterals[: pairs.size], pairs)


def test_a_bed_of_four_has_two_laterals():
    design = Design(row_spacing_m=0.4, rows_per_bed=4, bed_spacing_m=1.8, rows_per_lateral=2)
    v = laterals_v(design)
    assert design.lateral_spacing_m == pytest.approx(0.9)
    np.testing.assert_allclose(v[:4] - v[0], [0.0, 0.8, 1.8, 2.6])
    assert v[0] == pytest.approx(0.2 + 0.2)


@pytest.mark.parametrize(
    ("width_m", "depth_m", "measured", "limit", "unit"),
    [
        # by hand: between headlands of 12 m a side of 40 m leaves rows of 16 m, under 20 m
        (40.0, 40.0, 16.0, 20.0, "m"),
        # 600 m less two headlands is 576 m; 4.2 m less two margins of 1 m holds one lateral, of 1.5 m
        (600.0, 4.2, 576.0 * 1.5 / 1e4, 0.15, "ha"),
    ],
)
def test_a_field_in_which_nothing_fits_is_told_by_what_lacks(
    square_field, width_m, depth_m, measured, limit, unit
):
    field = square_field(area=shapely.box(0.0, 0.0, width_m, depth_m))
    told = nothing_fits(field, [row_plan(field, azimuth) for azimuth in (0.0, 90.0)], 0.15)
    assert (told.limit, told.unit) == (limit, unit)
    assert told.measured == pytest.approx(measured, rel=1e-6)
    assert f"{measured:.2f} ha" in str(told) if unit == "ha" else "the longest is 16 m" in str(told)
