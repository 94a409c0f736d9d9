"""A drawn block, solved emitter by emitter together with its submain."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.hydraulics.friction import dripline_row, pipe_rows
from farmgis.hydraulics.lateral import START_LOSS_K, local_loss_terms
from farmgis.hydraulics.tree import Heads, Tree, solve_tree
from farmgis.hydraulics.uniformity import emission_uniformity_pct, flow_variation_pct, head_variation_pct
from farmgis.planning import block_hydraulics_kernel as kernel
from farmgis.planning.block_search import (
    RESERVE_M,
    SUBMAIN_LOSS_FACTOR,
    BlockChoice,
    Rules,
)
from farmgis.planning.laterals import DrawnBlock
from farmgis.planning.strips import Ints
from farmgis.records import Floats


@dataclass(frozen=True)
class BlockHeads:
    """A solved block. `sizes[k]` is the pipe of submain vertex k's inward reach; flows in m3/h.

    `lateral` has a row a lateral: inlet head, end head, lowest, highest, sum of heads [m], flow [m3/h];
    `where` the emitters (0 first) of its lowest and highest head.
    """

    sizes: Ints
    vertex_head_m: Floats
    vertex_flow_m3h: Floats
    lateral: Floats
    where: Ints
    valve_head_m: float
    flow_m3h: float
    emitters: int
    head_min_m: float
    head_max_m: float
    head_mean_m: float
    elevation_range_m: float
    rest_head_m: float
    line_head_max_m: float
    flow_variation_pct: float
    emission_uniformity_pct: float
    travel_time_min: float
    residual_m: float

    @property
    def head_variation_pct(self) -> float:
        """Spread of the emitter heads, of their mean. [%]"""
        return head_variation_pct(self.head_min_m, self.head_max_m, self.head_mean_m)


def solve_block(block: DrawnBlock, choice: BlockChoice, rules: Rules) -> BlockHeads:
    """Find the valve head that a block's emitters need, and what it does to each of them."""
    node, tree, solution = block_solution(block, choice, rules)
    return _summary(block, node, choice.sizes, tree, solution, rules)


def block_solution(block: DrawnBlock, choice: BlockChoice, rules: Rules) -> tuple[Ints, Tree, Heads]:
    """Return (tree node of each submain vertex, tree, its solution) of a block.

    The mean emitter gives its flow at the nominal head, unless that puts some point of the line over its
    greatest head: then the valve head is lowered. Compensating line has `RESERVE_M` over its least head.
    """
    node, tree = numbered_tree(block, choice, rules)
    dripline = rules.dripline
    if dripline.compensating:
        solution = solve_tree(tree, "least head", (dripline.least_head_m or 0.0) + RESERVE_M)
    else:
        wanted = float(block.laterals.emitters.sum()) * dripline.emitter_flow_l_h / 3.6e6
        solution = solve_tree(tree, "total flow", wanted)
    for _ in range(20):  # less head is less flow and less friction: what is left over shrinks each time
        over = _line_head_max(solution, tree, block, node) - dripline.greatest_head_m
        if over <= 1e-6:
            break
        lower = float(solution.head_m[0]) - over
        solution = solve_tree(tree, "fixed head", lower, start_head_m=solution.head_m - over)
    return node, tree, solution


def numbered_tree(block: DrawnBlock, choice: BlockChoice, rules: Rules) -> tuple[Ints, Tree]:
    """Return (tree node of each submain vertex, tree) of a block."""
    node = np.empty(len(block.submain_m), np.int64)
    kernel.number_vertices(len(block.submain_m), block.valve, node)
    return node, block_tree(block, node, choice.sizes, rules)


def block_tree(block: DrawnBlock, node: Ints, sizes: Ints, rules: Rules) -> Tree:
    """The block as a tree: valve, submain vertices, then every emitter of every lateral."""
    laterals = block.laterals
    n = len(block.submain_m) + int(laterals.emitters.sum())
    parent, size = np.empty(n, np.int64), np.empty(n, np.int64)
    ground, length, minor, outlets = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    factor, each_k = local_loss_terms(rules.dripline)
    kernel.build(
        block.submain_m, block.valve, node, sizes, laterals.points_m, laterals.offsets, laterals.emitters,
        laterals.line, rules.dripline.emitter_spacing_m, factor, SUBMAIN_LOSS_FACTOR, START_LOSS_K, each_k,
        parent, ground, length, minor, size, outlets,
    )  # fmt: skip
    pipes = np.vstack([dripline_row(rules.dripline, rules.water)[None], pipe_rows(rules.pipes, rules.water)])
    return Tree(parent, ground, length, minor, size, pipes, outlets, emitter_law(rules.dripline), np.zeros(n))


def _line_head_max(solution: Heads, tree: Tree, block: DrawnBlock, node: Ints) -> float:
    """Greatest head of any point of the line: emitters and lateral inlets. [m]"""
    inlets = solution.head_m[node[block.laterals.line]]
    return float(max(inlets.max(), solution.head_m[len(node) :].max()))


def volumes_m2(rules: Rules) -> Floats:
    """Water in a metre of loss length of each size of a block's tree. [m3/m]

    Loss lengths are longer than the pipe by what local losses add: that is taken back here.
    """
    inside_m = np.array([rules.dripline.inside_diameter_mm, *(p.inside_mm for p in rules.pipes)]) / 1000.0
    factors = np.array([local_loss_terms(rules.dripline)[0], *([SUBMAIN_LOSS_FACTOR] * len(rules.pipes))])
    return np.asarray(math.pi / 4.0 * inside_m**2 / factors)


def _summary(
    block: DrawnBlock, node: Ints, sizes: Ints, tree: Tree, solution: Heads, rules: Rules
) -> BlockHeads:
    laterals = block.laterals
    lateral = np.empty((laterals.count, 6))
    where = np.empty((laterals.count, 2), np.int64)
    kernel.per_lateral(
        solution.head_m, solution.flow_m3_s, len(node), laterals.emitters, node, laterals.line, lateral, where
    )
    lateral[:, 5] *= 3600.0
    emitters = int(laterals.emitters.sum())
    low, high = float(lateral[:, 2].min()), float(lateral[:, 3].max())
    total_m3_s = float(solution.flow_m3_s[0])
    q_low, q_high = (emitter_flow(h, tree.law)[0] for h in (low, high))
    heights = tree.ground_m[len(node) :]
    seconds = kernel.travel_time(
        tree.parent, tree.loss_length_m, tree.size, solution.flow_m3_s, volumes_m2(rules)
    )
    return BlockHeads(
        sizes=sizes,
        vertex_head_m=solution.head_m[node],
        vertex_flow_m3h=solution.flow_m3_s[node] * 3600.0,
        lateral=lateral,
        where=where,
        valve_head_m=float(solution.head_m[0]),
        flow_m3h=total_m3_s * 3600.0,
        emitters=emitters,
        head_min_m=low,
        head_max_m=high,
        head_mean_m=float(lateral[:, 4].sum()) / emitters,
        elevation_range_m=float(heights.max() - heights.min()),
        rest_head_m=float(block.submain_m[:, 2].max() - min(heights.min(), block.submain_m[:, 2].min())),
        line_head_max_m=_line_head_max(solution, tree, block, node),
        flow_variation_pct=flow_variation_pct(q_low, q_high),
        emission_uniformity_pct=emission_uniformity_pct(
            q_low, total_m3_s / emitters, rules.dripline.variation
        ),
        travel_time_min=seconds / 60.0,
        residual_m=solution.residual_m,
    )
