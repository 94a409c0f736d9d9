"""Which ways along the mains are drawn in the report."""

from types import SimpleNamespace

from farmgis.results.report_profiles import MOST_ENDS, _drawn_ends


def piece(main_id, from_node, to_node, length_m=100.0):
    return SimpleNamespace(main_id=main_id, from_node=from_node, to_node=to_node, length_m=length_m)


def test_every_main_lies_on_a_way_that_is_drawn():
    # river -> V1 -> V2, and V1 -> J -> V3, J -> V4
    one, two = piece("M1", "river", "V1"), piece("M2", "V1", "V2")
    three, four, five = piece("M3", "V1", "J"), piece("M4", "J", "V3"), piece("M5", "J", "V4")
    ways = {"V1": [one], "V2": [one, two], "V3": [one, three, four], "V4": [one, three, five]}
    drawn = _drawn_ends(ways, {"V1": 9.0, "V2": 5.0, "V3": 0.0, "V4": 3.0})
    assert drawn[0] == "V3"  # least to spare
    assert {p.main_id for v in drawn for p in ways[v]} == {"M1", "M2", "M3", "M4", "M5"}
    assert "V1" not in drawn


def test_of_very_many_the_scarce_and_the_far_are_drawn():
    ways = {f"V{i}": [piece(f"M{i}", "river", f"V{i}", 10.0 * i)] for i in range(100)}
    drawn = _drawn_ends(ways, {f"V{i}": float(i) for i in range(100)})
    assert len(drawn) <= MOST_ENDS
    assert {"V0", "V99"} <= set(drawn)
