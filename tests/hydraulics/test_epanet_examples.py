"""EPANET's published example networks, each cut open to a tree, solved by both with Hazen-Williams."""

import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import depth_first_order, minimum_spanning_tree
from wntr.epanet.toolkit import ENepanet

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import hazen_williams_row
from farmgis.hydraulics.tree import Tree, solve_tree
from farmgis.records import Dripline

ROOT_HEAD_M = 1000.0  # no water runs short: heads only differ by what friction takes
LITRES = 28.317 / 28.3168466  # EPANET's in a cubic foot, by the true ones


def published(name):
    """Return (parent, ground m, length m, inside mm, C, demand m3/s) of a network's shortest tree."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reader's own
        import wntr

        file = Path(wntr.__file__).parent / "library" / "networks" / f"{name}.inp"
        network = wntr.network.WaterNetworkModel(str(file))
    number = {j: i for i, j in enumerate(network.junction_name_list)}
    pipes = {}
    for _, pipe in network.pipes():
        ends = (number.get(pipe.start_node_name), number.get(pipe.end_node_name))
        if None not in ends:
            pipes[tuple(sorted(ends))] = pipe
    n = len(number)
    i, j = np.array(list(pipes)).T
    lengths = csr_array(([p.length for p in pipes.values()], (i, j)), shape=(n, n))
    tree = minimum_spanning_tree(lengths)
    degree = np.bincount(np.r_[i, j], minlength=n)
    order, before = depth_first_order(tree, int(np.argmax(degree)), directed=False)
    place = {int(node): k for k, node in enumerate(order)}
    names = network.junction_name_list
    nodes = [network.get_node(names[k]) for k in order]
    links = [pipes[tuple(sorted((int(k), int(before[k]))))] for k in order[1:]]
    return (
        np.array([-1] + [place[int(before[k])] for k in order[1:]]),
        np.array([node.elevation for node in nodes]),
        np.array([0.0] + [p.length for p in links]),
        np.array([100.0] + [p.diameter * 1000.0 for p in links]),
        np.array([100.0] + [p.roughness for p in links]),
        np.array([node.base_demand for node in nodes]),
    )


@pytest.mark.parametrize("name", ["Net1", "Net3", "ky4"])
def test_tree_of_a_published_network(name, tmp_path):
    parent, ground, length, inside, c, demand = published(name)
    n = parent.size
    demand = np.abs(demand)  # Net3 has one that gives
    head_m = ROOT_HEAD_M + float(ground.max() - ground[0])
    rows = np.array([hazen_williams_row(d, k) for d, k in zip(inside, c, strict=True)])
    tree = Tree(
        parent, ground, length, np.zeros(n), np.arange(n), rows, np.zeros(n),
        emitter_law(Dripline("none", 16.0, 0.4, 1.0)), demand,
    )  # fmt: skip
    ours = solve_tree(tree, "fixed head", head_m)
    file = tmp_path / "tree.inp"
    nodes, litres = range(1, n), demand * 1000.0 * LITRES
    file.write_text(
        "\n".join(
            [
                "[JUNCTIONS]", *(f"{i} {ground[i]:.9f} {litres[i]:.12f}" for i in nodes),
                "[RESERVOIRS]", f"0 {ground[0] + head_m:.9f}",
                "[PIPES]",
                *(f"P{i} {parent[i]} {i} {length[i]:.9f} {inside[i]:.9f} {c[i]:.6f}" for i in nodes),
                "[OPTIONS]", "UNITS LPS", "HEADLOSS H-W", "ACCURACY 0.00001", "TRIALS 200", "[END]",
            ]
        )
    )  # fmt: skip
    epanet = ENepanet(version=2.2)
    epanet.ENopen(str(file), str(tmp_path / "tree.rpt"), "")
    epanet.ENopenH()
    epanet.ENinitH(0)
    epanet.ENrunH()
    theirs = np.array([head_m, *(epanet.ENgetnodevalue(i, 11) for i in nodes)])
    epanet.ENcloseH()
    epanet.ENclose()
    loss = (ours.head_m + ground)[0] - (ours.head_m + ground)
    assert n >= 9
    assert loss.max() > 1.0
    np.testing.assert_allclose(ours.head_m, theirs, atol=1e-3 * loss.max())
