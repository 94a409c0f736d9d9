"""A block off its design: flushed through open lateral ends, and draining after shut-off."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from farmgis.hydraulics.runs import tree_nodes
from farmgis.hydraulics.runs_kernel import open_end_flows
from farmgis.hydraulics.tree import Tree, solve_tree
from farmgis.planning.block_hydraulics import BlockHeads, numbered_tree, volumes_m2
from farmgis.planning.block_search import BlockChoice, Rules
from farmgis.planning.laterals import DrawnBlock
from farmgis.records import Floats

FLUSH_VELOCITY_M_S = 0.3
"""Velocity at a lateral's open end that carries settled silt out (common practice)."""

FLUSH_END_HEAD_M = 0.5
"""Head that is left at the lowest emitter while all ends of a block are flushed together (memory)."""


@dataclass(frozen=True)
class BlockStates:
    """What a block does when it is not simply running.

    `flush_flow_m3h` is what the valve must pass for every lateral end to run at `FLUSH_VELOCITY_M_S`, all
    opened together; `flush_head_m` the valve's head then. `end_velocity_m_s`, shape (laterals,): at each
    lateral's end, it alone opened, its inlet at the working head; 0 where water does not get there.
    `drain_out_m3` stands over the lowest emitter when the valve shuts and can run out there.
    `fill_min` is what the line and submain take to fill at the block's flow.
    `head_min_at_90_m` and `head_max_at_110_m` are the lowest emitter's head at 90 % and the line's highest at
    110 % of the flow or, as the flow of compensating line hardly changes, of the valve head.
    """

    flush_flow_m3h: float
    flush_head_m: float
    end_velocity_m_s: Floats
    drain_out_m3: float
    fill_min: float
    head_min_at_90_m: float
    head_max_at_110_m: float


def block_states(block: DrawnBlock, choice: BlockChoice, heads: BlockHeads, rules: Rules) -> BlockStates:
    """Solve a block again with open ends, and empty it."""
    tree = numbered_tree(block, choice, rules)[1]
    dripline = rules.dripline
    emitters = block.laterals.emitters
    end = len(block.submain_m) + np.cumsum(emitters)
    first = end - emitters
    area_m2 = math.pi / 4.0 * (dripline.inside_diameter_mm / 1000.0) ** 2
    demand = np.zeros(tree.parent.size)
    demand[end - 1] = FLUSH_VELOCITY_M_S * area_m2
    flushed = solve_tree(replace(tree, demand_m3_s=demand), "least head", FLUSH_END_HEAD_M)
    low, high = (_off_design(tree, heads, rules, share) for share in (0.9, 1.1))
    inlets = tree.parent[first]
    open_m3_s = np.empty(emitters.size)
    open_end_flows(
        heads.lateral[:, 0], first, end, tree_nodes(tree), tree.sizes, tree.law, 60, 1e-3, open_m3_s
    )
    return BlockStates(
        flush_flow_m3h=float(flushed.flow_m3_s[0]) * 3600.0,
        flush_head_m=float(flushed.head_m[0]),
        end_velocity_m_s=open_m3_s / area_m2,
        drain_out_m3=_drain_out_m3(tree, len(block.submain_m), rules),
        fill_min=60.0 * _water_m3(tree, rules).sum() / heads.flow_m3h,
        head_min_at_90_m=float(low[len(block.submain_m) :].min()),
        head_max_at_110_m=float(max(high[inlets].max(), high[len(block.submain_m) :].max())),
    )


def _off_design(tree: Tree, heads: BlockHeads, rules: Rules, share: float) -> Floats:
    """Heads of a block that gets a share of its flow, or of its valve head for compensating line. [m]"""
    if rules.dripline.compensating:
        return solve_tree(tree, "fixed head", share * heads.valve_head_m).head_m
    return solve_tree(tree, "total flow", share * heads.flow_m3h / 3600.0).head_m


def _drain_out_m3(tree: Tree, first: int, rules: Rules) -> float:
    """Water in line and submain over the lowest emitter, by more than what its emitters hold back. [m3]"""
    lowest = tree.ground_m[first:].min() + rules.dripline.closing_head_m
    return float(_water_m3(tree, rules)[tree.ground_m > lowest].sum())


def _water_m3(tree: Tree, rules: Rules) -> Floats:
    """Water that each link of a block holds. [m3]"""
    return np.asarray(tree.loss_length_m * volumes_m2(rules)[tree.size])
