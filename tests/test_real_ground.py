"""The main job on real ground: a window of SRTM (public domain) that the package matplotlib ships."""

import math
from importlib.metadata import distribution

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin
from scipy.ndimage import uniform_filter

from farmgis.geodata.farm_file import farm_from_files
from farmgis.run import plan_farm, write_plan

COMPENSATING = {
    "dripline": [
        {"name": "plain", "inside_diameter_mm": 22.2, "emitter_spacing_m": 0.4, "emitter_flow_l_h": 1.0},
        {
            "name": "compensating",
            "inside_diameter_mm": 22.2,
            "emitter_spacing_m": 0.4,
            "emitter_flow_l_h": 1.0,
            "exponent": 0.0,
            "least_head_m": 4.0,
            "greatest_head_m": 30.0,
        },
    ]
}


def srtm():
    """Return (elevations, west, north, cell in degrees); in the file `ymin` is the north edge."""
    path = distribution("matplotlib").locate_file("matplotlib/mpl-data/sample_data/jacksboro_fault_dem.npz")
    with np.load(str(path)) as data:
        z = data["elevation"].astype("float32")
        return z, float(data["xmin"]), float(data["ymin"]), float(data["dx"])


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """Three fields drawn on the flattest ground of the window, each of some 15 ha."""
    folder = tmp_path_factory.mktemp("srtm")
    z, west, north, cell = srtm()
    with rasterio.open(
        folder / "srtm.tif",
        "w",
        driver="GTiff",
        width=z.shape[1],
        height=z.shape[0],
        count=1,
        dtype="float32",
        crs="EPSG:4326",
        transform=from_origin(west, north, cell, cell),
    ) as out:
        out.write(z, 1)
    rough = uniform_filter(np.hypot(*np.gradient(z)), 9)
    rough[:12], rough[-12:], rough[:, :12], rough[:, -12:] = np.inf, np.inf, np.inf, np.inf
    shapes = []
    for _ in range(3):
        i, j = np.unravel_index(np.argmin(rough), rough.shape)
        rough[max(0, i - 12) : i + 13, max(0, j - 12) : j + 13] = np.inf
        x, y = west + (j + 0.5) * cell, north - (i + 0.5) * cell
        outline = [(-2.6, -2.0), (2.4, -2.3), (2.8, 1.0), (0.5, 2.4), (-2.2, 2.0)]
        shapes.append(shapely.Polygon([(x + a * cell, y + b * cell) for a, b in outline]))
    frame = geopandas.GeoDataFrame({"field_id": ["R1", "R2", "R3"]}, geometry=shapes, crs="EPSG:4326")
    frame.to_file(folder / "fields.geojson", driver="GeoJSON")
    farm = farm_from_files(folder / "fields.geojson", folder / "srtm.tif", settings=COMPENSATING)
    made = plan_farm(farm)
    return made, write_plan(made, folder)


def layer(plan, name):
    return pyogrio.read_dataframe(plan[1], layer=name)


def test_all_fields_are_planned_in_a_utm_zone(plan):
    assert plan[0].summary["fields_planned"] == 3
    assert plan[0].crs == "EPSG:32616"  # 84 degrees west
    told = layer(plan, "findings")
    assert told.what.str.contains("UTM", case=False).any()


def test_a_coarse_model_is_told(plan):
    found = layer(plan, "findings")
    assert ((found.about == "elevation") & (found.severity != "note")).any()


def test_invariants_hold_on_real_ground(plan):
    blocks, laterals = layer(plan, "blocks").set_index("block_id"), layer(plan, "laterals")
    fields = layer(plan, "fields").set_index("field_id").geometry
    for block_id, block in blocks.iterrows():
        own = laterals[laterals.block_id == block_id]
        ground = shapely.buffer(block.geometry, 0.02)
        assert shapely.covers(ground, shapely.force_2d(own.geometry.values)).mean() > 0.99
        assert shapely.difference(block.geometry, fields[block.field_id]).area < 1e-3
        assert own.flow_l_h.sum() / 1000.0 == pytest.approx(block.flow_m3h, rel=1e-6)
        assert own.emitters.sum() == block.emitters
    shapes = blocks.geometry.values
    assert shapely.area(shapes).sum() == pytest.approx(shapely.union_all(shapes).area, rel=1e-6)


def test_ground_under_a_lateral_is_the_models(plan):
    """Z of the laterals against the raw cells, by a general-purpose reader, within smoothing and relief."""
    import pyproj

    z, west, north, cell = srtm()
    turn = pyproj.Transformer.from_crs(plan[0].crs, 4326, always_xy=True)
    laterals = layer(plan, "laterals")
    points = shapely.get_coordinates(laterals.geometry.values, include_z=True)
    x, y = turn.transform(points[:, 0], points[:, 1])
    i, j = ((north - y) / cell).astype(int), ((x - west) / cell).astype(int)
    difference = points[:, 2] - z[i, j]
    assert abs(np.median(difference)) < 1.5
    assert np.percentile(np.abs(difference), 95) < 8.0


def test_slope_of_real_ground_against_numpy():
    """Mean slope of the window by our gradient and by numpy's, cells in metres at the window's latitude."""
    from farmgis.records import Surface
    from farmgis.terrain.gradient import gradient, slope_pct

    z, _, north, cell = srtm()
    metres = cell * 111_132.0 * math.cos(math.radians(north))
    surface = Surface(z[::-1].astype(float), 0.0, 0.0, metres)
    ours = slope_pct(*gradient(surface))
    dy, dx = np.gradient(z.astype(float), metres)
    np.testing.assert_allclose(ours[::-1], 100.0 * np.hypot(dx, dy), rtol=1e-12)
