"""A lateral that a step solver and EPANET 2.2 were agreed on (within 1e-4), with Hazen-Williams C 150.

200 emitters of 1.6 l/h at 10 m and x = 0.5, 0.5 m apart in 13.6 mm, 12 m at the inlet, no local losses. These
are no published figures but two computations made apart from this code.
"""

import numpy as np
import pytest

from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import hazen_williams_row
from farmgis.hydraulics.tree import Tree, solve_tree
from farmgis.records import Dripline


@pytest.mark.parametrize(
    ("grade_pct", "flow_l_h", "end_m", "least_m", "least_l_h", "most_l_h"),
    [
        (0.0, 334.293, 10.5445, 10.5445, 1.6430, 1.7512),
        (-1.0, 341.185, 11.4728, 11.1812, 1.6919, 1.7515),
        (1.0, 327.206, 9.6167, 9.6167, 1.5690, 1.7509),
        (-2.0, 347.897, 12.4016, 11.5751, 1.7214, 1.7818),
    ],
)
def test_lateral_by_hazen_williams(grade_pct, flow_l_h, end_m, least_m, least_l_h, most_l_h):
    n = 201
    tree = Tree(
        np.arange(-1, n - 1), 0.5 * grade_pct / 100.0 * np.arange(n), np.full(n, 0.5), np.zeros(n),
        np.zeros(n, np.int64), hazen_williams_row(13.6, 150.0)[None], np.r_[0.0, np.ones(200)],
        emitter_law(Dripline("a", 13.6, 0.5, 1.6)), np.zeros(n),
    )  # fmt: skip
    solution = solve_tree(tree, "fixed head", 12.0)
    head = solution.head_m[1:]
    given = 1.6 * np.sqrt(head / 10.0)
    assert solution.flow_m3_s[0] * 3.6e6 == pytest.approx(flow_l_h, abs=0.02)
    assert (head[-1], head.min()) == pytest.approx((end_m, least_m), abs=1e-3)
    assert (given.min(), given.max()) == pytest.approx((least_l_h, most_l_h), abs=2e-4)
