"""Real stations as they come: 24 years of Wageningen with their faults, and reference ET day by day.

The files ship with the package pcse 6.0.13 (EUPL-1.2), as test data; they are read where they lie. The oracle
is the package refet 0.5 (ASCE-EWRI 2005 for short grass, which is FAO-56's day but for rounded constants).
"""

import re
from dataclasses import replace
from datetime import date
from importlib.metadata import PackageNotFoundError, distribution

import numpy as np
import pytest
import refet

from farmgis.agronomy.radiation import clear_sky_mj_m2, extraterrestrial_mj_m2
from farmgis.agronomy.reference_et import reference_et_mm
from farmgis.geodata.weather import read_weather
from farmgis.planning.block_season import BlockSeason
from farmgis.planning.demand import block_demand, crop_demand
from farmgis.planning.irrigation_calendar import season_calendar
from farmgis.records import BlockFacts, Design, Season, Shift, Source
from farmgis.tables import reader

WAGENINGEN = (51.97, 7.0)
YEARS = range(1976, 2000)


def folder():
    try:
        return distribution("pcse").locate_file("pcse/tests/test_data")
    except PackageNotFoundError:
        pytest.skip("needs the data of pcse: pip install --no-deps pcse")


def raw_rows():
    """Rows of all years in the order of the files: year, day, kJ, Tmin, Tmax, kPa, m/s, mm, as text."""
    rows = []
    for year in YEARS:
        lines = (folder() / f"NL1.{year % 1000:03d}").read_text("latin-1").splitlines()
        body = [line.split() for line in lines if line and not line.startswith("*")]
        rows += [cells[1:] for cells in body if len(cells) == 9]
    return rows


def as_csv(rows):
    """The station's rows as a weather file: units turned, faults left as they are."""
    out = ["date,radiation_mj_m2,tmin_c,tmax_c,vapour_kpa,wind_2m_m_s,rain_mm"]
    for year, day, kj, *rest in rows:
        when = np.datetime64(f"{year}-01-01") + np.timedelta64(int(day) - 1, "D")
        sun = kj if float(kj) < 0.0 else f"{float(kj) / 1000.0:.3f}"
        out.append(",".join((str(when), sun, *rest)))
    return "\n".join(out) + "\n"


@pytest.fixture(scope="module")
def rows():
    return raw_rows()


@pytest.fixture(scope="module")
def read(rows, tmp_path_factory):
    path = tmp_path_factory.mktemp("station") / "wageningen.csv"
    path.write_text(as_csv(rows), encoding="utf-8")
    return read_weather(path, *WAGENINGEN)


def test_faults_of_24_years_are_repaired_and_counted(rows, read):
    weather, findings = read
    days = [np.datetime64(f"{r[0]}-01-01") + np.timedelta64(int(r[1]) - 1, "D") for r in rows]
    first, last = min(days), max(days)
    assert weather.dates.size == int((last - first).astype(int)) + 1
    assert (np.diff(weather.dates).astype(int) == 1).all()
    told = {f.what.split(": ", 1)[1].split(" ", 1)[1]: f.measured for f in findings}
    # counted here on the raw rows, by other means
    doubled = len(days) - len(set(days))
    absent = weather.dates.size - len(set(days))
    swapped_days = {
        d for d, r in zip(reversed(days), reversed(rows), strict=True) if float(r[3]) > float(r[4])
    }
    missing = sum(float(v) <= -99.0 for r in rows for v in r[2:])
    assert doubled > 0
    assert absent > 0
    assert told.get("rows repeat a day that is already there") == doubled
    assert told.get("days between the first and the last are absent") == absent
    assert told.get("values are missing", 0) == missing
    if swapped_days:
        assert "is over tmax_c" in " ".join(f.what for f in findings)
    ordered = weather.columns["tmin_c"] <= weather.columns["tmax_c"]
    assert (ordered | np.isnan(weather.columns["tmin_c"]) | np.isnan(weather.columns["tmax_c"])).all()


