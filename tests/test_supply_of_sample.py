"""The sample farm's supply, read back from its layers: topology, heads by EPANET, pump, classes."""

import itertools
import warnings
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from farmgis.geodata.farm_file import read_farm
from farmgis.run import plan_farm, write_plan

SAMPLE = Path(__file__).parent.parent / "sample_geodata" / "farm.toml"
NAMES = ("fields", "blocks", "mains", "valves", "submains", "headworks", "pump_duties", "zones",
         "shift_choices", "fittings", "assumptions", "findings")  # fmt: skip


@pytest.fixture(scope="module")
def farm():
    return read_farm(SAMPLE)


@pytest.fixture(scope="module")
def layers(farm, tmp_path_factory):
    path = write_plan(plan_farm(farm), tmp_path_factory.mktemp("supply"))
    return {name: pyogrio.read_dataframe(path, layer=name) for name in NAMES}


def test_every_valve_hangs_on_its_source(layers):
    mains, valves = layers["mains"], layers["valves"]
    for source_id, own in mains.groupby("source_id"):
        links = own.drop_duplicates("main_id").set_index("to_node").from_node
        for valve_id in valves.valve_id[valves.source_id == source_id]:
            node, steps = valve_id, 0
            while node != source_id:
                node, steps = links[node], steps + 1
                assert steps <= len(links), valve_id


def test_pieces_join_and_their_lengths_are_drawn(layers):
    for _, own in layers["mains"].sort_values(["main_id", "seq"]).groupby("main_id"):
        assert list(own.seq) == list(range(1, len(own) + 1))
        assert len(own) <= 2
        for line, length in zip(own.geometry, own.length_m, strict=True):
            xyz = shapely.get_coordinates(line, include_z=True)
            assert np.linalg.norm(np.diff(xyz, axis=0), axis=1).sum() == pytest.approx(length, rel=1e-6)
        ends = [shapely.get_coordinates(g, include_z=True) for g in own.geometry]
        for one, other in itertools.pairwise(ends):
            assert np.allclose(one[-1], other[0], atol=1e-6)


def test_a_main_crosses_a_field_only_to_a_valve_in_it_and_never_the_pond(layers):
    mains, field_of = layers["mains"], layers["blocks"].set_index("block_id").field_id
    valve_field = layers["valves"].set_index("valve_id").block_id.map(field_of)
    beside = shapely.union_all([shapely.buffer(s, 4.0) for s in layers["submains"].geometry])
    lines = shapely.force_2d(mains.geometry.values)
    below = {}
    for row in mains.drop_duplicates("main_id").iloc[::-1].itertuples():  # fields that a node leads on to
        own = {valve_field[row.to_node]} if row.to_node in valve_field else set()
        below.setdefault(row.to_node, set()).update(own)
        below.setdefault(row.from_node, set()).update(below[row.to_node])
    for field_id, field in layers["fields"].set_index("field_id").geometry.items():
        inner = shapely.difference(shapely.buffer(field, -4.0), beside)
        across = shapely.length(shapely.intersection(lines, inner))
        for row in mains[across > 10.0].itertuples():
            assert field_id in below[row.to_node], row.main_id
    ponds = [shapely.polygons(r) for f in layers["fields"].geometry for p in shapely.get_parts(f)
             for r in p.interiors]  # fmt: skip
    assert ponds
    assert not shapely.intersects(lines[:, None], np.array(ponds)[None, :]).any()


def test_flows_balance_from_valves_to_pump(layers):
    zones, valves, mains = (layers[n] for n in ("zones", "valves", "mains"))
    duties = layers["pump_duties"]
    shift = layers["blocks"].set_index("block_id")["shift"]
    flow = valves.groupby([valves.source_id, valves.block_id.map(shift)]).flow_m3h.sum()
    for row in duties.itertuples():
        assert row.flow_m3h == pytest.approx(flow[row.source_id, row.shift], rel=1e-9)
    for source_id, own in zones.groupby("source_id"):
        first = mains[(mains.source_id == source_id) & (mains.from_node == source_id)].drop_duplicates(
            "main_id"
        )
        assert first.design_flow_m3h.max() <= own.flow_m3h.max() + 1e-6
        assert first.design_flow_m3h.sum() >= own.flow_m3h.max() - 1e-6


