"""The printed summary in plain words."""

from farmgis.cli.summary import summary_lines
from farmgis.records import Finding, Plan


def test_a_finding_ends_with_one_full_stop():
    said = Finding("attention", "input", "Field A grows maize.", "A", "Give its rows, if they are others.")
    bare = Finding("attention", "supply", "short by 5 m3/day", "river", "run longer")
    summary = {"farm": "F", "fields": 1, "fields_planned": 0, "irrigated_ha": 0.0, "area_ha": 1.0}
    summary |= {"blocks": 0, "findings": {"note": 1}}
    lines = summary_lines(Plan("F", "EPSG:32610", {}, (said, bare), (), summary), "plan.gpkg", "report.html")
    assert "  look  A: Field A grows maize. Give its rows, if they are others." in lines
    assert "  look  river: short by 5 m3/day. Run longer." in lines
    assert "1 note and 0 assumptions are in the layers." in lines
