"""Which laterals of a block are measured: by their distance from the valve, sides of the submain by turns."""

import numpy as np
import pytest
import shapely

from farmgis.planning.measuring_points import picked
from farmgis.records import Table


def pairs(noise_m=0.0, seed=0, count=60):
    """Pairs of laterals, 1.5 m apart, left and right of a submain; inlets as near as rounding leaves them."""
    rng = np.random.default_rng(seed)
    lines = []
    for k in range(count):
        for side in (-1.0, 1.0):
            y = 1.5 * k + noise_m * rng.uniform(-1.0, 1.0)
            lines.append(shapely.LineString([(0.0, y), (100.0 * side, y)]))
    return Table({"block_id": np.array(["B"] * len(lines))}, np.array(lines))


@pytest.mark.parametrize("seed", range(6))
def test_sides_take_turns_and_rounding_decides_nothing(seed):
    """At 0, a third, two thirds and all of 88.5 m: 0, 30, 58.5 and 88.5 m, left and right by turns."""
    laterals = pairs(1e-10, seed)
    picks = picked(laterals, np.arange(120), np.array([0.0, 0.0]))
    ends = np.array([shapely.get_coordinates(laterals.geometry[p.row])[[0, -1]] for p in picks])
    np.testing.assert_allclose(ends[:, 0, 1], [0.0, 30.0, 58.5, 88.5], atol=1.51)
    sides = np.sign(ends[:, 1, 0])
    assert (sides[1:] == -sides[:-1]).all()
    exact = picked(pairs(), np.arange(120), np.array([0.0, 0.0]))
    assert [p.row for p in picks] == [p.row for p in exact]
