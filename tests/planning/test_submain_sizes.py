"""Sizes of submains by linear program: against enumeration, and what they are for."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from farmgis.hydraulics.friction import DEFAULT_WATER, pipe_rows
from farmgis.hydraulics.friction_kernel import loss_per_metre
from farmgis.planning import submain_sizes_kernel
from farmgis.planning.block_search import submain_pipes
from farmgis.planning.block_search_kernel import HEAD_VARIATION, Judge, PipeTable, UnitTable
from farmgis.planning.layout import lay_out
from farmgis.planning.submain_checks import size_findings
from farmgis.planning.submain_sizes import (
    SubmainProblem,
    cheapest_sizes,
    of_few_sizes,
    sizes_of_lines,
    widens,
)
from farmgis.planning.survey import survey
from farmgis.records import Design
from farmgis.tables import reader

PIPES = submain_pipes(reader.pipes())[:5]
ROWS = pipe_rows(PIPES, DEFAULT_WATER)
UNIT_M3_S = 1.5 / 3600.0


def falling(fall_m, units=4, reach_m=24.0, range_m=1.0, flow=True):
    """A submain fed at its top, laterals of some spread at each unit, flow that does not go with head."""
    curves = np.zeros((units, 2, 3, 3))
    curves[:, 0, 0, 0] = UNIT_M3_S
    curves[:, 0, 1] = [9.9, 1.0, 0.0]
    curves[:, 0, 2] = [10.0, 1.0, 0.0]
    arms = np.zeros((units, 2), bool)
    arms[:, 0] = True
    return SubmainProblem(
        valve=0,
        ground_m=-fall_m * np.arange(units),
        reach_m=np.full(units, reach_m),
        lines=np.ones(units),
        curves=curves,
        arms=arms,
        x1_m=10.0,
        rows=ROWS,
        fastest_m3_s=np.array([np.pi / 4.0 * (p.inside_mm / 1000.0) ** 2 * 2.0 for p in PIPES]),
        weight_kg_m=np.array([p.weight_kg_m for p in PIPES]),
        least_m=1.0,
        most_m=14.0,
        range_m=range_m,
        ratio=0.0,
        flow_m3_s=units * UNIT_M3_S if flow else None,
    )


def head_changes(problem, length_m):
    """Heads against the valve's, of metres of each size in each reach, by friction alone and fall."""
    units = problem.ground_m.size
    head = np.zeros(units)
    for k in range(1, units):
        flow = (units - k) * UNIT_M3_S
        loss = sum(length_m[k, i] * loss_per_metre(flow, ROWS[i])[0] for i in range(len(PIPES)))
        head[k] = head[k - 1] + problem.ground_m[k - 1] - problem.ground_m[k] - loss
    return head


@pytest.mark.parametrize("fall_m", [-0.2, 0.0, 0.2, 0.35])
def test_no_enumerated_sizes_are_lighter(fall_m):
    """All ways to pipe each reach with one size, or with two half and half, that keep the range of heads."""
    problem = falling(fall_m)
    sizes = cheapest_sizes(problem)
    halves = [(i, j) for i in range(len(PIPES)) for j in range(i, len(PIPES))]
    least = np.inf
    for way in itertools.product(halves, repeat=3):
        length = np.zeros((4, len(PIPES)))
        for k, (i, j) in enumerate(way, 1):
            length[k, i] += 12.0
            length[k, j] += 12.0
        heads = head_changes(problem, length)
        if heads.max() - heads.min() + 0.1 <= problem.range_m:
            least = min(least, float((length @ problem.weight_kg_m).sum()))
    assert sizes is not None
    assert sizes.weight_kg <= least + 1e-9
    assert sizes.weight_kg > 0.8 * least
    heads = head_changes(problem, sizes.length_m)
    assert heads.max() - heads.min() + 0.1 <= problem.range_m + 1e-6
    np.testing.assert_allclose(sizes.length_m[1:].sum(axis=1), 24.0)
    np.testing.assert_allclose(sizes.head_m - sizes.head_m[0], heads, atol=1e-6)


