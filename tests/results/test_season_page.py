"""The season's page: every block and source drawn, hostile names harmless, nothing fetched."""

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

from farmgis.errors import OutputError
from farmgis.geodata.farm_file import read_farm
from farmgis.results.season_page import season_page, write_season
from farmgis.run import plan_farm
from farmgis.series import SeasonSeries

SAMPLE = Path(__file__).parent.parent.parent / "sample_geodata" / "farm.toml"


@pytest.fixture(scope="module")
def plan():
    farm = read_farm(SAMPLE)
    return plan_farm(replace(farm, fields=farm.fields[:1]))


def test_every_block_and_source_is_drawn(plan):
    page = season_page(plan)
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    for drawing in drawings:
        ElementTree.fromstring(drawing)
    blocks = plan.tables["blocks"].columns["block_id"]
    assert all(any(str(b) in d for d in drawings) for b in blocks)
    assert any("river" in d for d in drawings)
    assert len(drawings) >= len(blocks) + 2
    assert re.search(r"(?:src|href)\s*=|url\(|@import", page) is None


def test_hostile_name_is_text(plan):
    page = season_page(replace(plan, name="<script>alert(1)</script>"))
    assert "<script" not in page


def test_without_a_season_none_is_left_there(plan, tmp_path):
    assert write_season(plan, tmp_path).exists()
    with pytest.raises(OutputError, match="is there already"):
        write_season(plan, tmp_path)
    assert write_season(replace(plan, series=SeasonSeries()), tmp_path, overwrite=True) is None
    assert not (tmp_path / "season.html").exists()
