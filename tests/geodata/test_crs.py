import numpy as np
import pyproj
import pytest
from pyproj import CRS
from shapely.geometry import box

from farmgis.errors import CrsError
from farmgis.geodata import crs as crs_room


def degrees(d, m=0.0, s=0.0):
    return d + m / 60.0 + s / 3600.0


# IOGP Guidance Note 373-7-2, worked examples of the projections (from memory); printed to 0.01
KNOWN_POINTS = [
    # transverse Mercator, British national grid
    (4277, 27700, degrees(0, 30), degrees(50, 30), 577274.99, 69740.50),
    # Lambert conic, two parallels, Texas south central: in US survey feet
    (4267, 32040, -degrees(96), degrees(28, 30), 2963503.91, 254759.80),
    # Krovak: southing 1050538.64, westing 568991.00, here turned to east and north
    (4156, 5514, degrees(16, 50, 59.179), degrees(50, 12, 32.442), -568991.00, -1050538.64),
]


@pytest.mark.parametrize(("source", "target", "lon", "lat", "east", "north"), KNOWN_POINTS)
def test_point_iogp_373_7_2(source, target, lon, lat, east, north):
    xy = crs_room.transform_xy(CRS.from_epsg(source), CRS.from_epsg(target), np.array([[lon, lat]]))
    # the seconds are printed to 0.001, some 0.03 m
    assert xy[0] == pytest.approx([east, north], abs=0.02)


@pytest.mark.parametrize(
    ("code", "lon", "lat"),
    [
        (32630, -3.0, 40.0),
        (32630, 0.0, 40.0),
        (5514, 14.2, 50.0),
        (2154, 3.0, 48.0),
        (3035, 2.0, 41.0),
        (3857, 0.5, 44.0),
    ],
)
def test_scale_error_against_proj_factors(code, lon, lat):
    crs = CRS.from_epsg(code)
    geodetic = crs.geodetic_crs
    x, y = pyproj.Transformer.from_crs(geodetic, crs, always_xy=True).transform(lon, lat)
    factors = pyproj.Proj(crs).get_factors(lon, lat)
    worst = max(abs(factors.tissot_semimajor - 1), abs(factors.tissot_semiminor - 1))
    ours = crs_room.scale_error_pct(crs, (x, y, x, y))
    if code == 3857:  # PROJ's factors are those of the sphere; on the ellipsoid they differ by up to 0.7 %
        assert ours > 35.0
    else:
        # 100 m geodesics are measured to some 1e-8 m
        assert ours == pytest.approx(100 * worst, abs=1e-4)


def test_scale_error_utm_central_meridian():
    # 0.9996 by definition of UTM
    assert crs_room.scale_error_pct(CRS.from_epsg(32630), (500_000, 4.4e6, 500_000, 4.4e6)) == pytest.approx(
        0.04, abs=2e-4
    )


def lonlat_box(lon, lat, half=0.005):
    return (lon - half, lat - half, lon + half, lat + half)


@pytest.mark.parametrize(
    ("lon", "lat", "code"),
    [
        (-3.0, 40.0, 32630),
        (18.5, -33.9, 32734),  # southern hemisphere
        (-179.9, 10.0, 32601),
        (179.9, -17.0, 32760),
        (-100.0, 40.0, 32614),
    ],
)
def test_plan_crs_of_degrees_is_the_utm_zone(lon, lat, code):
    crs, findings = crs_room.plan_crs(CRS.from_epsg(4326), lonlat_box(lon, lat))
    assert crs.to_epsg() == code
    assert [f.severity for f in findings] == ["note"]


def test_plan_crs_keeps_the_datum():
    crs, _ = crs_room.plan_crs(CRS.from_epsg(4269), lonlat_box(-100.0, 40.0))
    assert crs.name == "NAD83 / UTM zone 14N"


def test_plan_crs_over_a_zone_border_is_one_zone():
    crs, _ = crs_room.plan_crs(CRS.from_epsg(4326), (-0.01, 40.0, 0.012, 40.01))
    assert crs.to_epsg() == 32631


def test_plan_crs_over_the_date_line():
    wide = crs_room.lonlat_bounds(CRS.from_epsg(32760), (815_000, 8_118_000, 825_000, 8_120_000))
    assert wide[0] < 180.0 < wide[2]
    crs, _ = crs_room.plan_crs(CRS.from_epsg(32760), (815_000, 8_118_000, 825_000, 8_120_000))
    assert crs.to_epsg() == 32760


@pytest.mark.parametrize("code", [32630, 25830, 5514, 2154, 3035])
def test_plan_crs_keeps_a_fitting_one(code):
    place = {5514: (14.2, 50.0), 2154: (3.0, 48.0), 3035: (10.0, 52.0)}.get(code, (-3.0, 40.0))
    x, y = pyproj.Transformer.from_crs(4326, code, always_xy=True).transform(*place)
    crs, findings = crs_room.plan_crs(CRS.from_epsg(code), (x, y, x + 1000, y + 1000))
    assert crs.to_epsg() == code
    assert findings == ()