def test_reference_et_day_by_day_against_refet(read):
    weather, _ = read
    et0, said = reference_et_mm(weather)
    c = weather.columns
    needed = ("tmin_c", "tmax_c", "vapour_kpa", "wind_2m_m_s", "radiation_mj_m2")
    whole = ~np.isnan(np.vstack([c[k] for k in needed])).any(axis=0)
    doy = (weather.dates - weather.dates.astype("datetime64[Y]")).astype(int) + 1
    oracle = refet.Daily(
        tmin=c["tmin_c"], tmax=c["tmax_c"], rs=c["radiation_mj_m2"], uz=c["wind_2m_m_s"], zw=2.0,
        elev=WAGENINGEN[1], lat=WAGENINGEN[0], doy=doy, ea=c["vapour_kpa"], method="asce", rso_type="simple",
        input_units={"tmin": "C", "tmax": "C", "rs": "mj m-2 day-1", "uz": "m s-1", "lat": "deg"},
    ).eto()  # fmt: skip
    assert whole.sum() > 8000
    assert "Penman-Monteith" in said
    # air that is told as moister than saturation is held to it here, and not there; nor may ET0 fall below 0
    mean_es = 0.5 * (saturation(c["tmin_c"]) + saturation(c["tmax_c"]))
    compared = whole & (c["vapour_kpa"] <= mean_es) & (oracle > 0.0)
    assert compared.sum() > 0.95 * whole.sum()
    # ASCE holds Rs/Rso to 0.3 or more (eq 18), FAO-56 does not: dull days are looked at for themselves
    clear = clear_sky_mj_m2(WAGENINGEN[1], extraterrestrial_mj_m2(WAGENINGEN[0], doy))
    dull = c["radiation_mj_m2"] < 0.3 * clear
    difference = np.abs(et0 - oracle)
    assert (compared & ~dull).sum() > 5000
    assert difference[compared & ~dull].max() < 0.01
    assert difference[compared & dull].max() < 0.4
    # nor does it move the sum of the summers by 1 %
    summer = compared & np.isin(weather.dates.astype("datetime64[M]").astype(int) % 12, (3, 4, 5, 6, 7, 8))
    assert et0[summer].sum() == pytest.approx(oracle[summer].sum(), rel=0.01)


def saturation(temperature_c):
    """FAO-56 eq 11, written here for itself. [kPa]"""
    return 0.6108 * np.exp(17.27 * temperature_c / (temperature_c + 237.3))


def test_a_humid_station_needs_little_and_the_year_of_gaps_is_left_out(read):
    weather, _ = read
    demand = crop_demand(reader.crop("maize"), reader.soil("loam"), Design(), Season(sown="moist"), weather)
    assert demand.basis == "daily"
    assert 1991 not in demand.years or len(demand.years) < 24
    assert len(demand.years) >= 18
    nets = np.array(demand.season_net_mm)
    # a Dutch summer's grass takes some 450 mm and gets some 300 mm of rain: wet years need far less than dry
    assert nets.max() < 450.0
    assert nets.min() < 0.6 * nets.max()
    net = demand.et_crop_mm.sum() - demand.rain_effective_mm.sum() - demand.soil_water_used_mm
    assert demand.net_mm.sum() == pytest.approx(net, abs=0.01)


@pytest.fixture(scope="module")
def andalusia(tmp_path_factory):
    """A weather file of a square of Andalusia, 37.64 N, 47 m: daily, December 1999 to November 2001.

    Radiation in kJ, vapour pressure in hPa, wind at 10 m (times 0.748 at 2 m, FAO-56 eq 47).
    """
    row = re.compile(r'INSERT INTO "?grid_weather"? VALUES\(31031,(.*)\);')
    out = ["date,tmax_c,tmin_c,vapour_kpa,wind_2m_m_s,rain_mm,radiation_mj_m2"]
    with (folder() / "pcse_dump.sql").open(encoding="utf-8", errors="replace") as lines:
        for found in filter(None, map(row.match, lines)):
            day, high, low, hpa, wind, rain, *_, kj, _ = found.group(1).split(",")
            cells = (float(hpa) / 10.0, float(wind) * 0.748, float(rain), float(kj) / 1000.0)
            out.append(",".join((day.strip("'"), high, low, *(f"{v:.4f}" for v in cells))))
    path = tmp_path_factory.mktemp("andalusia") / "weather.csv"
    path.write_text("\n".join(out) + "\n", encoding="utf-8")
    return read_weather(path, 37.64, 47.0)[0]


