"""Suction head against printed tables and a book's example; what is found where it does not suffice."""

import pytest

from farmgis.hydraulics.water import density_kg_m3
from farmgis.planning.suction import npsh_available_m, suction_findings, suction_of
from farmgis.records import Source

FOOT_M = 0.3048


def source(level, **more):
    return Source("river", 0.0, 0.0, level, 100.0, **more)


@pytest.mark.parametrize(
    ("altitude", "printed"), [(0.0, 10.33), (1000.0, 9.17), (1500.0, 8.66), (2000.0, 8.11), (3000.0, 7.15)]
)
def test_air_as_head_standard_atmosphere(altitude, printed):
    # Davis, Water and wastewater engineering, table 3-7, after the U.S. Standard Atmosphere (1976) (text
    # seen). FAO-56 eq 7 starts from 20 degrees C and not from 15, which makes up to 0.06 m in 3000 m
    vapour = 0.239  # m, at 20 degrees C: handbook value of 2.34 kPa
    assert npsh_available_m(altitude, 20.0, 0.0, 0.0) + vapour == pytest.approx(printed, abs=0.06)


@pytest.mark.parametrize(
    ("fahrenheit", "feet"), [(50.0, 0.411), (70.0, 0.839), (85.0, 1.379), (100.0, 2.203)]
)
def test_vapour_as_head_printed_table(fahrenheit, feet):
    # Bachus and Custodio (2003), Know and understand centrifugal pumps, properties of water (text seen):
    # vapour pressure in feet of water. What the suction head lacks of the head of the air is that
    celsius = (fahrenheit - 32.0) / 1.8
    air = 101300.0 / (density_kg_m3(celsius) * 9.80665)
    assert (air - npsh_available_m(0.0, celsius, 0.0, 0.0)) / FOOT_M == pytest.approx(feet, rel=0.005)


def test_lift_on_a_mountain_bachus_example():
    # the same book, figure 2-2: 7000 ft, 50 degrees F, a lift of 8 ft, losses of 1 and 2 ft:
    # 26.2 - 8.0 - 0.411 - 1 - 2 = 14.8 ft. FAO-56 eq 7 has 0.07 ft more of air
    found = npsh_available_m(7000.0 * FOOT_M, 10.0, -8.0 * FOOT_M, 3.0 * FOOT_M) / FOOT_M
    assert found == pytest.approx(14.789, abs=0.1)


def test_each_metre_lower_gives_a_metre():
    assert npsh_available_m(100.0, 20.0, -2.0) - npsh_available_m(100.0, 20.0, -3.0) == pytest.approx(1.0)


def test_short_by_how_much():
    # 5 m over the water at sea level and 20 degrees C: 10.35 - 0.24 - 1 - 5 = 4.1 m; 4.5 + 1 are needed
    pump = source(0.0, pump_level_m=5.0, npsh_required_m=4.5)
    suction = suction_of(pump, 8.0, 20.0)
    assert suction.npsh_available_m == pytest.approx(4.1, abs=0.05)
    assert suction.short_m == pytest.approx(5.5 - suction.npsh_available_m)
    (found,) = suction_findings(pump, suction, 8.0)
    assert found.severity == "attention"
    assert (found.measured, found.limit) == (suction.npsh_available_m, 5.5)
    assert f"short by {suction.short_m:.1f} m" in found.what
    # as low as the advice says, it serves
    lower = source(0.0, pump_level_m=suction.lift_limit_m - 0.01, npsh_required_m=4.5)
    assert suction_findings(lower, suction_of(lower, 8.0, 20.0), 8.0) == ()


def test_flooded_suction_is_enough():
    pump = source(10.0, pump_level_m=8.0, npsh_required_m=4.5)
    suction = suction_of(pump, 12.0, 20.0)
    assert suction.npsh_available_m == pytest.approx(11.1, abs=0.1)
    assert suction_findings(pump, suction, 12.0) == ()


def test_pump_whose_level_is_not_stated():
    # 3 m under the ground a pump on the ground can draw; 38 m under it none can
    near = suction_of(source(111.0), 114.0, 20.0)
    assert (near.pump_level_m, near.lift_m) == (114.0, 3.0)
    assert suction_findings(source(111.0), near, 114.0) == ()
    deep = suction_of(source(94.0), 132.0, 20.0)
    assert (deep.pump_level_m, deep.npsh_available_m) == (None, None)
    (found,) = suction_findings(source(94.0), deep, 132.0)
    assert (found.severity, found.measured) == ("note", 38.0)
    well = source(94.0, kind="borehole")
    assert suction_findings(well, suction_of(well, 132.0, 20.0), 132.0) == ()


def test_what_is_not_known_is_not_judged():
    assert suction_of(source(None), 100.0, 20.0) is None
    assert suction_of(source(100.0, kind="hydrant"), 100.0, 20.0) is None
    assert suction_findings(source(None), None, 100.0) == ()
