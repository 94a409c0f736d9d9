"""How fast the season is: reference ET and soil water of many fields and years, and a farm's whole season.

    python tests/bench/bench_season.py [fields] [years]

The weather is invented. Fields are taken in lots by two processes, so that memory stays the same however many
there are; what a field's seasons come to is handed back. Then a farm of 40 blocks, calendar included.
"""

import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import shapely

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.demand import block_demand, crop_demand
from farmgis.planning.season import BlockRun, plan_season
from farmgis.records import BlockFacts, Design, Farm, Field, Season, Shift, Source, Weather
from farmgis.tables import reader

CORES, WEATHERS = 2, 64


def weather_of(field, years):
    """Daily weather of a field: a yearly swing, and noise of its own."""
    dates = np.arange(f"{2020 - years}-01-01", "2020-01-01", dtype="datetime64[D]")
    chance = np.random.default_rng(field)
    swing = np.cos(2.0 * np.pi * (np.arange(dates.size) - 200.0) / 365.25)
    tmax = 22.0 + 10.0 * swing + chance.standard_normal(dates.size)
    return Weather(
        "daily",
        dates,
        {
            "tmax_c": tmax,
            "tmin_c": tmax - 12.0,
            "rh_mean_pct": 60.0 - 10.0 * swing,
            "wind_2m_m_s": 2.0 + 0.3 * chance.standard_normal(dates.size),
            "radiation_mj_m2": 17.0 + 8.0 * swing + chance.standard_normal(dates.size),
            "rain_mm": np.maximum(chance.standard_normal(dates.size) - 1.2, 0.0) * 20.0,
        },
        40.0,
        100.0,
    )


def one_field(weather):
    """Reference ET of every day, and the soil water of every season: what the design year needs. [mm]"""
    demand = crop_demand(reader.crop("maize"), reader.soil("loam"), Design(), Season(sown="moist"), weather)
    return float(demand.net_mm.sum())


def lot(first, count, years):
    """Seasons of some fields, the weather made beforehand; returns (seconds, peak GB, core seconds, sum)."""
    kept = [weather_of(n % WEATHERS, years) for n in range(first, first + min(count, WEATHERS))]
    one_field(kept[0])
    began, busy = time.perf_counter(), time.process_time()
    total = sum(one_field(kept[n % len(kept)]) for n in range(count))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return time.perf_counter() - began, memory, time.process_time() - busy, total


def many_fields(fields, years):
    share = fields // CORES
    with ProcessPoolExecutor(CORES) as pool:
        made = list(pool.map(lot, (0, share), (share, fields - share), (years, years)))
    took, memory, busy = max(m[0] for m in made), sum(m[1] for m in made), sum(m[2] for m in made)
    per_day = 1e9 * busy / (fields * years * 365.25)
    print(
        f"{fields:,} fields x {years} years: {took:.1f} s on {CORES} cores, {busy:.1f} s of computing, "
        f"{per_day:.0f} ns a field-day, {memory:.2f} GB in all"
    )


def one_farm(blocks=40, years=24):
    """A farm of two sources, sown dry: germination, calendar, tasks and series."""
    weather, season = weather_of(1, years), Season(sown="dry")
    box = shapely.MultiPolygon([shapely.box(0.0, 0.0, 500.0, 500.0)])
    sources = tuple(Source(f"S{n}", 0.0, 0.0, None, 400.0, 22.0) for n in range(2))
    fields = tuple(
        Field(f"F{n}", f"F{n}", box, reader.crop("maize"), reader.soil("loam"), (), Design(), f"S{n % 2}")
        for n in range(blocks // 5)
    )
    farm = Farm("bench", "EPSG:32610", fields, None, sources, (), weather, season)
    began = time.perf_counter()
    demand = crop_demand(fields[0].crop, fields[0].soil, Design(), season, weather)
    seasons, runs = {}, {}
    for n in range(blocks):
        facts = BlockFacts(f"F{n // 5}-B{n % 5}", f"F{n // 5}", box, 5.0, 80.0, 90.0)
        seasons[facts.block_id] = BlockSeason(facts, demand, block_demand(demand, 90.0, 5.0, 1.6))
        runs[facts.block_id] = BlockRun(60, 20.0)
    shifts = []
    for k in range(2):
        own = [b for b, s in seasons.items() if int(s.facts.field_id[1:]) % 2 == k]
        shifts += [Shift(f"S{k}", 1 + n, tuple(own[n::4]), 400.0) for n in range(4)]
    plan = plan_season(farm, shifts, seasons, runs, 20.0)
    took = time.perf_counter() - began
    runs_made = len(plan.calendar.irrigations)
    print(f"a farm of {blocks} blocks, {years} years of weather, {runs_made} runs: {took:.2f} s")


def main():
    fields, years = (int(a) for a in (sys.argv[1:3] if len(sys.argv) > 2 else (10000, 40)))
    many_fields(fields, years)
    one_farm()
    one_farm()


if __name__ == "__main__":
    main()
