"""EPANET (Rossman and others, US EPA; read through wntr) as the oracle of the tree solver.

EPANET computes in feet with constants of its own. Farmgis is given the same ones here, so that what is left
between the two is the solving alone.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from wntr.epanet.toolkit import ENepanet

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import pipe_rows
from farmgis.hydraulics.tree import Tree
from farmgis.hydraulics.water import Water
from farmgis.records import Dripline, Pipe

# EPANET 2.2: hydcoeffs.c (32.2), types.h (1.1e-5, 28.317), and its velocity head 0.02517 K Q2/D4
FOOT = 0.3048
GRAVITY = 32.2 * FOOT
VISCOSITY = 1.1e-5 * FOOT**2
LITRES = 28.317 / (1000.0 * FOOT**3)  # its litres in a cubic foot by the true ones
VELOCITY_HEAD = 0.02517 / (8.0 / (np.pi**2 * 32.2))  # its rounded factor by the exact one
EN_DEMAND, EN_PRESSURE = 9, 11

WATER = Water(VISCOSITY, 1000.0, GRAVITY)


@dataclass(frozen=True)
class Network:
    """A tree as a person would tell it; farmgis and EPANET each make their own model of it.

    `pipes` are (inside mm, roughness mm), `pipe[i]` is that of the link from node i to its parent;
    `emitters[i]` stand at node i, each `flow_l_h` at 10 m; `demand_l_h` is taken whatever the head.
    """

    parent: np.ndarray
    ground_m: np.ndarray
    length_m: np.ndarray
    pipe: np.ndarray
    pipes: tuple
    emitters: np.ndarray
    flow_l_h: float = 1.0
    exponent: float = 0.5
    minor_k: np.ndarray | float = 0.0
    demand_l_h: np.ndarray | float = 0.0

    def all_nodes(self, values):
        return np.broadcast_to(np.asarray(values, dtype=float), self.parent.shape).copy()

    def tree(self, water=WATER):
        """The network as farmgis takes it."""
        dripline = Dripline("a line", 16.0, 0.5, self.flow_l_h, exponent=self.exponent)
        pipes = tuple(Pipe("PE", mm, mm, 6.0, 1.0, roughness) for mm, roughness in self.pipes)
        return Tree(
            parent=self.parent,
            ground_m=self.ground_m,
            loss_length_m=self.length_m,
            minor=self.all_nodes(self.minor_k),
            size=self.pipe,
            sizes=pipe_rows(pipes, water),
            outlets=self.all_nodes(self.emitters),
            law=emitter_law(dripline),
            demand_m3_s=self.all_nodes(self.demand_l_h) / 3.6e6,
        )

    def epanet_text(self, root_head_m):
        """The network as an EPANET file: litres a second, metres, millimetres."""
        coefficient = self.all_nodes(self.emitters) * self.flow_l_h / 3600.0 / 10.0**self.exponent * LITRES
        demand = self.all_nodes(self.demand_l_h) / 3600.0 * LITRES
        minor = self.all_nodes(self.minor_k) / VELOCITY_HEAD
        nodes = range(1, self.parent.size)
        mm = [self.pipes[k] for k in self.pipe]
        lines = [
            "[JUNCTIONS]", *(f"{i} {float(self.ground_m[i])!r} {float(demand[i])!r}" for i in nodes),
            "[RESERVOIRS]", f"0 {float(self.ground_m[0] + root_head_m)!r}",
            "[PIPES]",
            *(f"P{i} {self.parent[i]} {i} {float(self.length_m[i])!r} {mm[i][0]!r} {mm[i][1]!r} "
              f"{float(minor[i])!r}" for i in nodes),
            "[EMITTERS]", *(f"{i} {float(coefficient[i])!r}" for i in nodes if coefficient[i] > 0.0),
            "[OPTIONS]", "UNITS LPS", "HEADLOSS D-W", f"EMITTER EXPONENT {self.exponent!r}",
            "TRIALS 500", "ACCURACY 0.00001", "HEADERROR 1e-8", "FLOWCHANGE 1e-9",
            "[REPORT]", "MESSAGES NO", "[END]",
        ]  # fmt: skip
        return "\n".join(lines)


@pytest.fixture(scope="session")
def network():
    """The record `Network`."""
    return Network


@pytest.fixture
def epanet(tmp_path):
    """EPANET's solution of a network: returns (pressure heads, outflow of each node in l/h)."""

    def solve(network, root_head_m):
        file = tmp_path / "network.inp"
        file.write_text(network.epanet_text(root_head_m))
        toolkit = ENepanet(version=2.2)
        toolkit.ENopen(str(file), str(tmp_path / "network.rpt"), "")
        toolkit.ENopenH()
        toolkit.ENinitH(0)
        toolkit.ENrunH()
        n = network.parent.size
        read = range(1, n)  # doubles: the results file would hold only 24 bits of each
        head = np.array([root_head_m, *(toolkit.ENgetnodevalue(i, EN_PRESSURE) for i in read)])
        taken = np.array([0.0, *(toolkit.ENgetnodevalue(i, EN_DEMAND) for i in read)]) * 3600.0 / LITRES
        toolkit.ENcloseH()
        toolkit.ENclose()
        assert toolkit.errcodelist == []
        return head, taken

    return solve
