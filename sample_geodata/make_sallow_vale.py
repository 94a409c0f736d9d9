"""Make the demo farm Sallow Vale: fields, elevation model and weather, all invented.

Run `python make_sallow_vale.py`: it writes fields.gpkg, elevation.tif and weather.csv beside itself, the
same each time. farm.toml is written by hand. The weather is made in make_weather.py.

The farm is drawn in a frame of its own: u runs up the valley along the river, v away from the river and
uphill, the river pump is (0, 0). The frame is turned against the map's grid, so that nothing lies square
to the raster.
"""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyogrio
import rasterio
import scipy.ndimage
import shapely
from make_weather import make_weather, write_weather
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator, RectBivariateSpline
from scipy.sparse import diags, eye, kron
from scipy.sparse.linalg import spsolve
from shapely.affinity import affine_transform

Floats = NDArray[np.float64]

HERE = Path(__file__).resolve().parent
SEED = 20010425
CRS = "EPSG:32610"  # UTM zone 10 north, for a latitude of 38.5 degrees; the place itself is invented
PUMP_X_M, PUMP_Y_M = 512300.0, 4261870.0
TURN_DEG = 22.0  # the valley runs this far anticlockwise of grid east

# Wind and dryness of the air in one number, to tune the farm's peak: 1 % more moves the crop's peak demand
# by about 0.6 %, and with it how far the river falls short. Radiation and temperature stay as they are.
DRYING_POWER = 1.00

# ---- the fields: id, name, crop, soil, source, dripline, row azimuth, hectares, sides ----------------
# A side is a list of points from corner to corner; a curve goes through its middle points.

CORN_LINE = "22 mm, 1.0 l/h"
ORCHARD_LINE = "20 mm, 2.0 l/h, compensating"

FIELDS = [
    ("LR", "Long Reach", "maize", "silt loam", "river", CORN_LINE, None, 34.2,
     [[(-1040, -12), (-800, 18), (-520, 2), (-250, 28), (-42, 44)],
      [(-42, 44), (-46, 220), (-62, 400)],
      [(-62, 400), (-350, 374), (-700, 352), (-1012, 338)],
      [(-1012, 338), (-1036, 160), (-1040, -12)]]),
    ("OB", "Osier Bend", "maize", "sandy loam", "river", CORN_LINE, None, 27.5,
     [[(-22, 47), (60, -4), (160, -68), (300, -112), (430, -76), (574, 38)],
      [(574, 38), (582, 230), (562, 412)],
      [(562, 412), (350, 396), (150, 398), (-44, 404)],
      [(-44, 404), (-27, 220), (-22, 47)]]),
    ("MR", "Millrace", "maize", "silt loam", "river", CORN_LINE, None, 31.0,
     [[(592, 42), (800, 66), (1050, 30), (1338, -10)],
      [(1338, -10), (1380, 200), (1366, 450)],
      [(1366, 450), (1060, 462), (800, 440), (580, 414)],
      [(580, 414), (600, 230), (592, 42)]]),
    ("CL", "Crooked Lea", "maize", "loam", "river", CORN_LINE, None, 22.6,
     [[(-1015, 452), (-820, 448), (-560, 462), (-345, 486)],
      [(-345, 486), (-362, 600), (-388, 716)],
      [(-388, 716), (-520, 706), (-668, 690)],
      [(-668, 690), (-680, 800), (-704, 926)],
      [(-704, 926), (-830, 918), (-1000, 934)],
      [(-1000, 934), (-1022, 700), (-1015, 452)]]),
    ("TB", "Twin Barrow", "maize", "loam", "river", CORN_LINE, None, 26.4,
     [[(-282, 566), (-120, 540), (80, 538), (282, 572)],
      [(282, 572), (312, 760), (296, 1000)],
      [(296, 1000), (100, 1018), (-110, 1004), (-268, 1016)],
      [(-268, 1016), (-262, 800), (-282, 566)]]),
    ("SG", "Saddle Ground", "maize", "loam", "river", CORN_LINE, None, 19.8,
     [[(-322, 1121), (-100, 1107), (60, 1119), (214, 1147)],
      [(214, 1147), (232, 1305), (196, 1487)],
      [(196, 1487), (20, 1517), (-160, 1501), (-276, 1453)],
      [(-276, 1453), (-326, 1295), (-322, 1121)]]),
    ("CR", "Chapel Rise", "maize", "sandy loam", "borehole", CORN_LINE, None, 20.5,
     [[(424, 742), (622, 722), (802, 730), (934, 756)],
      [(934, 756), (936, 880), (890, 1120)],
      [(890, 1120), (722, 1164), (562, 1166), (444, 1140)],
      [(444, 1140), (410, 960), (424, 742)]]),
    ("NH", "Nutholt", "hazelnut", "loam", "borehole", ORCHARD_LINE, 123.0, 18.0,
     [[(1176, 866), (1060, 1010), (952, 1150), (872, 1302)],
      [(872, 1302), (985, 1392), (1132, 1486)],
      [(1132, 1486), (1248, 1340), (1342, 1200), (1446, 1062)],
      [(1446, 1062), (1312, 946), (1176, 866)]]),
]  # fmt: skip

