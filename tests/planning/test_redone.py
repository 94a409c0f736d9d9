"""A plan read back gives its own emitters: heads, flows and places, from the layers alone."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from farmgis.geodata.farm_file import read_farm
from farmgis.geodata.plan_file import read_plan
from farmgis.hydraulics.lateral import solve_lateral
from farmgis.planning.measuring_points import LEAST_EMITTERS
from farmgis.planning.redone import emitters_of, gear_of_farm, gear_of_plan
from farmgis.run import plan_farm, write_plan

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    farm = read_farm(SAMPLE / "farm.toml")
    farm = replace(farm, fields=tuple(f for f in farm.fields if f.field_id in ("OB", "NH")))
    plan = plan_farm(farm)
    return farm, read_plan(write_plan(plan, tmp_path_factory.mktemp("plan")))


def test_gear_told_is_the_gear_planned_with(made):
    farm, plan = made
    assert gear_of_plan(plan) == gear_of_farm(farm)


@pytest.mark.parametrize("field_id", ["OB", "NH"])
def test_emitters_of_the_layers_are_those_of_the_plan(made, field_id):
    _, plan = made
    laterals, gear = plan.tables["laterals"], gear_of_plan(plan)
    fields = plan.tables["fields"].columns
    (line,) = [
        gear.lines[d] for f, d in zip(fields["field_id"], fields["dripline"], strict=True) if f == field_id
    ]
    which = np.flatnonzero(laterals.columns["field_id"] == field_id)
    found = emitters_of(laterals, which, line, gear.water[field_id])
    last = np.cumsum(laterals.columns["emitters"][which].astype(int)) - 1
    first = np.concatenate([[0], last[:-1] + 1])
    c = {k: v[which] for k, v in laterals.columns.items()}
    assert found.head_m[last] == pytest.approx(c["end_head_m"], abs=1e-6)
    assert np.minimum.reduceat(found.head_m, first) == pytest.approx(c["head_min_m"], abs=1e-6)
    assert np.add.reduceat(found.flow_l_h, first) == pytest.approx(c["flow_l_h"], rel=1e-8)
    assert found.point_m[last, 2] == pytest.approx(c["end_elevation_m"], abs=1e-6)
    ends = shapely.get_coordinates(shapely.get_point(laterals.geometry[which], -1))
    assert np.abs(found.point_m[last, :2] - ends).max() < 1e-6


def test_points_to_measure_stand_where_the_pattern_asks(made):
    _, plan = made
    points, laterals = plan.tables["test_points"], plan.tables["laterals"]
    c = points.columns
    for block_id in set(c["block_id"]):
        own = c["block_id"] == block_id
        emitters = own & (c["kind"] == "emitter")
        assert emitters.sum() == 32 > LEAST_EMITTERS
        assert (own & (c["kind"] == "valve")).sum() == 1
        assert len(set(c["lateral_id"][emitters])) == 4
        assert set(c["at_submain"][emitters]) == {"first", "one third", "two thirds", "last"}
        places = [p for p in c["at_lateral"][emitters]]
        ends = dict(zip(laterals.columns["lateral_id"], laterals.geometry, strict=True))
        ways = np.array(
            [np.subtract(*np.array(ends[i].coords)[[-1, 0], :2]) for i in set(c["lateral_id"][emitters])]
        )
        drawn = np.array(
            [np.subtract(*np.array(g.coords)[[-1, 0], :2]) for i, g in ends.items() if block_id in i]
        )
        two_sided = 0.3 < (drawn @ drawn[0] > 0.0).mean() < 0.7
        assert not two_sided or 1 <= (ways @ ways[0] > 0.0).sum() <= 3  # both sides of the submain
        assert {p: places.count(p) for p in places} == {"inlet": 8, "one third": 8, "two thirds": 8, "end": 8}


def test_expected_heads_are_those_of_the_lateral_solved_alone(made):
    _, plan = made
    gear, laterals, c = gear_of_plan(plan), plan.tables["laterals"], plan.tables["test_points"].columns
    fields = plan.tables["fields"].columns
    line_of = dict(zip(fields["field_id"], fields["dripline"], strict=True))
    for i in np.flatnonzero(c["kind"] == "emitter")[::37]:
        k = int(np.flatnonzero(laterals.columns["lateral_id"] == c["lateral_id"][i])[0])
        line = gear.lines[line_of[c["field_id"][i]]]
        xyz = shapely.get_coordinates(laterals.geometry[k], include_z=True)
        run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xyz, axis=0), axis=1))])
        ground = np.interp(
            np.arange(laterals.columns["emitters"][k] + 1) * line.emitter_spacing_m, run, xyz[:, 2]
        )
        alone = solve_lateral(
            line, ground, float(laterals.columns["inlet_head_m"][k]), gear.water[c["field_id"][i]]
        )
        assert c["expected_head_m"][i] == pytest.approx(alone.head_m[int(c["emitter"][i])], abs=1e-5)
