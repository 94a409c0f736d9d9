"""What a plan's submains are told: the class they bear at rest, and regulators weighed against valves."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from farmgis.hydraulics.friction import velocity_m_s
from farmgis.planning.block_search import VALVE_INDEX, Rules
from farmgis.planning.findings import compensating_advice
from farmgis.planning.laid_blocks import LaidBlock
from farmgis.planning.layout import Layout, rules_for
from farmgis.records import Field, Finding, Pipe, Table
from farmgis.words import counted

METRES_A_BAR = 10.197
"""Head of water in a bar, at 1000 kg/m3 and standard gravity."""

REGULATOR_INDEX = 60.0
"""A regulator within a submain, in the index in which a kilogram of pipe counts 1 (common practice)."""


def class_findings(submains: Table | None) -> tuple[Finding, ...]:
    """A word for each class of submain that would stand over it if the pump ran against closed ends.

    Behind its regulator a submain stands under little more than the line bears: that is what the class is
    chosen for. It meets the pump's shut-off head where a regulator fails or is left out.
    """
    if submains is None:
        return ()
    columns = submains.columns
    rest = np.array(columns["static_head_max_m"], dtype=float)
    bears = np.array(columns["pressure_class_bar"], dtype=float)
    found = []
    for bar in np.unique(bears):
        over = (bears == bar) & (rest > bar * METRES_A_BAR)
        if over.any():
            worst = int(np.argmax(np.where(over, rest, -np.inf)))
            found.append(
                Finding(
                    "note",
                    "pressure",
                    f"{int(over.sum())} pieces of submain of {bar:g} bar would stand under up to "
                    f"{rest[worst]:.0f} m if a regulator failed while the pump ran against closed ends",
                    str(columns["block_id"][worst]),
                    "put a relief valve behind each regulator there, or take the next class",
                    float(rest[worst]),
                    float(bar * METRES_A_BAR),
                    "m",
                )
            )
    return tuple(found)


def size_findings(field: Field, layout: Layout) -> tuple[Finding, ...]:
    """Blocks whose submains need more sizes of pipe than are wanted."""
    most = field.design.submain_sizes_max
    sizes = [np.unique(b.choice.sizes).size for b in layout.blocks]
    over = [n for n in sizes if n > most]
    if not over:
        return ()
    worst = int(np.argmax(sizes))
    what = (
        f"submains of {len(over)} of {counted(len(sizes), 'block')} have more sizes than `submain_sizes_max` "
        f"({most}): with fewer none was found that keeps the heads; most are {sizes[worst]}, in "
        f"{field.field_id}-B{worst + 1:02d}"
    )
    advice = "let them be, or make `block_max_ha` smaller"
    if not layout.dripline.compensating:
        advice = f"let them be, make `block_max_ha` smaller, or {compensating_advice(field)}"
    return (Finding("note", "block", what, field.field_id, advice, float(max(over)), float(most), "sizes"),)


def regulator_findings(
    field: Field, layout: Layout, pipes: tuple[Pipe, ...], source_flow_m3h: float = math.inf
) -> tuple[Finding, ...]:
    """Neighbouring blocks that one valve could serve, with a pipe and a regulator for the second.

    Told where their flow together keeps the greatest, and regulator and pipe cost less than a valve set. The
    submain itself cannot feed a regulator: it would take the head that the tolerance leaves.
    """
    rules = rules_for(field.design, layout.dripline, pipes, source_flow_m3h)
    told = []
    for number, (first, second) in enumerate(pairwise(layout.blocks), start=1):
        index = regulated_index(first, second, rules, pipes)
        if index is not None and index < VALVE_INDEX:
            told.append((index, number))
    if not told:
        return ()
    index, number = min(told)
    return (
        Finding(
            "note",
            "block",
            f"{len(told)} pairs of neighbouring blocks could have one valve, with a regulator and a pipe "
            f"beside the submain for the second; blocks {number} and {number + 1} most cheaply",
            field.field_id,
            "weigh it against the second valve and its control: the blocks then always run together",
            index,
            VALVE_INDEX,
            "kg of pipe",
        ),
    )


def regulated_index(
    first: LaidBlock, second: LaidBlock, rules: Rules, pipes: tuple[Pipe, ...]
) -> float | None:
    """Regulator and pipe from the one valve to the other, in kilograms of pipe; None where it cannot be."""
    same = first.choice.strip is second.choice.strip and first.choice.last == second.choice.first
    flow = first.heads.flow_m3h + second.heads.flow_m3h
    if not same or flow > rules.most_flow_m3h:
        return None
    least = min(first.heads.flow_m3h, second.heads.flow_m3h)
    limit = rules.design.submain_velocity_m_s
    fits = [p.weight_kg_m for p in pipes if float(velocity_m_s(least, p.inside_mm)) <= limit]
    if not fits:
        return None
    places = (b.drawn.submain_m[b.drawn.valve] for b in (first, second))
    apart = float(np.linalg.norm(np.subtract(*places)))
    return REGULATOR_INDEX + min(fits) * apart
