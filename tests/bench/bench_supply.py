"""How long routes, shifts and sizes take. Run: python tests/bench/bench_supply.py"""

from __future__ import annotations

import time

import numpy as np
import shapely

from farmgis import tables
from farmgis.hydraulics.water import water_at
from farmgis.planning.main_sizes import SizingProblem, gradients, optimum, size_mains, within_velocity
from farmgis.planning.route_graph import Land, route_graph
from farmgis.planning.routes import routes
from farmgis.planning.shifts import Turn, grouped, least_count


def timed(what, call, *args):
    start = time.perf_counter()
    result = call(*args)
    print(f"{what:60s} {time.perf_counter() - start:8.3f} s")
    return result


def tree(links, shifts, sizes, seed=1):
    """A random tree whose ends take water, each in one shift."""
    rng = np.random.default_rng(seed)
    parent = np.array([-1, *(int(rng.integers(max(0, i - 6), i)) for i in range(1, links + 1))])
    leaf = np.setdiff1d(np.arange(1, links + 1), parent)
    taken = np.zeros((shifts, links + 1))
    taken[rng.integers(0, shifts, len(leaf)), leaf] = (
        rng.uniform(40.0, 120.0, len(leaf)) * 25.0 / len(leaf) * 4.0
    )
    flow = taken.copy()
    for i in range(links, 0, -1):
        flow[:, parent[i]] += flow[:, i]
    ground = np.zeros(links + 1)
    for i in range(1, links + 1):
        ground[i] = ground[parent[i]] + rng.normal(0.0, 0.5)
    pipes = tuple(p for p in tables.pipes() if p.material == "PVC-U" and p.pressure_class_bar == 10.0)[
        -sizes:
    ]
    required = np.where(taken > 0.0, 15.0, np.nan)
    cost = np.array([0.087 * p.weight_kg_m for p in pipes])
    return SizingProblem(
        parent, ground, np.append(0.0, rng.uniform(50.0, 300.0, links)), flow, required, (), 0.0, 8.0, pipes,
        gradients(flow, pipes, water_at(20.0)), within_velocity(flow, pipes, 1.5),
        np.tile(cost, (links + 1, 1)), np.full(shifts, 50.0), np.full(shifts, np.inf),
    )  # fmt: skip


def farmland(side, size_m=400.0, gap_m=8.0):
    """Square fields on a grid, a valve at the middle of the south side of each."""
    areas, valves = [], []
    for i in range(side):
        for j in range(side):
            x, y = i * (size_m + gap_m), j * (size_m + gap_m)
            areas.append(shapely.box(x, y, x + size_m, y + size_m))
            valves.append((x + size_m / 2.0, y + 1.0))
    return areas, np.array(valves)


def main():
    """Print the speeds, after one warm-up."""
    optimum(tree(20, 2, 6))
    problem = tree(2000, 8, 12)
    timed("2,000 mains, 12 sizes, 8 shifts: the linear program", optimum, problem)
    timed("  the same, with pieces merged and heads", size_mains, problem)
    rng = np.random.default_rng(0)
    values = zip(
        rng.uniform(50, 130, 200), rng.choice([5.4, 6.1], 200), rng.uniform(110, 160, 200), strict=True
    )
    turns = [Turn(f"B{i}", *map(float, row)) for i, row in enumerate(values)]
    found = timed("200 blocks in shifts", grouped, turns, 900.0, least_count(turns, 900.0) + 1)
    print(f"  gap {100 * found.gap:.1f} %")
    areas, valves = farmland(23)
    land = Land(tuple(areas))
    graph = timed("529 valves: the graph of ways", route_graph, valves, land)
    print(f"  {len(graph.xy_m):,} nodes, {len(graph.length_m):,} edges")
    timed(
        "  routes, the graph included",
        routes,
        np.array([-50.0, -50.0]),
        valves,
        np.full(len(valves), 100.0),
        20,
        land,
    )


if __name__ == "__main__":
    main()
