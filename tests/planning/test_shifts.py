"""Shifts against all groupings tried out, laws, and a user's own groups."""

import itertools

import numpy as np
import pytest

from farmgis.planning.shifts import GAP, Turn, flow_findings, grouped, judged, least_count, shifts_of


def turns_of(flows, hours=None, lifts=None):
    hours = np.full(len(flows), 5.0) if hours is None else hours
    lifts = np.full(len(flows), 120.0) if lifts is None else lifts
    values = zip(flows, hours, lifts, strict=True)
    return [
        Turn(f"B{i:03d}", round(float(q), 4), float(h), round(float(e), 4))
        for i, (q, h, e) in enumerate(values)
    ]


def partitions(n, count):
    """Every way to put n things into exactly `count` groups."""
    for marks in itertools.product(range(count), repeat=n):
        firsts = list(dict.fromkeys(marks))
        if len(firsts) == count and firsts == sorted(firsts):  # each partition once
            yield [tuple(i for i in range(n) if marks[i] == k) for k in range(count)]


@pytest.mark.parametrize("seed", range(6))
def test_no_other_grouping_is_better_than_the_gap_says(seed):
    rng = np.random.default_rng(seed)
    turns = turns_of(rng.uniform(20, 90, 7), rng.choice([4.0, 5.5, 7.0], 7), rng.uniform(100, 140, 7))
    most = 190.0
    for count in (2, 3, 4):
        every = [judged(turns, [[turns[i].block_id for i in g] for g in groups], most)
                 for groups in partitions(7, count)
                 if all(sum(turns[i].flow_m3h for i in g) <= most for g in groups)]  # fmt: skip
        found = grouped(turns, most, count)
        if not every:
            assert found is None
            continue
        best = min(g.cost for g in every)
        assert found.bound <= best + 1e-9 <= found.cost + 1e-6
        assert found.cost <= best * (1.0 + GAP) + 1e-9


def test_high_blocks_run_together():
    # by hand: two high and two low blocks of one flow in two shifts
    found = grouped(turns_of([50.0] * 4, lifts=[150.0, 110.0, 150.0, 110.0]), 120.0, 2)
    assert sorted(found.groups) == [(0, 2), (1, 3)]
    first, second = shifts_of("river", turns_of([50.0] * 4, lifts=[150.0, 110.0, 150.0, 110.0]), found)
    assert (first.zone_id, first.block_ids) == ("river-Z01", ("B000", "B002"))
    assert second.flow_m3h == pytest.approx(100.0)


@pytest.mark.parametrize(("blocks", "most"), [(30, 900.0), (200, 900.0)])
def test_many_blocks_each_run_once_within_the_flow(blocks, most):
    rng = np.random.default_rng(blocks)
    turns = turns_of(
        rng.uniform(50, 130, blocks), rng.choice([5.4, 6.1], blocks), rng.uniform(110, 160, blocks)
    )
    count = least_count(turns, most) + 1
    found = grouped(turns, most, count)
    assert len(found.groups) == count
    assert sorted(i for g in found.groups for i in g) == list(range(blocks))
    assert max(sum(turns[i].flow_m3h for i in g) for g in found.groups) <= most
    assert 0.0 <= found.gap < 0.1
    assert grouped(turns, most, count) == found


def test_one_flow_that_is_short_leaves_no_grouping():
    assert grouped(turns_of([60.0, 60.0, 60.0]), 100.0, 2) is None
    assert least_count(turns_of([60.0, 60.0, 60.0]), 100.0) == 2  # what the sum asks for; no bins are packed
    assert len(grouped(turns_of([60.0, 60.0, 60.0]), 100.0, 3).groups) == 3


def test_block_over_the_flow_runs_alone_and_is_told():
    turns = turns_of([250.0, 60.0, 70.0])
    found = grouped(turns, 200.0, 2)
    assert sorted(found.groups) == [(0,), (1, 2)]
    (finding,) = flow_findings("river", turns, shifts_of("river", turns, found), 200.0)
    assert finding.where_id == "B000"
    assert (finding.measured, finding.limit) == (250.0, 200.0)


def test_users_groups_are_kept_and_judged():
    turns = turns_of([80.0, 80.0, 80.0, 30.0], hours=[5.0, 6.0, 5.0, 4.0])
    found = judged(turns, [["B000", "B001"], ["B002"]], 150.0)
    assert sorted(found.groups) == [(0, 1), (2,), (3,)]
    assert found.hours == pytest.approx(6.0 + 5.0 + 4.0)
    (finding,) = flow_findings("river", turns, shifts_of("river", turns, found), 150.0)
    assert "take 160 m3/h together, river gives 150" in finding.what


@pytest.mark.parametrize(("flow", "blocks", "shifts"), [(20 / 3, 30, 1), (200 / 3, 6, 2), (12.34567, 6, 1)])
def test_blocks_that_take_the_flow_to_the_last_digit_fit(flow, blocks, shifts):
    """As where no source is stated, and the flow is that of all blocks together."""
    turns = [Turn(f"B{i:03d}", flow, 5.0) for i in range(blocks)]
    most = flow * blocks / shifts
    found = grouped(turns, most, shifts)
    assert found is not None
    assert {len(g) for g in found.groups} == {blocks // shifts}
    assert flow_findings("river", turns, shifts_of("river", turns, found), most) == ()


def test_exchanges_leave_nothing_to_gain():
    """No single move or swap of blocks between two shifts costs less than what was found."""
    rng = np.random.default_rng(3)
    turns = turns_of(rng.uniform(60, 130, 18), rng.choice([4.4, 5.1], 18), rng.uniform(110, 150, 18))
    most = 480.0
    found = grouped(turns, most, 4)
    assert found is not None
    where = {i: k for k, g in enumerate(found.groups) for i in g}

    def cost(where):
        groups = [[turns[i].block_id for i in where if where[i] == k] for k in range(4)]
        if not all(groups) or any(sum(turns[int(b[1:])].flow_m3h for b in g) > most for g in groups):
            return np.inf
        return judged(turns, groups, most).cost

    assert cost(where) == pytest.approx(found.cost)
    for i in where:
        for k in range(4):
            assert cost(where | {i: k}) >= found.cost - 1e-5
        for j in where:
            assert cost(where | {i: where[j], j: where[i]}) >= found.cost - 1e-5
