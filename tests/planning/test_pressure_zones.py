"""Reducing valves, higher classes or a pump of its own: by hand on one branch, by brute force on trees."""

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from farmgis.planning.main_network import MainNetwork
from farmgis.planning.pressure_class import BAR_M, reach_pressures
from farmgis.planning.pressure_zones import (
    ZonePrices,
    _Bill,
    _least_level_m,
    _spare_m,
    _State,
    _valve,
    pressure_zones,
    reduced_heads_m,
    zone_findings,
)
from farmgis.records import Pipe

CLASSES = [
    Pipe("PVC-U", 200.0, 190.0, 6.0, 4.0, 0.01, 3.0, 1.0, 1.6),
    Pipe("PVC-U", 200.0, 184.6, 10.0, 6.5, 0.01, 3.0, 1.0, 1.6),
    Pipe("PVC-U", 200.0, 176.2, 16.0, 9.8, 0.01, 3.0, 1.0, 1.6),
]


@dataclass(frozen=True)
class Piece:
    main_id: str
    seq: int
    link: int
    pipe: Pipe
    line_m: Any
    start_head_m: Any
    end_head_m: Any


WEIGHT = ZonePrices(lambda p: p.weight_kg_m)


def tree(parent, ground, length=1000.0):
    n = len(parent)
    lines = [np.empty((0, 3))]
    for i in range(1, n):
        lines.append(np.array([[0.0, 0.0, ground[parent[i]]], [length, 0.0, ground[i]]]))
    valves = [i for i in range(1, n) if i not in parent]
    valve = np.array([valves.index(i) if i in valves else -1 for i in range(n)])
    return MainNetwork(
        ("river", *(f"N{i}" for i in range(1, n))), np.array(parent), np.array(ground, dtype=float),
        tuple(lines), np.array([0.0, *[length] * (n - 1)]), np.zeros(n), np.full(n, -1), valve,
    )  # fmt: skip


def laid(network, head, level, pipe=CLASSES[2]):
    """The pieces of a tree and their pressures, with little flow so that surge decides nothing."""
    head = np.atleast_2d(np.array(head, dtype=float))
    pieces = [
        Piece(f"M{i}", 1, i, pipe, network.line_m[i], head[:, network.parent[i]], head[:, i])
        for i in range(1, network.count)
    ]
    flows = np.full(head.shape, 1.0)
    return reach_pressures(pieces, flows, flows, level, CLASSES)


def zones_of(network, head, needed, level, prices=WEIGHT, water=100.0):
    reaches = laid(network, head, level)
    arrays = (np.atleast_2d(np.array(a, dtype=float)) for a in (head, needed))
    return pressure_zones(network, reaches, CLASSES, *arrays, water, level, prices)


# a high block on 140 m and two links that fall to a low one on 60 m; the low one needs 20 m
PARENT, GROUND = [-1, 0, 1, 1, 3], [100.0, 120.0, 140.0, 80.0, 60.0]
HEAD = [[170.0, 168.0, 166.0, 165.0, 160.0]]
NEEDED = [[np.nan, 123.0, 166.0, 83.0, 80.0]]


def test_reducing_valve_by_hand():
    # at rest 184 m: 104 m over the junction and 124 over the low valve, class 16 both. The branch needs
    # 168 - (165 - 83) = 86 and 168 - (160 - 80) = 88 m over datum where it begins, on 120 m: but 3 m are kept
    # everywhere, so 123, and 128 at rest: 48 and 68 m, class 6 and 10. A second valve on 80 m, where
    # 165 - 80 = 85 m over datum are needed, saves 1 km at 6.5 - 4.0 kg more
    network = tree(PARENT, GROUND)
    zones = zones_of(network, HEAD, NEEDED, 184.0)
    assert zones.option == "reducing valve"
    assert [v.link for v in zones.valves] == [3, 4]
    assert [v.set_head_m for v in zones.valves] == pytest.approx([3.0, 5.0])
    assert [v.level_m for v in zones.valves] == pytest.approx([128.0, 90.0])
    lean = zones_of(network, HEAD, NEEDED, 184.0, replace(WEIGHT, reducing_valve=2600.0, pump_set=1e9))
    assert [v.link for v in lean.valves] == [3]


def test_reducing_valve_where_the_branch_is_low():
    # as above, but the fork lies at 70 m: 88 m over datum are 18 m there; relief 5 m more, 93 m at rest
    network = tree(PARENT, [100.0, 70.0, 140.0, 65.0, 60.0])
    zones = zones_of(network, HEAD, NEEDED, 184.0)
    (valve,) = zones.valves
    assert (valve.link, valve.set_head_m, valve.relief_head_m) == pytest.approx((3, 18.0, 23.0))
    assert zones.static_level_m.tolist() == pytest.approx([184.0, 184.0, 184.0, 93.0, 93.0])
    # 114 and 124 m at rest asked for 16 bar; 28 and 33 m ask for 6: 2 km at 9.8 - 4.0 kg
    assert valve.saved == pytest.approx(2000.0 * 5.8, rel=1e-3)
    assert zones.cost["class"] - zones.cost["reducing valve"] == pytest.approx(valve.saved - 300.0, rel=1e-3)
    (told,) = zone_findings("river", network, zones, "kg")
    assert "relief at 23 m" in told.what
    assert "never without the relief" in told.advice