POND = ((840, 238), 88, 36, 8.0)  # in Millrace: centre, half length, half width, turn in degrees

RIVER = [(-2600, -40), (-2000, -110), (-1500, -40), (-1100, -72), (-800, -34), (-500, -56), (-250, -30),
         (0, -22), (150, -108), (300, -152), (450, -118), (600, -14), (800, 14), (1050, -24), (1300, -64),
         (1700, -20), (2300, -90), (3000, -40)]  # fmt: skip
RIVER_LEVEL_M, RIVER_FALL = 111.0, 0.0011  # at the pump; m per m along the valley
RIVER_HALF_WIDTH_M, RIVER_BANK_SLOPE = 9.0, 0.5

# Ground between and beyond the fields (u, v, z): woods on the hillside, hilltops, the far bank.
ANCHORS = [(-1500, 250, 115.5), (-1500, 700, 126), (-1400, 1300, 139), (-850, 1150, 136), (-550, 1000, 133),
           (-900, 1650, 143), (-560, 1440, 151), (-500, 800, 131), (-60, 1780, 132), (380, 1420, 157),
           (340, 800, 131), (350, 620, 126), (650, 590, 131), (1020, 620, 132), (1250, 660, 138),
           (700, 1400, 154), (1500, 700, 142), (1700, 300, 122), (1800, 1000, 166), (1400, 1450, 174),
           (900, 1800, 158), (1900, 1800, 172), (300, 2100, 140)] + [
    (u, v, z + 0.0011 * u)
    for u in range(-1800, 2500, 300) for v, z in ((-330, 115.5), (-600, 122), (-1000, 134))
]  # fmt: skip

CELL_M = 5.0
MARGIN_M = 150.0
NODATA = -9999.0
APRON_M = 26.0  # a field's landform reaches this far past its boundary
STIFFNESS = 0.06  # of the ground between landforms; small keeps the fields as they are stated


def on_the_map(geometry: Any) -> Any:
    """A geometry of the farm's own frame, in map coordinates."""
    c, s = math.cos(math.radians(TURN_DEG)), math.sin(math.radians(TURN_DEG))
    return affine_transform(geometry, [c, -s, s, c, PUMP_X_M, PUMP_Y_M])


def in_the_frame(x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
    """Map coordinates in the farm's own frame. [m]"""
    c, s = math.cos(math.radians(TURN_DEG)), math.sin(math.radians(TURN_DEG))
    return c * (x_m - PUMP_X_M) + s * (y_m - PUMP_Y_M), c * (y_m - PUMP_Y_M) - s * (x_m - PUMP_X_M)


# ---- fields --------------------------------------------------------------------------------------


def curved(points: Sequence[tuple[float, float]], count: int) -> Floats:
    """A smooth curve through points, cut to `count` vertices."""
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(np.asarray(points, float), axis=0).T))]
    curve = CubicSpline(along, points, bc_type="natural")
    return np.asarray(curve(np.linspace(0.0, along[-1], count)))


