"""No plan hangs on rounding, which is not alike on all machines: the same rows and pipes on any processor.

Law: ground that differs by a billionth of a metre gives the same plan, line by line and pipe by pipe.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from farmgis.geodata.farm_file import read_farm
from farmgis.planning.block_search import submain_pipes
from farmgis.planning.layout import lay_out
from farmgis.planning.shifts import Turn, grouped
from farmgis.planning.survey import survey

FARM = Path(__file__).parents[2] / "sample_geodata" / "farm.toml"


@pytest.fixture(scope="module")
def farm():
    return read_farm(FARM)


def laid(farm, field_id, noise_m):
    """What was chosen of a field: pattern, azimuth, dripline; of each block its lines, submain and sizes."""
    (field,) = [f for f in farm.fields if f.field_id == field_id]
    window = farm.elevation.window(field.area.bounds, 60.0)
    rough = window.z_m + np.random.default_rng(1).normal(0.0, noise_m, window.z_m.shape)
    layout = lay_out(field, survey(field, replace(window, z_m=rough)), submain_pipes(farm.pipes))
    blocks = [b.choice for b in layout.blocks]
    return (
        layout.pattern,
        round(layout.azimuth_deg, 4),
        layout.dripline.name,
        [(c.pattern, round(c.azimuth_deg, 3), c.blocks, c.search) for c in layout.candidates],
        [(b.first, b.last, round(b.share, 6), b.valve, b.sizes.tolist()) for b in blocks],
    )


@pytest.mark.parametrize("field_id", ["SG", "TB"])
def test_ground_a_billionth_of_a_metre_apart_gives_the_same_plan(farm, field_id):
    """Steep ground in contour rows, and under a compensating line on straight ones."""
    assert laid(farm, field_id, 0.0) == laid(farm, field_id, 1e-9)


def test_flows_a_billionth_apart_run_in_the_same_shifts():
    rng = np.random.default_rng(5)
    flow, lift = rng.uniform(60.0, 130.0, 24).round(2), rng.uniform(110.0, 150.0, 24).round(2)
    turns = [Turn(f"B{i:02d}", q, 4.4, e) for i, (q, e) in enumerate(zip(flow, lift, strict=True))]
    near = [
        replace(t, flow_m3h=t.flow_m3h + a, lift_m=t.lift_m + b)
        for t, (a, b) in zip(turns, rng.normal(0.0, 1e-9, (24, 2)), strict=True)
    ]
    most = float(flow.sum()) / 4.5
    one, other = grouped(turns, most, 5), grouped(near, most, 5)
    assert one is not None
    assert other is not None
    assert one.groups == other.groups
