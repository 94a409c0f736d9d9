"""The report as text: what it holds, what it escapes, what it never asks for."""

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
import shapely

from farmgis.geodata.plan_file import read_plan
from farmgis.records import Plan, Table
from farmgis.run import write_plan, write_report

ASKS = {"src", "href", "action", "data", "poster", "srcset", "background", "formaction", "xlink:href"}


class Page(HTMLParser):
    """Elements, their attributes, and the text of scripts and of the rest."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.scripts, self.words, self.inside = [], [], [], None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self.inside = tag if tag in ("script", "style") else None
        if tag == "script":
            self.scripts.append("")

    def handle_endtag(self, tag):
        self.inside = None

    def handle_data(self, data):
        if self.inside == "script":
            self.scripts[-1] += data
        elif self.inside is None:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def made(plan, folder):
    return write_report(plan, folder, overwrite=True).read_text("utf-8")


@pytest.fixture(scope="module")
def text(two_fields, tmp_path_factory):
    return made(two_fields, tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


# ---- what it holds ----------------------------------------------------------------------------------


def test_every_field_block_finding_and_assumption_is_in_it(page, two_fields):
    for layer, column in (("fields", "field_id"), ("blocks", "block_id"), ("mains", "main_id"),
                          ("zones", "zone_id"), ("assumptions", "source"),
                          ("supply_balance", "verdict")):  # fmt: skip
        for value in two_fields.tables[layer].columns[column]:
            assert str(value) in page.text, (layer, value)
    text = "".join(page.text.split())
    for finding in two_fields.findings:
        for words in (finding.what, finding.advice):
            read = re.sub(r"\bm3\b", "m³", words[1:]).replace("`", "")  # keys are set as code
            assert "".join(read.split()) in text


def test_direction_is_told_with_its_figures(page, two_fields):
    fields = two_fields.tables["fields"].columns
    for azimuth, grade in zip(fields["row_azimuth_deg"], fields["row_grade_max_pct"], strict=True):
        assert f"{azimuth:.0f}°" in page.text
        assert f"{grade:.1f} % at most" in page.text


@pytest.mark.parametrize(("pattern", "words"), [("contour", "bend with the contours"), ("facets", "facets")])
def test_rows_that_do_not_run_one_way_are_told_as_such(two_fields, tmp_path, pattern, words):
    fields = two_fields.tables["fields"]
    columns = dict(fields.columns)
    columns["row_pattern"] = np.array([pattern] * len(fields.geometry), dtype=object)
    columns["row_parts"] = np.full(len(fields.geometry), 6)
    bent = replace(two_fields, tables=two_fields.tables | {"fields": Table(columns, fields.geometry)})
    told = Page(made(bent, tmp_path)).text
    assert words in told
    assert "because that costs less" not in told.split("Found here")[0]


def test_worst_emitter_is_the_layers(page, two_fields):
    blocks = two_fields.tables["blocks"].columns
    plain = blocks["tolerance_kind"] != "pressure_compensating"
    worst = blocks["block_id"][np.argmax(np.where(plain, blocks["head_variation_pct"], -1.0))]
    emitters = two_fields.tables["extreme_emitters"].columns
    at = np.flatnonzero((emitters["block_id"] == worst) & (emitters["which"] == "lowest"))[0]
    told = f"Worst emitter, in block {worst}: {emitters['head_m'][at]:.1f} m of head"
    assert told in page.text


def test_cautions_stand_where_the_work_is_told(text):
    """The headings of what is dangerous, each with its caution before the next heading."""
    supply = text[text.index('id="supply"') : text.index('id="season"')]
    assert "bleed and see zero" in supply
    assert "buried services" in supply
    season = text[text.index('id="season"') : text.index('id="quantities"')]
    assert "Acid into water, never water into acid" in season
    assert "re-entry" in season.lower()
    assert "ractors overturn" in season  # line is laid by machine
    assert "Lock out and test before work on a pump" in season  # filters are serviced, pipes emptied
    assert "certifies nothing" in text


def test_what_is_not_planned_is_said(two_fields, tmp_path):
    gone = ("mains", "headworks", "pump_duties", "fittings", "quantities", "irrigations", "demand_periods")
    empty = {k: Table({}) for k in (*gone, "season_tasks")}
    page = Page(made(replace(two_fields, tables=two_fields.tables | empty), tmp_path))
    for words in ("Mains, pump and filter are not planned", "Quantities are not planned",
                  "Fittings are not planned", "No weather was given"):  # fmt: skip
        assert words in page.text


def test_a_plan_of_nothing_has_a_report(tmp_path):
    page = Page(made(Plan("Empty", "EPSG:32610", {}, (), (), {}), tmp_path))
    assert "0 of 0" in page.text
    assert "id" in dict(page.elements)["main"]


def test_report_of_the_file_is_that_of_the_plan(two_fields, text, tmp_path):
    back = read_plan(write_plan(two_fields, tmp_path))
    assert made(back, tmp_path) == text


def test_same_plan_gives_the_same_bytes(two_fields, text, tmp_path):
    assert made(two_fields, tmp_path) == text


# ---- pictures hold the layers' figures --------------------------------------------------------------


def test_map_places_are_the_layers_to_a_decimetre(page, two_fields):
    held, later = (json.loads(s) for s in page.scripts if s.startswith("{"))
    west, south, *_ = shapely.total_bounds(two_fields.tables["fields"].geometry)
    valves = two_fields.tables["valves"].geometry
    for valve, point in zip(valves, held["points"]["valves"], strict=True):
        assert np.hypot(point["p"][0] / 10 + west - valve.x, point["p"][1] / 10 + south - valve.y) < 0.1
    assert len(later["laterals"]) == len(two_fields.tables["laterals"].geometry)
    assert held["each"] == 1


def test_lateral_profile_is_the_plans(two_fields):
    """Redone from the layers and the listed dripline, a lateral has the heads that the plan tells."""
    from farmgis.planning.profiles import PlanProfiles

    redo = PlanProfiles(two_fields)
    laterals, fields = two_fields.tables["laterals"], two_fields.tables["fields"].columns
    name = dict(zip(fields["field_id"], fields["dripline"], strict=True))
    for i in range(0, len(laterals.geometry), 97):
        c = {k: v[i] for k, v in laterals.columns.items()}
        points = shapely.get_coordinates(laterals.geometry[i], include_z=True)
        field_id, emitters = c["field_id"], int(c["emitters"])
        profile = redo.lateral(field_id, name[field_id], points, emitters, c["inlet_head_m"])
        assert profile.head_m[1:].min() == pytest.approx(c["head_min_m"], abs=2e-3)
        assert profile.head_m[-1] == pytest.approx(c["end_head_m"], abs=2e-3)


def test_main_profile_closes_at_both_ends():
    """Two pieces by hand: losses add up upstream from the valve, energy falls evenly along each."""
    from farmgis.planning.profiles import main_profile

    first = np.array([[0.0, 0, 100], [300, 400, 100]])  # 500 m, level
    second = np.array([[300.0, 400, 100], [300, 404, 103]])  # 5 m, climbs 3 m
    profile = main_profile([first, second], [2.0, 0.5], 10.0)
    np.testing.assert_allclose(profile.chainage_m, [0, 500, 500, 505])
    # at the valve 103 + 10; before the second piece 113.5; at the source 115.5
    np.testing.assert_allclose(profile.ground_m + profile.head_m, [115.5, 113.5, 113.5, 113.0])
    np.testing.assert_allclose(profile.head_m, [15.5, 13.5, 13.5, 10.0])


# ---- what it never does -----------------------------------------------------------------------------


def test_nothing_is_asked_of_any_network(page):
    for tag, attributes in page.elements:
        for name, value in attributes.items():
            if name in ASKS:
                assert value.startswith(("#", "data:")), (tag, name, value)
        assert tag not in ("iframe", "object", "embed", "base", "form")
        assert not [n for n in attributes if n.startswith("on")]


def test_policy_lets_only_the_reports_own_scripts_run(page, text):
    policy = next(a["content"] for t, a in page.elements if t == "meta" and "http-equiv" in a)
    assert "default-src 'none'" in policy
    allowed = set(re.findall(r"'sha256-([^']+)'", policy))
    kinds = [a.get("type") for t, a in page.elements if t == "script"]
    run = [s for s, kind in zip(page.scripts, kinds, strict=True) if kind != "application/json"]
    assert {base64.b64encode(hashlib.sha256(s.encode()).digest()).decode() for s in run} == allowed
    assert "script-src 'unsafe" not in policy
    assert "url(" not in text[text.index("<style>") : text.index("</style>")].replace("url(#default", "")


def test_hostile_text_stays_text(hostile_plan, hostile, tmp_path):
    page = Page(made(hostile_plan, tmp_path))
    plain = Page(made(Plan("Empty", "EPSG:32633", {}, (), (), {}), tmp_path))
    assert hostile.split(" -- ")[0] in page.text
    assert sum(t == "script" for t, _ in page.elements) <= 4
    ours = """svg g path text polyline polygon line rect figure figcaption br table caption thead tbody tr
        th td details summary h3 h4 em strong label select option noscript small b span div dl dt dd ul li
        input a code"""
    assert {t for t, _ in page.elements} <= {t for t, _ in plain.elements} | set(ours.split())


def test_licence_of_the_map_library_goes_with_it(page):
    assert "Copyright (c) 2010-2023, Volodymyr Agafonkin" in page.text
    assert "Redistribution and use in source and binary forms" in page.text
