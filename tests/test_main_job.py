"""The main job on the sample farm: what must hold between the layers, read back from the file."""

import datetime as dt
import itertools
import math
from pathlib import Path

import icalendar
import numpy as np
import pyogrio
import pytest
import shapely

from farmgis.geodata.farm_file import read_farm
from farmgis.layers import LAYERS
from farmgis.run import plan_farm, write_plan

SAMPLE = Path(__file__).parent.parent / "sample_geodata" / "farm.toml"


@pytest.fixture(scope="module")
def farm():
    return read_farm(SAMPLE)


@pytest.fixture(scope="module")
def plan(farm):
    return plan_farm(farm)


@pytest.fixture(scope="module")
def layers(plan, tmp_path_factory):
    path = write_plan(plan, tmp_path_factory.mktemp("plan"))
    names = ("fields", "blocks", "laterals", "rows", "submains", "extreme_emitters", "valves", "zones",
             "season_demand", "demand_periods", "supply_balance", "irrigations",
             "findings", "assumptions")  # fmt: skip
    return {name: pyogrio.read_dataframe(path, layer=name) for name in names} | {"path": path}


def test_every_field_is_planned_within_tolerance(layers):
    fields, blocks = layers["fields"], layers["blocks"]
    assert len(fields) == 8
    assert set(fields.status) <= {"planned", "attention"}
    assert blocks.within_tolerance.all()
    plain = blocks[blocks.tolerance_kind == "head_variation_pct"]
    assert len(plain) > 10
    recomputed = 100.0 * (plain.head_max_m - plain.head_min_m) / plain.head_variation_pct
    assert recomputed.between(8.0, 12.0).all()  # the mean head that the percentages imply is near nominal
    assert plain.head_variation_pct.max() <= 20.0
    assert blocks.head_max_m[plain.index].max() <= 12.0 + 1e-6


def test_all_layers_are_there_with_their_columns(layers):
    listed = {name for name, _ in pyogrio.list_layers(layers["path"])}
    assert set(LAYERS) <= listed
    for name, layer in LAYERS.items():
        columns = list(pyogrio.read_info(layers["path"], layer=name)["fields"])
        assert columns[: len(layer.columns)] == [c.name for c in layer.columns]


def test_laterals_lie_in_blocks_and_blocks_in_fields(layers):
    fields = layers["fields"].set_index("field_id").geometry
    blocks = layers["blocks"].set_index("block_id")
    for block_id, block in blocks.iterrows():
        assert shapely.difference(block.geometry, fields[block.field_id]).area < 1e-3, block_id
    for block_id, own in layers["laterals"].groupby("block_id"):
        ground = shapely.buffer(blocks.geometry[block_id], 0.02)  # the outline is thinned to a centimetre
        outside = shapely.length(shapely.difference(shapely.force_2d(own.geometry.values), ground))
        assert outside.max() < 0.05, block_id


def test_blocks_do_not_overlap(layers):
    shapes = layers["blocks"].geometry.values
    assert shapely.area(shapes).sum() == pytest.approx(shapely.union_all(shapes).area, rel=1e-6)


def test_the_pond_stays_dry(layers):
    millrace = layers["fields"].set_index("field_id").geometry["MR"]
    holes = [r for p in shapely.get_parts(millrace) for r in p.interiors]
    assert len(holes) == 1
    pond = shapely.Polygon(holes[0])
    assert not shapely.intersects(shapely.force_2d(layers["laterals"].geometry.values), pond).any()


def test_flows_add_up_from_emitters_to_shifts(layers):
    blocks = layers["blocks"].set_index("block_id")
    by_block = layers["laterals"].groupby("block_id")
    np.testing.assert_allclose(
        by_block.flow_l_h.sum() / 1000.0, blocks.flow_m3h[by_block.flow_l_h.sum().index], rtol=1e-6
    )
    assert (by_block.emitters.sum() == blocks.emitters[by_block.emitters.sum().index]).all()
    fields = layers["fields"].set_index("field_id")
    per_field = layers["blocks"].groupby("field_id")
    np.testing.assert_allclose(per_field.flow_m3h.sum(), fields.flow_m3h[per_field.flow_m3h.sum().index])
    np.testing.assert_allclose(per_field.area_ha.sum(), fields.irrigated_ha[per_field.area_ha.sum().index])
    assert layers["zones"].flow_m3h.sum() == pytest.approx(blocks.flow_m3h.sum())
    assert layers["zones"].blocks.sum() == len(blocks)


