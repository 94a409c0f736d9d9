"""How fast farmgis is, printed; no test. Run: python tests/bench/bench_plan.py

Each figure is the least of some repeats in one run, so that ratios between them can be compared.
"""

from __future__ import annotations

import math
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import shapely

from farmgis import tables
from farmgis.hydraulics.emitters import emitter_law
from farmgis.hydraulics.friction import DEFAULT_WATER, dripline_row
from farmgis.hydraulics.lateral_kernel import shoot
from farmgis.hydraulics.tree import Tree, solve_tree
from farmgis.planning import azimuths
from farmgis.planning.block_search import submain_pipes
from farmgis.planning.layout import lay_out
from farmgis.planning.survey import survey
from farmgis.records import Design, Dripline, Field, Surface

ROOT = Path(__file__).parent.parent.parent
LINE = Dripline("bench", 22.2, 0.4, 1.0)


def least_seconds(job, repeats=3):
    best = math.inf
    for _ in range(repeats):
        begin = time.perf_counter()
        job()
        best = min(best, time.perf_counter() - begin)
    return best


def whole_process():
    """The sample farm as a user runs it, compiled code cached."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-c", "from farmgis.cli import main; main()", "plan"]
        words = [
            *command,
            str(ROOT / "sample_geodata/farm.toml"),
            "--output",
            folder,
            "--overwrite",
            "--quiet",
        ]
        return least_seconds(lambda: subprocess.run(words, check=True), 2)


def wavy_field():
    """Return (field, window, pipes) of one field of 50 ha on a wavy slope of 1.5 %."""
    cell, n = 5.0, 180
    x, y = np.meshgrid(np.arange(n) * cell, np.arange(n) * cell)
    noise = np.random.default_rng(1).normal(0.0, 0.03, x.shape)
    z = 100.0 + 0.015 * y + 0.8 * np.sin(x / 130.0) * np.cos(y / 170.0) + noise
    shape = shapely.Polygon([(80, 90), (760, 60), (820, 420), (700, 790), (110, 760), (60, 400)])
    field = Field(
        "A", "A", shapely.MultiPolygon([shape]), tables.crop("maize"), tables.soil("loam"), (LINE,), Design()
    )
    return field, Surface(z, 0.0, 0.0, cell), submain_pipes(tables.pipes())


def fifty_hectares():
    """Survey and layout of it: (seconds, ha, emitters, directions whose blocks were searched)."""
    field, window, pipes = wavy_field()
    made = []
    seconds = least_seconds(lambda: made.append(lay_out(field, survey(field, window), pipes)))
    searched = sum(c.search != "none" for c in made[-1].candidates)
    return seconds, field.area.area / 1e4, sum(b.heads.emitters for b in made[-1].blocks), searched


def every_degree():
    """The same with all 180 directions searched, none left out that costs more in rows alone."""
    kept = azimuths.FIRST_STEP_DEG, azimuths.least_piping
    azimuths.FIRST_STEP_DEG, azimuths.least_piping = 1, lambda plan, rules: -math.inf
    try:
        return fifty_hectares()
    finally:
        azimuths.FIRST_STEP_DEG, azimuths.least_piping = kept


def by_area(hectares):
    """Survey and layout of a square field on the same waves; returns (seconds of processor, ha, blocks)."""
    half, cell = math.sqrt(hectares * 1e4) / 2.0, 5.0
    n = int((2.0 * half + 120.0) / cell) + 1
    x, y = np.meshgrid(np.arange(n) * cell - half - 60.0, np.arange(n) * cell - half - 60.0)
    z = 100.0 + 0.01 * y + 0.5 * np.sin(x / 130.0) * np.cos(y / 170.0)
    land = shapely.MultiPolygon([shapely.box(-half, -half, half, half)])
    field = Field("A", "A", land, tables.crop("maize"), tables.soil("loam"), (LINE,), Design())
    window, pipes = Surface(z, -half - 60.0, -half - 60.0, cell), submain_pipes(tables.pipes())
    begin = time.process_time()
    layout = lay_out(field, survey(field, window), pipes)
    return time.process_time() - begin, hectares, len(layout.blocks)


def chain(emitters):
    parent = np.arange(-1, emitters)
    outlets = np.ones(emitters + 1)
    outlets[0] = 0.0
    zero = np.zeros(emitters + 1)
    return Tree(
        parent,
        zero,
        np.full(emitters + 1, 0.44),
        zero,
        np.zeros(emitters + 1, np.int64),
        dripline_row(LINE, DEFAULT_WATER)[None],
        outlets,
        emitter_law(LINE),
        zero,
    )


def forest(emitters, laterals=300):
    """A tree of many laterals on one wide pipe."""
    each = emitters // laterals
    one = np.arange(-1, each - 1)
    parent = np.concatenate([[-1], *(np.where(one < 0, 0, one + 1 + k * each) for k in range(laterals))])
    n = parent.size
    outlets = np.ones(n)
    outlets[0] = 0.0
    zero = np.zeros(n)
    return Tree(
        parent,
        zero,
        np.full(n, 0.44),
        zero,
        np.zeros(n, np.int64),
        dripline_row(LINE, DEFAULT_WATER)[None],
        outlets,
        emitter_law(LINE),
        zero,
    )


def main():
    solve_tree(chain(10), "fixed head", 10.0)
    million = forest(1_000_000, 2000)
    seconds = least_seconds(lambda: solve_tree(million, "fixed head", 11.0))
    print(f"tree solver, 1,000,000 emitters in laterals of 500: {seconds * 1000:.0f} ns an emitter")
    z, row, law = np.zeros(501), dripline_row(LINE, DEFAULT_WATER), emitter_law(LINE)
    shoot(11.0, 11.0, z, 500, 0.44, 1.0, row, law, 1.0, 0.0, 1e-9)
    marched = least_seconds(
        lambda: [shoot(11.0, 11.0, z, 500, 0.44, 1.0, row, law, 1.0, 0.0, 1e-9) for _ in range(200)]
    )
    print(f"marching with Newton, the same laterals one by one: {marched / 1e5 * 1e9:.0f} ns an emitter")
    print(f"  ratio tree / marching {seconds / 1e6 / (marched / 1e5):.2f}")
    for job in (fifty_hectares, every_degree):
        seconds, area, emitters, searched = job()
        print(f"one field of {area:.0f} ha, {emitters:,} emitters, {searched} directions searched, "
              f"survey and layout: {seconds:.2f} s")  # fmt: skip
    for hectares in (5, 50, 500):
        seconds, area, blocks = by_area(float(hectares))
        print(f"a field of {area:.0f} ha, {blocks} blocks: {seconds:.2f} s of processor, "
              f"{1000.0 * seconds / area:.0f} ms a hectare")  # fmt: skip
    print(f"sample farm, whole process, warm: {whole_process():.2f} s")
    print(
        f"greatest memory of this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
    )


if __name__ == "__main__":
    main()