@pytest.mark.parametrize(
    ("code", "lon", "lat", "word"),
    [
        (3857, -3.0, 40.0, "Mercator"),
        (3857, 0.5, 0.1, "Mercator"),  # at the equator too, where its scale is nearly true
        (3395, -3.0, 40.0, "scale"),
        (2227, -121.0, 37.5, "foot"),
        (32630, 8.0, 40.0, "scale"),  # a zone far off
    ],
)
def test_plan_crs_leaves_an_unfit_one(code, lon, lat, word):
    x, y = pyproj.Transformer.from_crs(4326, code, always_xy=True).transform(lon, lat)
    crs, findings = crs_room.plan_crs(CRS.from_epsg(code), (x, y, x + 1000, y + 1000))
    assert "UTM" in crs.name
    assert word in findings[0].what
    x, y = pyproj.Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)
    factors = pyproj.Proj(crs).get_factors(lon, lat)
    assert abs(factors.meridional_scale - 1) < 0.001


@pytest.mark.parametrize(("code", "lon", "lat"), [(2048, 19.5, -33.5), (5513, 14.2, 50.0)])
def test_axes_that_run_south_and_west_are_left(code, lon, lat):
    # a plan drawn in them would be mirrored or turned
    x, y = pyproj.Transformer.from_crs(4326, code, always_xy=True).transform(lon, lat)
    source = CRS.from_epsg(code)
    crs, findings = crs_room.plan_crs(source, (x, y, x + 100, y + 100))
    assert "UTM" in crs.name
    assert "axes run" in findings[0].what
    moved = crs_room.transform_xy(source, crs, np.array([[x, y]]))
    back = pyproj.Transformer.from_crs(crs, 4326, always_xy=True).transform(*moved[0])
    assert back == pytest.approx((lon, lat), abs=1e-6)


def test_northing_before_easting_is_kept_as_x_and_y():
    x, y = pyproj.Transformer.from_crs(4326, 2180, always_xy=True).transform(19.5, 52.0)
    crs, findings = crs_room.plan_crs(CRS.from_epsg(2180), (x, y, x + 1000, y + 1000))
    assert crs.to_epsg() == 2180
    assert findings == ()
    assert x == pytest.approx(534_000, abs=1500)  # false easting 500 km at 19 degrees; 34.3 km a half degree


def test_a_crs_with_a_datum_shift_written_in_it():
    text = (
        "+proj=utm +zone=33 +ellps=bessel +towgs84=570.8,85.7,462.8,4.998,1.587,5.261,3.56 +units=m +type=crs"
    )
    crs, findings = crs_room.plan_crs(CRS.from_user_input(text), (500_000, 5.5e6, 501_000, 5.501e6))
    assert findings == ()
    assert crs_room.same_crs(CRS.from_user_input(crs_room.code_of(crs)), crs)


def test_degrees_under_a_projected_crs_are_refused():
    with pytest.raises(CrsError, match="look like degrees"):
        crs_room.plan_crs(CRS.from_epsg(32630), (-3.1, 40.0, -3.0, 40.1))


def test_metres_under_a_geographic_crs_are_refused():
    with pytest.raises(CrsError, match="no degrees"):
        crs_room.plan_crs(CRS.from_epsg(4326), (500_000, 4.4e6, 501_000, 4.401e6))


def test_a_farm_spread_over_a_continent_is_refused():
    with pytest.raises(CrsError, match="split the farm"):
        crs_room.plan_crs(CRS.from_epsg(4326), (-3.0, 40.0, 12.0, 42.0))


def test_a_crs_without_a_place_is_refused():
    local = CRS.from_wkt('LOCAL_CS["site",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]')
    with pytest.raises(CrsError, match="no place"):
        crs_room.plan_crs(local, (1000, 1000, 2000, 2000))


@pytest.mark.parametrize("text", ["EPSG:99999999", "somewhere", ""])
def test_an_unknown_code_says_what_would_do(text):
    with pytest.raises(CrsError, match="EPSG:32630"):
        crs_room.crs_of(text, "fields")


def test_area_after_transform_is_the_geodesic_area():
    field = box(-0.004, 40.0, 0.004, 40.006)
    crs, _ = crs_room.plan_crs(CRS.from_epsg(4326), field.bounds)
    area_m2 = crs_room.transform_shape(CRS.from_epsg(4326), crs, field.segmentize(0.0005)).area
    ground_m2, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(field)
    assert area_m2 == pytest.approx(abs(ground_m2), rel=0.002)  # twice the scale limit
