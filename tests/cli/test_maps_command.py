"""`farmgis maps` as a person runs it."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from farmgis.cli import main

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    """A plan of one small field, without sheets."""
    import geopandas

    folder = tmp_path_factory.mktemp("maps")
    fields = geopandas.read_file(SAMPLE / "fields.gpkg")
    fields[fields.field_id == "NH"].to_file(folder / "one.gpkg")
    run = CliRunner().invoke(
        main, ["plan", "--fields", str(folder / "one.gpkg"), "--elevation", str(SAMPLE / "elevation.tif"),
               "--output", str(folder)]
    )  # fmt: skip
    assert run.exit_code == 0, run.output
    return folder


def test_maps_are_drawn_beside_the_plan_and_not_replaced_unasked(out):
    first = CliRunner().invoke(main, ["maps", str(out / "plan.gpkg")])
    assert first.exit_code == 0, first.output
    assert "maps.pdf" in first.output
    assert len(list((out / "maps").glob("sheet-*.png"))) >= 3
    before = (out / "maps.pdf").read_bytes()
    again = CliRunner().invoke(main, ["maps", str(out / "plan.gpkg")])
    assert again.exit_code == 3
    assert "--overwrite" in again.output
    third = CliRunner().invoke(main, ["maps", str(out / "plan.gpkg"), "--overwrite", "--quiet"])
    assert (third.exit_code, third.output) == (0, "")
    assert (out / "maps.pdf").read_bytes() == before
    assert not list(out.glob(".*partial*"))


def test_maps_of_what_is_no_plan_are_refused(tmp_path):
    run = CliRunner().invoke(main, ["maps", str(SAMPLE / "fields.gpkg"), "--output", str(tmp_path / "new")])
    assert run.exit_code == 2
    assert "layer 'blocks' is missing" in run.output
    assert not (tmp_path / "new").exists()
