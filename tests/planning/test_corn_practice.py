"""Why corn takes what it takes: the steps add up, and the usual figure needs no words."""

import re
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from farmgis.planning.block_season import BlockSeason
from farmgis.planning.corn_practice import USUAL_M3_HA, explain_corn
from farmgis.planning.demand import block_demand, crop_demand
from farmgis.records import BlockFacts, Farm, Season, Weather
from farmgis.tables import reader


def explained(square_field, et0_mm, season, crop="maize"):
    """The findings of a farm of one block, with years of changing reference ET and no rain."""
    dates = np.arange("2001-01-01", "2013-01-01", dtype="datetime64[D]")
    year = dates.astype("datetime64[Y]").astype(int)
    et0 = et0_mm * (1.0 + 0.02 * (year % 5))
    weather = Weather("daily", dates, {"et0_mm": et0, "rain_mm": np.zeros(dates.size)}, 40.0, 0.0)
    field = replace(square_field(), crop=reader.crop(crop))
    demand = crop_demand(field.crop, field.soil, field.design, season, weather)
    block = BlockFacts("A-B1", "A", None, 5.0, 80.0, 90.0)
    need = block_demand(demand, 90.0, 5.0, block.application_mm_h)
    farm = Farm("F", "EPSG:32610", (field,), None, (), (), weather, season)
    return explain_corn(farm, {"A": field}, {"A-B1": BlockSeason(block, demand, need)}), need


@pytest.mark.parametrize(("sown", "ec", "steps"), [("dry", None, 4), ("moist", None, 3), ("dry", 3.5, 5)])
def test_steps_add_up_to_the_difference(square_field, sown, ec, steps):
    season = Season(sowing=date(2001, 4, 20), sown=sown, water_ec_ds_m=ec)
    (found,), need = explained(square_field, 6.5, season)
    amounts = [float(a.replace(",", "")) for a in re.findall(r" ([+-][\d,]+)(?:;|$)", found.what)]
    assert len(amounts) == steps
    assert sum(amounts) == pytest.approx(need.gross_m3_ha - USUAL_M3_HA, abs=2.5)
    assert found.measured == pytest.approx(need.gross_m3_ha)
    # by hand: 25 more days in place of 125; the fifth of the years over the mean takes more
    assert "a season of 150 days in place of 125 +" in found.what
    assert "in place of the mean of 12 +" in found.what


def test_near_the_usual_figure_nothing_is_said(square_field):
    none, need = explained(square_field, 3.6, Season(sowing=date(2001, 4, 20), sown="moist"))
    assert abs(need.gross_m3_ha - USUAL_M3_HA) < 0.15 * USUAL_M3_HA
    assert none == ()


def test_other_crops_are_not_judged_by_it(square_field):
    none, _ = explained(square_field, 6.5, Season(sowing=date(2001, 4, 20), sown="moist"), "cotton")
    assert none == ()
