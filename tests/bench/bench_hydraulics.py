"""Prints what a tree costs an emitter, and what EPANET's solve alone takes on the same network, in one run.

python tests/bench/bench_hydraulics.py [emitters]
"""

import importlib.util
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from wntr.epanet.toolkit import ENepanet

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import DEFAULT_WATER, dripline_row, pipe_rows
from farmgis.hydraulics.lateral import solve_lateral
from farmgis.hydraulics.tree import Tree, solve_tree
from farmgis.records import Dripline, Pipe

oracle = importlib.util.spec_from_file_location(
    "oracle", Path(__file__).parents[1] / "hydraulics" / "conftest.py"
)
conftest = importlib.util.module_from_spec(oracle)
sys.modules["oracle"] = conftest
oracle.loader.exec_module(conftest)

LINE = Dripline("16 mm", 16.0, 0.3, 1.0)
SUBMAIN = 63.0
ABREAST = 50  # laterals a block
INLET_M = 12.0


def least_seconds(job, times=5):
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        job()
        taken.append(time.perf_counter() - start)
    return min(taken)


def forest(laterals, emitters, network=None):
    """Blocks of 50 laterals, each on its own submain of 63 mm from one root, on undulating ground."""
    blocks = -(-laterals // ABREAST)
    joints = blocks * ABREAST
    n = 1 + joints + laterals * emitters
    k = np.arange(joints)
    parent, ground, length = np.empty(n, np.int64), np.zeros(n), np.zeros(n)
    size, outlets = np.zeros(n, np.int64), np.zeros(n)
    parent[0] = -1
    x = 1.5 * (k % ABREAST)
    parent[1 : joints + 1] = np.where(k % ABREAST == 0, 0, k)
    length[1 : joints + 1] = np.where(k % ABREAST == 0, 0.01, 1.5)
    ground[1 : joints + 1], size[1 : joints + 1] = 0.02 * x, 1
    lateral = np.repeat(np.arange(laterals), emitters)
    u = LINE.emitter_spacing_m * np.tile(np.arange(1, emitters + 1), laterals)
    nodes = np.arange(joints + 1, n)
    parent[nodes] = nodes - 1
    parent[nodes[::emitters]] = np.arange(laterals) + 1
    ground[nodes] = 0.02 * x[lateral] + 0.1 * np.sin(u / 30.0 + x[lateral] / 10.0) + 0.1 * np.sin(u / 11.0)
    length[nodes], outlets[nodes] = LINE.emitter_spacing_m, 1.0
    if network is not None:
        pipes = ((LINE.inside_diameter_mm, LINE.roughness_mm), (SUBMAIN, 0.0015))
        return network(parent, ground, length, size, pipes, outlets)
    pipe = Pipe("PE", SUBMAIN, SUBMAIN, 6.0, 1.0, 0.0015)
    sizes = np.vstack([dripline_row(LINE, DEFAULT_WATER)[None], pipe_rows((pipe,), DEFAULT_WATER)])
    return Tree(parent, ground, length, np.zeros(n), size, sizes, outlets, emitter_law(LINE), np.zeros(n))


def epanet_seconds(network):
    """Seconds of EPANET's solve alone, its network opened and ordered before."""
    with tempfile.TemporaryDirectory() as folder:
        file = os.path.join(folder, "n.inp")
        Path(file).write_text(network.epanet_text(INLET_M).replace("ACCURACY 0.00001", "ACCURACY 0.001"))
        toolkit = ENepanet(version=2.2)
        toolkit.ENopen(file, os.path.join(folder, "n.rpt"), "")
        toolkit.ENopenH()
        toolkit.ENinitH(0)
        start = time.perf_counter()
        toolkit.ENrunH()
        taken = time.perf_counter() - start
        toolkit.ENcloseH()
        toolkit.ENclose()
        return taken


def main():
    print("emitters  a lateral  ns an emitter  times EPANET's solve alone")
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    for emitters, each in ((1_000, 200), (10_000, 200), (100_000, 200), (100_000, 600), (1_000_000, 200)):
        if emitters > most:
            continue
        tree = forest(emitters // each, each)
        solve_tree(tree, "fixed head", INLET_M)
        ours = least_seconds(lambda t=tree: solve_tree(t, "fixed head", INLET_M))
        theirs = epanet_seconds(forest(emitters // each, each, conftest.Network))
        print(f"{emitters:9,} {each:10} {1e9 * ours / emitters:14.0f} {theirs / ours:14.0f}")
    if most >= 1_000_000:
        tree = forest(50_000, 200)
        ours = least_seconds(lambda: solve_tree(tree, "fixed head", INLET_M), 3)
        print(f"10,000,000        200 {ours * 100:14.0f}              -   ({ours:.2f} s)")
    for line in (
        LINE,
        Dripline("x 0.46", 16.0, 0.3, 1.0, exponent=0.46),
        Dripline("compensating", 16.0, 0.3, 1.0, exponent=0.0, least_head_m=4.0, greatest_head_m=30.0),
    ):
        wide = Dripline(**{**vars(line), "inside_diameter_mm": 22.2})
        ground = np.zeros(751)
        solve_lateral(wide, ground, 12.0)
        took = least_seconds(lambda w=wide, g=ground: solve_lateral(w, g, 12.0), 300)
        print(f"a lateral of 750 emitters, {line.name}: {took * 1e6:.0f} us")


if __name__ == "__main__":
    main()