def test_available_heads_by_epanet_in_every_shift(layers, farm, tmp_path):
    """EPANET 2.2 on the pieces as drawn, a junction a node; 10 % of local losses as length."""
    wntr = pytest.importorskip("wntr")
    shift_of = layers["blocks"].set_index("block_id")["shift"]
    loss = float(layers["assumptions"].set_index("key").value["supply.station_loss_m"])
    checked = 0
    for source in farm.sources:
        own = layers["mains"][layers["mains"].source_id == source.source_id]
        valves = layers["valves"][layers["valves"].source_id == source.source_id]
        duties = layers["pump_duties"][layers["pump_duties"].source_id == source.source_id]
        for duty in duties.itertuples():
            head = source.water_level_m + duty.duty_head_m - loss
            open_ = valves[valves.block_id.map(shift_of) == duty.shift].set_index("valve_id")
            fit = layers["fittings"]
            held = fit[(fit.kind == "reducing valve") & fit.on_id.isin(own.main_id)].set_index("on_id")
            found = epanet_heads(wntr, own, source.source_id, head, open_.flow_m3h, held, tmp_path / "mains")
            for valve in open_.itertuples():
                got = found[valve.Index] - valve.elevation_m
                assert got == pytest.approx(valve.available_head_m, abs=0.1)
                assert valve.available_head_m >= valve.required_head_m - 0.01
                checked += 1
    assert checked == len(layers["valves"])


def epanet_heads(wntr, mains, source_id, head_m, taken_m3h, held, prefix):
    net = wntr.network.WaterNetworkModel()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        net.options.hydraulic.headloss = "D-W"
    net.options.hydraulic.viscosity = 1.0034e-6 / 1.1e-5 / 0.3048**2  # 20 degrees C, of 1.1e-5 ft2/s
    net.options.hydraulic.accuracy = 1e-7
    net.add_reservoir(source_id, base_head=float(head_m))
    nodes = set(mains.to_node) | {f"{m}/{s}" for m, s in zip(mains.main_id, mains.seq, strict=True)}
    for node in sorted(nodes):
        net.add_junction(node, base_demand=float(taken_m3h.get(node, 0.0)) / 3600.0, elevation=0.0)
    last = mains.groupby("main_id").seq.max()
    for row in mains.itertuples():
        start = row.from_node if row.seq == 1 else f"{row.main_id}/{row.seq - 1}"
        if row.seq == 1 and row.main_id in held.index:
            valve, start, above = held.loc[row.main_id], f"{row.main_id}/held", f"{row.main_id}/above"
            net.add_junction(start, elevation=float(valve.elevation_m))
            net.add_junction(above, elevation=float(valve.elevation_m))
            net.add_pipe(above, row.from_node, above, length=0.01, diameter=1.0)  # none beside a reservoir
            net.add_valve(f"{row.main_id}-PRV", above, start, diameter=row.inside_mm / 1000.0,
                          valve_type="PRV", initial_setting=float(valve.set_head_m))  # fmt: skip
        end = row.to_node if row.seq == last[row.main_id] else f"{row.main_id}/{row.seq}"
        net.add_pipe(f"{row.main_id}-{row.seq}", start, end, length=1.1 * row.length_m,
                     diameter=row.inside_mm / 1000.0, roughness=1e-5)  # fmt: skip
    for node in sorted(nodes - set(mains.to_node)):  # marks of pieces that no pipe ends at
        if not net.get_links_for_node(node):
            net.remove_node(node)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return wntr.sim.EpanetSimulator(net).run_sim(file_prefix=str(prefix)).node["head"].iloc[0]


def test_pump_power_by_hand(layers):
    # density 998.2 kg/m3 at 20 degrees C, gravity 9.80665, pump 70 %, motor 90 % (the stated defaults)
    for row in layers["pump_duties"].itertuples():
        kw = 998.2 * 9.80665 * row.flow_m3h / 3600.0 * row.duty_head_m / 0.70 / 1000.0
        assert row.pump_kw == pytest.approx(kw, rel=1e-3)
        assert row.energy_kwh_m3 == pytest.approx(kw / 0.90 / row.flow_m3h, rel=1e-3)


def test_nothing_over_its_class_is_left_unmarked(layers):
    told = set(layers["findings"].where_id[layers["findings"].about == "pressure"])
    for row in layers["mains"].itertuples():
        assert row.static_head_max_m <= row.pressure_class_bar * 10.2 or row.main_id in told
        assert row.velocity_m_s <= 1.5 + 1e-6


def test_the_planned_number_of_shifts_is_the_best_of_those_weighed(layers):
    for _, own in layers["shift_choices"].groupby("source_id"):
        assert own.chosen.sum() == 1
        best = own[own.chosen].iloc[0]
        fitting = own[own.fits]
        if len(fitting):
            assert best.cost == fitting.cost.min()
        else:
            assert best.hours_peak_day == own.hours_peak_day.min()
        assert (own.grouping_gap_pct >= 0.0).all()
