"""A plan's emitters solved again from its layers: each lateral on its drawn profile, at its inlet's head."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
import shapely

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import dripline_row
from farmgis.hydraulics.lateral import START_LOSS_K, local_loss_terms
from farmgis.hydraulics.tree import Tree, solve_tree
from farmgis.hydraulics.water import Water, water_at
from farmgis.planning import block_hydraulics_kernel as kernel
from farmgis.planning.strips import Ints
from farmgis.records import Assumption, Dripline, Farm, Floats, Plan, Table

ROOT_HEAD_M = 100.0
"""Head of the point that all laterals of a field are hung from here; it falls out of the result."""


@dataclass(frozen=True)
class Gear:
    """What the layers do not tell of themselves: the driplines by name, the water of each field."""

    lines: Mapping[str, Dripline]
    water: Mapping[str, Water]


@dataclass(frozen=True)
class Emitters:
    """Emitters one after another, lateral by lateral from its inlet; all arrays of the same length.

    `lateral` is the row of the layer `laterals`, `number` counts from 1 at the inlet.
    """

    lateral: Ints
    number: Ints
    point_m: Floats  # x, y, z
    head_m: Floats
    flow_l_h: Floats


def gear_of_farm(farm: Farm) -> Gear:
    """The gear of a farm that is being planned."""
    return Gear(
        {line.name: line for f in farm.fields for line in f.driplines},
        {f.field_id: water_at(f.design.water_temperature_c) for f in farm.fields},
    )


def gear_of_plan(plan: Plan) -> Gear:
    """The gear of a plan that was read back: its assumptions hold each line and temperature."""
    told = {a.key: a for a in plan.assumptions}
    given = plan.tables["fields"].columns
    water = {
        str(field_id): water_at(float(_for_crop(told, str(crop), "water_temperature_c", "20")))
        for field_id, crop in zip(given["field_id"], given["crop"], strict=True)
    }
    return Gear({line.name: line for line in lines_told(plan.assumptions)}, water)


def _for_crop(told: Mapping[str, Assumption], crop: str, key: str, default: str) -> str:
    """What the assumptions say of a key of the design, for a crop of its own or for all."""
    found = told.get(f"design.crops.{crop}.{key}") or told.get(f"design.{key}")
    return default if found is None else found.value


def lines_told(assumptions: Sequence[Assumption]) -> Iterator[Dripline]:
    """The driplines that assumptions tell, key by key."""
    keys = [f.name for f in fields(Dripline) if f.name != "name"]
    values: dict[str, dict[str, float]] = {}
    for a in assumptions:
        name, _, key = a.key.removeprefix("dripline.").rpartition(".")
        if a.key.startswith("dripline.") and key in keys:
            values.setdefault(name, {})[key] = float(a.value)
    needed = ("inside_diameter_mm", "emitter_spacing_m", "emitter_flow_l_h")
    for name, own in values.items():
        if all(key in own for key in needed):
            yield Dripline(name, **own)


def emitters_of(laterals: Table, which: Ints, dripline: Dripline, water: Water) -> Emitters:
    """Every emitter of some laterals of one dripline, with its place, head and flow."""
    points, offsets = _points(laterals, which)
    count = laterals.columns["emitters"][which].astype(np.int64)
    inlet_z = points[offsets[:-1], 2]
    inlet_head = laterals.columns["inlet_head_m"][which].astype(float)
    hung = points.copy()
    hung[:, 2] += np.repeat(ROOT_HEAD_M - inlet_z - inlet_head, np.diff(offsets))
    heads = solve_tree(_hung_tree(hung, offsets, count, dripline, water), "fixed head", ROOT_HEAD_M)
    flow = heads.flow_m3_s[1:]
    after = np.append(flow[1:], 0.0)
    after[np.cumsum(count) - 1] = 0.0  # nothing flows on from a last emitter
    number = np.arange(1, count.sum() + 1) - np.repeat(np.cumsum(count) - count, count)
    place = _along(points, offsets, np.repeat(np.arange(which.size), count), number, dripline)
    return Emitters(np.repeat(which, count), number, place, heads.head_m[1:], (flow - after) * 3.6e6)


def _points(laterals: Table, which: Ints) -> tuple[Floats, Ints]:
    """Return (vertices x, y, z of the laterals one after another, where each begins and the last ends)."""
    points, of = shapely.get_coordinates(laterals.geometry[which], include_z=True, return_index=True)
    return points, np.searchsorted(of, np.arange(which.size + 1))


def _hung_tree(points: Floats, offsets: Ints, count: Ints, dripline: Dripline, water: Water) -> Tree:
    """Laterals as one tree, all fed by its root."""
    n = 1 + int(count.sum())
    none = np.zeros(1, np.int64)
    parent, size = np.empty(n, np.int64), np.empty(n, np.int64)
    ground, length, minor, outlets = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    factor, each_k = local_loss_terms(dripline)
    kernel.build(
        np.zeros((1, 3)), 0, none, none, points, offsets, count, np.zeros(count.size, np.int64),
        dripline.emitter_spacing_m, factor, 1.0, START_LOSS_K, each_k,
        parent, ground, length, minor, size, outlets,
    )  # fmt: skip
    rows = dripline_row(dripline, water)[None]
    return Tree(parent, ground, length, minor, size, rows, outlets, emitter_law(dripline), np.zeros(n))


def _along(points: Floats, offsets: Ints, of: Ints, number: Ints, dripline: Dripline) -> Floats:
    """Places of emitters at whole spacings along their laterals, shape (emitters, 3)."""
    step = np.linalg.norm(np.diff(points, axis=0, prepend=points[:1]), axis=1)
    step[offsets[:-1]] = 1.0  # a gap, so that one lateral's end is not the next one's inlet
    run = np.cumsum(step)
    at = run[offsets[:-1]][of] + np.minimum(
        number * dripline.emitter_spacing_m, (run[offsets[1:] - 1] - run[offsets[:-1]])[of]
    )
    return np.column_stack([np.interp(at, run, points[:, i]) for i in range(3)])
