"""A link from a source that is short to one with water to spare, by hand."""

import numpy as np
import pytest
import shapely

from farmgis import tables
from farmgis.planning.links import DETOUR, link_findings
from farmgis.planning.main_network import ValvePlace
from farmgis.planning.mains import MainsJob, Rates, plan_mains
from farmgis.planning.route_graph import Land
from farmgis.planning.shifts import Turn
from farmgis.planning.supply import FieldLoad, source_balance
from farmgis.records import Source, Supply

RATES = Rates(pipe_kg=3.0, trench_m=5.0, energy_kwh=0.2, annuity=0.09, unit="EUR")


def planned(source, xs, prefix):
    valves = tuple(ValvePlace(f"{prefix}{i}-V", f"{prefix}{i}", x, 0.0, 100.0, 50.0, 12.0)
                   for i, x in enumerate(xs))  # fmt: skip
    turns = tuple(Turn(v.block_id, 50.0, 5.0, 112.0) for v in valves)
    fields = tuple(shapely.box(x - 50.0, 0.0, x + 50.0, 100.0) for x in xs)
    job = MainsJob(source, valves, turns, np.full(len(xs), 20000.0), Land(fields),
                   lambda xy: np.full(len(xy), 100.0), tables.pipes(), Supply(), RATES)  # fmt: skip
    return plan_mains(job)


def test_nearest_block_that_fits_is_linked_and_priced():
    river, bore = Source("river", 0.0, 0.0, 95.0, 60.0, 20.0), Source("bore", 3000.0, 0.0, 95.0, 60.0, 20.0)
    plans = [planned(river, [300.0, 900.0, 1500.0], "R"), planned(bore, [2600.0], "B")]
    peak = {"R0": 500.0, "R1": 500.0, "R2": 500.0, "B0": 400.0}
    loads = {"river": [FieldLoad("R", 9.0, 1500.0, 60000.0, "daily")],
             "bore": [FieldLoad("B", 3.0, 400.0, 20000.0, "daily")]}  # fmt: skip
    balances, _ = source_balance((river, bore), loads)
    (finding,) = link_findings(plans, balances, peak)
    # short by 1,500 - 1,200 = 300 m3/day; R2 at x = 1,500 is nearest to the main that ends at 2,600
    assert finding.what.startswith("linking R2 to bore makes up the shortage of river")
    metres = DETOUR * 1100.0
    assert f"{metres:,.0f} m of" in finding.what
    # 50 m3/h at 1.5 m/s asks for 108.6 mm inside: nominal 125, and its weight is in the table
    pipe = next(p for p in tables.pipes() if f"{p.material} {p.nominal_mm:g} mm" in finding.what
                and p.inside_mm >= 108.6)  # fmt: skip
    assert pipe.nominal_mm == 125.0
    assert (finding.measured, finding.limit) == (500.0, pytest.approx(300.0))


def test_no_link_where_none_is_short():
    river = Source("river", 0.0, 0.0, 95.0, 600.0, 20.0)
    plans = [planned(river, [300.0], "R")]
    balances, _ = source_balance((river,), {"river": [FieldLoad("R", 3.0, 500.0, 2e4, "daily")]})
    assert link_findings(plans, balances, {"R0": 500.0}) == ()