@pytest.mark.parametrize("fall_m", [-0.2, 0.0, 0.2, 0.35])
def test_few_sizes_keep_the_heads_and_are_near_the_lightest(fall_m):
    """Against every pair of sizes on sale by enumeration: each reach in one of two, or half and half."""
    problem = falling(fall_m)
    found = cheapest_sizes(problem)
    few = of_few_sizes([problem], found, 2)
    used = np.flatnonzero(few.length_m.sum(axis=0) > 1e-3)
    assert used.size <= 2
    heads = head_changes(problem, few.length_m)
    assert heads.max() - heads.min() + 0.1 <= problem.range_m + 1e-6
    np.testing.assert_allclose(few.length_m[1:].sum(axis=1), 24.0)
    least = np.inf
    for one, other in itertools.combinations(range(len(PIPES)), 2):
        for way in itertools.product([(one, one), (one, other), (other, other)], repeat=3):
            length = np.zeros((4, len(PIPES)))
            for k, pair in enumerate(way, 1):
                for i in pair:
                    length[k, i] += 12.0
            changes = head_changes(problem, length)
            if changes.max() - changes.min() + 0.1 <= problem.range_m:
                least = min(least, float((length @ problem.weight_kg_m).sum()))
    assert found.weight_kg - 1e-9 <= few.weight_kg <= 1.05 * least


def test_sizes_that_are_few_enough_are_left_alone():
    problem = falling(0.2)
    found = cheapest_sizes(problem)
    assert of_few_sizes([problem], found, len(PIPES)) is found


def test_a_submain_has_few_sizes_or_a_finding_says_so(square_field, ground):
    """On a slope and waves: every emitter solved, all within tolerance."""
    found = survey(square_field(8.0), ground(lambda x, y: 0.02 * y + 0.6 * np.sin(y / 35.0)))
    pipes = submain_pipes(reader.pipes())
    for most in (3, 4):
        field = square_field(8.0, design=Design(row_azimuth_deg=90.0, submain_sizes_max=most))
        layout = lay_out(field, found, pipes)
        sizes = [np.unique(b.choice.sizes).size for b in layout.blocks]
        assert all(b.within_tolerance for b in layout.blocks)
        assert [f.measured for f in size_findings(field, layout)] == [n for n in [max(sizes)] if n > most]
        assert min(sizes) <= most


def test_more_sizes_than_wanted_ask_for_no_line_that_is_listed_or_laid(square_field, ground):
    """On waves one size serves no block: what is advised hangs on the lines that the field has."""
    field = square_field(8.0, design=Design(row_azimuth_deg=90.0))
    layout = lay_out(
        field, survey(field, ground(lambda x, y: 0.6 * np.sin(y / 35.0))), submain_pipes(reader.pipes())
    )
    strict = replace(field, design=replace(field.design, submain_sizes_max=1))
    even = replace(layout.dripline, name="even", exponent=0.0, least_head_m=4.0)
    (plain,) = size_findings(strict, layout)
    (listed,) = size_findings(replace(strict, driplines=(*strict.driplines, even)), layout)
    (laid,) = size_findings(strict, replace(layout, dripline=even))
    assert "list a pressure-compensating" in plain.advice
    assert "what 'even' would do here" in listed.advice
    assert "compensating" not in laid.advice
    assert "even" not in laid.advice


def marked(problem):
    """Whether the search's kernel takes a problem for one that some sizes solve."""
    n = problem.ground_m.size
    facts = np.zeros((n, 2, 3))
    facts[:, 0, 0] = 1.0
    law = np.array([UNIT_M3_S / 10.0**0.5, 0.5, 0.0, np.inf])
    ground, reach, lines, curves = problem.ground_m, problem.reach_m, problem.lines, problem.curves
    table = UnitTable(ground, reach, lines, np.zeros((n, 2)), curves, facts)
    pipes = PipeTable(problem.rows, problem.fastest_m3_s, np.zeros((1, 1)), problem.weight_kg_m, 0.0)
    judge = Judge(UNIT_M3_S, 10.0, law, HEAD_VARIATION, problem.range_m / 10.0, 0.03, 0.0, problem.most_m)
    return submain_sizes_kernel.can_spend(0, n, 0, table, pipes, judge, submain_sizes_kernel.room_of(n))


def test_the_search_takes_for_possible_what_the_program_solves():
    """From a climb to a steep fall: ranges carried towards the valve say the same as the linear program."""
    seen = set()
    for fall in np.arange(-1.0, 3.01, 0.1):
        problem = falling(float(fall), flow=False)
        possible = cheapest_sizes(problem) is not None
        assert marked(problem) == possible, fall
        seen.add(possible)
    assert seen == {True, False}


