"""The documentation is true: links lead somewhere, what is shown runs, what is listed is what the code has.

A comment above a fenced block says what the block is:

    <!-- run -->        a command of farmgis or Python, run in a folder with `sample_geodata/` and `out/`
    <!-- prints -->     what the blocks run before it print; a line of three dots stands for any lines
    <!-- file NAME -->  a file that the next blocks read

`python tests/test_docs.py` writes anew what such blocks print (those without three dots).
"""

import ast
import contextlib
import csv
import doctest
import io
import json
import os
import re
import shlex
import shutil
import sys
import tempfile
import tomllib
from dataclasses import MISSING, dataclass, fields, replace
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from farmgis import tables
from farmgis.cli import main
from farmgis.cli.plan import ALL_PLANNED, BAD_INPUT, OUTPUT_REFUSED, SOME_NOT_PLANNED
from farmgis.geodata.farm_file import read_farm
from farmgis.geodata.settings import (
    ANY,
    LIFE,
    LISTS,
    PUMP_CURVE,
    RESPONSES,
    SECTIONS,
    STAGE_DEPLETION,
    STAGE_NEED,
    TOLERANCES,
    TOP,
    WATER,
)
from farmgis.geodata.settings_check import check
from farmgis.geodata.weather import LIMITS
from farmgis.prices import Life, Prices, Spares
from farmgis.records import (
    Design,
    Dripline,
    Season,
    Source,
    Supply,
)
from farmgis.run import plan_farm

ROOT = Path(__file__).resolve().parent.parent
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.rglob("*.md"))]
MAIN_RUN = "farmgis plan sample_geodata/farm.toml --output out/"
FENCE = re.compile(
    r"^(?:<!-- (?P<mark>[a-z].*?) -->\n)?```(?P<kind>[a-z]*)\n(?P<body>.*?)^```$", re.MULTILINE | re.DOTALL
)
LINK = re.compile(r"(?<!\\)\[[^\]]*\]\(([^)\s]+)\)")


def name_of(path):
    return path.relative_to(ROOT).as_posix()


def each_page(pages=PAGES):
    return pytest.mark.parametrize("page", pages, ids=name_of)


@dataclass(frozen=True)
class Block:
    """A fenced block: what its comment says, its kind, its text, and where the text stands in the page."""

    mark: str
    kind: str
    body: str
    start: int
    end: int


def blocks(page):
    return [
        Block(m["mark"] or "", m["kind"], m["body"], m.start("body"), m.end("body"))
        for m in FENCE.finditer(page.read_text("utf-8"))
    ]


def prose(page):
    """The page's text without its fenced blocks."""
    return FENCE.sub("", page.read_text("utf-8"))


# ---- links ------------------------------------------------------------------------------------------


