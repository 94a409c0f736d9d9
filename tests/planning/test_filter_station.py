"""Head works: published classes of clogging, the order that rules of chemigation ask for, units by hand."""

import math

import pytest

from farmgis import tables
from farmgis.layers import LAYERS
from farmgis.planning.filter_station import (
    clogging_of,
    filter_kind,
    filter_station,
    filter_units,
    station_findings,
    station_fittings,
    tell_filters,
    tell_station,
)
from farmgis.records import Source, Supply, WaterQuality

LIMITS = tables.clogging_limits()


def source(kind=None, flow=600.0, **water):
    quality = WaterQuality(**water) if water else None
    return Source("river", 10.0, 20.0, 111.0, flow, kind=kind, water=quality)


def station(kind=None, flow_m3h=500.0, **water):
    return filter_station(source(kind, **water), flow_m3h, Supply(), LIMITS)


# ---- the water -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("factor", "minor", "moderate", "severe"),
    [
        ("suspended_mg_l", 49.0, 75.0, 101.0),
        ("ph", 6.9, 7.5, 8.1),
        ("dissolved_mg_l", 499.0, 1000.0, 2001.0),
        ("manganese_mg_l", 0.09, 1.0, 1.6),
        ("iron_mg_l", 0.09, 1.0, 1.6),
        ("hydrogen_sulfide_mg_l", 0.4, 1.0, 2.1),
        ("bacteria_per_ml", 9999.0, 20000.0, 50001.0),
    ],
)
def test_clogging_classes_bucks_1979(factor, minor, moderate, severe):
    # Bucks, Nakayama and Gilbert (1979), Agricultural Water Management 2:149: solids 50 and 100 mg/l, pH 7
    # and 8, dissolved 500 and 2000, manganese and iron 0.1 and 1.5, sulfide 0.5 and 2 mg/l, bacteria 10,000
    # and 50,000 in a millilitre (seen at second hand, in a reprint)
    for value, hazard in ((minor, "minor"), (moderate, "moderate"), (severe, "severe")):
        (found,) = clogging_of(WaterQuality(**{factor: value}), LIMITS)
        assert (found.value, found.hazard) == (value, hazard)


def test_what_clogs_is_told_with_its_limit():
    made = station("river", iron_mg_l=0.3, ph=8.4, bacteria_per_ml=500.0)
    found = station_findings(made, source("river"))
    assert [(f.severity, f.measured, f.limit) for f in found] == [("attention", 8.4, 8.0), ("note", 0.3, 0.1)]
    assert "severe hazard of clogging by pH" in found[0].what
    assert found[1].unit == "mg/l"


def test_water_that_is_not_analysed_is_told():
    (found,) = station_findings(station("river"), source("river", 900.0))
    assert "not analysed" in found.what


# ---- kinds and units -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "water", "expected"),
    [
        ("river", {}, "media"),
        ("reservoir", {}, "media"),
        (None, {}, "media"),
        ("borehole", {}, "disc"),
        ("borehole", {"iron_mg_l": 0.5}, "media"),
        ("hydrant", {}, "screen"),
        ("hydrant", {"suspended_mg_l": 60.0}, "disc"),
    ],
)
def test_kind_of_filter_by_source(kind, water, expected):
    made = source(kind, **water)
    assert filter_kind(made, clogging_of(made.water, LIMITS)) == expected


def test_media_tanks_by_hand():
    # 90 m3/h of dirty water, 36 m/h: tanks of 0.6 m pass 10.2 m3/h, so 11 with their backwash: too many;
    # 0.75 m: 15.9, 7 and one; 0.9 m: 22.9 m3/h, (90 + 22.9) / 22.9 = 4.9, so 5 and one in backwash
    units = filter_units("media", 90.0, "severe")
    assert (units.count, units.size_mm) == (6, 900.0)
    tank = math.pi / 4.0 * 0.9**2 * 36.0
    assert units.flow_m3h == pytest.approx(90.0 + tank)
    assert units.backwash_m3h == pytest.approx(tank)
    # cleaner water goes through faster
    assert (
        filter_units("media", 90.0, "minor").count * filter_units("media", 90.0, "minor").size_mm < 6 * 900.0
    )


