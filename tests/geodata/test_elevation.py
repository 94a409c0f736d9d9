import hashlib
import pickle
import tracemalloc

import numpy as np
import pyproj
import pytest
import rasterio
from rasterio.enums import Resampling
from rasterio.transform import Affine, from_origin
from rasterio.warp import reproject
from rasterio.windows import from_bounds
from shapely.geometry import box

from farmgis.errors import CrsError, ElevationCoverError, FieldError, InputError
from farmgis.geodata.elevation import Elevation
from farmgis.geodata.elevation_probe import probe

EAST, NORTH = 500_000.0, 4_400_000.0
UTM = "EPSG:32630"


def plane(x, y):
    """A plane of 20 % to the east and 10 % to the south. [m]"""
    return 300.0 + 0.2 * (x - EAST) - 0.1 * (y - NORTH)


def centres(surface):
    rows, columns = surface.z_m.shape
    x = surface.x0_m + surface.cell_m * np.arange(columns)
    y = surface.y0_m + surface.cell_m * np.arange(rows)
    return np.meshgrid(x, y)


def plane_in(crs, transform, rows, columns):
    """The plane's heights at the cells of a grid in another CRS, through the reference library."""
    column, row = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
    x, y = transform * (column, row)
    if str(crs) != UTM:
        x, y = pyproj.Transformer.from_crs(crs, UTM, always_xy=True).transform(x, y)
    return plane(x, y)


def grid_over(crs, cell_x, cell_y, rows, columns):
    """A north-up grid in another CRS around the fields' place."""
    x, y = pyproj.Transformer.from_crs(UTM, crs, always_xy=True).transform(EAST + 1000, NORTH - 1000)
    return from_origin(x - cell_x * columns / 2, y + cell_y * rows / 2, cell_x, cell_y)


AREA = (EAST + 800.0, NORTH - 1300.0, EAST + 1300.0, NORTH - 900.0)


def test_window_of_a_matching_grid_is_rasterio_s_own(write_model):
    z = np.random.default_rng(1).normal(300, 5, (200, 220)).astype("float32")
    path = write_model("e.tif", z)
    surface = Elevation(path, UTM).window(AREA, 25.0)
    with rasterio.open(path) as file:
        x0, y0 = surface.x0_m - 5, surface.y0_m - 5
        rows, columns = surface.z_m.shape
        own = file.read(1, window=from_bounds(x0, y0, x0 + 10 * columns, y0 + 10 * rows, file.transform))
    assert np.array_equal(surface.z_m[::-1], own)
    assert surface.z_m.dtype == np.float64
    assert surface.cell_m == 10.0


@pytest.mark.parametrize("margin", [0.0, 3.0, 60.0])
def test_window_encloses_bounds_and_margin(write_model, margin):
    surface = Elevation(write_model("e.tif", np.full((200, 220), 300.0)), UTM).window(AREA, margin)
    x, y = centres(surface)
    assert x.min() <= AREA[0] - margin < x.min() + 10.0
    assert y.min() <= AREA[1] - margin < y.min() + 10.0
    assert x.max() - 10.0 < AREA[2] + margin <= x.max()
    assert y.max() - 10.0 < AREA[3] + margin <= y.max()


@pytest.mark.parametrize(
    ("crs", "cell_x", "cell_y"),
    [
        ("EPSG:4326", 1 / 3600, 1 / 3600),  # 1 arc second, some 24 x 31 m
        ("EPSG:4258", 1 / 3600 / 3, 1 / 3600 / 3),
        ("EPSG:32631", 30.0, 30.0),  # the next zone: turned by some 4 degrees
        ("EPSG:3035", 25.0, 25.0),
        ("EPSG:3857", 30.0, 30.0),
        (UTM, 12.0, 7.0),  # the same CRS, cells no squares
    ],
)
def test_tilted_plane_is_kept_through_any_grid(write_model, crs, cell_x, cell_y):
    transform = grid_over(crs, cell_x, cell_y, 260, 260)
    z = plane_in(crs, transform, 260, 260)
    elevation = Elevation(write_model("e.tif", z, crs=crs, transform=transform), UTM, near=AREA)
    surface = elevation.window(AREA, 30.0)
    x, y = centres(surface)
    assert np.isfinite(surface.z_m).all()
    assert np.abs(surface.z_m - plane(x, y)).max() < 0.02