def test_a_valve_too_dear_leaves_the_class_raised():
    network = tree(PARENT, [100.0, 70.0, 140.0, 65.0, 60.0])
    dear = replace(WEIGHT, reducing_valve=20000.0, pump_set=1e6)
    zones = zones_of(network, HEAD, NEEDED, 184.0, dear)
    assert (zones.option, zones.valves) == ("class", ())
    assert (zones.static_level_m == 184.0).all()
    assert zone_findings("river", network, zones, "kg") == ()


def test_no_valve_where_a_shift_has_no_head_to_spare():
    # in the second shift the low branch has just what it needs
    network = tree(PARENT, [100.0, 70.0, 140.0, 65.0, 60.0])
    short = [*HEAD, [100.0, 98.0, np.nan, 90.0, 81.0]]
    zones = zones_of(network, short, [*NEEDED, NEEDED[0]], 184.0)
    assert zones.valves == ()


def test_a_separate_pump_where_both_others_are_dear():
    network = tree(PARENT, [100.0, 70.0, 140.0, 65.0, 60.0])
    zones = zones_of(network, HEAD, NEEDED, 184.0, ZonePrices(lambda p: p.weight_kg_m, 1e6, 10.0))
    assert zones.option == "class"  # a second source is advised, never planned
    assert zones.cost["separate pump"] < zones.cost["class"]
    assert "a pump and a main of its own" in zone_findings("river", network, zones, "kg")[0].what


def test_a_pump_that_is_cheapest_by_little_keeps_no_valve_away():
    network = tree(PARENT, [100.0, 70.0, 140.0, 65.0, 60.0])
    plain = zones_of(network, HEAD, NEEDED, 184.0)
    near = plain.cost["reducing valve"] * 0.99 - (plain.cost["separate pump"] - WEIGHT.pump_set)
    zones = zones_of(network, HEAD, NEEDED, 184.0, replace(WEIGHT, pump_set=near))
    assert zones.cost["separate pump"] < zones.cost["reducing valve"] < zones.cost["class"]
    assert zones.option == "reducing valve"
    assert [v.link for v in zones.valves] == [v.link for v in plain.valves] != []
    assert not zones.pump_pays


def test_what_no_class_bears_calls_for_a_valve():
    # 200 m at rest over the low valve, and 16 bar bear 163: a class alone does not serve
    network = tree(PARENT, [100.0, 90.0, 140.0, 65.0, 40.0])
    zones = zones_of(network, HEAD, [[np.nan, 95.0, 166.0, 75.0, 60.0]], 240.0, replace(WEIGHT, pump_set=1e9))
    assert zones.cost["class"] == np.inf
    assert zones.option == "reducing valve"
    lows = np.array([r.line_m[:, 2].min() for r in laid(network, HEAD, 240.0)])
    assert (zones.static_level_m[1:] - lows <= 16.0 * BAR_M + 1e-6).all()


@pytest.mark.parametrize("seed", range(12))
def test_valves_against_brute_force(seed):
    """On small trees: all sets of valves with their levels; the greedy choice costs at most 5 % more."""
    rng = np.random.default_rng(seed)
    n = 7
    parent = [-1, *(int(rng.integers(0, i)) for i in range(1, n))]
    ground = np.concatenate([[100.0], rng.uniform(20.0, 110.0, n - 1)])
    network = tree(parent, ground.tolist())
    head = np.full((1, n), 175.0)
    for i in range(1, n):
        head[0, i] = head[0, parent[i]] - 3.0
    needed = np.where(network.valve >= 0, ground + 20.0, ground + 3.0)[None, :]
    prices = replace(WEIGHT, reducing_valve=2500.0, pump_set=1e12)
    zones = zones_of(network, head, needed, 190.0, prices)
    bill = _Bill(network, laid(network, head, 190.0), CLASSES, prices)
    spare = _spare_m(network, head, needed)
    least = np.inf
    for chosen in itertools.product([False, True], repeat=n - 1):
        state = _State(np.full(n, 190.0), np.zeros(n))
        for link in (1 + np.flatnonzero(chosen)).tolist():
            valve = _valve(network, link, _least_level_m(network, bill.beyond[link], head, spare)[0])
            state = bill.below(network, valve, head, state)
        least = min(least, bill.total(state) + 2500.0 * sum(chosen))
    state = _State(np.full(n, 190.0), np.zeros(n))
    for valve in zones.valves:
        state = bill.below(network, valve, head, state)
    found = bill.total(state) + 2500.0 * len(zones.valves)
    assert least - 1e-6 <= found <= 1.05 * least
    assert (state.level_m == zones.static_level_m).all()


def test_heads_below_a_valve():
    # set to 88 m over datum: what ran at 168 m at the fork runs 80 m lower beyond;
    # where it had less it stays
    network = tree(PARENT, [100.0, 70.0, 140.0, 65.0, 60.0])
    (valve,) = zones_of(network, HEAD, NEEDED, 184.0).valves
    heads = reduced_heads_m(network, np.array([*HEAD, [90.0, 80.0, np.nan, 78.0, 75.0]]), [valve])
    assert heads[0].tolist() == pytest.approx([170.0, 168.0, 166.0, 85.0, 80.0])
    assert heads[1, 3:].tolist() == pytest.approx([78.0, 75.0])
