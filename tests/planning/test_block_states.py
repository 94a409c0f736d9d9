"""Flushing and draining of a block, against hand-made cases and the plain solver."""

import math
from dataclasses import replace

import numpy as np
import pytest

from farmgis.hydraulics.runs import tree_nodes
from farmgis.hydraulics.runs_kernel import open_end_flows
from farmgis.hydraulics.tree import solve_tree
from farmgis.planning.block_hydraulics import numbered_tree
from farmgis.planning.block_search import submain_pipes
from farmgis.planning.block_states import FLUSH_VELOCITY_M_S, block_states
from farmgis.planning.layout import lay_out, rules_for
from farmgis.planning.survey import survey
from farmgis.tables import reader


@pytest.fixture(scope="module")
def case(square_field, tilted):
    """Return (rules, block, tree, number of submain vertices, states) of a block on a plane of 1.5 %."""
    field = square_field(4.0)
    pipes = submain_pipes(reader.pipes())
    layout = lay_out(field, survey(field, tilted(1.5, 20.0)), pipes)
    rules = rules_for(field.design, layout.dripline, pipes)
    block = layout.blocks[0]
    tree = numbered_tree(block.drawn, block.choice, rules)[1]
    states = block_states(block.drawn, block.choice, block.heads, rules)
    return rules, block, tree, len(block.drawn.submain_m), states


def test_an_open_end_takes_what_its_inlet_head_drives(case):
    """With that flow taken at the end, the plain solver gives the jet's velocity head at the end."""
    rules, block, tree, submain, states = case
    emitters = block.drawn.laterals.emitters
    area = math.pi / 4.0 * (rules.dripline.inside_diameter_mm / 1000.0) ** 2
    for k in (0, len(emitters) // 2, len(emitters) - 1):
        start = submain + int(emitters[:k].sum())
        own = slice(start, start + int(emitters[k]))
        n = int(emitters[k]) + 1
        node = tree.parent[start]

        def part(values, inlet, own=own):
            return np.r_[inlet, values[own]]

        demand = np.zeros(n)
        demand[-1] = states.end_velocity_m_s[k] * area
        lateral = replace(
            tree,
            parent=np.arange(-1, n - 1),
            ground_m=part(tree.ground_m, tree.ground_m[node]),
            loss_length_m=part(tree.loss_length_m, 0.0),
            minor=part(tree.minor, 0.0),
            size=np.zeros(n, np.int64),
            outlets=part(tree.outlets, 0.0),
            demand_m3_s=demand,
        )
        solution = solve_tree(lateral, "fixed head", float(block.heads.lateral[k, 0]))
        jet = states.end_velocity_m_s[k] ** 2 / (2.0 * 9.80665)
        assert solution.head_m[-1] == pytest.approx(jet, abs=0.02)


def test_no_water_gets_up_to_an_end_over_the_inlet_head(case):
    _, block, tree, submain, _ = case
    emitters = block.drawn.laterals.emitters
    end = submain + np.cumsum(emitters)
    flow = np.ones(emitters.size)
    inlet = np.full(emitters.size, -20.0)
    open_end_flows(inlet, end - emitters, end, tree_nodes(tree), tree.sizes, tree.law, 60, 1e-3, flow)
    assert not flow.any()


def test_flush_flow_is_the_ends_and_what_emitters_still_give(case):
    rules, block, _, _, states = case
    area = math.pi / 4.0 * (rules.dripline.inside_diameter_mm / 1000.0) ** 2
    ends = block.drawn.laterals.count * FLUSH_VELOCITY_M_S * area * 3600.0
    assert ends < states.flush_flow_m3h < ends + 1.2 * block.heads.flow_m3h


def test_what_drains_is_most_of_the_fill_and_no_more(case):
    """On a plane all but the lowest row of emitters stands higher: the fill of line and submain."""
    rules, block, _, _, states = case
    line_m = float(block.drawn.laterals.emitters.sum()) * rules.dripline.emitter_spacing_m
    line_m3 = line_m * math.pi / 4.0 * (rules.dripline.inside_diameter_mm / 1000.0) ** 2
    wide_m = max(p.inside_mm for p in rules.pipes) / 1000.0
    steps = np.diff(block.drawn.submain_m, axis=0)
    submain_m3 = np.sqrt((steps**2).sum(axis=1)).sum() * math.pi / 4.0 * wide_m**2
    assert 0.9 * line_m3 < states.drain_out_m3 < line_m3 + submain_m3
    fill_m3 = states.fill_min / 60.0 * block.heads.flow_m3h
    assert line_m3 < fill_m3 < line_m3 + submain_m3
    assert states.drain_out_m3 < fill_m3


def test_heads_off_design_go_with_the_square_of_the_flow(case):
    """With x = 0.5 an emitter's head is the square of its flow: the mean one's by 0.81 and 1.21.

    The lowest lies under its share of the design's lowest, or over it, as the ground has it; both move
    by no more than the block's own spread.
    """
    _, block, _, _, states = case
    heads = block.heads
    spread = heads.head_max_m - heads.head_min_m
    assert states.head_min_at_90_m == pytest.approx(0.81 * heads.head_min_m, abs=0.3 * spread)
    assert states.head_max_at_110_m == pytest.approx(1.21 * heads.line_head_max_m, abs=0.3 * spread)
    assert states.head_min_at_90_m < heads.head_min_m
    assert states.head_max_at_110_m > heads.line_head_max_m
