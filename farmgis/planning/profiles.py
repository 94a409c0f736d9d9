"""Heads along a lateral, a submain and a main, redone from a plan's own layers for its report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from farmgis.hydraulics.lateral import solve_lateral
from farmgis.hydraulics.water import Water, water_at
from farmgis.planning.redone import Gear, gear_of_plan
from farmgis.records import Dripline, Floats, Plan


@dataclass(frozen=True)
class Profile:
    """Along a pipe from its inlet: distance on the slope, ground, and pressure head above it. [m]"""

    chainage_m: Floats
    ground_m: Floats
    head_m: Floats


def lateral_profile(
    line: Dripline, points: Floats, emitters: int, inlet_head_m: float, water: Water
) -> Profile:
    """Heads at the inlet and each emitter of a lateral drawn with Z, shape (n, 3), from its inlet."""
    run = chainage_m(points)
    chainage = np.asarray(line.emitter_spacing_m * np.arange(emitters + 1), dtype=np.float64)
    ground = np.interp(chainage, run, points[:, 2])
    solved = solve_lateral(line, ground, inlet_head_m, water)
    return Profile(chainage, np.asarray(ground, dtype=np.float64), solved.head_m)


def submain_profile(
    pieces: Sequence[Floats],
    heads: Sequence[tuple[float, float]],
    inlets: Mapping[tuple[float, float], float],
) -> Profile:
    """Heads along a submain: at the ends of its pieces, and wherever a lateral's inlet head is known.

    `pieces` are drawn with Z from the valve outward, `heads` the head at both ends of each, `inlets` the
    head at a lateral's inlet by its place, rounded to a centimetre.
    """
    chainage, ground, head = [], [], []
    done = 0.0
    for points, (first, last) in zip(pieces, heads, strict=True):
        run = done + chainage_m(points)
        known = [inlets.get((round(float(x), 2), round(float(y), 2))) for x, y, _ in points]
        known[0], known[-1] = first, last
        for at, z, h in zip(run, points[:, 2], known, strict=True):
            if h is not None:
                chainage.append(float(at))
                ground.append(float(z))
                head.append(float(h))
        done = float(run[-1])
    return Profile(np.array(chainage), np.array(ground), np.array(head))


def main_profile(pieces: Sequence[Floats], losses_m: Sequence[float], end_head_m: float) -> Profile:
    """Heads along a main from its source to a valve of known head, with each piece's greatest loss.

    The head is reckoned upstream from the valve; within a piece the loss is spread evenly.
    """
    runs = [chainage_m(p) for p in pieces]
    chainage, ground, energy = [], [], []
    below = end_head_m + float(pieces[-1][-1, 2])
    for points, run, loss in zip(reversed(pieces), reversed(runs), reversed(losses_m), strict=True):
        share = run / max(float(run[-1]), 1e-9)
        ground.append(points[:, 2])
        energy.append(below + loss * (1.0 - share))
        chainage.append(run)
        below += loss
    done, along = 0.0, []
    for run in reversed(chainage):
        along.append(done + run)
        done += float(run[-1])
    z = np.concatenate(ground[::-1])
    return Profile(np.concatenate(along), z, np.concatenate(energy[::-1]) - z)


def chainage_m(points: Floats) -> Floats:
    """Distance along a line drawn with Z, from its first point, on the slope. [m]"""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


class PlanProfiles:
    """Heads redone from what a plan lists of its driplines and its water."""

    submain = staticmethod(submain_profile)
    main = staticmethod(main_profile)

    def __init__(self, plan: Plan) -> None:
        """The plan's lines and water; none where it lists none."""
        known = "fields" in plan.tables and "field_id" in plan.tables["fields"].columns
        self.gear = gear_of_plan(plan) if known else Gear({}, {})

    def lateral(
        self, field_id: str, dripline: str, points: Floats, emitters: int, inlet_head_m: float
    ) -> Profile | None:
        """Heads along a lateral of a field, None where its dripline is not listed."""
        line = self.gear.lines.get(dripline)
        water = self.gear.water.get(field_id) or water_at()
        return None if line is None else lateral_profile(line, points, emitters, inlet_head_m, water)

    def greatest_head_m(self, dripline: str) -> float | None:
        """What a dripline's wall bears, None where it is not listed. [m]"""
        line = self.gear.lines.get(dripline)
        return None if line is None else line.greatest_head_m
