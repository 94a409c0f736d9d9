"""The season's charts: what is drawn stands at the height of its value, and any text is only text."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from farmgis.results.season_chart import (
    DARK,
    LIGHT,
    WARM,
    block_chart,
    crop_years_chart,
    source_chart,
    source_years_chart,
)
from farmgis.series import BlockSeries, CropYears, SourceSeries, SourceYears

SVG = "{http://www.w3.org/2000/svg}"
DATES = np.arange("2005-04-25", "2005-09-22", dtype="datetime64[D]")


@pytest.fixture
def block():
    n = DATES.size
    rain, given = np.zeros(n), np.zeros(n)
    rain[[3, 10]] = [5.0, 20.0]
    given[30::3] = 18.0
    return BlockSeries("A-B01", "maize", DATES, rain, given, np.linspace(2.0, 30.0, n), np.full(n, 25.0),
                       np.full(n, 50.0))  # fmt: skip


def boxes(text, colour):
    """Bars of a colour, without the legend's."""
    return [
        e
        for e in ET.fromstring(text).iter(f"{SVG}rect")
        if e.get("fill") == colour and e.get("height") != "9"
    ]


def test_block_chart_has_a_bar_for_each_wet_day_at_its_height(block):
    text = block_chart(block)
    rain, given = boxes(text, DARK), boxes(text, LIGHT)
    assert (len(rain), len(given)) == (2, int((block.irrigation_mm > 0).sum()))
    # 5 and 20 mm on the same scale
    heights = [float(e.get("height")) for e in rain]
    assert heights[1] / heights[0] == pytest.approx(4.0, rel=0.01)
    assert float(given[0].get("height")) / heights[1] == pytest.approx(18.0 / 20.0, rel=0.01)
    assert float(rain[0].get("x")) < float(rain[1].get("x"))


def test_depletion_grows_downward(block):
    lines = [e for e in ET.fromstring(block_chart(block)).iter(f"{SVG}polyline") if e.get("stroke") == WARM]
    (line,) = lines
    y = [float(point.split(",")[1]) for point in line.get("points").split()]
    assert y == sorted(y)
    assert len(y) == DATES.size


def test_all_that_is_drawn_lies_within_the_image(block):
    peak = SourceSeries("river", DATES, np.full(DATES.size, 9000.0), np.full(DATES.size, 8000.0), 7000.0)
    for text in (block_chart(block), source_chart(peak)):
        for e in ET.fromstring(text).iter(f"{SVG}rect"):
            assert 0.0 <= float(e.get("y", 0)) <= 300.0
            assert float(e.get("y", 0)) + float(e.get("height")) <= 300.0 + 1e-6
            assert 0.0 <= float(e.get("x", 0)) <= 720.0


def test_source_without_a_limit_has_no_line_for_it(block):
    series = SourceSeries("farm", DATES, np.ones(DATES.size), np.ones(DATES.size), None)
    assert source_chart(series).count("<polyline") == 1
    assert source_chart(replace(series, available_m3_day=2.0)).count("<polyline") == 2


def test_years_stand_in_rising_order_and_those_that_are_short_are_marked():
    years = SourceYears(
        "river", (2001, 2002, 2003, 2004), (4e5, 6e5, 5e5, 7e5), (9e3, 14e3, 12e3, 13e3), 12.5e3, 6.5e5
    )
    assert years.short_years == (2002, 2004)
    tree = ET.fromstring(source_years_chart(years))
    points = [e for e in tree.iter(f"{SVG}circle")]
    assert len(points) == 8
    peaks = points[4:]
    assert [e.get("fill") for e in peaks].count(WARM) == 2
    xs, ys = ([float(e.get(k)) for e in peaks] for k in ("cx", "cy"))
    assert xs == sorted(xs)
    assert ys == sorted(ys, reverse=True)
    assert "2 of 4 years: 2002, 2004" in tree.find(f"{SVG}desc").text


def test_design_year_is_marked():
    years = CropYears("maize", "loam", (2001, 2002, 2003), (600.0, 640.0, 620.0), (7.0, 7.5, 8.0), 2003)
    text = crop_years_chart(years)
    assert "2003</text>" in text
    assert "the design year is 2003: 620 mm net" in text


def test_names_are_text_and_the_same_series_gives_the_same_image(block):
    odd = replace(block, block_id="<script>alert('x')</script>&", crop="maïs")
    text = block_chart(odd)
    assert "<script" not in text
    tree = ET.fromstring(text)
    assert tree.find(f"{SVG}title").text == "<script>alert('x')</script>&, maïs"
    assert text == block_chart(odd)


def test_dry_days_and_flat_years_can_be_drawn(block):
    none = np.zeros(DATES.size)
    for text in (
        block_chart(replace(block, rain_mm=none, irrigation_mm=none, depletion_mm=none)),
        source_chart(SourceSeries("river", DATES, none, none, 100.0)),
        crop_years_chart(CropYears("maize", "loam", (2001,), (0.0,), (0.0,), 2001)),
    ):
        assert ET.fromstring(text).find(f"{SVG}title").text
        assert "nan" not in text.lower()
        assert "inf" not in text.lower()
