"""The report in a real browser, with no network: what a reader meets.

Needs Chromium (Debian: `apt-get install chromium`). Without it these tests are skipped, loudly; with
FARMGIS_NEEDS_BROWSER set, as in the checks of every change, they fail.
"""

import os
import shutil
import warnings
from dataclasses import replace

import numpy as np
import pytest

from farmgis.results.season_page import write_season
from farmgis.run import write_report

NAMES = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="module")
def browser():
    program = next(filter(None, map(shutil.which, NAMES)), None)
    if program is None:
        words = (
            "NO CHROMIUM FOUND: the report is not opened in a browser. Install chromium to run these tests."
        )
        if os.environ.get("FARMGIS_NEEDS_BROWSER"):
            pytest.fail(words)
        print(f"\n{words}\n", flush=True)
        pytest.skip(words)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from playwright.sync_api import sync_playwright

        with sync_playwright() as p:
            made = p.chromium.launch(executable_path=program, args=["--no-sandbox"])
            yield made
            made.close()


class Visit:
    """A page of a report, with all that it asked for and all that it complained of."""

    def __init__(self, browser, path, **context):
        self.context = browser.new_context(offline=True, **context)
        self.page = self.context.new_page()
        self.asked, self.heard = [], []
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.on("console", lambda m: self.heard.append(f"{m.type}: {m.text}"))
        self.page.on("pageerror", lambda e: self.heard.append(f"error: {e}"))
        self.page.on("dialog", lambda d: (self.heard.append(f"dialog: {d.message}"), d.dismiss()))
        self.page.goto(path.as_uri())

    def until(self, condition):
        """Wait for what a browser does when it next draws, however busy the machine: 30 s, then a failure.

        Asked from outside: the page's own policy forbids it to evaluate a condition again and again.
        """
        for _ in range(300):
            if self.page.evaluate(condition):
                return
            self.page.wait_for_timeout(100)
        pytest.fail(f"in 30 s it did not come about that {condition}")

    def count(self, what):
        return self.page.evaluate(f"document.querySelectorAll({what!r}).length")

    def quiet(self, path):
        """Nothing was asked for but the file, and nothing was said."""
        assert self.asked == [path.as_uri()]
        assert self.heard == []


@pytest.fixture(scope="module")
def path(two_fields, tmp_path_factory):
    return write_report(two_fields, tmp_path_factory.mktemp("report"))


@pytest.fixture
def visit(browser, path):
    made = Visit(browser, path, viewport={"width": 1280, "height": 800})
    yield made
    made.quiet(path)
    made.context.close()


def test_summary_fits_a_screen(visit):
    box = visit.page.locator("#summary").bounding_box()
    assert box["y"] >= 0
    assert box["y"] + box["height"] <= 800


def click_map(visit, layer, index=0):
    """Click where the map's data says that something is, through the map's own reckoning."""
    x, y = visit.page.evaluate(
        """([layer, i]) => {
            const read = id => JSON.parse(document.getElementById(id).textContent);
            const p = (read("map-data").points[layer] || read("map-later")[layer])[i].p;
            planMap.setView([p[1] / 10, p[0] / 10], 1, {animate: false});
            const at = planMap.latLngToContainerPoint([p[1] / 10, p[0] / 10]);
            const box = document.getElementById("map").getBoundingClientRect();
            return [box.x + at.x, box.y + at.y];
        }""",
        [layer, index],
    )
    visit.page.mouse.click(x, y)
    visit.page.wait_for_selector(".leaflet-popup-content td")


def test_a_click_on_a_valve_tells_of_it(visit, two_fields):
    visit.page.locator("#map").scroll_into_view_if_needed()
    click_map(visit, "valves", 1)
    told = visit.page.locator(".leaflet-popup-content").inner_text()
    valves = two_fields.tables["valves"].columns
    assert valves["valve_id"][1] in told
    assert f"{valves['set_head_m'][1]:,.1f} m" in told
    assert valves["valve_id"][1] in visit.page.locator("#told").inner_text()  # what a screen reader says