@pytest.mark.parametrize("kind", ["media", "disc", "screen"])
@pytest.mark.parametrize("solids", ["minor", "moderate", "severe"])
@pytest.mark.parametrize("flow", [3.0, 40.0, 180.0, 600.0])
def test_all_but_one_unit_pass_flow_and_backwash(kind, solids, flow):
    units = filter_units(kind, flow, solids)
    rate = {"minor": 55.0, "moderate": 45.0, "severe": 36.0}[solids]
    disc = {"minor": 30.0, "moderate": 20.0, "severe": 12.0}[solids]
    one = math.pi / 4.0 * (units.size_mm / 1000.0) ** 2 * rate if kind == "media" else disc
    assert (units.count - 1) * one >= flow + units.backwash_m3h - 1e-6
    assert units.flow_m3h == pytest.approx(flow + units.backwash_m3h)
    assert units.count >= (3 if kind == "media" else 2)


# ---- order -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["river", "reservoir", "borehole", "hydrant", None])
def test_order_of_the_head_works(kind):
    names = [s.name for s in station(kind).steps]

    def at(word):
        return next(i for i, n in enumerate(names) if word in n)

    # 8 CCR 1206-4, part 6 (text seen): a check valve between pump and injection; vacuum relief and
    # low-pressure drain between pump and check valve
    if kind != "hydrant":
        assert at("pump") < at("vacuum relief")
    assert at("vacuum relief") < at("check valve") < at("injection")
    if "media filter" in names:  # common practice: fertiliser after the sand, before a last screen
        assert at("media") < at("injection") < at("final screen")
        assert "sand separator" not in names or at("sand separator") < at("media")
    else:
        assert at("injection") < at("filter")
    assert ("sand separator" in names) == (kind in ("river", "borehole", None))


def test_settling_before_all_where_solids_are_severe():
    assert station("river", suspended_mg_l=150.0).steps[0].name == "settling pond"


# ---- what is told ----------------------------------------------------------------------------------


def test_flow_and_head_for_backwash():
    made = filter_station(source("river", suspended_mg_l=10.0), 590.0, Supply(), LIMITS)
    found = station_findings(made, source("river", 600.0), 18.0)
    assert [f.unit for f in found] == ["m3/h", "m"]
    assert (found[0].measured, found[0].limit) == (pytest.approx(590.0 + made.filters.backwash_m3h), 600.0)
    assert (found[1].measured, found[1].limit) == (18.0, 25.0)
    assert station_findings(made, source("river", 900.0), 40.0) == ()


def test_losses_and_fineness_are_the_farms():
    supply = Supply(station_loss_clean_m=2.0, station_loss_m=6.5, filter_micron=100.0)
    made = filter_station(source("borehole"), 100.0, supply, LIMITS)
    assert (made.loss_clean_m, made.loss_dirty_m, made.micron) == (2.0, 6.5, 100.0)
    assert "100 micron" in next(s.why for s in made.steps if s.name == "disc filter")


def test_fittings_of_the_station():
    made = station_fittings(station("river"), source("river"), 113.0, 315.0)
    kinds = [f.kind for f in made]
    assert kinds == ["vacuum relief", "drain", "check", "air and vacuum", "pressure relief", "test point"]
    coded = next(c for c in LAYERS["fittings"].columns if c.name == "kind").values
    assert set(kinds) <= set(coded)
    assert {(f.on_id, f.elevation_m, f.x_m, f.y_m) for f in made} == {("river", 113.0, 10.0, 20.0)}
    assert "Nothing is injected without it" in made[2].reason


def test_assumptions_tell_units_and_order():
    told = {a.key: a for a in tell_station(station("river", suspended_mg_l=60.0))}
    assert "media units" in told["station.river.filters"].value
    assert told["station.river.solids"].known == "user"
    assert told["station.river.order"].value.startswith("intake screen, pump")
    own = {a.key: a.value for a in tell_filters()}
    assert own["filters.media_rate"] == "55, 45, 36"