def test_a_turned_grid_and_a_south_up_grid(write_model):
    turned = Affine.translation(EAST - 500, NORTH - 800) @ Affine.rotation(25) @ Affine.scale(10.0, -10.0)
    south_up = Affine(10.0, 0.0, EAST, 0.0, 10.0, NORTH - 2000.0)
    for i, transform in enumerate((turned, south_up)):
        z = plane_in(UTM, transform, 300, 300)
        surface = Elevation(write_model(f"{i}.tif", z, transform=transform), UTM).window(AREA)
        x, y = centres(surface)
        assert np.nanmax(np.abs(surface.z_m - plane(x, y))) < 1e-6
        assert np.isfinite(surface.z_m).mean() > 0.9


def test_native_cell_is_the_side_of_a_square_of_the_cell_s_area(write_model):
    transform = grid_over("EPSG:4326", 1 / 3600, 1 / 3600, 50, 50)
    path = write_model("e.tif", np.full((50, 50), 300.0), crs="EPSG:4326", transform=transform)
    lon, lat = transform * (25, 25)
    ring = box(lon, lat - 1 / 3600, lon + 1 / 3600, lat)
    area_m2, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(ring)
    assert Elevation(path, UTM).native_cell_m == pytest.approx(abs(area_m2) ** 0.5, rel=2e-3)


@pytest.mark.parametrize("crs", [UTM, "EPSG:32631", "EPSG:4326"])
@pytest.mark.parametrize("nodata", [-9999.0, np.nan, 3.4028234663852886e38])
def test_nodata_never_bleeds(write_model, crs, nodata):
    cell = 1 / 3600 if crs == "EPSG:4326" else 20.0
    transform = grid_over(crs, cell, cell, 200, 200)
    z = plane_in(crs, transform, 200, 200).astype("float32")
    z[95:103, 90:100] = nodata
    z[:, 120:] = nodata
    path = write_model("e.tif", z, crs=crs, transform=transform, nodata=nodata)
    surface = Elevation(path, UTM, near=AREA).window(AREA, 600.0)
    x, y = centres(surface)
    known = np.isfinite(surface.z_m)
    assert 0.2 < known.mean() < 0.95
    assert np.abs(surface.z_m - plane(x, y))[known].max() < 0.02


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (-9999.0, "float32"),
        (-32768, "int16"),
        (3.4028234663852886e38, "float32"),
        (np.inf, "float32"),
        (65535, "uint16"),
    ],
)
def test_undeclared_voids_are_masked_and_told(write_model, value, kind):
    z = np.full((200, 220), 300).astype(kind)
    z[100:110, 90:100] = value
    elevation = Elevation(write_model("e.tif", z), UTM)
    surface = elevation.window(AREA)
    assert np.unique(surface.z_m[np.isfinite(surface.z_m)]).tolist() == [300.0]
    assert np.isnan(surface.z_m).sum() == 100
    looked = probe(elevation, [box(*AREA)])
    assert any("no height" in f.what and f"{value:g}" in f.what for f in looked.findings)
    assert looked.altitude_m == 300.0


def test_declared_voids_are_not_told(write_model):
    z = np.full((200, 220), 300.0, "float32")
    z[100:110, 90:100] = -9999.0
    assert probe(Elevation(write_model("e.tif", z, nodata=-9999.0), UTM), [box(*AREA)]).findings == ()


def test_a_nodata_that_the_type_cannot_hold_masks_nothing(write_model):
    z = np.full((200, 220), 241, "uint8")
    path = write_model("e.tif", z)
    with rasterio.open(path) as file:
        elevation = Elevation(path, UTM)
        assert file.nodata is None
    elevation.declared_nodata = -15.0  # 241 as a byte that wrapped round
    assert (elevation.window(AREA).z_m == 241.0).all()