def corn(weather, stage_days, sowing, **season):
    """Gross m3/ha of each year at a uniformity of 90 %, and the demand: corn on loam, sown in moist soil."""
    crop = replace(reader.crop("maize"), stage_days=stage_days)
    told = Season(sowing=sowing, sown="moist", **season)
    demand = crop_demand(crop, reader.soil("loam"), Design(), told, weather)
    return np.array(demand.season_net_mm) / 0.9 * 10.0, demand


def test_corn_of_a_dry_summer_under_drip_is_near_4500_m3_ha(andalusia):
    """Common practice: corn under drip takes about 4,500 m3/ha in a season in a dry climate.

    That is a crop of 125 days (FAO-56 table 11: 20/35/40/30) sown as soon as the ground is warm, in years
    that are none of the driest: 10 %. What takes more is longer, later or drier.
    """
    usual, _ = corn(andalusia, (20, 35, 40, 30), date(2000, 2, 25))
    assert usual.mean() == pytest.approx(4500.0, rel=0.10)
    later, _ = corn(andalusia, (20, 35, 40, 30), date(2000, 3, 15))
    longer, demand = corn(andalusia, (30, 40, 50, 30), date(2000, 3, 15))
    assert (usual < later).all()
    assert (later < longer).all()
    # FAO's crop information: 500 to 800 mm for grain of medium maturity; here the long crop of a dry year
    short = corn(andalusia, (20, 35, 40, 30), date(2000, 3, 15))[1]
    assert 500.0 <= short.et_crop_mm.sum() <= 800.0
    assert demand.et_crop_mm.sum() <= 1.1 * 800.0
    # all of the difference between the two years is rain, ET and the soil: the balance closes
    wet = corn(andalusia, (20, 35, 40, 30), date(2000, 3, 15), exceedance_pct=50.0)[1]
    parts = [
        d.et_crop_mm.sum() - d.rain_effective_mm.sum() - d.soil_water_used_mm - d.net_mm.sum()
        for d in (short, wet)
    ]
    assert parts == pytest.approx([0.0, 0.0], abs=0.01)
    assert wet.rain_effective_mm.sum() > short.rain_effective_mm.sum() + 50.0


def test_halving_a_sources_hours_on_real_weather_moves_dates_and_costs_the_crop(andalusia):
    _, demand = corn(andalusia, (30, 40, 50, 30), date(2000, 3, 15))
    shifts, seasons = [], {}
    for n in range(1, 5):
        block = BlockFacts(f"A-B{n}", "A", None, 3.5, 100.0, 90.0)
        need = block_demand(demand, 90.0, 3.5, block.application_mm_h)
        seasons[block.block_id] = BlockSeason(block, demand, need)
        shifts.append(Shift("river", n, (block.block_id,), 100.0))
    whole, half = (
        season_calendar(shifts, seasons, [Source("river", 0.0, 0.0, None, 100.0, hours)], 20.0)
        for hours in (22.0, 11.0)
    )
    assert {(i.date, i.zone_id) for i in whole.irrigations} != {(i.date, i.zone_id) for i in half.irrigations}
    lost = {key: half.lost_et_mm[key] - whole.lost_et_mm[key] for key in seasons}
    assert min(lost.values()) > 20.0
    for key, days in half.block_days.items():
        # the soil stands drier than it gives without stress: that is where the loss comes from
        drier = (days.depletion_mm > demand.readily_mm).sum()
        assert drier > (whole.block_days[key].depletion_mm > demand.readily_mm).sum() + 10