def pond() -> shapely.Polygon:
    """The millpond in the farm's own frame: an ellipse, a little pinched."""
    (u, v), length, width, turn_deg = POND
    a = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    shape = shapely.Polygon(np.c_[length * np.cos(a), width * np.sin(a) * (1.0 + 0.25 * np.cos(a))])
    turned = shapely.affinity.rotate(shape, turn_deg, origin=(0.0, 0.0))
    return shapely.affinity.translate(turned, u, v)


def drawn_field(field_id: str, hectares: float, sides: Any) -> shapely.Polygon:
    """A field's polygon in the farm's own frame, brought to its area by a hair of scaling."""
    ring = [point for side in sides for point in curved(side, 2 * len(side) - 1)[:-1]]
    outline = shapely.Polygon(ring)
    hole = pond() if field_id == "MR" else shapely.Polygon()
    scale = np.sqrt((hectares * 1e4 + hole.area) / outline.area)
    if abs(scale - 1.0) > 0.02:
        raise ValueError(f"{field_id}: drawn {outline.area / 1e4:.2f} ha, too far from {hectares} ha")
    return shapely.affinity.scale(outline, scale, scale, origin="centroid").difference(hole)


def make_fields() -> geopandas.GeoDataFrame:
    """The fields of the farm, a row each, in the farm's own frame."""
    columns = ["field_id", "name", "crop", "soil", "source", "dripline", "row_azimuth_deg"]
    rows = [dict(zip(columns, f[:7], strict=True)) for f in FIELDS]
    shapes = [drawn_field(f[0], f[7], f[8]) for f in FIELDS]
    table = geopandas.GeoDataFrame(rows, geometry=shapes)
    return table.astype({"row_azimuth_deg": float})


def write_fields(fields: geopandas.GeoDataFrame, path: Path) -> None:
    """Write the fields on the map. The file's date is fixed, so that it is the same each time."""
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2013-01-15T00:00:00Z"})
    path.unlink(missing_ok=True)
    placed = fields.set_geometry([shapely.set_precision(on_the_map(g), 0.01) for g in fields.geometry])
    placed.set_crs(CRS).to_file(path, layer="fields", driver="GPKG", engine="pyogrio")


# ---- landforms, each in the farm's own frame -----------------------------------------------------


def bench(distance: Floats, width: float) -> Floats:
    """Distance that starts flat: level at 0, a straight slope beyond `width`. [m]"""
    return np.asarray(np.hypot(distance, width) - width)


def valley_floor(u: Floats, v: Floats) -> Floats:
    """Meadows that rise from the river, flatter downstream, with old channels in them. [m]"""
    steep: Floats = PchipInterpolator([-2000, -1030, -300, 300, 900, 1400, 2500],
                              [0.0043, 0.0043, 0.0045, 0.0067, 0.0096, 0.0101, 0.0101])(u)  # fmt: skip
    w = v + 10.0
    swales: Floats = (
        0.25 * np.sin((v + 0.25 * u) / 44.0 + 1.2 * np.sin(u / 260.0)) * np.exp(-(((v - 120.0) / 260.0) ** 2))
    )
    return 113.85 + 0.0011 * (u + 1030.0) + steep * (w + w * w / 1400.0) + swales


def lea(u: Floats, v: Floats) -> Floats:
    """Crooked Lea: the foot of the hill, steeper upward, hollow in the middle. [m]"""
    w = v - 455.0 + 35.0 * np.cos((u + 640.0) / 230.0)
    return 119.9 + 0.0160 * w + 0.000015 * w * w + 0.5 * np.sin(w / 48.0)