def test_zeros_in_the_hills_are_told(write_model):
    z = np.full((200, 220), 300.0, "float32")
    z[100:110, 90:100] = 0.0
    (told,) = probe(Elevation(write_model("e.tif", z), UTM), [box(*AREA)]).findings
    assert told.measured == 100
    assert "0" in told.advice


def test_zeros_at_the_coast_are_heights(write_model):
    z = np.linspace(0.0, 5.0, 200 * 220).reshape(200, 220)
    z[100:110] = 0.0
    assert probe(Elevation(write_model("e.tif", z), UTM), [box(*AREA)]).findings == ()


def test_a_mask_band_is_respected(write_model):
    path = write_model("e.tif", np.full((200, 220), 300.0, "float32"))
    mask = np.full((200, 220), 255, "uint8")
    mask[100:110, 90:100] = 0
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "r+") as file:
        file.write_mask(mask)
    assert np.isnan(Elevation(path, UTM).window(AREA).z_m).sum() == 100


def test_scale_and_offset_of_the_band(write_model):
    path = write_model("e.tif", np.full((200, 220), 1234, "int16"))
    with rasterio.open(path, "r+") as file:
        file.scales, file.offsets = (0.1,), (200.0,)
    assert Elevation(path, UTM).window(AREA).z_m[0, 0] == pytest.approx(323.4)


def test_feet_are_turned_into_metres_and_told(write_model):
    z = np.full((200, 220), 1000.0, "float32")
    cases = [
        (Elevation(write_model("a.tif", z, units="ft"), UTM), 0.3048),
        (Elevation(write_model("b.tif", z, units="US survey foot"), UTM), 1200 / 3937),
        (Elevation(write_model("c.tif", z), UTM, "ft"), 0.3048),
        (Elevation(write_model("d.tif", z, crs="EPSG:26910+6360"), "EPSG:26910"), 1200 / 3937),
    ]
    for elevation, foot_m in cases:
        assert elevation.window(AREA).z_m[0, 0] == pytest.approx(1000.0 * foot_m, rel=1e-9)
        assert any("feet" in f.what for f in elevation.findings), elevation.path


def test_metres_are_metres(write_model):
    z = np.full((200, 220), 1000.0, "float32")
    for name, more in (("a.tif", {"units": "m"}), ("b.tif", {}), ("c.tif", {"crs": "EPSG:25830+5782"})):
        elevation = Elevation(write_model(name, z, **more), more.get("crs", UTM).split("+")[0])
        assert elevation.window(AREA).z_m[0, 0] == 1000.0
        assert elevation.findings == ()


def test_what_the_user_states_wins_and_the_contradiction_is_told(write_model):
    elevation = Elevation(write_model("a.tif", np.full((200, 220), 1000.0), units="ft"), UTM, "m")
    assert elevation.window(AREA).z_m[0, 0] == 1000.0
    assert elevation.findings[0].severity == "attention"


def test_a_map_in_feet_without_a_unit_of_height_is_told(write_model):
    elevation = Elevation(
        write_model("a.tif", np.full((200, 220), 300.0), crs="EPSG:2227", cell=30.0), "EPSG:26910"
    )
    assert any("no unit" in f.what and f.severity == "attention" for f in elevation.findings)


def test_a_huge_model_costs_its_window_only(tmp_path):
    path = tmp_path / "huge.tif"
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "count": 1,
        "crs": UTM,
        "width": 20_000,
        "height": 20_000,
    }
    profile |= {"tiled": True, "blockxsize": 256, "blockysize": 256, "sparse_ok": True, "nodata": -9999.0}
    with rasterio.open(path, "w", transform=from_origin(EAST, NORTH, 1.0, 1.0), **profile) as file:
        file.write(np.full((512, 512), 300.0, "float32"), 1, window=((10_000, 10_512), (10_000, 10_512)))
    bounds = (EAST + 10_100.0, NORTH - 10_400.0, EAST + 10_400.0, NORTH - 10_100.0)
    for crs in (UTM, "EPSG:25830", "EPSG:32631"):
        if crs != UTM:
            move = pyproj.Transformer.from_crs(UTM, crs, always_xy=True)
            bounds = move.transform_bounds(
                EAST + 10_100.0, NORTH - 10_400.0, EAST + 10_400.0, NORTH - 10_100.0
            )
        elevation = Elevation(path, crs, near=bounds)
        tracemalloc.start()
        surface = elevation.window(bounds, 20.0)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert surface.z_m.size < 450**2
        assert np.nanmedian(surface.z_m) == 300.0
        assert peak < 30e6  # the whole would be 1600 MB


