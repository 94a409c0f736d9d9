"""Sources against their own fields; nothing is netted."""

import pytest

from farmgis.planning.supply import FieldLoad, source_balance
from farmgis.records import Source

RIVER = Source("river", 0.0, 0.0, 111.0, 600.0, hours_per_day=22.0)
BORE = Source("borehole", 0.0, 0.0, 94.0, 180.0, hours_per_day=22.0)


def load(field_id, area_ha, peak_mm, season_mm=600.0, basis="daily"):
    return FieldLoad(field_id, area_ha, area_ha * peak_mm * 10.0, area_ha * season_mm * 10.0, basis)


def test_short_river_is_not_netted_against_a_borehole_with_spare():
    # hand: 161.5 ha x 8.667 mm = 13,997 of 13,200 m3/day; 38.5 ha take 2,985 of 3,960
    loads = {"river": [load("A", 100.0, 8.667), load("B", 61.5, 8.667)], "borehole": [load("C", 38.5, 7.754)]}
    rows, findings = source_balance((RIVER, BORE), loads)
    assert [row.verdict for row in rows] == ["short at peak", "sufficient"]
    assert rows[0].available_m3_day == pytest.approx(13200.0)
    assert rows[0].peak_share_pct == pytest.approx(106.0, abs=0.1)
    assert (rows[0].fields, rows[0].irrigated_ha) == (2, pytest.approx(161.5))
    (finding,) = findings
    assert finding.where_id == "river"
    assert "short by 797 m3/day" in finding.what
    assert "9.2 ha" in finding.what
    assert "together would look sufficient" in finding.what
    assert "link 9.2 ha to borehole" in finding.advice
    assert "run 23.3 h a day instead of 22" in finding.advice
    assert "store 797 m3" in finding.advice


def test_farm_that_is_short_as_a_whole_does_not_claim_otherwise():
    loads = {"river": [load("A", 200.0, 8.667)], "borehole": [load("C", 60.0, 8.0)]}
    rows, findings = source_balance((RIVER, BORE), loads)
    assert [row.verdict for row in rows] == ["short at peak", "short at peak"]
    assert not any("together" in finding.what for finding in findings)
    assert not any("link" in finding.advice for finding in findings)
    assert "run" not in findings[0].advice.split(";")[0]


def test_licence():
    licensed = Source("river", 0.0, 0.0, None, 600.0, licence_m3=500000.0)
    rows, findings = source_balance((licensed,), {"river": [load("A", 100.0, 8.0, 600.0)]})
    assert rows[0].verdict == "short in season"
    assert "short by 100,000 m3, about 16.7 ha" in findings[0].what


def test_short_in_both_tells_both():
    licensed = Source("river", 0.0, 0.0, None, 100.0, licence_m3=1000.0)
    rows, findings = source_balance((licensed,), {"river": [load("A", 100.0, 8.0)]})
    assert rows[0].verdict == "short at peak"
    assert len(findings) == 2


def test_assumed_demand_is_not_judged():
    rows, findings = source_balance(
        (RIVER,), {"river": [load("A", 500.0, 9.0, basis="assumed"), load("B", 1.0, 9.0)]}
    )
    assert rows[0].verdict == "not judged"
    assert "not judged" in findings[0].what


def test_source_without_fields_and_source_without_flow():
    dry = Source("spring", 0.0, 0.0, None, 0.0)
    rows, findings = source_balance((RIVER, dry), {"spring": [load("A", 2.0, 8.0)]})
    assert (rows[0].verdict, rows[0].fields, rows[0].peak_share_pct) == ("sufficient", 0, 0.0)
    assert (rows[1].verdict, rows[1].peak_share_pct) == ("short at peak", None)
    assert "2.0 ha" in findings[0].what
