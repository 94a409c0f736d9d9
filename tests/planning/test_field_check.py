"""Measured blocks: uniformities published and by hand, zeros kept, what a difference suggests."""

import math

import numpy as np
import pytest

from farmgis.hydraulics.uniformity import low_quarter_uniformity_pct, statistical_uniformity_pct
from farmgis.planning.field_check import checked, grade_of
from farmgis.planning.measuring_points import emitters_at
from farmgis.prices import Measured
from farmgis.records import Dripline
from farmgis.tables import field_grades

LINE = Dripline("a line", 16.0, 0.5, 2.0, nominal_head_m=10.0, exponent=0.5, variation=0.03)
PLACES = ("inlet", "one third", "two thirds", "end")


def points(head_m=10.0):
    """A valve and 32 emitters on four laterals of 90 m, all expected at one head."""
    flow = 2.0 * math.sqrt(head_m / 10.0)
    block = {"block_id": "A-B01", "field_id": "A"}
    valve = {
        "point_id": "A-B01-T00",
        "kind": "valve",
        "expected_head_m": head_m,
        "expected_flow_l_h": 50_000.0,
    }
    made = [block | valve]
    for lateral in range(4):
        for place, metres in zip(PLACES, (0.5, 30.0, 60.0, 89.5), strict=True):
            for more in (0.0, 0.5):
                made.append(
                    block | {
                        "point_id": f"A-B01-T{len(made):02d}", "kind": "emitter", "at_lateral": place,
                        "lateral_id": f"L{lateral}", "chainage_m": metres + more,
                        "expected_head_m": head_m, "expected_flow_l_h": flow,
                    }
                )  # fmt: skip
    return made


def check(change, valve=(10.0, 50_000.0)):
    """The block with each emitter's (flow, head) by a function of its point."""
    told = {}
    for p in points():
        flow, head = (valve[1], valve[0]) if p["kind"] == "valve" else change(p)
        told[p["point_id"]] = Measured(p["point_id"], flow, head)
    (found,) = checked(points(), told, {"A": LINE}, field_grades())
    return found


def sound(_):
    return 2.0, 10.0


def test_low_quarter_uniformity_published_example():
    # an examination question of agricultural engineers: 3.6 and 4.0 l/h of low quarter and all give 90 %
    flows = np.array([3.6] * 2 + [4.0 + 0.4 / 3.0] * 6)
    assert flows.mean() == pytest.approx(4.0)
    assert low_quarter_uniformity_pct(flows) == pytest.approx(90.0, abs=0.05)


# readings of 15 catch cans: of Merriam and Keller (1978), pages 41 to 43 (inches an hour), and of the manual
# of the R package spreval 1.1.0 (ml), which prints both; the low quarter of 15 is 4 of them in its code
MERRIAM_KELLER = (0.23, 0.31, 0.24, 0.24, 0.28, 0.31, 0.27, 0.22, 0.26, 0.31, 0.31, 0.25, 0.20, 0.22, 0.32)
SPREVAL = (47, 42, 45, 24, 13, 26, 33, 34, 27, 30, 40, 44, 32, 12, 12)


@pytest.mark.parametrize(
    ("readings", "lowest_four", "sum_of_all"),
    [(MERRIAM_KELLER, (0.20, 0.22, 0.22, 0.23), 3.97), (SPREVAL, (12, 12, 13, 24), 461)],
)
def test_low_quarter_of_published_readings(readings, lowest_four, sum_of_all):
    """The rule is published; the two sums are by hand."""
    expected = 100.0 * (sum(lowest_four) / 4) / (sum_of_all / 15)
    assert low_quarter_uniformity_pct(np.array(readings, dtype=float)) == pytest.approx(expected, rel=1e-9)


def test_statistical_uniformity_by_hand():
    # 1.8 and 2.2 in equal number: mean 2.0, standard deviation 0.2, hence 90 %
    assert statistical_uniformity_pct(np.array([1.8, 2.2] * 9)) == pytest.approx(90.0)


def test_zeros_are_kept():
    # 4 of 32 emitters give nothing: the low quarter of 8 has a mean of 1.0, all of them one of 1.75
    found = check(lambda p: (0.0 if p["at_lateral"] == "end" and p["lateral_id"] in "L0L1" else 2.0, 10.0))
    assert (found.emitters, found.zeros) == (32, 4)
    assert found.mean_flow_l_h == pytest.approx(1.75)
    assert found.emission_uniformity_pct == pytest.approx(100.0 * 1.0 / 1.75)
    # standard deviation sqrt(28/32 * 4/32) * 2 = 0.66 of a mean of 1.75: 62 %, under the 65 of a poor one
    assert found.statistical_uniformity_pct == pytest.approx(62.2, abs=0.05)
    assert found.grade == "unacceptable"
    assert any("4 of 32 emitters give nothing" in s for s in found.says)


def test_a_sound_block_is_as_planned():
    found = check(sound)
    assert found.grade == "excellent"
    assert found.performance_pct == pytest.approx(100.0)
    assert found.says == ("as planned: keep these figures to compare with later",)


