"""Routes of mains: what they cross, what they follow, and how near the least tree they come."""

import itertools

import networkx
import numpy as np
import pytest
import shapely

from farmgis.planning.route_graph import Land, route_graph
from farmgis.planning.routes import routes, steiner_tree
from farmgis.records import Barrier, Corridor, Pipe

NORTH = shapely.box(0.0, 210.0, 400.0, 410.0)
SOUTH = shapely.box(0.0, 0.0, 400.0, 200.0)
ROAD = shapely.box(-200.0, 203.0, 600.0, 207.0)
PUMP = np.array([200.0, -20.0])


def length_in(found, area):
    lines = [shapely.linestrings(line) for line in found.line_m if len(line) > 1]
    return sum(shapely.length(shapely.intersection(line, area)) for line in lines)


def test_a_main_goes_around_a_field_not_through_it():
    found = routes(PUMP, np.array([[200.0, 409.0]]), np.array([100.0]), 1, Land((SOUTH, NORTH)))
    inner = shapely.union_all([shapely.buffer(a, -5.0) for a in (SOUTH, NORTH)])
    assert length_in(found, inner) < 1.0
    # by hand: from the pump to a corner and along a side: over 800 m, where straight would be 429
    assert sum(shapely.length(shapely.linestrings(line)) for line in found.line_m[1:]) > 750.0


def test_crossing_a_field_is_taken_when_its_price_is_low():
    land = Land((SOUTH, NORTH), across=1.0)
    found = routes(PUMP, np.array([[200.0, 409.0]]), np.array([100.0]), 1, land)
    assert length_in(found, shapely.union_all([SOUTH, NORTH])) > 300.0


def test_forbidden_road_shuts_valves_off_and_a_priced_one_is_crossed_once():
    valves, flows = np.array([[50.0, 215.0], [350.0, 215.0]]), np.array([50.0, 60.0])
    shut = Land((SOUTH, NORTH), barriers=(Barrier(ROAD, "road"),))
    # the road ends 200 m beside the fields; nothing of the graph lies beyond its ends
    assert routes(PUMP, valves, flows, 2, shut).unreached == (0, 1)
    priced = Land((SOUTH, NORTH), barriers=(Barrier(ROAD, "road", crossing_m=300.0),))
    found = routes(PUMP, valves, flows, 2, priced)
    assert found.unreached == ()
    crossings = [line for line in found.line_m if len(line) > 1 and shapely.linestrings(line).crosses(ROAD)]
    assert len(crossings) == 1
    assert found.price_m.sum() > 300.0


def test_pond_is_never_crossed():
    pond = shapely.box(150.0, 50.0, 250.0, 150.0)
    field = shapely.difference(SOUTH, pond)
    found = routes(PUMP, np.array([[200.0, 199.0]]), np.array([80.0]), 1, Land((field,), (pond,), across=1.0))
    assert length_in(found, shapely.buffer(pond, -0.5)) == 0.0


def test_pipe_that_lies_there_is_used():
    pipe = Pipe("PVC-U", 160.0, 147.6, 10.0, 4.2, 0.01)
    line = shapely.linestrings([[200.0, -20.0], [200.0, 190.0]])
    land = Land((SOUTH,), corridors=(Corridor(line, "old main", 0.0, pipe),))
    found = routes(PUMP, np.array([[210.0, 195.0]]), np.array([80.0]), 1, land)
    used = found.corridor >= 0
    assert shapely.length([shapely.linestrings(line) for line, u in zip(found.line_m, used, strict=True) if u]
                          ).sum() == pytest.approx(210.0, abs=1.0)  # fmt: skip


def test_every_valve_is_reached_once_and_nodes_are_in_order():
    rng = np.random.default_rng(3)
    valves = rng.uniform([0.0, 0.0], [400.0, 410.0], (12, 2))
    found = routes(PUMP, valves, rng.uniform(20, 90, 12), 4, Land((SOUTH, NORTH)))
    assert sorted(int(v) for v in found.valve if v >= 0) == list(range(12))
    assert (found.parent[1:] < np.arange(1, len(found.parent))).all()
    for i, v in enumerate(found.valve):
        if v >= 0:
            assert np.allclose(found.line_m[i][-1], valves[v], atol=0.011)
    for i in range(1, len(found.parent)):
        if found.parent[i] > 0:
            assert np.allclose(found.line_m[i][0], found.line_m[found.parent[i]][-1])


def least_tree(graph, terminals):
    """The least tree over terminals by trying every set of other nodes as branchings."""
    whole = networkx.Graph()
    for (a, b), price in zip(graph.ends, graph.price_m, strict=True):
        whole.add_edge(int(a), int(b), weight=float(price))
    away = dict(networkx.all_pairs_dijkstra_path_length(whole))
    others = [n for n in whole if n not in set(terminals)]
    best = np.inf
    for count in range(len(terminals) - 1):
        for extra in itertools.combinations(others, count):
            nodes = [*terminals, *extra]
            closure = networkx.Graph()
            for a, b in itertools.combinations(nodes, 2):
                closure.add_edge(a, b, weight=away[a][b])
            tree = networkx.minimum_spanning_tree(closure)
            best = min(best, tree.size(weight="weight"))
    return best


@pytest.mark.parametrize("seed", range(5))
def test_tree_against_the_least_one_by_brute_force(seed):
    """At most twice the least price, as the method promises; here nearly always within a fifth of it."""
    rng = np.random.default_rng(seed)
    points = rng.uniform(0.0, 300.0, (4, 2))
    graph = route_graph(points, Land((shapely.box(50.0, 50.0, 250.0, 250.0),)))
    edges = steiner_tree(graph, np.arange(4))
    price = graph.price_m[edges].sum()
    least = least_tree(graph, [0, 1, 2, 3])
    assert least - 1e-6 <= price <= 1.2 * least


def test_boundary_of_a_hundred_thousand_vertices_is_routed_along_in_a_few_edges():
    """A digitised ring that trembles by centimetres: routes need neither all its vertices nor minutes."""
    turn = np.linspace(0.0, 2.0 * np.pi, 100_000, endpoint=False)
    reach = 200.0 + 2.0 * np.sin(400.0 * turn) + np.random.default_rng(5).normal(0.0, 0.02, turn.size)
    ring = shapely.polygons(np.stack([reach * np.cos(turn), reach * np.sin(turn)], axis=1)).buffer(0)
    land = Land((ring,))
    assert max(shapely.get_num_coordinates(outline) for outline in land.outlines) < 10_000
    assert shapely.hausdorff_distance(shapely.boundary(land.outlines[0]), ring.exterior) < 1.0
    graph = route_graph(np.array([[0.0, -260.0], [0.0, 195.0]]), land)
    assert len(graph.xy_m) < 10_000


def test_main_along_a_boundary_of_many_vertices_is_that_of_the_plain_one():
    """A side of 400 m in 20,000 steps that lie on it is the same side: a law."""
    dense = shapely.segmentize(SOUTH, 0.05)
    valve, flow = np.array([[200.0, 199.0]]), np.array([80.0])
    plain, many = (routes(PUMP, valve, flow, 1, Land((area,))) for area in (SOUTH, dense))
    assert many.price_m.sum() == pytest.approx(plain.price_m.sum(), abs=1e-6)
