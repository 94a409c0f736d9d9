"""What a layout tells of blocks that cannot be helped."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from farmgis.geodata.farm_file import read_farm
from farmgis.geodata.farm_parts import crop_of
from farmgis.planning.block_search import submain_pipes
from farmgis.planning.findings import farm_findings, layout_findings
from farmgis.planning.layout import lay_out
from farmgis.planning.survey import survey
from farmgis.records import Design, Dripline
from farmgis.tables import reader


def test_emitters_that_get_no_water_are_told(square_field, ground):
    """Rows forced over a ridge of 14 m with a line that bears 12: its top is dry."""
    line = Dripline("plain", 22.2, 0.4, 1.0)
    field = square_field(4.0, line=line, design=Design(row_azimuth_deg=90.0, lateral_min_m=80.0))
    found = survey(field, ground(lambda x, y: 14.0 * np.exp(-((x / 30.0) ** 2))))
    layout = lay_out(field, found, submain_pipes(reader.pipes()))
    lowest = min(b.heads.head_min_m for b in layout.blocks)
    assert lowest <= 0.0
    told = [f for f in layout_findings(field, found, layout) if "give nothing" in f.what]
    assert [f.measured for f in told] == [lowest]


def test_lucerne_by_a_first_cuts_stages_is_told():
    """FAO-56 table 11: alfalfa, first cutting cycle, 10 + 30 + 25 + 10 = 75 days."""
    farm = read_farm(Path(__file__).parents[2] / "sample_geodata" / "farm.toml")
    lucerne = replace(farm.fields[0], crop=reader.crop("alfalfa"))
    (told,) = [f for f in farm_findings(replace(farm, fields=(lucerne,))) if "first cut" in f.what]
    assert (told.where_id, told.measured) == (lucerne.field_id, 75.0)
    stages = {"initial_days": 20, "development_days": 30, "middle_days": 110, "late_days": 20}
    given = crop_of({"crop": [{"name": "alfalfa", "like": "alfalfa", **stages}]}, "alfalfa")
    own = replace(lucerne, crop=given)
    assert not [f for f in farm_findings(replace(farm, fields=(own,))) if "cut" in f.what]


def test_a_compensating_line_that_is_listed_is_not_asked_for(square_field, tilted):
    """Rows straight up 6 %: the plain line is far out of its 20 % whatever the blocks."""
    line = Dripline("plain", 22.2, 0.4, 1.0)
    other = Dripline("steady", 22.2, 0.4, 1.0, exponent=0.0, least_head_m=4.0, greatest_head_m=22.0)
    field = square_field(4.0, line=line, design=Design(row_azimuth_deg=0.0, lateral_min_m=80.0))
    found = survey(field, tilted(6.0, 0.0))
    layout = lay_out(field, found, submain_pipes(reader.pipes()))
    advice = [
        next(
            f.advice
            for f in layout_findings(replace(field, driplines=lines), found, layout)
            if f.limit == 20.0
        )
        for lines in ((line,), (line, other))
    ]
    assert "list a pressure-compensating" in advice[0]
    assert "'steady'" in advice[1]
    assert "list a" not in advice[1]
