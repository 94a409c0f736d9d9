"""Fittings: all extremes of synthetic profiles against scipy's peaks, places and reasons by hand."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import shapely
from scipy.signal import find_peaks

from farmgis.layers import LAYERS
from farmgis.planning.fittings import (
    LONG_GRADE_M,
    fittings_table,
    lateral_fittings,
    main_extremes,
    main_fittings,
    reducing_fittings,
    submain_fittings,
    valve_fittings,
)
from farmgis.planning.main_network import MainNetwork
from farmgis.planning.pressure_zones import ReducingValve
from farmgis.records import Pipe, Table

PIPE = Pipe("PVC-U", 200.0, 184.6, 10.0, 6.5, 0.01)


@dataclass(frozen=True)
class Piece:
    main_id: str
    seq: int
    link: int
    pipe: Pipe
    line_m: Any
    start_head_m: Any = None
    end_head_m: Any = None


def tree(parent, profiles, step=50.0):
    """A tree whose links go east over profiles of ground, a vertex each `step` m."""
    lines: list = [np.empty((0, 3))]
    x0 = [0.0]
    for i in range(1, len(parent)):
        x = x0[parent[i]] + step * np.arange(len(profiles[i]))
        x0.append(float(x[-1]))
        lines.append(np.column_stack([x, np.full(len(x), 10.0 * i), profiles[i]]))
    ground = np.array([profiles[1][0], *[p[-1] for p in profiles[1:]]])
    inner = set(parent)
    leaves = [i for i in range(1, len(parent)) if i not in inner]
    valve = np.array([leaves.index(i) if i in leaves else -1 for i in range(len(parent))])
    length = [float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()) for line in lines[1:]]
    return MainNetwork(
        ("river", *(f"N{i}" for i in range(1, len(parent)))), np.array(parent), ground, tuple(lines),
        np.array([0.0, *length]), np.zeros(len(parent)), np.full(len(parent), -1), valve,
    )  # fmt: skip


def one_piece_each(network):
    return [
        Piece(f"river-M{i:02d}", 1, i, PIPE, network.line_m[i])
        for i in range(1, network.count)
        if len(network.line_m[i])
    ]


def of_kind(fittings, kind):
    return [f for f in fittings if f.kind == kind]


# ---- extremes --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_all_extremes_of_a_single_main_against_scipy(seed):
    rng = np.random.default_rng(seed)
    z = np.cumsum(rng.normal(0.0, 1.0, 200))
    highs, lows = main_extremes(tree([-1, 0], [None, z]))
    # a peak that stands out by the same half metre on both sides, ends not counted as sides of their own
    expected = find_peaks(z, prominence=0.5)[0], find_peaks(-z, prominence=0.5)[0]
    assert {i for _, i in highs} >= set(expected[0].tolist())
    assert {i for _, i in lows} >= set(expected[1].tolist())
    # highs and lows take turns, each at least half a metre from the next
    both = sorted([(i, 1) for _, i in highs] + [(i, -1) for _, i in lows])
    assert all(a[1] != b[1] and abs(z[a[0]] - z[b[0]]) >= 0.5 for a, b in pairwise(both))


@pytest.mark.parametrize("seed", range(10))
def test_extremes_at_and_across_branchings(seed):
    """Each way's own peaks are found, but those at a branching from which the other main rises."""
    rng = np.random.default_rng(100 + seed)
    trunk = np.cumsum(rng.normal(0.0, 1.0, 40))
    arms = [np.cumsum(np.concatenate([[trunk[-1]], rng.normal(0.0, 1.0, 40)])) for _ in range(2)]
    network = tree([-1, 0, 1, 1], [None, trunk, *arms])
    highs, _ = main_extremes(network)
    for link, arm in ((2, arms[0]), (3, arms[1])):
        way = np.concatenate([trunk, arm[1:]])
        peaks = find_peaks(way, prominence=0.5)[0]
        for k in peaks:
            point = (1, int(k)) if k < 40 else (link, int(k) - 39)
            other = arms[1] if link == 2 else arms[0]
            after = np.concatenate([trunk[k:], other[1:]]) if k < 40 else np.array([way[k]])
            over, under = np.flatnonzero(after > after[0]), np.flatnonzero(after < after[0] - 0.5)
            rises = over.size and (not under.size or over[0] < under[0])
            assert point in highs or rises