def test_the_map_has_ink_and_its_layers_switch(visit):
    visit.page.locator("#map").scroll_into_view_if_needed()
    inked = "document.querySelector('#map canvas').toDataURL().length"
    before = visit.page.evaluate(inked)
    assert before > 5000
    visit.page.locator("#map").get_by_label("Blocks").uncheck()
    visit.until(f"{inked} < {before}")


def test_the_map_obeys_the_keyboard(visit):
    visit.page.locator("#map").focus()
    here = visit.page.evaluate("[planMap.getCenter().lng, planMap.getZoom()]")
    visit.page.keyboard.press("ArrowRight")
    visit.until(f"planMap.getCenter().lng > {here[0]}")
    visit.page.keyboard.press("+")
    visit.until(f"planMap.getZoom() > {here[1]}")
    for _ in range(3):  # the first stops of the Tab key can be seen
        visit.page.keyboard.press("Tab")
    assert visit.page.evaluate("document.activeElement !== document.body")


def test_choosing_a_field_moves_the_map(visit):
    before = visit.page.evaluate("planMap.getBounds().toBBoxString()")
    visit.page.select_option("#goto", label="Nutholt")
    assert visit.page.evaluate("planMap.getBounds().toBBoxString()") != before
    assert "Nutholt" in visit.page.locator("#told").inner_text()


def test_a_screen_reader_finds_its_way(visit):
    """One main heading, sections with names, pictures with words, tables with heads, inputs with labels."""
    assert visit.count("h1") == 1
    assert visit.count("main") == visit.count("nav[aria-label]") == 1
    assert visit.page.evaluate("document.documentElement.lang") == "en"
    assert visit.count("section:not([aria-labelledby]):not(#map *)") == 0
    assert visit.count("svg:not([role=img][aria-label]):not([aria-hidden])") == 0
    assert visit.count("table:not(.pop):not(:has(th[scope=col]))") == 0
    lacking = "[...document.querySelectorAll('select, input')].filter(e => !e.closest('label')).length"
    assert visit.page.evaluate(lacking) == 0
    broken = """[...document.querySelectorAll('a[href^="#"]')].filter(
        a => !a.closest('#map') && !document.getElementById(decodeURIComponent(a.hash.slice(1)))).length"""
    assert visit.page.evaluate(broken) == 0
    twice = "(ids => ids.length - new Set(ids).size)([...document.querySelectorAll('[id]')].map(e => e.id))"
    assert visit.page.evaluate(twice) == 0


def test_assumptions_are_sifted(visit):
    rows = "[...document.querySelectorAll('#assumptions tbody tr')].filter(r => !r.hidden).length"
    all_rows = visit.page.evaluate(rows)
    visit.page.fill("#sift", "FAO-56")
    assert 0 < visit.page.evaluate(rows) < all_rows


def test_it_prints_with_the_still_map_and_all_fields(visit):
    import io

    import pypdf

    visit.page.emulate_media(media="print")
    visit.page.wait_for_selector(".still", state="visible")  # unrolled by the page when it next draws
    assert not visit.page.locator("#map").is_visible()
    pages = pypdf.PdfReader(io.BytesIO(visit.page.pdf(format="A4"))).pages
    words = " ".join(p.extract_text() for p in pages)
    assert "Crooked Lea" in words
    assert "Nutholt" in words
    assert "signature" in words
    visit.page.emulate_media(media="screen")


def test_a_phone_needs_no_sideways_scrolling(browser, path):
    visit = Visit(browser, path, viewport={"width": 360, "height": 740}, is_mobile=True, has_touch=True)
    assert visit.page.evaluate("document.documentElement.scrollWidth") <= 360
    assert visit.page.locator("#map").bounding_box()["width"] <= 360
    visit.quiet(path)
    visit.context.close()


