"""Pressures of planned mains: nothing over its class is left unmarked, valves leave each block its head."""

import numpy as np
import pytest
import shapely

from farmgis import tables
from farmgis.planning.describe_pressure import (
    needed_levels_m,
    pressure_findings,
    pressure_of,
    supply_fittings,
)
from farmgis.planning.filter_station import filter_station
from farmgis.planning.main_network import ValvePlace
from farmgis.planning.mains import MainsJob, Rates, plan_mains
from farmgis.planning.pressure_class import BAR_M
from farmgis.planning.route_graph import Land
from farmgis.planning.shifts import Turn
from farmgis.records import Source, Supply


def slope(fall_m):
    """Ground that falls eastwards by so much in 3 km, with a hill of 40 m in the west."""

    def heights(xy):
        return 150.0 - fall_m * xy[:, 0] / 3000.0 + 40.0 * np.exp(-(((xy[:, 0] + 400.0) / 300.0) ** 2))

    return heights


def planned(fall_m, pipes=None, **supply):
    """A source at the origin, a block on the hill and three down the slope, with a track along them all."""
    ground = slope(fall_m)
    xs = [-400.0, 1000.0, 2000.0, 3000.0]
    z = ground(np.array([[x, 0.0] for x in xs]))
    valves = tuple(
        ValvePlace(f"B{i}-V", f"B{i}", x, 0.0, float(h), 60.0, 18.0)
        for i, (x, h) in enumerate(zip(xs, z, strict=True))
    )
    turns = tuple(Turn(v.block_id, v.flow_m3h, 5.0, v.ground_m + 18.0) for v in valves)
    fields = tuple(shapely.box(x - 500.0, 0.0, x + 500.0, 400.0) for x in (0.0, 1000.0, 2000.0, 3000.0))
    job = MainsJob(
        Source("river", 0.0, 0.0, 145.0, 130.0, kind="river"), valves, turns, np.full(4, 20000.0),
        Land(fields, (), (), (), (), 8.0), ground, tables.pipes() if pipes is None else pipes,
        Supply(**supply), Rates(annuity=0.09),
    )  # fmt: skip
    return plan_mains(job)


@pytest.mark.parametrize("fall", [0.0, 60.0, 120.0])
def test_nothing_over_its_class_is_left_unmarked(fall):
    pressure = pressure_of(planned(fall))
    found = pressure_findings([pressure])
    for reach in pressure.reaches:
        bar = reach.pipe.pressure_class_bar * BAR_M
        over = (
            reach.static_head_max_m > bar + 1e-6
            or reach.closing_head_m > bar * reach.pipe.surge_factor + 1e-6
            or reach.surge_head_max_m > bar * reach.pipe.trip_factor + 1e-6
        )
        assert over == any(f.where_id == reach.main_id and f.severity == "attention" for f in found)
    assert all(f.advice for f in found)


def test_low_classes_alone_are_all_marked():
    # only 6 bar on sale, and over 100 m of head at rest at the foot of the slope
    six = tuple(p for p in tables.pipes() if p.pressure_class_bar == 6.0)
    pressure = pressure_of(planned(120.0, six))
    assert pressure.zones.option == "reducing valve"
    marked = {f.where_id for f in pressure_findings([pressure]) if f.severity == "attention"}
    for reach in pressure.reaches:
        assert (reach.static_head_max_m <= 6.0 * BAR_M + 1e-6) or reach.main_id in marked


def test_reducing_valves_leave_each_block_its_head():
    plan = planned(120.0)
    pressure = pressure_of(plan)
    assert pressure.zones.valves
    needed = needed_levels_m(plan)
    runs = np.isfinite(needed)
    # as it was sized each node has what it needs; with the valves it still has
    assert (plan.sizes.head_m[runs] >= needed[runs] - 1e-6).all()
    assert (pressure.plan.sizes.head_m[runs] >= needed[runs] - 1e-6).all()
    low = [i for i in range(plan.network.count) if pressure.zones.static_level_m[i] < plan.shut_off_m]
    assert low
    assert set(pressure.relieved_m) <= {"B1", "B2", "B3"}
    assert pressure_of(planned(0.0)).zones.valves == ()  # level ground needs none


def test_fittings_of_a_plan():
    plan = planned(120.0)
    pressure = pressure_of(plan)
    station = filter_station(plan.job.source, 120.0, plan.job.supply, tables.clogging_limits())
    rows = supply_fittings([pressure], [station], {}, {})
    kinds = rows.columns["kind"].tolist()
    assert kinds.count("reducing valve") == len(pressure.zones.valves)
    assert kinds.count("pressure relief") == len(pressure.zones.valves) + 1
    assert kinds.count("check") == 1
    assert len(set(rows.columns["fitting_id"])) == len(kinds)
    assert set(rows.columns["on_id"]) <= {"river", *(p.main_id for p in pressure.pieces)}
    assert supply_fittings([], [], {}, {}) is None
