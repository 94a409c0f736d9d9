"""`farmgis plan` as a user types it: exit status, messages, output kept whole."""

import json
import subprocess
import sys

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

CRS = "EPSG:32633"
X0, Y0 = 500000.0, 5540000.0


def run(*words):
    return subprocess.run(
        [sys.executable, "-c", "from farmgis.cli import main; main()", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=1200,
        check=False,
    )


@pytest.fixture(scope="module")
def two_files(tmp_path_factory):
    """A rectangle of 250 x 200 m on a plane that falls 1 % to the south, and a second far off the model."""
    folder = tmp_path_factory.mktemp("inputs")
    near = shapely.box(X0 + 200, Y0 - 500, X0 + 450, Y0 - 300)
    far = shapely.box(X0 + 9000, Y0 - 500, X0 + 9250, Y0 - 300)
    table = {"field_id": ["A1", "A2"]}
    geopandas.GeoDataFrame(table, geometry=[near, far], crs=CRS).iloc[:1].to_file(folder / "one.gpkg")
    geopandas.GeoDataFrame(table, geometry=[near, far], crs=CRS).to_file(folder / "two.gpkg")
    north = np.arange(100)[:, None] * -5.0
    z = np.broadcast_to(200.0 + 0.01 * north, (100, 150)).astype("float32")
    with rasterio.open(
        folder / "ground.tif",
        "w",
        driver="GTiff",
        width=150,
        height=100,
        count=1,
        dtype="float32",
        crs=CRS,
        transform=from_origin(X0, Y0 - 50, 5.0, 5.0),
    ) as out:
        out.write(z, 1)
    return folder


def test_two_files_make_a_plan(two_files, tmp_path):
    done = run(
        "plan",
        "--fields",
        two_files / "one.gpkg",
        "--elevation",
        two_files / "ground.tif",
        "--output",
        tmp_path / "out",
    )
    assert done.returncode == 0, done.stderr
    assert "1 of 1 fields planned" in done.stdout
    assert "no weather was given" in done.stdout.split("fields planned")[0]  # before any total
    fields = pyogrio.read_dataframe(tmp_path / "out" / "plan.gpkg", layer="fields")
    assert fields.contour_azimuth_deg.item() == pytest.approx(90.0, abs=0.5)
    assert fields.row_grade_max_pct.item() == pytest.approx(0.0, abs=0.05)
    assert fields.slope_mean_pct.item() == pytest.approx(1.0, abs=0.01)


def test_json_and_quiet(two_files, tmp_path):
    words = ("plan", "--fields", two_files / "one.gpkg", "--elevation", two_files / "ground.tif", "--output")
    told = json.loads(run(*words, tmp_path / "a", "--json").stdout)
    assert told["fields_planned"] == 1
    assert told["file"].endswith("plan.gpkg")
    silent = run(*words, tmp_path / "b", "--quiet")
    assert (silent.returncode, silent.stdout, silent.stderr) == (0, "", "")


def test_a_field_off_the_model_does_not_stop_the_farm(two_files, tmp_path):
    done = run(
        "plan",
        "--fields",
        two_files / "two.gpkg",
        "--elevation",
        two_files / "ground.tif",
        "--output",
        tmp_path / "out",
        "--json",
    )
    assert done.returncode == 1, done.stderr
    told = json.loads(done.stdout)
    assert told["fields_not_planned"] == ["A2"]
    fields = pyogrio.read_dataframe(tmp_path / "out" / "plan.gpkg", layer="fields").set_index("field_id")
    assert fields.status.to_dict() == {"A1": fields.status["A1"], "A2": "not planned"}
    assert np.isnan(fields.slope_mean_pct["A2"])
    found = pyogrio.read_dataframe(tmp_path / "out" / "plan.gpkg", layer="findings")
    assert "stop" in set(found[found.where_id == "A2"].severity)


def test_a_farm_of_which_no_field_can_be_planned_says_why(two_files, tmp_path):
    yard = shapely.box(X0 + 200, Y0 - 500, X0 + 230, Y0 - 470)
    geopandas.GeoDataFrame({"field_id": ["A2"]}, geometry=[yard], crs=CRS).to_file(tmp_path / "yard.gpkg")
    done = run(
        "plan",
        "--fields",
        tmp_path / "yard.gpkg",
        "--elevation",
        two_files / "ground.tif",
        "--output",
        tmp_path / "out",
    )
    assert done.returncode == 1, done.stderr
    assert "0 of 1 fields planned" in done.stdout
    layers = dict(pyogrio.list_layers(tmp_path / "out" / "plan.gpkg"))
    assert {"fields", "blocks", "laterals", "findings"} <= set(layers)
    fields = pyogrio.read_dataframe(tmp_path / "out" / "plan.gpkg", layer="fields").set_index("field_id")
    assert fields.status.to_dict() == {"A2": "not planned"}
    assert np.isnan(fields.slope_mean_pct["A2"])
    assert fields.row_pattern["A2"] is None
    found = pyogrio.read_dataframe(tmp_path / "out" / "plan.gpkg", layer="findings")
    assert "stop" in set(found[found.where_id == "A2"].severity)


def test_an_existing_plan_is_not_overwritten(two_files, tmp_path):
    words = (
        "plan",
        "--fields",
        two_files / "one.gpkg",
        "--elevation",
        two_files / "ground.tif",
        "--output",
        tmp_path,
        "--quiet",
    )
    assert run(*words).returncode == 0
    before = (tmp_path / "plan.gpkg").read_bytes()
    refused = run(*words)
    assert refused.returncode == 3
    assert "--overwrite" in refused.stderr
    assert (tmp_path / "plan.gpkg").read_bytes() == before
    again = run(*words, "--overwrite")
    assert again.returncode == 0
    assert (tmp_path / "plan.gpkg").read_bytes() == before  # the same inputs give the same bytes
    names = ["plan.gpkg", "quantities.csv", "quantities.xlsx", "report.html"]
    assert sorted(p.name for p in tmp_path.iterdir()) == names


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["plan", "--output", "out"], "give a farm file, or --fields and --elevation"),
        (["plan", "nowhere.toml", "--output", "out"], "nowhere.toml"),
        (["plan", "nowhere.toml", "--crop", "maize", "--output", "out"], "state it in nowhere.toml"),
    ],
)
def test_usage_is_status_2(words, said, tmp_path):
    done = run(*words[:-1], tmp_path / words[-1])
    assert done.returncode == 2
    assert said in done.stderr
    assert not (tmp_path / "out").exists()


def test_help_imports_nothing_heavy():
    """The command line is quick because numbers and maps are imported when they are needed."""
    asked = """
import sys
from farmgis.cli import main
try:
    main(["--help"])
except SystemExit:
    heavy = {"numpy", "numba", "scipy", "shapely", "rasterio", "pyogrio", "geopandas", "matplotlib"}
    print("imported:", sorted(heavy & sys.modules.keys()))
"""
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.endswith("imported: []\n")
