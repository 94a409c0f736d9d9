"""Class at rest and regulators within submains: counted by hand."""

from dataclasses import replace

import numpy as np
import pytest

from farmgis.planning.block_search import submain_pipes
from farmgis.planning.layout import lay_out, rules_for
from farmgis.planning.submain_checks import class_findings, regulated_index, regulator_findings
from farmgis.planning.survey import survey
from farmgis.records import Design, Table
from farmgis.tables import reader


def test_a_class_that_shut_off_head_exceeds_is_told():
    table = Table(
        {
            "block_id": np.array(["A-B01", "A-B02", "A-B02"], dtype=object),
            "pressure_class_bar": np.array([6.0, 6.0, 10.0]),
            "static_head_max_m": np.array([60.0, 70.0, 90.0]),
        }
    )
    (told,) = class_findings(table)
    assert told.where_id == "A-B02"
    assert told.measured == 70.0
    assert told.limit == pytest.approx(61.2, abs=0.05)  # 6 bar
    unknown = replace(table, columns=table.columns | {"static_head_max_m": np.full(3, np.nan)})
    assert class_findings(unknown) == ()


def test_a_regulator_for_two_small_blocks_is_weighed(square_field, tilted):
    """Two blocks; allowed the flow of both, the second costs a regulator and the pipe between valves."""
    design = Design(row_azimuth_deg=90.0, block_min_ha=0.5, block_max_ha=2.2)
    field = square_field(4.0, design=design)
    pipes = submain_pipes(reader.pipes())
    layout = lay_out(field, survey(field, tilted(1.0, 0.0)), pipes)
    first, second = layout.blocks
    narrow = rules_for(design, layout.dripline, pipes)
    assert regulated_index(first, second, narrow, pipes) is None  # together over the greatest flow
    wide = rules_for(replace(design, block_max_ha=8.0), layout.dripline, pipes)
    index = regulated_index(first, second, wide, pipes)
    places = [b.drawn.submain_m[b.drawn.valve] for b in (first, second)]
    apart = float(np.linalg.norm(places[0] - places[1]))
    flow = min(b.heads.flow_m3h for b in layout.blocks)
    bore_mm = 1000.0 * (flow / 3600.0 / 2.0 * 4.0 / np.pi) ** 0.5
    by_hand = min(p.weight_kg_m for p in pipes if p.inside_mm >= bore_mm)
    assert index == pytest.approx(60.0 + by_hand * apart)
    free = replace(field, design=replace(design, block_max_ha=8.0))
    told = regulator_findings(free, layout, pipes)
    assert bool(told) == (index < 150.0)