def test_a_window_too_large_is_refused_for_that_field(write_model):
    elevation = Elevation(write_model("e.tif", np.full((200, 220), 300.0)), UTM)
    with pytest.raises(FieldError, match="too large"):
        elevation.window((EAST, NORTH - 2000, EAST + 2e6, NORTH))


def test_beyond_the_model_there_is_no_height(write_model):
    elevation = Elevation(write_model("e.tif", np.full((200, 220), 300.0)), UTM)
    surface = elevation.window((EAST - 100, NORTH - 100, EAST + 100, NORTH + 100))
    x, y = centres(surface)
    inside = (x > EAST) & (y < NORTH)
    assert np.array_equal(np.isfinite(surface.z_m), inside)
    with pytest.raises(ElevationCoverError, match="covers the field"):
        elevation.window((EAST - 900, NORTH, EAST - 100, NORTH + 100))


def test_no_overlap_tells_both_extents(write_model):
    path = write_model("e.tif", np.full((200, 220), 300.0))
    with pytest.raises(InputError, match=r"Fields: x 600000 to 601000.*elevation: x 500000 to 502200"):
        Elevation(path, UTM, near=(600_000.0, 4_300_000.0, 601_000.0, 4_301_000.0))


def test_no_crs_and_no_place_are_refused(write_model, tmp_path):
    path = write_model("e.tif", np.full((20, 20), 300.0), crs=None)
    with pytest.raises(CrsError, match="input_crs"):
        Elevation(path, UTM)
    assert Elevation(path, UTM, input_crs=UTM).native_cell_m == 10.0
    with pytest.warns(rasterio.errors.NotGeoreferencedWarning):
        write_model("f.tif", np.full((20, 20), 300.0), transform=Affine.identity())
    with pytest.raises(InputError, match="georeference"):
        Elevation(tmp_path / "f.tif", UTM)


def test_degrees_under_a_projected_crs_are_refused(write_model):
    path = write_model("e.tif", np.full((20, 20), 300.0), west=-3.0, north=40.0, cell=0.001)
    with pytest.raises(CrsError, match="look like degrees"):
        Elevation(path, UTM)


def test_a_picture_is_refused(write_model):
    with pytest.raises(InputError, match="picture"):
        Elevation(write_model("e.tif", np.zeros((3, 20, 20), "uint8")), UTM)


def test_other_rasters_are_refused(tmp_path):
    (tmp_path / "e.tif").write_bytes(b"\x89PNG\r\n\x1a\n" + b"\x00" * 600)
    with pytest.raises(InputError, match="no GeoTIFF"):
        Elevation(tmp_path / "e.tif", UTM)


