"""A whole planned block, rebuilt from the layers as written, against EPANET 2.2: emitter by emitter."""

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from farmgis.geodata.farm_file import read_farm
from farmgis.hydraulics.friction import DEFAULT_WATER
from farmgis.hydraulics.tree import solve_tree
from farmgis.run import plan_farm, write_plan

SAMPLE = Path(__file__).parents[2] / "sample_geodata" / "farm.toml"
START_K = 1.0  # velocity heads at a start connector, and 10 % more friction: as the plan's assumptions say
MORE_FRICTION = 1.1


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """The smallest plain-line block of a field of the sample farm, as its layers hold it."""
    farm = read_farm(SAMPLE)
    farm = replace(farm, fields=tuple(f for f in farm.fields if f.field_id == "CL"))
    path = write_plan(plan_farm(farm), tmp_path_factory.mktemp("plan"))
    names = ("blocks", "laterals", "submains", "valves")
    layers = {name: pyogrio.read_dataframe(path, layer=name) for name in names}
    block = layers["blocks"].sort_values("emitters").block_id.iloc[0]
    return {name: frame[frame.block_id == block] for name, frame in layers.items()}


def points_at(line, chainages):
    """Points (x, y, z) of a drawn line at distances along the slope."""
    xyz = shapely.get_coordinates(line, include_z=True)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xyz, axis=0), axis=1))])
    return np.stack([np.interp(chainages, run, xyz[:, i]) for i in range(3)], axis=1)


def rebuilt(layers, network):
    """Return (network, valve's set head, first emitter of each lateral): from geometries and sizes alone."""
    sizes = sorted(set(layers["submains"].inside_mm))
    pipes = ((22.2, 0.0015), *((mm, 0.01) for mm in sizes))
    valve = shapely.get_coordinates(layers["valves"].geometry.iloc[0])[0]
    parent, ground, length, pipe = [-1], [float(layers["valves"].elevation_m.iloc[0])], [0.0], [0]
    node = {tuple(np.round(valve, 3)): 0}
    for piece in layers["submains"].sort_values(["submain_id", "seq"]).itertuples():
        xyz = shapely.get_coordinates(piece.geometry, include_z=True)
        for a, b in itertools.pairwise(xyz):
            parent.append(node[tuple(np.round(a[:2], 3))])
            ground.append(b[2])
            length.append(float(np.linalg.norm(b - a)) * MORE_FRICTION)
            pipe.append(1 + sizes.index(piece.inside_mm))
            node[tuple(np.round(b[:2], 3))] = len(parent) - 1
    emitters, minor, first = [0.0] * len(parent), [0.0] * len(parent), []
    for lateral in layers["laterals"].itertuples():
        inlet = shapely.get_coordinates(lateral.geometry)[0]
        spots = points_at(lateral.geometry, 0.4 * np.arange(1, lateral.emitters + 1))
        first.append(len(parent))
        before = node[tuple(np.round(inlet, 3))]
        for e, spot in enumerate(spots):
            parent.append(before)
            before = len(parent) - 1
            ground.append(spot[2])
            length.append(0.4 * MORE_FRICTION)
            pipe.append(0)
            emitters.append(1.0)
            minor.append(START_K if e == 0 else 0.0)
    made = network(
        np.array(parent), np.array(ground), np.array(length), np.array(pipe), pipes, np.array(emitters),
        minor_k=np.array(minor),
    )  # fmt: skip
    return made, float(layers["valves"].set_head_m.iloc[0]), np.array(first)


def test_every_emitter_of_a_written_block_is_epanets_within_a_thousandth(written, network, epanet):
    made, head_m, first = rebuilt(written, network)
    assert made.parent.size > 10_000
    _, taken_l_h = epanet(made, head_m)
    ours = solve_tree(made.tree(DEFAULT_WATER), "fixed head", head_m)
    emitting = made.emitters > 0.0
    ours_l_h = np.where(emitting, np.sqrt(np.maximum(ours.head_m, 0.0) / 10.0), 0.0)
    off = np.abs(ours_l_h[emitting] / taken_l_h[emitting] - 1.0)
    assert off.max() < 1e-3
    laterals = written["laterals"]
    np.testing.assert_allclose(np.add.reduceat(taken_l_h, first), laterals.flow_l_h, rtol=1e-3)
    np.testing.assert_allclose(np.add.reduceat(ours_l_h, first), laterals.flow_l_h, rtol=1e-6)
    low = np.minimum.reduceat(np.where(emitting, ours.head_m, np.inf), first)
    np.testing.assert_allclose(low, laterals.head_min_m, rtol=1e-5)
    assert taken_l_h.sum() / 1000.0 == pytest.approx(written["blocks"].flow_m3h.iloc[0], rel=1e-3)