def anchors(page):
    heads = re.findall(r"^#+ (.+)$", prose(page), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def links(page):
    """The files that a page links to, each with the anchor in it."""
    for target in LINK.findall(prose(page)):
        if not target.startswith(("http://", "https://")):
            file, _, anchor = target.partition("#")
            yield (page.parent / file).resolve() if file else page, anchor


@each_page()
def test_links_lead_to_files_and_headings(page):
    for file, anchor in links(page):
        assert file.exists(), f"{name_of(page)}: there is no {file}"
        assert not anchor or anchor in anchors(file), f"{name_of(page)}: no heading #{anchor} in {file.name}"


def test_index_leads_to_every_page():
    seen, wanted = set(), [DOCS / "index.md"]
    while wanted:
        page = wanted.pop()
        if page not in seen:
            seen.add(page)
            wanted += [f for f, _ in links(page) if f.is_relative_to(DOCS)] if page.suffix == ".md" else []
    assert {p for p in DOCS.rglob("*") if p.is_file()} - seen == set()


@each_page()
def test_pages_speak_of_the_product_alone(page):
    """No folder of somebody's machine, no document that is not here, nothing left to be done."""
    text = page.read_text("utf-8")
    assert re.findall(r"(?<![\w.:/…<])/(?!/)\w+/[\w/.-]*", text) == []
    named = set(re.findall(r"\b[A-Z]{3,}\.md\b", text))
    assert {name for name in named if not (ROOT / name).exists()} == set()
    assert re.findall(r"\b(?:TODO|FIXME|XXX|TBD)\b|lorem ipsum", text) == []
    hosts = set(re.findall(r"https?://([^/\s)>]+)", text))
    assert hosts <= {"doi.org", "www.fao.org", "www.iapws.org", "www.ogc.org"}


# ---- what a page shows ------------------------------------------------------------------------------


@contextlib.contextmanager
def inside(folder):
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def shell(text, done):
    """What the commands of a block print; each is run once only, whichever page shows it."""
    for line in text.strip().replace("\\\n", " ").splitlines():
        command = " ".join(shlex.split(line))
        if command not in done:
            words = shlex.split(command)
            assert words[0] == "farmgis", f"only farmgis can be run here, not {line!r}"
            done[command] = CliRunner().invoke(main, words[1:]).output
        yield done[command]


def python(text, names):
    heard = io.StringIO()
    with contextlib.redirect_stdout(heard):
        exec(compile(text, "<page>", "exec"), names)
    return heard.getvalue()


def printed(page, folder, done):
    """Each block marked `prints`, and what the blocks before it printed; names stay from block to block."""
    heard, names = "", {"__name__": "page"}
    with inside(folder):
        for block in blocks(page):
            if block.mark.startswith("file "):
                Path(block.mark.removeprefix("file ")).write_text(block.body, "utf-8")
            elif block.mark == "run":
                new = (
                    python(block.body, names) if block.kind == "python" else "".join(shell(block.body, done))
                )
                heard += new.replace(f"{folder}{os.sep}", "").replace(str(folder), "…")
            elif block.mark == "prints":
                yield block, heard
                heard = ""


def as_shown(text):
    return "\n".join(line.rstrip() for line in text.strip("\n").splitlines())


def shows(shown, real):
    """Whether a block shows what was printed; a line of three dots stands for any lines."""
    parts = re.split(r"^\s*\.\.\.\n", as_shown(shown) + "\n", flags=re.MULTILINE)
    return re.fullmatch("(?:.*\n)*?".join(map(re.escape, parts)), as_shown(real) + "\n") is not None


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder as a user has it after the first plan."""
    made = tmp_path_factory.mktemp("docs").resolve()
    shutil.copytree(ROOT / "sample_geodata", made / "sample_geodata")
    return made


@pytest.fixture(scope="module")
def done(folder):
    """Commands that were run, with what they printed: the first plan is the first of them."""
    return first_plan(folder)


def first_plan(folder):
    ran = {}
    with inside(folder):
        list(shell(MAIN_RUN, ran))
    assert (folder / "out" / "plan.gpkg").exists(), ran[MAIN_RUN]
    return ran


RUNNING = [p for p in PAGES if any(b.mark == "run" for b in blocks(p))]


@each_page(RUNNING)
def test_what_a_page_shows_is_what_is_printed(page, folder, done):
    for block, real in printed(page, folder, done):
        assert shows(block.body, real), f"{name_of(page)} should show:\n{as_shown(real)}"


def test_readme_shows_the_sample_farms_summary(folder, done):
    shown = next(b for b in blocks(ROOT / "README.md") if b.kind == "text")
    real = done[MAIN_RUN].replace(f"{folder}{os.sep}", "")
    assert shows(shown.body, real), f"README.md should show:\n{as_shown(real)}"


PROMPTS = [p for p in PAGES if any(">>> " in b.body for b in blocks(p))]


@each_page(PROMPTS)
def test_what_a_page_types_at_the_prompt_is_so(page):
    text = "".join(b.body for b in blocks(page) if ">>> " in b.body)
    test = doctest.DocTestParser().get_doctest(text, {}, name_of(page), None, 0)
    assert doctest.DocTestRunner().run(test).failed == 0


@each_page()
def test_toml_blocks_are_farm_files(page):
    """Every key and value is one that the reader takes; parts may be left out."""
    for block in blocks(page):
        if block.kind == "toml" and "wrong" not in block.mark:
            _, problems = check(tomllib.loads(block.body))
            wrong = [(p.path, p.text) for p in problems if not p.text.startswith("nothing found")]
            assert wrong == [], name_of(page)


# ---- what a page lists ------------------------------------------------------------------------------


def listed(page, heading):
    """The rows of the table under a heading, each a list of cells without their backquotes."""
    part = re.split(rf"^#+ {re.escape(heading)}$", page.read_text("utf-8"), flags=re.MULTILINE)
    assert len(part) == 2, f"{name_of(page)}: the heading {heading!r} should stand once"
    own = re.split(r"^#+ ", part[1], flags=re.MULTILINE)[0]
    rows = [line for line in own.splitlines() if line.startswith("|")]
    assert len(rows) > 2, f"{name_of(page)}: there is no table under {heading!r}"
    return [[cell.strip().strip("`") for cell in re.split(r"(?<!\\)\|", row)[1:-1]] for row in rows[2:]]


FARM_FILE = DOCS / "reference" / "farm-file.md"
TABLED = {f"`[{k}]`": v for k, v in SECTIONS.items()} | {f"`[[{k}]]`": v for k, v in LISTS.items()}
TABLED |= {
    "`deficit_need`": STAGE_NEED,
    "`deficit_depletion`": STAGE_DEPLETION,
    "`yield_response`": RESPONSES,
}
TABLED |= {"`tolerance`": TOLERANCES, "`pump_curve`": PUMP_CURVE, "`water`": WATER, "`life`": LIFE}
DEFAULTS = {"`[design]`": Design, "`[[dripline]]`": Dripline, "`[[source]]`": Source, "`[season]`": Season}
DEFAULTS |= {"`[supply]`": Supply}
DEFAULTS |= {"`[prices]`": Prices, "`[spares]`": Spares, "`life`": Life}


def default_of(heading, key):
    """A key's default as it is written, None where the code has no number for it."""
    record = DEFAULTS.get(heading)
    found = {f.name: f.default for f in fields(record)} if record else {}
    value = found.get(key)
    return f"{value:g}" if isinstance(value, (int, float)) and value is not MISSING else None


def range_of(setting):
    if setting.choices:
        return " or ".join(f'"{c}"' for c in setting.choices)
    if setting.least is None or setting.least <= -ANY:
        return "-"
    if setting.greatest >= ANY:
        return f"{setting.least:g} or more"
    return f"{setting.least:g} to {setting.greatest:g}".replace("1e+06", "1,000,000")


@pytest.mark.parametrize("heading", TABLED)
def test_farm_file_page_has_the_readers_keys(heading):
    """| key | unit | default | range | meaning | default known by |"""
    settings = TABLED[heading]
    rows = {row[0]: row[1:] for row in listed(FARM_FILE, heading)}
    lacking = {
        k: f"| `{k}` | {s.unit or '-'} | ? | {range_of(s)} | ? | {s.known} |" for k, s in settings.items()
    }
    assert list(rows) == list(settings), [row for k, row in lacking.items() if k not in rows]
    for key, (unit, default, allowed, meaning, known) in rows.items():
        setting = settings[key]
        assert unit == (setting.unit or "-"), key
        assert allowed.replace("`", "") == range_of(setting), key
        assert meaning, key
        number = default_of(heading, key)
        assert (default == "needed") == setting.needed, key
        if number is not None:
            assert default == number, key
            assert known == setting.known, key
        assert default, key


def test_farm_file_page_has_every_section():
    assert [row[0] for row in listed(FARM_FILE, "Sections")] == [
        "name", *(f"[{k}]" for k in SECTIONS), *(f"[[{k}]]" for k in LISTS)
    ]  # fmt: skip
    assert set(TOP) == {"name", *SECTIONS, *LISTS}


def test_farm_file_page_has_the_tables_crops_and_soils():
    assert [row[0] for row in listed(FARM_FILE, "Crops that are known")] == list(tables.crop_names())
    rows = listed(FARM_FILE, "Soils that are known")
    assert [row[0] for row in rows] == list(tables.soil_names())
    for name, capacity, wilting in rows:
        soil = tables.soil(name)
        assert (float(capacity), float(wilting)) == (soil.field_capacity, soil.wilting_point)


def test_weather_page_has_the_readers_columns():
    rows = listed(DOCS / "how-to" / "bring-your-weather.md", "The columns")
    assert [row[0] for row in rows] == ["date", "month", *LIMITS]
    for name, allowed, *_ in rows[2:]:
        assert allowed == f"{LIMITS[name][0]:g} to {LIMITS[name][1]:g}", name


COMMANDS = DOCS / "reference" / "command-line.md"


def options(command):
    return {", ".join(p.opts + p.secondary_opts): p for p in command.params if isinstance(p, click.Option)}


@pytest.mark.parametrize("name", main.commands)
def test_command_line_page_has_clicks_options(name):
    command = main.commands[name]
    rows = listed(COMMANDS, f"`farmgis {name}`")
    assert {row[0]: row[1] for row in rows} == {k: o.help for k, o in options(command).items()}


def test_command_line_page_has_every_command_and_status():
    heads = re.findall(r"^## `farmgis ([\w-]+)`$", COMMANDS.read_text("utf-8"), re.MULTILINE)
    assert heads == list(main.commands)
    codes = [int(row[0]) for row in listed(COMMANDS, "Exit statuses")]
    assert codes == sorted({ALL_PLANNED, SOME_NOT_PLANNED, BAD_INPUT, OUTPUT_REFUSED})


def test_command_line_page_has_the_json_fields(folder):
    farm = read_farm(folder / "sample_geodata" / "farm.toml")
    summary = plan_farm(replace(farm, fields=farm.fields[1:2])).summary
    json.dumps(summary)
    rows = [row[0] for row in listed(COMMANDS, "`--json`")]
    assert rows == ["schema", "file", "report", *summary]
    assert [row[0] for row in listed(COMMANDS, "`worst_block`")] == list(summary["worst_block"])
    assert [row[0] for row in listed(COMMANDS, "`supply`")] == list(summary["supply"][0])
    assert [row[0] for row in listed(COMMANDS, "`pumping`")] == list(summary["pumping"][0])


def definitions():
    """Every function of the package by its dotted name, as `(arguments) -> result` without blanks."""
    found = {}
    for path in (ROOT / "farmgis").rglob("*.py"):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef):
                result = f"->{ast.unparse(node.returns)}" if node.returns else ""
                found[f"{module}.{node.name}"] = re.sub(r"\s", "", f"({ast.unparse(node.args)}){result}")
    return found


