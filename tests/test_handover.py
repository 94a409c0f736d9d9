"""Guidance lines and surfaces of a plan's file, read back with general-purpose libraries."""

import json
import math
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from rasterio.features import geometry_mask

from farmgis.errors import InputError, OutputError
from farmgis.geodata.farm_file import read_farm
from farmgis.handover import write_guidance, write_sheet, write_surfaces
from farmgis.run import plan_farm, write_plan

SAMPLE = Path(__file__).parents[1] / "sample_geodata"


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory):
    farm = read_farm(SAMPLE / "farm.toml")
    farm = replace(farm, fields=tuple(f for f in farm.fields if f.field_id in ("OB", "NH")))
    return write_plan(plan_farm(farm), tmp_path_factory.mktemp("plan"))


def layer(plan_file, name):
    return geopandas.read_file(plan_file, layer=name)


# ---- guidance ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def lines(plan_file, tmp_path_factory):
    path = write_guidance(plan_file, tmp_path_factory.mktemp("lines") / "lines.geojson")
    return path, json.loads(path.read_text("utf-8"))


def test_guidance_is_geojson_of_rfc_7946(lines):
    _, told = lines
    assert set(told) == {"type", "features"}  # no crs member: section 4 has WGS 84 and nothing else
    assert told["type"] == "FeatureCollection"
    for feature in told["features"]:
        assert set(feature) == {"type", "id", "properties", "geometry"}
        assert feature["geometry"]["type"] == "LineString"
        places = np.array(feature["geometry"]["coordinates"])
        assert places.shape[0] >= 2
        assert places.shape[1] == 2
        assert (np.abs(places[:, 0]) <= 180.0).all()
        assert (np.abs(places[:, 1]) <= 90.0).all()
    names = [f["id"] for f in told["features"]]
    assert len(set(names)) == len(names)


def test_guidance_lines_lie_on_the_layers(lines, plan_file):
    path, told = lines
    read = geopandas.read_file(path).to_crs(layer(plan_file, "laterals").crs)
    laterals = layer(plan_file, "laterals").set_index("lateral_id").geometry
    own = read[read["kind"] == "lateral"].set_index("name").geometry
    assert set(own.index) == set(laterals.index)
    far = shapely.hausdorff_distance(shapely.force_2d(laterals.loc[own.index].values), own.values)
    assert far.max() < 0.02  # a centimetre of straightening, a millimetre of rounding
    rows = layer(plan_file, "rows")
    drawn = sum(len(g.geoms) for g in rows.geometry)
    assert sum(f["properties"]["kind"] == "row" for f in told["features"]) == drawn
    flat = sum(g.length for g in rows.geometry)
    assert read[read["kind"] == "row"].length.sum() == pytest.approx(flat, rel=1e-5)


def test_no_output_may_be_the_plan_itself(plan_file):
    before = plan_file.read_bytes()
    for write in (write_guidance, write_sheet):
        with pytest.raises(OutputError, match="the plan itself"):
            write(plan_file, plan_file.parent / "." / plan_file.name, overwrite=True)
    assert plan_file.read_bytes() == before


def test_guidance_of_one_field_and_kind(plan_file, tmp_path):
    path = write_guidance(plan_file, tmp_path / "a.geojson", ("lateral",), ("NH",))
    told = json.loads(path.read_text("utf-8"))["features"]
    assert {f["properties"]["kind"] for f in told} == {"lateral"}
    assert {f["properties"]["field_id"] for f in told} == {"NH"}
    with pytest.raises(InputError, match="'XX' is no field"):
        write_guidance(plan_file, tmp_path / "b.geojson", fields=("XX",))
    with pytest.raises(OutputError, match="--overwrite"):
        write_guidance(plan_file, path)


# ---- surfaces ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def rasters(plan_file, tmp_path_factory):
    return write_surfaces(plan_file, tmp_path_factory.mktemp("rasters"))


def blockwise(path, plan_file):
    """Each block's id and its cells' values, cut out with another library's mask."""
    blocks = layer(plan_file, "blocks").set_index("block_id").geometry
    with rasterio.open(path) as file:
        values = file.read(1, masked=True)
        for block_id, shape in blocks.items():
            inside = geometry_mask([shape], values.shape, file.transform, invert=True)
            yield block_id, values[inside], float(inside.sum()) * file.res[0] * file.res[1]


def test_depth_of_each_block_is_its_seasons_within_one_percent(rasters, plan_file):
    season = layer(plan_file, "season_demand").set_index("block_id")
    for block_id, values, area_m2 in blockwise(rasters[0], plan_file):
        assert values.mean() == pytest.approx(season.gross_mm[block_id], rel=0.01)
        # and so is the water: cells are squares, blocks are not, which may cost a little at the edge
        volume = values.mean() / 1000.0 * area_m2
        assert volume == pytest.approx(season.gross_m3[block_id], rel=0.01)


def test_depth_follows_the_flow_of_emitters(rasters, plan_file):
    blocks = layer(plan_file, "blocks").set_index("block_id")
    for block_id, values, _ in blockwise(rasters[0], plan_file):
        spread = 100.0 * (values.max() - values.min()) / values.max()
        assert spread <= blocks.flow_variation_pct[block_id] + 0.1
        if blocks.tolerance_kind[block_id] == "pressure_compensating":
            assert spread < 0.1
        else:
            assert spread > 0.6 * blocks.flow_variation_pct[block_id]


def test_heads_are_those_of_the_extreme_emitters(rasters, plan_file):
    extremes = layer(plan_file, "extreme_emitters")
    blocks = layer(plan_file, "blocks").set_index("block_id").geometry
    compared = 0
    with rasterio.open(rasters[1]) as file:
        for block_id, head_m, place in zip(
            extremes.block_id, extremes.head_m, extremes.geometry, strict=True
        ):
            centre = file.xy(*file.index(place.x, place.y))
            if blocks[block_id].contains(
                shapely.Point(centre)
            ):  # else the cell is a neighbour's, or nobody's
                (told,) = next(file.sample([(place.x, place.y)]))
                assert told == pytest.approx(head_m, abs=0.2)  # the mean of the cell's emitters
                compared += 1
    assert compared > len(extremes) / 2


def test_rasters_tell_where_they_lie_and_what_is_nothing(rasters, plan_file):
    crs = layer(plan_file, "blocks").crs
    for path, unit in zip(rasters, ("mm", "m", "%"), strict=True):
        with rasterio.open(path) as file:
            assert pyproj.CRS(file.crs.to_wkt()).equals(crs, ignore_axis_order=True)
            assert file.nodata == -9999.0
            assert file.units == (unit,)
            assert file.dtypes == ("float32",)
            assert file.res == (5.0, 5.0)
            values = file.read(1, masked=True)
            assert 0 < values.count() < values.size
            assert math.isfinite(values.min())


def test_rasters_are_the_same_each_time(rasters, plan_file, tmp_path):
    again = write_surfaces(plan_file, tmp_path)
    assert [p.read_bytes() for p in again] == [p.read_bytes() for p in rasters]


def test_far_too_small_cells_are_refused(plan_file, tmp_path):
    with pytest.raises(InputError, match="million cells"):
        write_surfaces(plan_file, tmp_path, cell_m=0.05)
    assert list(tmp_path.iterdir()) == []