@pytest.mark.parametrize("wide", [360, 1280])
def test_an_endless_name_does_not_widen_the_page(browser, two_fields, tmp_path, wide):
    fields = two_fields.tables["fields"]
    names = np.array(["x" * 300, "long name " * 40], dtype=object)
    tables = two_fields.tables | {"fields": replace(fields, columns=fields.columns | {"name": names})}
    path = write_report(replace(two_fields, tables=tables), tmp_path)
    visit = Visit(browser, path, viewport={"width": wide, "height": 740})
    assert visit.page.evaluate("document.documentElement.scrollWidth") <= wide
    visit.quiet(path)
    visit.context.close()


def test_without_scripts_the_map_stands_still(browser, path):
    visit = Visit(browser, path, java_script_enabled=False)
    assert visit.page.locator(".still").is_visible()
    assert not visit.page.locator("#map").is_visible()
    visit.context.close()


def test_hostile_attributes_do_nothing(browser, hostile_plan, tmp_path):
    path = write_report(hostile_plan, tmp_path)
    visit = Visit(browser, path, viewport={"width": 1280, "height": 800})
    assert visit.count("script") == 4
    assert visit.count("img, iframe, object") == 0
    visit.page.locator("#map").scroll_into_view_if_needed()
    click_map(visit, "fittings", 1)
    assert "<script>" in visit.page.locator(".leaflet-popup-content").inner_text()
    visit.quiet(path)
    visit.context.close()


@pytest.mark.parametrize("way", ["click", "link", "print"])
def test_text_of_many_fields_unfolds_when_it_is_asked_for(browser, hostile_plan, tmp_path, monkeypatch, way):
    from farmgis.results import report, report_parts

    monkeypatch.setattr(report, "HELD_FIELDS", 0)
    monkeypatch.setattr(report_parts, "MANY_FIELDS", 0)
    path = write_report(hostile_plan, tmp_path)
    visit = Visit(browser, path)
    assert visit.count("#fields details table") == 0
    if way == "click":
        visit.page.locator("details.field summary").first.click()
    elif way == "link":
        visit.page.locator("#fields th a").first.click()
    else:
        visit.page.pdf()
    visit.page.wait_for_selector("#fields details table", state="attached")
    assert visit.count("img, iframe, object") == 0
    assert visit.count("#fields details script:not(#held)") == 0
    visit.quiet(path) if way == "click" else None
    assert visit.heard == []
    visit.context.close()


def test_the_policy_stops_what_would_leave(browser, path, tmp_path):
    """A report that somebody put a beacon into asks nobody: the check above can fail."""
    text = path.read_text("utf-8")
    bad = tmp_path / "report.html"
    bad.write_text(
        text.replace("<main", '<img src="http://192.0.2.1/x.png"><script>alert(1)</script><main', 1), "utf-8"
    )
    visit = Visit(browser, bad)
    if not any("Content Security Policy" in h for h in visit.heard):  # a complaint may come after the page
        visit.page.wait_for_event("console", lambda m: "Content Security Policy" in m.text)
    assert not any(h.startswith("dialog") for h in visit.heard)
    visit.context.close()


@pytest.mark.parametrize(("wide", "letters_px"), [(390, 10.0), (1280, 10.0)])
def test_season_charts_can_be_read_and_the_page_stays_in_the_screen(
    browser, two_fields, tmp_path, wide, letters_px
):
    """Letters are 11 units of an image that is 720 wide: scaled to 390 px they would be 6 px high."""
    path = write_season(two_fields, tmp_path)
    visit = Visit(browser, path, viewport={"width": wide, "height": 844})
    chart = visit.page.locator("svg").first.bounding_box()
    assert 11.0 * chart["width"] / 720.0 >= letters_px
    assert visit.page.evaluate("document.documentElement.scrollWidth") <= wide
    visit.quiet(path)
    visit.context.close()
