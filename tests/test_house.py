"""The laws of the house: who may import whom, and what stands at the top level."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "farmgis"
SCIENCES = {"terrain", "hydraulics", "agronomy"}
EDGES = {"geodata", "results", "scale", "cli"}
SHARED = {"records", "series", "prices", "units", "errors", "layers", "words"}
FILE_LIBRARIES = {
    "rasterio",
    "fiona",
    "geopandas",
    "pandas",
    "pyogrio",
    "click",
    "rich",
    "matplotlib",
    "pypdfium2",
    "reportlab",
    "sqlite3",
    "csv",
    "os",
    "pathlib",
    "tomllib",
}


def modules():
    return sorted(PACKAGE.rglob("*.py"))


def room_of(path):
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else path.stem


def imports_of(path):
    """Return (top-level libraries, rooms of farmgis) that a module imports anywhere in it."""
    libraries, rooms = set(), set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [node.module] if node.module != "farmgis" else [f"farmgis.{a.name}" for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = path.relative_to(ROOT).with_suffix("").parts[: -node.level]
            module = ".".join([*base, *([node.module] if node.module else [])])
            names = [module] if node.module else [f"{module}.{a.name}" for a in node.names]
        for name in names:
            top, _, rest = name.partition(".")
            libraries.add(top)
            if top == "farmgis" and rest:
                rooms.add(rest.partition(".")[0])
    return libraries, rooms


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_keep_the_law(path):
    room = room_of(path)
    libraries, rooms = imports_of(path)
    others = rooms - {room} - SHARED - {"__version__"}
    if room in SHARED:
        assert not others
    elif room in SCIENCES:
        assert not others
        assert not libraries & FILE_LIBRARIES
    elif room == "planning":
        assert others <= SCIENCES
        assert not libraries & FILE_LIBRARIES
    elif room == "tables":
        assert not others
    elif room == "geodata":
        assert others <= {"tables"}
    elif room == "results":
        assert not others
    elif room == "cli":
        assert others <= {"run", "handover", "geodata"}
    elif room in ("run", "handover"):
        assert "cli" not in others


def test_top_level_is_what_the_contract_says():
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "farmgis", "tests", "sample_geodata", "docs"}
    import subprocess

    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    found = {name.split("/")[0] for name in listed} or {p.name for p in ROOT.iterdir()}
    assert {name for name in found if not name.startswith(".")} - allowed <= {"build", "farmgis.egg-info"}


def test_files_are_rooms_and_not_halls():
    long = {
        str(p.relative_to(ROOT)): n for p in modules() if (n := len(p.read_text("utf-8").splitlines())) > 600
    }
    assert long == {}