def test_pieces_as_laid_keep_their_length_and_none_is_short():
    problem = falling(0.4)
    sizes = cheapest_sizes(problem)
    assert sizes is not None
    laid = sizes_of_lines(problem, sizes, np.array([0, 16, 32, 48]), 49, 0)  # a line each 1.5 m
    assert laid.shape == (49,)
    metres = np.bincount(laid[1:], minlength=len(PIPES)) * 1.5
    changes = np.flatnonzero(np.diff(laid[1:])) + 1
    assert np.diff([0, *changes, 48]).min() * 1.5 >= 6.0 - 1.5
    assert metres.sum() == pytest.approx(72.0)
    assert float(metres @ problem.weight_kg_m) == pytest.approx(sizes.weight_kg, rel=0.1)


def test_a_pipe_that_is_followed_by_a_wider_one_is_seen_on_either_branch():
    """Sizes by line, the valve at line 3; outward they may only fall."""
    assert not widens(np.array([0, 1, 2, 2, 4, 3, 3]), 3)
    assert widens(np.array([0, 2, 1, 1, 4, 3, 3]), 3)
    assert widens(np.array([0, 1, 2, 2, 3, 4, 3]), 3)
    assert not widens(np.array([5]), 0)


def test_spending_the_fall_takes_fewer_blocks(square_field, ground, monkeypatch):
    """8 ha down wavy slopes of 4 to 7 %, 11 to 20 m of fall for 2 m of tolerance: with and without spending.

    Never more blocks or dearer ones, and fewer in all.
    """
    design = Design(row_azimuth_deg=90.0, block_min_ha=0.5, submain_sizes_max=20)
    field, pipes = square_field(8.0, design=design), submain_pipes(reader.pipes())
    grounds = [
        survey(field, ground(lambda x, y, s=s: s * y + np.sin(y / 30.0) + 0.5 * np.sin(x / 50.0)))
        for s in (0.04, 0.05, 0.06, 0.07)
    ]
    spent = [lay_out(field, g, pipes) for g in grounds]
    monkeypatch.setattr(
        "farmgis.planning.block_choice.spendable",
        lambda trial, bounds, best: np.full((*best.shape[:2], 2), -1, np.int64),
    )
    monkeypatch.setattr("farmgis.planning.block_choice.cheapest_sizes", lambda problem: None)
    tapered = [lay_out(field, g, pipes) for g in grounds]
    for with_it, without in zip(spent, tapered, strict=True):
        assert all(b.within_tolerance for b in with_it.blocks)  # every emitter solved
        assert any(b.choice.spent for b in with_it.blocks)
        assert len(with_it.blocks) <= len(without.blocks)
        assert sum(b.choice.cost for b in with_it.blocks) <= sum(b.choice.cost for b in without.blocks)
    assert sum(len(a.blocks) for a in spent) < sum(len(a.blocks) for a in tapered)


def test_lighter_sizes_leave_heads_as_even(square_field, ground, monkeypatch):
    """Of as many sizes as the tapering submain has: of fewer, heads may use what the tolerance leaves."""
    field = square_field(6.0, design=Design(row_azimuth_deg=90.0, submain_sizes_max=20))
    found = survey(field, ground(lambda x, y: 0.004 * y + 0.3 * np.sin(y / 40.0)))
    pipes = submain_pipes(reader.pipes())

    def weight(layout):
        total = 0.0
        for b in layout.blocks:
            step = np.linalg.norm(np.diff(b.drawn.submain_m, axis=0), axis=1)
            sizes = b.heads.sizes
            valve = b.drawn.valve
            reach = [sizes[k + 1] if k >= valve else sizes[k] for k in range(step.size)]
            total += float(sum(pipes[i].weight_kg_m * m for i, m in zip(reach, step, strict=True)))
        return total

    light = lay_out(field, found, pipes)
    monkeypatch.setattr("farmgis.planning.block_choice.cheapest_sizes", lambda problem: None)
    tapered = lay_out(field, found, pipes)
    assert len(light.blocks) == len(tapered.blocks)
    assert weight(light) <= weight(tapered) + 1e-6
    for a, b in zip(light.blocks, tapered.blocks, strict=True):
        assert a.heads.head_variation_pct <= b.heads.head_variation_pct + 0.7