def test_a_branching_is_a_high_only_where_both_mains_fall():
    up, down = np.linspace(110.0, 120.0, 5), np.linspace(110.0, 100.0, 5)
    rise = np.linspace(100.0, 110.0, 5)
    assert main_extremes(tree([-1, 0, 1, 1], [None, rise, down, down]))[0] == {(1, 4)}
    assert main_extremes(tree([-1, 0, 1, 1], [None, rise, up, down]))[0] == set()
    fall = np.linspace(120.0, 110.0, 5)
    assert main_extremes(tree([-1, 0, 1, 1], [None, fall, up, up]))[1] == {(1, 4)}
    assert main_extremes(tree([-1, 0, 1, 1], [None, fall, up, down]))[1] == set()


def test_a_high_across_two_links_is_found_once():
    # 100 to 105 in the first, on to 107 and down to 101 in the second: one high, inside the second
    network = tree([-1, 0, 1], [None, np.array([100.0, 105.0]), np.array([105.0, 107.0, 101.0])])
    highs, lows = main_extremes(network)
    assert highs == {(2, 1)}
    assert lows == set()


# ---- mains -----------------------------------------------------------------------------------------


def test_fittings_of_a_main_by_hand():
    # over a hill, through a dip, up to a valve
    z = np.array([100.0, 108.0, 103.0, 104.0, 109.0])
    network = tree([-1, 0], [None, z])
    made = main_fittings(network, one_piece_each(network))
    (air,) = of_kind(made, "air and vacuum")
    assert (air.elevation_m, air.x_m, air.on_id, air.size_mm) == (108.0, 50.0, "river-M01", 50.0)
    (drain,) = of_kind(made, "drain")
    assert (drain.elevation_m, drain.x_m, drain.size_mm) == (103.0, 100.0, 50.0)
    (flush,) = of_kind(made, "flush")
    assert (flush.x_m, flush.size_mm) == (200.0, 100.0)
    assert "drains" not in flush.reason


def test_a_low_end_flushes_and_drains():
    network = tree([-1, 0], [None, np.array([110.0, 105.0, 100.0])])
    (flush,) = main_fittings(network, one_piece_each(network))
    assert "drains here too" in flush.reason


def test_long_grades_have_air_valves():
    # 1900 m of even rise, then a fork: 50 m to each side, without a high
    trunk, short = np.linspace(100.0, 138.0, 39), np.array([138.0, 139.0])
    network = tree([-1, 0, 1, 1], [None, trunk, short, short])
    made = of_kind(main_fittings(network, one_piece_each(network)), "air and vacuum")
    assert [round(f.x_m / 10.0) for f in made] == [50, 100, 150]
    # 450 m on one side: the next stands 500 m after the last, in that branch
    longer = tree([-1, 0, 1, 1], [None, trunk, short, np.linspace(138.0, 147.0, 10)])
    made = of_kind(main_fittings(longer, one_piece_each(longer)), "air and vacuum")
    assert [round(f.x_m / 10.0) for f in made] == [50, 100, 150, 200]
    assert made[-1].on_id == "river-M03"
    assert all("without a high" in f.reason for f in made)


@pytest.mark.parametrize("seed", range(5))
def test_no_stretch_is_longer_than_the_limit(seed):
    rng = np.random.default_rng(seed)
    z = np.cumsum(rng.normal(0.2, 0.4, 120))
    network = tree([-1, 0], [None, z])
    air = of_kind(main_fittings(network, one_piece_each(network)), "air and vacuum")
    at = np.array([0.0, *sorted(f.x_m for f in air), 119 * 50.0])
    assert np.diff(at).max() <= LONG_GRADE_M + 1e-6
    assert {round(f.x_m / 50.0) for f in air} >= set(find_peaks(z, prominence=0.5)[0].tolist())


def test_a_fitting_stands_on_the_piece_that_lies_there():
    network = tree([-1, 0], [None, np.array([100.0, 101.0, 105.0, 101.0])])
    line = network.line_m[1]
    wide = Piece("river-M01", 1, 1, Pipe("PVC-U", 400.0, 380.0, 10.0, 20.0, 0.01), line[:2])
    thin = Piece("river-M01", 2, 1, Pipe("PVC-U", 90.0, 81.4, 10.0, 1.6, 0.01), line[1:])
    (air,) = of_kind(main_fittings(network, [thin, wide]), "air and vacuum")
    assert air.size_mm == 25.0  # 105 m stands on the thin one