def test_each_shift_is_under_what_its_source_gives(layers, farm):
    gives = {s.source_id: s.flow_m3h for s in farm.sources}
    for zone in layers["zones"].itertuples():
        assert zone.flow_m3h <= gives[zone.source_id] + 1e-6


def test_nothing_of_the_land_is_lost(layers):
    """What is irrigated is the field less headlands, margins and what a finding tells.

    Where rows run in parts machines turn between them too: land there lies within a headland of a block.
    """
    blocks = layers["blocks"]
    for field in layers["fields"].itertuples():
        own = shapely.union_all(blocks.geometry[blocks.field_id == field.field_id].to_numpy())
        near = shapely.buffer(shapely.boundary(field.geometry), 12.0)
        if field.row_pattern != "straight":
            near = shapely.union(near, shapely.buffer(own, 12.5))
        lost_ha = shapely.difference(shapely.difference(field.geometry, own), near).area / 1e4
        assert lost_ha <= 0.02 * field.area_ha, field.field_id
        if field.row_pattern == "straight":
            perimeter_ha = shapely.length(shapely.boundary(field.geometry)) / 1e4
            assert field.area_ha - field.irrigated_ha <= 12.0 * perimeter_ha + 0.02 * field.area_ha, (
                field.field_id
            )


def test_emitters_stand_at_whole_spacings_along_the_slope(layers, farm):
    spacing = {d.name: d.emitter_spacing_m for f in farm.fields for d in f.driplines}
    line = layers["fields"].set_index("field_id").dripline.map(spacing)
    laterals = layers["laterals"]
    points, which = shapely.get_coordinates(laterals.geometry.values, include_z=True, return_index=True)
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    same = which[1:] == which[:-1]
    drawn = np.bincount(which[1:][same], weights=step[same], minlength=len(laterals))
    np.testing.assert_allclose(drawn, laterals.emitters * laterals.field_id.map(line), atol=1e-3)


def test_every_lateral_starts_at_a_vertex_of_its_submain(layers):
    vertices = {}
    for submain_id, own in layers["submains"].groupby("submain_id"):
        vertices[submain_id] = shapely.get_coordinates(own.geometry.values)
    for lateral in layers["laterals"].iloc[::25].itertuples():
        inlet = shapely.get_coordinates(lateral.geometry)[0]
        assert np.hypot(*(vertices[lateral.submain_id] - inlet).T).min() < 1e-6


def test_the_rivers_trap_is_told(layers):
    """On irrigated hectares the river is short at peak while the farm as a whole is not."""
    balance = layers["supply_balance"].set_index("source_id")
    assert 102.0 <= balance.peak_share_pct["river"] <= 106.0
    assert balance.peak_share_pct["borehole"] < 100.0
    assert balance.peak_m3_day.sum() < balance.available_m3_day.sum()
    assert balance.verdict.to_dict() == {"river": "short at peak", "borehole": "sufficient"}
    found = layers["findings"]
    river = found[(found.about == "supply") & (found.where_id == "river") & (found.severity == "attention")]
    assert len(river) == 3  # the balance, the calendar, the years
    assert river.measured.iloc[0] == pytest.approx(balance.peak_m3_day["river"])
    assert river.limit.iloc[0] == pytest.approx(600.0 * 22.0)
    assert river.unit.iloc[1] == "mm"


def test_calendar_file_has_every_irrigation_and_task_in_the_stated_season(plan, layers):
    text = layers["path"].with_name("plan.ics").read_bytes().decode("utf-8")
    events = icalendar.Calendar.from_ical(text).walk("VEVENT")
    tasks = len(next(iter(plan.tables["season_tasks"].columns.values())))
    assert len(events) == len(layers["irrigations"]) + tasks
    assert len({str(e["UID"]) for e in events}) == len(events)
    hours = sum((e.decoded("DTEND") - e.decoded("DTSTART")).total_seconds() / 3600.0
                for e in events if e["SUMMARY"].startswith("Irrigate"))  # fmt: skip
    assert hours == pytest.approx(layers["irrigations"].hours.sum(), abs=len(events) / 120.0)
    water = [e.decoded("DTSTART").date() for e in events if e["SUMMARY"].startswith("Irrigate")]
    assert min(water) == dt.date(2013, 4, 25)  # as the farm file states it: in dry soil the first dose
    sowing = sorted((e.decoded("DTSTART"), e.decoded("DTEND")) for e in events if "Sow" in e["SUMMARY"])
    assert sowing[0][1] <= dt.date(2013, 4, 25)  # an event's end is the day after: sown before the dose
    assert sowing[0][0] >= dt.date(2013, 4, 10)  # 188 ha by one machine at 15 ha a day are 12.5 days


