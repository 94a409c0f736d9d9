"""What a layout tells of blocks that cannot be helped."""

from dataclasses import replace

import numpy as np

from farmgis.planning.block_search import submain_pipes
from farmgis.planning.findings import layout_findings
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