def test_each_reducing_valve_has_its_relief():
    network = tree([-1, 0], [None, np.array([100.0, 80.0, 60.0])])
    valve = ReducingValve(1, network.line_m[1][0], 20.0, 25.0, 125.0, 1.0)
    made = reducing_fittings(network, one_piece_each(network), [valve])
    assert [f.kind for f in made] == ["reducing valve", "pressure relief", "test point"]
    assert {(f.x_m, f.elevation_m) for f in made} == {(0.0, 100.0)}
    assert "opens at 25 m" in made[1].reason


# ---- blocks ----------------------------------------------------------------------------------------


def table(lines, **columns):
    shapes = np.array([shapely.linestrings(line) for line in lines], dtype=object)
    return Table({k: np.array(v, dtype=object) for k, v in columns.items()}, shapes)


def test_submain_high_ends_low_ends_and_sizes():
    # from the valve at 100 m: one up to 106 m in two sizes, one down to 95 m with a hump on the way
    up = [[0, 0, 100], [0, 50, 103], [0, 100, 106]]
    down = [[0, 0, 100], [0, -50, 98], [0, -100, 99], [0, -150, 95]]
    made = submain_fittings(
        table(
            [up[:2], up[1:], down],
            submain_id=["A-S1", "A-S1", "A-S2"],
            seq=[1, 2, 1],
            nominal_mm=[200.0, 90.0, 110.0],
        )
    )
    on = {name: [(f.kind, f.elevation_m) for f in made if f.on_id == name] for name in ("A-S1", "A-S2")}
    assert on["A-S1"] == [("air and vacuum", 106.0), ("flush", 106.0), ("drain", 100.0)]
    assert on["A-S2"] == [
        ("vacuum relief", 100.0), ("vacuum relief", 99.0), ("flush", 95.0), ("drain", 98.0)
    ]  # fmt: skip
    sizes = {(f.on_id, f.kind, f.elevation_m): f.size_mm for f in made}
    assert sizes["A-S1", "flush", 106.0] == 50.0  # half of 90 mm
    assert sizes["A-S1", "drain", 100.0] == 50.0  # a quarter of 200 mm
    assert "drains here" in next(f for f in made if f.on_id == "A-S2" and f.kind == "flush").reason


def test_two_submains_that_fall_from_the_valve_share_a_vacuum_relief():
    made = submain_fittings(
        table(
            [[[0, 0, 100], [0, 50, 97]], [[0, 0, 100], [0, -50, 96]]],
            submain_id=["A-S1", "A-S2"],
            seq=[1, 1],
            nominal_mm=[90.0, 90.0],
        )
    )
    assert [f.kind for f in made] == ["vacuum relief", "flush", "flush"]


def test_block_valves():
    valves = Table(
        {
            "valve_id": np.array(["A-V", "B-V"], dtype=object),
            "nominal_mm": np.array([80.0, 150.0]),
            "elevation_m": np.array([100.0, 90.0]),
            "set_head_m": np.array([12.3, 14.0]),
            "regulated": np.array([True, False]),
        },
        shapely.points([[1.0, 2.0], [3.0, 4.0]]),
    )
    made = valve_fittings(valves)
    assert [f.kind for f in made if f.on_id == "A-V"] == ["air and vacuum", "regulator", "test point"]
    assert [f.kind for f in made if f.on_id == "B-V"] == ["air and vacuum", "test point"]
    assert "12.3 m" in made[1].reason


def test_lateral_ends_in_groups():
    lines = [[[0, y, 100], [100, y, 101 + y]] for y in range(3)] + [[[0, 0, 100], [-80, 0, 99]]]
    arms = ["uphill"] * 3 + ["downhill"]
    made = lateral_fittings(table(lines, submain_id=["A-S1"] * 4, arm=arms))
    assert [f.kind for f in made] == ["flush", "flush"]
    assert (made[0].x_m, made[0].y_m, made[0].elevation_m) == (100.0, 1.0, 102.0)
    assert "3 lateral ends on the uphill side" in made[0].reason


def test_rows_are_the_layers():
    network = tree([-1, 0], [None, np.array([100.0, 108.0, 103.0, 109.0])])
    rows = fittings_table(main_fittings(network, one_piece_each(network)))
    columns = {c.name: c for c in LAYERS["fittings"].columns}
    assert set(rows.columns) == set(columns)
    assert rows.columns["fitting_id"].tolist() == ["river-M01-F01", "river-M01-F02", "river-M01-F03"]
    assert set(rows.columns["kind"]) <= set(columns["kind"].values)
    assert fittings_table([]) is None