def test_irrigations_keep_to_the_sources_hours_and_the_seasons_water(layers):
    runs, zones = layers["irrigations"], layers["zones"].set_index("zone_id")
    source = runs.zone_id.map(zones.source_id)
    assert runs.hours.groupby([runs.date, source]).sum().max() <= 22.0 + 1e-6
    given = runs.volume_m3.groupby(runs.zone_id).sum()
    asked = zones.season_m3[given.index]
    assert (given <= asked * (1.0 + 1e-9)).all()
    own = zones.source_id[given.index] == "borehole"
    np.testing.assert_allclose(given[own], asked[own], rtol=0.01)
    assert 0.85 < given[~own].sum() / asked[~own].sum() < 1.0  # the river is short
    flow = runs.zone_id.map(zones.flow_m3h)
    assert (runs.volume_m3 <= runs.hours * flow * (1.0 + 1e-9)).all()


def test_demand_adds_up(layers):
    season = layers["season_demand"].set_index("block_id")
    periods = layers["demand_periods"].groupby("block_id")
    for column in ("et_crop_mm", "rain_effective_mm", "net_mm", "gross_mm", "gross_m3"):
        np.testing.assert_allclose(
            periods[column].sum(), season[column][periods[column].sum().index], rtol=1e-9
        )
    uniformity = layers["blocks"].set_index("block_id").emission_uniformity_pct / 100.0
    efficiency = np.minimum(uniformity, 0.90)
    np.testing.assert_allclose((season.net_mm + season.leaching_mm) / efficiency, season.gross_mm, rtol=1e-9)
    area = layers["blocks"].set_index("block_id").area_ha
    np.testing.assert_allclose(season.gross_mm * area * 10.0, season.gross_m3, rtol=1e-9)
    hours = layers["demand_periods"].gross_mm / layers["demand_periods"].block_id.map(
        layers["blocks"].set_index("block_id").application_mm_h
    )
    np.testing.assert_allclose(hours, layers["demand_periods"].run_hours, rtol=1e-9)


def test_common_practice_of_the_trade(layers, plan):
    """Common practice, no source: a line for two rows, an interval of 2 to 4 days, a filter of 130 micron."""
    corn = layers["rows"][layers["rows"].field_id != "NH"]
    laterals = layers["laterals"].groupby("block_id").length_m.sum()
    ratio = corn.set_index("block_id").length_m / laterals[corn.block_id]
    assert ratio.between(1.9, 2.1).all()
    told = {a.key: a.value for a in plan.assumptions}
    assert 2 <= float(told["design.interval_days"]) <= 4
    assert told["filter_fineness"] == "130"


def test_ids_depend_only_on_their_own_field(farm, layers):
    """The same field planned alone has the same blocks, to the last digit."""
    from dataclasses import replace

    alone = plan_farm(replace(farm, fields=tuple(f for f in farm.fields if f.field_id == "OB")))
    together = layers["blocks"][layers["blocks"].field_id == "OB"]
    assert list(alone.tables["blocks"].columns["block_id"]) == list(together.block_id)
    np.testing.assert_array_equal(alone.tables["blocks"].columns["valve_head_m"], together.valve_head_m)


# ---- one block redone by hand, from the layers alone ------------------------------------------------

NU, G = 1.0034e-6, 9.80665  # water at 20 degrees C: IAPWS, from a table


