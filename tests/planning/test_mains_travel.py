"""Travel in mains by hand."""

import math

import numpy as np
import pytest

from farmgis.planning.mains_travel import mains_travel_min
from farmgis.records import Shift, Table


def test_travel_by_hand():
    # source - J-1 (400 m of 200 mm and 100 m of 150), then a valve each: 100 m of 100 mm
    mains = Table({
        "from_node": np.array(["river", "river", "J-1", "J-1"], dtype=object),
        "to_node": np.array(["J-1", "J-1", "V-A", "V-B"], dtype=object),
        "inside_mm": np.array([200.0, 150.0, 100.0, 100.0]),
        "length_m": np.array([400.0, 100.0, 100.0, 100.0]),
    })  # fmt: skip
    valves = Table(
        {"valve_id": np.array(["V-A", "V-B"], dtype=object), "block_id": np.array(["A", "B"], dtype=object)}
    )
    flow = {"A": 50.0, "B": 30.0}
    trunk = math.pi / 4.0 * (0.2**2 * 400.0 + 0.15**2 * 100.0)
    branch = math.pi / 4.0 * 0.1**2 * 100.0
    together = mains_travel_min(mains, valves, [Shift("river", 1, ("A", "B"), 80.0)], flow)
    assert together["A"] == pytest.approx(60.0 * (trunk / 80.0 + branch / 50.0))
    assert together["B"] == pytest.approx(60.0 * (trunk / 80.0 + branch / 30.0))
    # one after the other, the trunk moves slower
    apart = mains_travel_min(
        mains, valves, [Shift("river", 1, ("A",), 50.0), Shift("river", 2, ("B",), 30.0)], flow
    )
    assert apart["B"] == pytest.approx(60.0 * (trunk / 30.0 + branch / 30.0))
    assert mains_travel_min(None, valves, [], flow) == {}