def spur(u: Floats, v: Floats) -> Floats:
    """Twin Barrow: a spur whose crest crosses the field, with two low humps on it. [m]"""
    a = math.radians(14.0)
    s, t = (v - 545.0) * math.cos(a) + u * math.sin(a), u * math.cos(a) - (v - 545.0) * math.sin(a) + 55.0
    along = np.exp(-(((s - 170.0) / 68.0) ** 2)) + np.exp(-(((s - 350.0) / 68.0) ** 2))
    humps = 2.0 * along * np.exp(-((t / 68.0) ** 2))
    return 133.6 + 0.0185 * s - 0.0285 * bench(t, 80.0) + humps


def saddle(u: Floats, v: Floats) -> Floats:
    """Saddle Ground: a col between two hills, falling to both valleys; its contours turn about. [m]"""
    a = math.radians(-14.0)
    p = (u + 50.0) * math.cos(a) + (v - 1310.0) * math.sin(a) + 50.0
    q = (v - 1310.0) * math.cos(a) - (u + 50.0) * math.sin(a)
    return 144.2 + 0.000104 * (p * p - q * q)


def rise(u: Floats, v: Floats) -> Floats:
    """Chapel Rise: a broad shoulder with its top towards the back. [m]"""
    r = np.hypot((u - 615.0) / 1.4, v - 1085.0)
    return 150.7 - 0.036 * bench(r, 110.0) + 0.6 * np.sin((v - 800.0) / 52.0)


def hillside(u: Floats, v: Floats) -> Floats:
    """Nutholt: the steep flank of the hill, slightly hollow. [m]"""
    a = math.radians(35.0)
    w = (u - 1010.0) * math.cos(a) + (v - 1085.0) * math.sin(a)
    side = (v - 1170.0) * math.cos(a) - (u - 1150.0) * math.sin(a)
    return 146.4 + 0.060 * w + 3.6e-5 * side * side + 0.8 * np.sin(w / 60.0)


LANDFORMS = {
    "LR": valley_floor, "OB": valley_floor, "MR": valley_floor, "CL": lea, "TB": spur, "SG": saddle,
    "CR": rise, "NH": hillside,
}  # fmt: skip


# ---- elevation model -----------------------------------------------------------------------------


def bending(n_v: int, n_u: int) -> Any:
    """Matrix of the bending energy of a surface on a square grid (thin plate)."""

    def second(n: int) -> Any:
        return diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(n - 2, n))

    def first(n: int) -> Any:
        return diags([-1.0, 1.0], [0, 1], shape=(n - 1, n))

    d_uu, d_vv = kron(eye(n_v), second(n_u)), kron(second(n_v), eye(n_u))
    d_uv = kron(first(n_v), first(n_u))
    return d_uu.T @ d_uu + d_vv.T @ d_vv + 2.0 * d_uv.T @ d_uv


def joined_landforms(
    fields: geopandas.GeoDataFrame,
    u_range: tuple[float, float],
    v_range: tuple[float, float],
    step_m: float = 20.0,
) -> RectBivariateSpline:
    """One smooth surface that keeps each field's landform and bends least between them.

    Returns a spline z(v, u). [m]
    """
    u, v = (np.arange(low, high + step_m, step_m) for low, high in (u_range, v_range))
    uu, vv = np.meshgrid(u, v)
    weight, target = np.zeros(uu.shape), np.zeros(uu.shape)
    for a_u, a_v, a_z in ANCHORS:
        j, i = round((a_u - u[0]) / step_m), round((a_v - v[0]) / step_m)
        if 0 <= i < len(v) and 0 <= j < len(u):
            weight[i, j], target[i, j] = 0.2, a_z
    for field in fields.itertuples():
        outline = shapely.Polygon(field.geometry.exterior).buffer(APRON_M)
        inside = shapely.contains_xy(outline, uu, vv)
        weight[inside], target[inside] = 1.0, LANDFORMS[field.field_id](uu, vv)[inside]
    matrix = diags(weight.ravel()) + STIFFNESS * bending(len(v), len(u))
    z = spsolve(matrix.tocsc(), (weight * target).ravel()).reshape(uu.shape)
    return RectBivariateSpline(v, u, z)


