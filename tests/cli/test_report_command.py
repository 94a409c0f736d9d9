"""`farmgis report` as a person runs it."""

from pathlib import Path

import geopandas
import pytest
from click.testing import CliRunner

from farmgis.cli import main

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    """A plan of one small field."""
    folder = tmp_path_factory.mktemp("report")
    fields = geopandas.read_file(SAMPLE / "fields.gpkg")
    fields[fields.field_id == "NH"].to_file(folder / "one.gpkg")
    words = ["plan", "--fields", str(folder / "one.gpkg"), "--elevation", str(SAMPLE / "elevation.tif")]
    run = CliRunner().invoke(main, [*words, "--output", str(folder)])
    assert run.exit_code == 0, run.output
    assert f"To read and to print: {folder / 'report.html'}" in run.output
    return folder


def test_a_plan_has_a_report_and_the_same_comes_from_its_file(out, tmp_path):
    run = CliRunner().invoke(main, ["report", str(out / "plan.gpkg"), "--output", str(tmp_path / "new")])
    assert run.exit_code == 0, run.output
    assert (tmp_path / "new" / "report.html").read_bytes() == (out / "report.html").read_bytes()


def test_a_report_is_not_replaced_unasked(out):
    before = (out / "report.html").read_bytes()
    run = CliRunner().invoke(main, ["report", str(out / "plan.gpkg")])
    assert run.exit_code == 3
    assert "--overwrite" in run.output
    assert (out / "report.html").read_bytes() == before
    again = CliRunner().invoke(main, ["report", str(out / "plan.gpkg"), "--overwrite", "--quiet"])
    assert (again.exit_code, again.output) == (0, "")


def test_what_is_no_plan_is_refused(tmp_path):
    run = CliRunner().invoke(main, ["report", str(SAMPLE / "farm.toml"), "--output", str(tmp_path)])
    assert run.exit_code == 2
    assert not list(tmp_path.iterdir())
