"""The chance that a block keeps its tolerance: against full solves on wrong ground, and its limits."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from farmgis.hydraulics.tree import solve_tree
from farmgis.planning.block_chance import (
    Sample,
    chance_of,
    emitter_places,
    sampled,
    used_share,
    with_chances,
)
from farmgis.planning.block_hydraulics import block_solution
from farmgis.planning.block_search import submain_pipes
from farmgis.planning.elevation_error import ElevationError, error_grids
from farmgis.planning.layout import lay_out, rules_for
from farmgis.planning.survey import survey
from farmgis.records import Design, Dripline, Table, Tolerance
from farmgis.tables import reader

LINE = Dripline("16 mm", 13.6, 0.5, 1.6)


@pytest.fixture(scope="module")
def case(square_field, ground):
    """Return (field, survey, layout, pipes) of a small block on a gentle hill."""
    design = Design(block_min_ha=0.2, row_azimuth_deg=90.0, tolerance=Tolerance("head_variation_pct", 20.0))
    field = square_field(0.8, line=LINE, design=design)
    found = survey(field, ground(lambda x, y: 0.006 * y + 0.2 * np.sin(x / 40.0)))
    pipes = submain_pipes(reader.pipes())
    layout = lay_out(field, found, pipes)
    assert len(layout.blocks) == 1
    return field, found, layout, pipes


@pytest.mark.parametrize(("error_m", "correlation_m"), [(0.35, 25.0), (0.7, 120.0)])
def test_chance_equals_that_of_full_solves_on_wrong_ground(case, error_m, correlation_m):
    """Each error is added to the ground of every node, and the whole tree solved at the valve's head."""
    field, _, layout, pipes = case
    (block,) = layout.blocks
    rules = rules_for(field.design, layout.dripline, pipes)
    grids = error_grids(ElevationError(error_m, correlation_m), field.area.bounds, "A")
    ours = chance_of(block.drawn, block.choice, rules, grids, correlation_m / 4.0).within_pct
    node, tree, solution = block_solution(block.drawn, block.choice, rules)
    emitters = np.arange(block.heads.emitters)
    x, y = emitter_places(block.drawn.laterals, LINE.emitter_spacing_m, emitters)
    error = grids.at(np.append(block.drawn.submain_m[:, 0], x), np.append(block.drawn.submain_m[:, 1], y))
    kept = []
    for one in error[:120].astype(float):
        ground = tree.ground_m.copy()
        ground[node] += one[: len(node)]
        ground[len(node) :] += one[len(node) :]
        heads = solve_tree(replace(tree, ground_m=ground), "fixed head", float(solution.head_m[0])).head_m
        own = heads[len(node) :][None, :]
        kept.append(bool(used_share(own, np.ones(own.size), rules)[0] <= 1.0))
    full = 100.0 * np.mean(kept)
    assert 5.0 < full < 95.0  # else the check says little
    sample = sampled(block.drawn, block.choice, rules, correlation_m / 4.0)
    same = grids.at(
        np.append(sample.x_m, block.drawn.submain_m[block.drawn.valve, 0]),
        np.append(sample.y_m, block.drawn.submain_m[block.drawn.valve, 1]),
    )[:120]
    judged = used_share(sample.head_m - (same[:, :-1] - same[:, -1:]), sample.weight, rules) <= 1.0
    assert np.mean(judged == np.array(kept)) > 0.9  # error by error
    assert 100.0 * judged.mean() == pytest.approx(full, abs=8.0)
    assert ours == pytest.approx(full, abs=12.0)


def test_no_error_is_certainty(case):
    field, found, layout, pipes = case
    blocks = Table({"block_id": np.array(["A-B01"], dtype=object)})
    for tolerance, chance in ((20.0, 100.0), (1.0, 0.0)):
        judged = replace(
            field, design=replace(field.design, tolerance=Tolerance("head_variation_pct", tolerance))
        )
        table, _ = with_chances(judged, found, layout, pipes, blocks, (0.0, 50.0))
        assert table.columns["chance_within_tolerance_pct"].tolist() == [chance]


def test_an_error_that_is_alike_everywhere_changes_nothing(case):
    """A metre of error, the same within some millimetres over the field: a shift of the datum."""
    field, found, layout, pipes = case
    blocks = Table({"block_id": np.array(["A-B01"], dtype=object)})
    table, told = with_chances(field, found, layout, pipes, blocks, (1.0, 1e7))
    assert table.columns["chance_within_tolerance_pct"].tolist() == [100.0]
    assert told == ()
    none, _ = with_chances(field, found, layout, pipes, blocks, None)
    assert np.isnan(none.columns["chance_within_tolerance_pct"]).all()


def test_a_large_error_is_told(case):
    field, found, layout, pipes = case
    blocks = Table({"block_id": np.array(["A-B01"], dtype=object)})
    table, (told,) = with_chances(field, found, layout, pipes, blocks, (3.0, 30.0))
    assert table.columns["chance_within_tolerance_pct"][0] == told.measured < 5.0
    assert "A-B01" in told.what


def test_drawn_errors_have_the_covariance_that_was_asked_for():
    """Standard deviation and exp(-d / L) at some distances, within what 2000 draws scatter by."""
    grids = error_grids(ElevationError(0.5, 40.0), (0.0, 0.0, 200.0, 200.0), "A", count=2000)
    x = 20.0 + np.array([0.0, 10.0, 20.0, 40.0, 80.0])
    drawn = grids.at(x, np.full(5, 60.0)).astype(float)
    together = np.cov(drawn.T)
    assert np.sqrt(np.diag(together)) == pytest.approx([0.5] * 5, abs=0.025)
    assert together[0] / 0.25 == pytest.approx(np.exp(-np.array([0, 10, 20, 40, 80]) / 40.0), abs=0.07)