def test_a_damaged_model_is_an_error_of_the_field(write_model):
    noise = np.random.default_rng(2).normal(300, 5, (200, 220)).astype("float32")
    path = write_model("e.tif", noise, compress="deflate")
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2] + b"\xff" * (len(content) - len(content) // 2))
    try:
        elevation = Elevation(path, UTM)
    except InputError:
        return  # the directory of the file was in the damaged half
    with pytest.raises(FieldError, match="damaged"):
        elevation.window(AREA)


def test_the_model_is_pickled_by_its_path_and_untouched(write_model):
    path = write_model("e.tif", np.random.default_rng(3).normal(300, 5, (200, 220)))
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    with Elevation(path, UTM, smoothing_m=30.0, vertical_error_m=0.5) as elevation:
        here = elevation.window(AREA).z_m
        there = pickle.loads(pickle.dumps(elevation))
        assert np.array_equal(there.window(AREA).z_m, here)
        assert (there.smoothing_m, there.vertical_error_m) == (30.0, 0.5)
        there.close()
    assert np.array_equal(elevation.window(AREA).z_m, here)  # opened again when asked
    assert hashlib.sha256(path.read_bytes()).hexdigest() == digest
    assert [p.name for p in path.parent.iterdir()] == ["e.tif"]


def test_a_window_cannot_be_changed(write_model):
    surface = Elevation(write_model("e.tif", np.full((200, 220), 300.0)), UTM).window(AREA)
    with pytest.raises(ValueError, match="read-only"):
        surface.z_m[0, 0] = 0.0


def test_a_coarse_model_is_always_told_against_the_allowance(write_model):
    path = write_model("e.tif", np.full((200, 220), 300.0), cell=30.0)
    (told,) = probe(Elevation(path, UTM), [box(*AREA)], allowance_m=2.0).findings
    assert (told.measured, told.limit, told.unit) == (30.0, 10.0, "m")
    assert "2.0 m" in told.what
    (told,) = probe(Elevation(path, UTM, vertical_error_m=4.0), [box(*AREA)], allowance_m=2.0).findings
    assert (told.measured, told.limit, told.unit) == (4.0, 2.0, "m")


def test_a_stated_error_is_told_whatever_the_cell(write_model):
    path = write_model("e.tif", np.full((200, 220), 300.0))
    assert probe(Elevation(path, UTM, vertical_error_m=0.1), [box(*AREA)], allowance_m=2.0).findings == ()
    (told,) = probe(Elevation(path, UTM, vertical_error_m=1.0), [box(*AREA)], allowance_m=2.0).findings
    assert (told.measured, told.limit) == (1.0, 2.0)


def test_windows_of_one_model_agree_where_they_overlap(write_model):
    transform = grid_over("EPSG:4326", 1 / 3600, 1 / 3600, 260, 260)
    z = 300.0 + np.random.default_rng(4).normal(0, 3, (260, 260))
    elevation = Elevation(write_model("e.tif", z, crs="EPSG:4326", transform=transform), UTM)
    one, two = elevation.window(AREA), elevation.window((AREA[0] + 130, AREA[1] + 70, AREA[2] + 400, AREA[3]))
    cell = one.cell_m
    i, j = round((two.y0_m - one.y0_m) / cell), round((two.x0_m - one.x0_m) / cell)
    assert (two.x0_m - one.x0_m) / cell == pytest.approx(j, abs=1e-6)
    shared_one, shared_two = one.z_m[i:, j:], two.z_m[: one.z_m.shape[0] - i, : one.z_m.shape[1] - j]
    assert np.abs(shared_one - shared_two).max() < 1e-3


@pytest.mark.parametrize("crs", ["EPSG:32631", "EPSG:4326", "EPSG:3035"])
def test_interpolated_heights_against_rasterio_s_warper(write_model, crs):
    cell = 1 / 3600 if crs == "EPSG:4326" else 25.0
    z = 300.0 + np.random.default_rng(5).normal(0, 4, (260, 260))
    path = write_model("e.tif", z, crs=crs, transform=grid_over(crs, cell, cell, 260, 260))
    surface = Elevation(path, UTM, near=AREA).window(AREA, 50.0)
    rows, columns = surface.z_m.shape
    west, north = surface.x0_m - surface.cell_m / 2, surface.y0_m + (rows - 0.5) * surface.cell_m
    target = {"dst_crs": UTM, "dst_transform": from_origin(west, north, surface.cell_m, surface.cell_m)}
    with rasterio.open(path) as file:
        # its kernel widens where a target cell is larger than the source's: held to the source's own
        own = {"src_transform": file.transform, "src_crs": file.crs, "XSCALE": 1, "YSCALE": 1, "tolerance": 0}
        warped, _ = reproject(
            file.read(1), np.zeros((rows, columns)), resampling=Resampling.bilinear, **own, **target
        )
    assert np.abs(surface.z_m[::-1] - warped).max() < 0.01