def test_python_page_has_the_functions_signatures():
    real = definitions()
    shown = [b.body for b in blocks(DOCS / "reference" / "python.md") if b.kind == "text"]
    calls = [call for body in shown for call in re.split(r"\n(?=farmgis)", body.strip())]
    assert len(calls) > 20
    for call in calls:
        name, _, rest = call.partition("(")
        assert re.sub(r",\)", ")", re.sub(r"\s", "", f"({rest}")) == real.get(name), name


# ---- where the values come from ---------------------------------------------------------------------


def test_sources_page_has_every_tables_sources():
    text = (DOCS / "sources.md").read_text("utf-8")
    for path in sorted((ROOT / "farmgis" / "tables").glob("*.csv")):
        assert f"`{path.name}`" in text, path.name
        with path.open(encoding="utf-8", newline="") as file:
            for source in {row["source"].partition(":")[0] for row in csv.DictReader(file)}:
                for part in re.split(r" \(|\)?; |\)$", re.sub(r" tables? .*", "", source)):
                    assert part in text, f"{path.name}: {source}"


def test_sources_page_has_every_author_that_the_code_names():
    lines = (DOCS / "sources.md").read_text("utf-8").splitlines()
    cited = re.compile(r"\b([A-Z][A-Za-z]{3,})(?: et al\.| and [A-Z][a-z]+)?,? \(?((?:18|19|20)\d\d)\)?")
    for path in (ROOT / "farmgis").rglob("*.py"):
        for author, year in cited.findall(path.read_text("utf-8")):
            assert any(author in line and year in line for line in lines), f"{name_of(path)}: {author} {year}"


def write_anew():
    """Put what the pages' blocks print into the pages."""
    with tempfile.TemporaryDirectory() as made:
        place = Path(made).resolve()
        shutil.copytree(ROOT / "sample_geodata", place / "sample_geodata")
        done = first_plan(place)
        for page in RUNNING:
            text = page.read_text("utf-8")
            for block, real in reversed(list(printed(page, place, done))):
                if not shows(block.body, real) and not re.search(r"^\s*\.\.\.$", block.body, re.MULTILINE):
                    text = f"{text[: block.start]}{as_shown(real)}\n{text[block.end :]}"
                    print(f"{name_of(page)}: a block was written anew")
                elif not shows(block.body, real):
                    print(f"{name_of(page)}: write this by hand\n{as_shown(real)}", file=sys.stderr)
            page.write_text(text, "utf-8")
        readme = ROOT / "README.md"
        shown = next(b for b in blocks(readme) if b.kind == "text")
        text = readme.read_text("utf-8")
        real = as_shown(done[MAIN_RUN].replace(f"{place}{os.sep}", ""))
        readme.write_text(f"{text[: shown.start]}{real}\n{text[shown.end :]}", "utf-8")


if __name__ == "__main__":
    write_anew()