def with_river(z: Floats, u: Floats, v: Floats) -> Floats:
    """Ground cut down to the river's channel; its water stands in it. [m]"""
    course = shapely.LineString(curved(RIVER, 400))
    away = shapely.distance(course, shapely.points(u, v)) - RIVER_HALF_WIDTH_M
    water = RIVER_LEVEL_M + RIVER_FALL * u
    bank = water + RIVER_BANK_SLOPE * np.maximum(away, 0.0)
    gap = bank - z
    return np.where(gap > 20.0, z, z - 0.4 * np.logaddexp(0.0, -np.minimum(gap, 20.0) / 0.4))


def with_pond(z: Floats, u: Floats, v: Floats) -> Floats:
    """Ground with the millpond's level water, its banks within the pond's outline. [m]"""
    depth_in = np.where(
        shapely.contains_xy(pond(), u, v), shapely.distance(pond().exterior, shapely.points(u, v)), 0.0
    )
    water = float(z[depth_in > 0.0].min()) - 0.3
    share: Floats = np.clip((depth_in - 2.0) / 12.0, 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share)
    return z + share * (water - z)


def raster_frame(fields: geopandas.GeoDataFrame) -> tuple[rasterio.Affine, tuple[int, int]]:
    """Affine transform and shape of the elevation model. North up, whole cells, a margin all round."""
    west, south, east, north = shapely.total_bounds([on_the_map(g) for g in fields.geometry])
    x0 = np.floor((west - MARGIN_M) / 50.0) * 50.0
    y1 = np.ceil((north + MARGIN_M) / 50.0) * 50.0
    shape = (int((y1 - south + MARGIN_M) // CELL_M), int((east + MARGIN_M - x0) // CELL_M))
    return rasterio.Affine(CELL_M, 0.0, x0, 0.0, -CELL_M, y1), shape


def true_ground(fields: geopandas.GeoDataFrame) -> Floats:
    """The landform without a survey's noise, on the raster's cells. [m]"""
    transform, (rows, columns) = raster_frame(fields)
    x = transform.c + CELL_M * (np.arange(columns) + 0.5)
    y = transform.f - CELL_M * (np.arange(rows) + 0.5)
    u, v = in_the_frame(*np.meshgrid(x, y))
    surface = joined_landforms(fields, (u.min() - 40, u.max() + 40), (v.min() - 40, v.max() + 40))
    return with_pond(with_river(surface(v, u, grid=False), u, v), u, v)


def survey_noise(shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """What a good survey adds: 3 cm of roughness over tens of metres, and 2.5 cm of white noise. [m]"""
    rough: Floats = scipy.ndimage.gaussian_filter(rng.standard_normal(shape), 3.0, mode="wrap")
    white = rng.standard_normal(shape)
    return np.asarray(0.03 * rough / rough.std() + 0.025 * white)


def write_elevation(z: Floats, transform: rasterio.Affine, path: Path) -> None:
    """Write the elevation model, rounded to a centimetre."""
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": 1, "height": z.shape[0], "width": z.shape[1],
        "crs": CRS, "transform": transform, "nodata": NODATA, "tiled": True, "blockxsize": 256,
        "blockysize": 256, "compress": "deflate", "predictor": 3, "zlevel": 9,
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(np.round(z, 2).astype("float32"), 1)
        raster.units = ("metre",)
        raster.update_tags(1, description="Sallow Vale, invented ground elevation")


def main() -> None:
    """Write the three files."""
    rng_ground, rng_weather = (np.random.default_rng([SEED, i]) for i in range(2))
    fields = make_fields()
    transform, shape = raster_frame(fields)
    ground = true_ground(fields)
    write_fields(fields, HERE / "fields.gpkg")
    write_elevation(ground + survey_noise(shape, rng_ground), transform, HERE / "elevation.tif")
    write_weather(*make_weather(rng_weather, DRYING_POWER), HERE / "weather.csv")


if __name__ == "__main__":
    main()