def swamee_jain_loss(flow_m3_s, inside_m, roughness_m):
    """Loss per metre for one flow, written anew: laminar, Dunlop's cubic, Swamee-Jain."""
    re = 4.0 * flow_m3_s / (math.pi * inside_m * NU)

    def turbulent(r):
        return 0.25 / math.log10(roughness_m / (3.7 * inside_m) + 5.74 / r**0.9) ** 2

    if re < 2000.0:
        f = 64.0 / re if re > 0.0 else 0.0
    elif re >= 4000.0:
        f = turbulent(re)
    else:  # the cubic that meets 64/Re and Swamee-Jain in value and slope
        d = 1e-3
        ends = (
            (0.032, -0.032),
            (turbulent(4000.0), (turbulent(4000.0 + d) - turbulent(4000.0 - d)) / d * 1000.0),
        )
        x = re / 2000.0 - 1.0
        (y0, s0), (y1, s1) = ends
        f = (
            y0 * (2 * x**3 - 3 * x**2 + 1) + s0 * (x**3 - 2 * x**2 + x)
            + y1 * (3 * x**2 - 2 * x**3) + s1 * (x**3 - x**2)
        )  # fmt: skip
    return f * 8.0 * flow_m3_s**2 / (math.pi**2 * G * inside_m**5)


def march_up(points, emitters, spacing, end_head):
    """Return (inlet head, flow, heads of the emitters) of a drawn lateral whose last emitter has a head."""
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    z = np.interp(np.arange(emitters + 1) * spacing, run, points[:, 2])
    area = math.pi / 4.0 * 0.0222**2
    head, flow, heads = end_head, 0.0, []
    for i in range(emitters, 0, -1):
        heads.append(head)
        flow += 1.0 / 3.6e6 * math.sqrt(head / 10.0)
        loss = 1.1 * spacing * swamee_jain_loss(flow, 0.0222, 1.5e-6)
        if i == 1:
            loss += (flow / area) ** 2 / (2.0 * G)  # the start connector: one velocity head
        head += loss + z[i] - z[i - 1]
    return head, flow, heads[::-1]


@pytest.mark.parametrize("pick", [0.0, 0.5, 1.0])
def test_a_lateral_redone_by_hand_from_the_layers(layers, pick):
    laterals = layers["laterals"][layers["laterals"].field_id == "OB"]
    lateral = laterals.iloc[int(pick * (len(laterals) - 1))]
    points = shapely.get_coordinates(lateral.geometry, include_z=True)
    inlet, flow, heads = march_up(points, lateral.emitters, 0.4, lateral.end_head_m)
    assert inlet == pytest.approx(lateral.inlet_head_m, abs=1e-3)
    assert flow * 3.6e6 == pytest.approx(lateral.flow_l_h, rel=1e-4)
    assert min(heads) == pytest.approx(lateral.head_min_m, abs=1e-3)
    assert max(heads) == pytest.approx(lateral.head_max_m, abs=1e-3)


def test_a_submain_redone_by_hand_from_the_layers(layers):
    """Head from the valve outward, reach by reach, with the laterals' flows taken off at their inlets."""
    block_id = "OB-B01"
    laterals = layers["laterals"][layers["laterals"].block_id == block_id]
    inlets = np.array([shapely.get_coordinates(g)[0] for g in laterals.geometry])
    valve = layers["valves"].set_index("block_id").loc[block_id]
    for _, branch in layers["submains"][layers["submains"].block_id == block_id].groupby("submain_id"):
        head = valve.set_head_m
        own = laterals[laterals.submain_id == branch.submain_id.iloc[0]]
        beyond = own.flow_l_h.sum()
        at_valve = np.hypot(*(inlets - shapely.get_coordinates(valve.geometry)).T) < 1e-6
        beyond -= own.flow_l_h[at_valve[laterals.index.get_indexer(own.index)]].sum()
        for reach in branch.sort_values("seq").itertuples():
            points = shapely.get_coordinates(reach.geometry, include_z=True)
            for a, b in itertools.pairwise(points):
                loss = swamee_jain_loss(beyond / 3.6e6, reach.inside_mm / 1000.0, 1e-5)
                head += a[2] - b[2] - 1.1 * loss * np.linalg.norm(b - a)
                here = np.hypot(*(inlets - b[:2]).T) < 1e-6
                np.testing.assert_allclose(laterals.inlet_head_m[here], head, atol=2e-3)
                beyond -= laterals.flow_l_h[here].sum()
        assert beyond == pytest.approx(0.0, abs=1e-3)
