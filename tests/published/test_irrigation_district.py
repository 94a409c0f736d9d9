"""Sizes of the mains of a real irrigation district: the Balerma network, from the package epyt.

454 pipes, 443 hydrants, 4 sources (Reca and Martinez 2006, Water Resour. Res. 42:W05416). Its loops are cut:
each hydrant hangs on its nearest source along the pipes. Prices of the sizes are that paper's (from memory).
"""

from importlib.metadata import distribution

import networkx
import numpy as np
import pytest

from farmgis.hydraulics.water import water_at
from farmgis.planning.main_sizes import SizingProblem, gradients, heads_of, optimum
from farmgis.records import Pipe

SIZES = {113.0: 7.22, 126.6: 9.10, 144.6: 11.92, 162.8: 14.84, 180.8: 18.38, 226.2: 28.60, 285.0: 45.39,
         361.8: 76.32, 452.2: 124.64, 581.8: 215.85}  # fmt: skip
PIPES = tuple(Pipe("PVC-U", d, d, 10.0, 1.0, 0.0025) for d in SIZES)
LEAST_M = 20.0


def section(text, name):
    inside = text.split(f"[{name}]")[1].split("[")[0]
    rows = [line.split(";")[0].split() for line in inside.splitlines()]
    return [row for row in rows if row]


@pytest.fixture(scope="module")
def network():
    file = distribution("epyt").locate_file("epyt/networks/asce-tf-wdst/Balerma.inp")
    text = file.read_text()
    graph = networkx.Graph()
    for _, a, b, length, *_ in section(text, "PIPES"):
        graph.add_edge(a, b, length=float(length))
    options = {" ".join(r[:-1]): r[-1] for r in section(text, "OPTIONS") if len(r) > 1}
    factor = float(options["DEMAND MULTIPLIER"])
    level = {name: float(head) for name, head, *_ in section(text, "RESERVOIRS")}
    ground = {name: float(z) for name, z, *_ in section(text, "JUNCTIONS")}
    demand = {name: factor * float(q) * 3.6 for name, q, *_ in section(text, "DEMANDS")}
    return graph, level, ground, demand


def tree_of(network, source):
    """The sizing problem of what hangs on a source, and the nodes' names."""
    graph, level, ground, demand = network
    away, ways = networkx.multi_source_dijkstra(graph, set(level), weight="length")
    names = sorted((n for n in ways if ways[n][0] == source), key=lambda n: (away[n], len(ways[n]), n))
    number = {n: i for i, n in enumerate(names)}
    parent = np.array([-1] + [number[ways[n][-2]] for n in names[1:]])
    length = np.array([0.0] + [graph.edges[ways[n][-2], n]["length"] for n in names[1:]])
    flow = np.array([[0.0] + [demand.get(n, 0.0) for n in names[1:]]])
    for i in range(len(names) - 1, 0, -1):
        flow[:, parent[i]] += flow[:, i]
    needed = np.full(flow.shape, LEAST_M)
    needed[:, 0] = np.nan
    return SizingProblem(
        parent=parent,
        ground_m=np.array([level[source]] + [ground[n] for n in names[1:]]),
        length_m=length,
        flow_m3h=flow,
        required_head_m=needed,
        highs=(),
        level_m=level[source],
        station_loss_m=0.0,
        pipes=PIPES,
        gradient=gradients(flow, PIPES, water_at(20.0)),
        allowed=np.ones((len(names), len(PIPES)), dtype=bool),
        pipe_cost=np.tile(list(SIZES.values()), (len(names), 1)),
        head_cost=np.zeros(1),
        head_limit_m=np.zeros(1),
    )


@pytest.mark.parametrize("source", ["38", "43", "44", "88"])
def test_every_hydrant_has_its_pressure_at_a_cost_that_is_proven_least(network, source):
    problem = tree_of(network, source)
    best = optimum(problem)
    assert best.short_m.sum() == 0.0
    assert best.gap < 1e-9
    heads = best.head_m[0, 1:] - problem.ground_m[1:]
    assert heads.min() >= LEAST_M - 1e-6
    assert ((best.length_m > 1e-6).sum(axis=1) <= 2).all()  # one limit a way to its end: two sizes suffice
    assert best.length_m.sum() == pytest.approx(problem.length_m.sum(), rel=1e-9)


def test_the_whole_district_hangs_on_its_sources(network):
    graph, level, _, demand = network
    sizes = [len(tree_of(network, s).parent) for s in level]
    assert sum(sizes) == len(graph)
    assert graph.number_of_edges() == 454
    taken = sum(tree_of(network, s).flow_m3h[0, 0] for s in level)
    assert taken == pytest.approx(sum(demand.values()))


@pytest.mark.parametrize("source", ["43", "88"])
def test_no_link_may_be_a_size_narrower(network, source):
    """Ten metres of any link a size narrower, and some hydrant lacks pressure: an optimum is tight."""
    problem = tree_of(network, source)
    best = optimum(problem)
    narrowest = 0
    for link in range(1, len(problem.parent)):
        used = np.flatnonzero(best.length_m[link] > 1e-6)
        size = int(used.min())
        if size == 0:
            narrowest += 1
            continue
        tried = best.length_m.copy()
        moved = min(10.0, tried[link, size])
        tried[link, size] -= moved
        tried[link, size - 1] += moved
        assert heads_of(problem, tried).short_m.sum() > 0.0, link
    assert narrowest < len(problem.parent) - 1