def test_chance_of_two_emitters_equals_the_bivariate_normal():
    """Two emitters at 10 m far from each other: the chance that they differ by no more than 20 %."""
    error, apart = ElevationError(0.8, 50.0), 80.0
    grids = error_grids(error, (0.0, 0.0, 100.0, 100.0), "A", count=4000)
    sample = Sample(np.array([10.0, 10.0 + apart]), np.full(2, 50.0), np.full(2, 10.0), np.ones(2))
    heads = sample.head_m - grids.at(sample.x_m, sample.y_m).astype(float)
    rules = rules_for(Design(), Dripline("a line", 22.2, 0.4, 1.0), submain_pipes(reader.pipes()))
    ours = (used_share(heads, sample.weight, rules) <= 1.0).mean()
    rho = np.exp(-apart / error.correlation_m)
    law = multivariate_normal([0.0, 0.0], 0.64 * np.array([[1.0, rho], [rho, 1.0]]))
    drawn = law.rvs(40000, random_state=1)
    exact = (np.ptp(10.0 - drawn, axis=1) <= 0.2 * (10.0 - drawn).mean(axis=1)).mean()
    assert ours == pytest.approx(exact, abs=0.04)


def test_the_same_field_has_the_same_errors_and_another_has_others():
    one, again, other = (
        error_grids(ElevationError(0.3, 30.0), (0.0, 0.0, 90.0, 60.0), name, 4).values_m
        for name in ("A", "A", "B")
    )
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)


def test_smoothing_takes_short_errors_away():
    """An error of 5 m reach smoothed over 20 m is a small part of itself; one of 500 m stays."""
    for correlation, share in ((5.0, (0.05, 0.35)), (500.0, (0.85, 1.05))):
        grids = error_grids(ElevationError(1.0, correlation, 20.0), (0.0, 0.0, 200.0, 200.0), "A")
        deviation = float(grids.values_m.std(axis=0).mean())
        assert share[0] < deviation < share[1]


@pytest.mark.parametrize(
    ("kind", "value", "share", "narrowed"),
    [  # by hand: 65 % of 20; 65 % of 10; from 100 down to 88 is 12, 65 % of it 7.8
        ("head_variation_pct", 20.0, 0.65, 13.0),
        ("flow_variation_pct", 10.0, 0.65, 6.5),
        ("emission_uniformity_pct", 88.0, 0.65, 92.2),
    ],
)
def test_a_share_of_a_tolerance_by_hand(kind, value, share, narrowed):
    assert Tolerance(kind, value).narrowed(share).value == pytest.approx(narrowed)


def test_what_is_kept_in_reserve_makes_blocks_sure(square_field, ground):
    """A finding names a reserve; with it, blocks use no more than is left, and most errors do no harm."""
    design = Design(row_azimuth_deg=90.0)
    field = square_field(12.0, design=design)
    found = survey(field, ground(lambda x, y: 0.01 * y + 0.5 * np.sin(y / 60.0) + 0.3 * np.sin(x / 45.0)))
    pipes = submain_pipes(reader.pipes())
    chances, advice = [], ""
    for reserve in (5.0, None):
        if reserve is None:
            reserve = float(advice.split("tolerance_reserve_pct = ")[1].split("`")[0])
            assert 5.0 < reserve <= 50.0
        own = replace(field, design=replace(design, tolerance_reserve_pct=reserve))
        layout = lay_out(own, found, pipes)
        rows = Table({"block_id": np.array([f"A-B{i:02d}" for i in range(len(layout.blocks))], dtype=object)})
        table, told = with_chances(own, found, layout, pipes, rows, (0.12, 40.0))
        chances.append(table.columns["chance_within_tolerance_pct"])
        advice = told[0].advice if told else ""
        used = max(b.heads.head_variation_pct for b in layout.blocks) / 20.0
        assert used <= 1.0 - reserve / 100.0 + 0.05
    assert chances[0].min() < 65.0
    assert chances[1].min() > 75.0  # four in five, less what the draws scatter by


def test_a_reserve_is_advised_that_is_more_than_now_and_where_it_helps(case):
    """A block out of its tolerance as planned is mended by no reserve; one with a reserve needs more."""
    field, found, layout, pipes = case
    blocks = Table({"block_id": np.array(["A-B01"], dtype=object)})

    def advice(tolerance, reserve, error_m):
        wanted = Tolerance("head_variation_pct", tolerance)
        design = replace(field.design, tolerance=wanted, tolerance_reserve_pct=reserve)
        told = with_chances(replace(field, design=design), found, layout, pipes, blocks, (error_m, 50.0))[1]
        return told[0].advice

    assert "reserve" not in advice(1.0, 5.0, 0.0)
    used = layout.blocks[0].heads.head_variation_pct
    for reserve in (5.0, 15.0, 17.5):
        said = advice(1.001 * used, reserve, 0.01)  # all of it is used: a small error is too much
        assert reserve < float(said.split("tolerance_reserve_pct = ")[1].split("`")[0]) <= reserve + 5.0
    assert "no reserve of the tolerance" in advice(1.001 * used, 50.0, 0.01)