@pytest.mark.parametrize(
    ("change", "valve", "word"),
    [
        (lambda p: (2.0 * math.sqrt(0.6), 6.0), (6.0, 38_730.0), "set the regulator"),
        (lambda p: (2.0 * math.sqrt(1.3), 13.0), (13.0, 57_000.0), "wrong one"),
        (lambda p: (2.0 * math.sqrt(0.7), 7.0), (10.0, 50_000.0), "a leak, a submain"),
        (lambda p: (1.2 if p["at_lateral"] == "end" else 2.0, 10.0), (10.0, 48_000.0), "lateral ends"),
        (lambda p: (1.2 if p["lateral_id"] in "L2L3" else 2.0, 10.0), (10.0, 40_000.0), "flush the submain"),
        (lambda p: (1.1 if p["chainage_m"] % 1.0 else 1.7, 10.0), (10.0, 35_000.0), "filter screen"),
        (lambda p: (1.4, 10.0), (10.0, 35_000.0), "another line"),  # all alike, as a line of 1.4 l/h gives
        (lambda p: (2.6, 10.0), (10.0, 65_000.0), "another line"),
        (sound, (10.0, 58_000.0), "leaks out"),
        (sound, (10.0, 40_000.0), "laterals not joined"),
    ],
)
def test_what_a_difference_suggests(change, valve, word):
    found = check(change, valve)
    assert any(word in s for s in found.says), found.says


def test_low_head_is_not_taken_for_plugging():
    # emitters whose head was not measured are expected to be as far off as the valve
    found = check(lambda p: (2.0 * math.sqrt(0.6), None), (6.0, 38_730.0))
    assert not any("plugging" in s for s in found.says)
    assert found.performance_pct == pytest.approx(100.0)


def test_flow_that_is_low_all_alike_is_a_low_head_where_none_was_measured():
    # the regulator at 7 m of 10: q = k sqrt(h) gives 84 % everywhere; a filter's dirt would not be so even
    found = check(lambda _: (2.0 * math.sqrt(0.7), None), (None, 41_833.0))
    (said,) = found.says
    assert "84 %" in said
    assert "no pressure was measured" in said
    assert "plugging, which is uneven" in said
    assert "filter screen" not in said


def test_few_emitters_are_told():
    one = points()[1]
    (found,) = checked(
        points(), {one["point_id"]: Measured(one["point_id"], 2.0, None)}, {"A": LINE}, field_grades()
    )
    assert any("only 1 emitters" in s for s in found.says)
    assert any("no pressure was measured" in s for s in found.says)


@pytest.mark.parametrize(
    ("eu", "us", "grade"), [(94.0, 95.0, "excellent"), (93.9, 99.0, "good"), (49, 99, "unacceptable")]
)
def test_grades_by_their_least_values(eu, us, grade):
    assert grade_of(eu, us, field_grades()) == grade


@pytest.mark.parametrize(("count", "places", "least"), [(400, 4, 8), (7, 4, 6), (100, 9, 18), (1, 4, 1)])
def test_places_along_a_lateral(count, places, least):
    found = [k for _, k in emitters_at(count, places)]
    assert len(found) == len(set(found)) >= least
    assert found[0] == 0
    assert found[-1] == count - 1


def sixth(flow_l_h):
    return lambda p: (flow_l_h if p["point_id"].endswith("T06") else 2.0, 10.0)


@pytest.mark.parametrize(
    ("change", "valve", "told"),
    [
        (sound, (102.0, 50_000.0), "the valve's head is 1,020 %"),  # 100 kPa written as bar
        (sound, (10.0, 50.0), "the valve's flow is 0.1 %"),  # m3/h written as l/h
        (lambda _: (120.0, 10.0), (10.0, 50_000.0), "32 of 32 emitters would give over 5 times"),  # min for s
        (sixth(7.2), (10.0, 50_000.0), None),  # 3.6 times: a torn one, no misreading
        (sixth(25.0), (10.0, 50_000.0), "(A-B01-T06)"),  # millilitres and seconds exchanged
    ],
)
def test_readings_far_off_are_first_taken_for_misread(change, valve, told):
    says = check(change, valve).says
    looks = [s for s in says if "its unit and its column" in s]
    assert len(looks) == (told is not None)
    if told is not None:
        assert told in looks[0]
        assert not any("regulator" in s or "leaks" in s for s in says)


def test_a_misread_emitter_does_not_hide_the_valve():
    says = check(sixth(25.0), (6.0, 50_000.0)).says
    assert any("(A-B01-T06)" in s for s in says)
    assert any("downstream of the valve is 60 % of the plan's" in s for s in says)


def test_a_block_without_water_is_no_misreading():
    dry = check(lambda _: (0.0, 0.0), (0.0, 0.0))
    assert any("32 of 32 emitters give nothing" in s for s in dry.says)
    assert not any("unit" in s for s in dry.says)
