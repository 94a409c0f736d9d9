import datetime

import geopandas as gpd
import numpy as np
import pyproj
import pytest
from shapely.geometry import Polygon, box

from farmgis import records
from farmgis.errors import CrsError, FarmFileError, InputError
from farmgis.geodata.farm_file import farm_from_files, read_farm

EAST, NORTH = 500_000.0, 4_400_000.0

LEAST = """\
[fields]
file = "fields.gpkg"
[elevation]
file = "elevation.tif"
"""

# the keys that are promised
PROMISED = """\
name = "Sallow Vale"

[fields]
file = "fields.gpkg"
id = "field_id"
name = "label"
crop = "sort"
[elevation]
file = "elevation.tif"

[season]
sowing = 2027-04-20
exceedance_pct = 90
water_ec_ds_m = 1.2

[design]
crop = "maize"
row_spacing_m = 0.75
rows_per_lateral = 2
headland_m = 12.0
side_margin_m = 1.0
tolerance = { head_variation_pct = 20 }

[[dripline]]
name = "22 mm, 1.0 l/h"
inside_diameter_mm = 22.2
emitter_spacing_m = 0.4
emitter_flow_l_h = 1.0
nominal_head_m = 10.0
exponent = 0.5
greatest_head_m = 12.0
variation = 0.03
emitter_loss_k = 0.0

[[source]]
name = "river"
x = 500300.0
y = 4399870.0
water_level_m = 111.0
flow_m3h = 600.0
hours_per_day = 20.0
"""


def told(error):
    return "\n".join(error.value.problems)


def test_promised_keys_are_read(farm):
    read = read_farm(farm(PROMISED))
    assert read.name == "Sallow Vale"
    assert read.crs == "EPSG:32630"
    assert [(f.field_id, f.name, f.crop.name) for f in read.fields] == [
        ("A", "North", "maize"),
        ("B", "South", "maize"),
    ]
    assert read.fields[0].area.area == pytest.approx(400 * 300)
    assert read.fields[0].design.tolerance == records.Tolerance("head_variation_pct", 20.0)
    line = records.Dripline("22 mm, 1.0 l/h", 22.2, 0.4, 1.0, 10.0, 0.5, 12.0, None, 0.03, 0.0)
    assert read.fields[0].driplines == (line,)
    assert read.sources == (records.Source("river", 500300.0, 4399870.0, 111.0, 600.0, 20.0, None),)
    assert read.season == records.Season(datetime.date(2027, 4, 20), 90.0, 1.2)
    surface = read.elevation.window(read.fields[0].area.bounds, 10.0)
    assert np.isfinite(surface.z_m).all()
    assert read.refused == ()


def test_a_direction_is_between_0_and_180(farm):
    read = read_farm(farm(LEAST + "[design]\nrow_azimuth_deg = 200"))
    assert read.fields[0].design.row_azimuth_deg == 20.0


def test_least_file_takes_every_default(farm):
    read = read_farm(farm(LEAST))
    assert read.name == "farm"
    assert read.fields[0].design == records.Design()
    assert (read.fields[0].crop.name, read.fields[0].soil.name) == ("maize", "loam")
    assert read.weather is None
    assert read.sources == ()
    assert len(read.pipes) > 5


def test_files_alone_give_the_same_farm(farm, tmp_path):
    one = read_farm(farm(LEAST))
    two = farm_from_files(tmp_path / "fields.gpkg", str(tmp_path / "elevation.tif"), name="farm")
    assert two.fields == one.fields
    assert two.assumptions == one.assumptions
    three = farm_from_files(
        tmp_path / "fields.gpkg", tmp_path / "elevation.tif", settings={"design": {"headland_m": 6}}
    )
    assert three.fields[0].design.headland_m == 6.0
    with pytest.raises(InputError, match=r"design\.headland_m: found -1; a number from 0 to 100 m would do"):
        farm_from_files(
            tmp_path / "fields.gpkg", tmp_path / "elevation.tif", settings={"design": {"headland_m": -1}}
        )


# what the design promises to list when boundaries and elevation stand alone
DEFAULTS = {
    "crop": "maize",
    "crop.maize.kc": "0.3, 1.2, 0.35",
    "crop.maize.stage_days": "30/40/50/30",
    "design.row_spacing_m": "0.75",
    "design.rows_per_lateral": "2",
    "dripline.22 mm, 1.0 l/h.inside_diameter_mm": "22.2",
    "dripline.22 mm, 1.0 l/h.emitter_flow_l_h": "1",
    "dripline.22 mm, 1.0 l/h.emitter_spacing_m": "0.4",
    "dripline.22 mm, 1.0 l/h.exponent": "0.5",
    "dripline.22 mm, 1.0 l/h.greatest_head_m": "12",
    "dripline.22 mm, 1.0 l/h.variation": "0.03",
    "dripline.22 mm, 1.0 l/h.local_loss_pct": "10",
    "design.headland_m": "12",
    "design.side_margin_m": "1",
    "design.lateral_max_m": "300",
    "design.tolerance.head_variation_pct": "20",
    "design.block_min_ha": "3",
    "design.block_max_ha": "8",
    "design.submain_velocity_m_s": "2",
    "source.hours_per_day": "20",
}


def test_assumptions_list_every_default(farm):
    listed = {a.key: a for a in read_farm(farm(LEAST)).assumptions}
    assert {k: listed[k].value for k in DEFAULTS} == DEFAULTS
    assert "loam" in listed["soil"].value
    assert all(listed[k].known in ("published", "common practice", "memory") for k in DEFAULTS)
    assert all(a.source for a in listed.values())
    assert len(listed) == len(read_farm(farm(LEAST)).assumptions)  # no key twice


def test_nutrients_are_read_with_their_product(farm):
    assert read_farm(farm(LEAST)).nutrients is None
    section = '[nutrients]\ntarget_yield_t_ha = 12\nproduct = "calcium nitrate"\nsoil_n_kg_ha = 60\n'
    read = read_farm(farm(LEAST + section))
    assert (read.nutrients.target_yield_t_ha, read.nutrients.soil_n_kg_ha) == (12, 60)
    assert read.nutrients.product.n_pct == 15.5
    told = {a.key: a.known for a in read.assumptions if a.key.startswith("nutrients.")}
    assert told["nutrients.target_yield_t_ha"] == "user"
    assert told["nutrients.recovery_pct"] == "memory"
    with pytest.raises(FarmFileError, match=r"target_yield_t_ha(?s:.)*product"):
        read_farm(farm(LEAST + '[nutrients]\nproduct = "manure"\n'))


LIQUID = '[[fertiliser]]\nname = "liquid nitrogen"\nn_pct = 32\nlitre_kg = 1.32\n'


def test_a_fertiliser_of_ones_own_is_read(farm):
    section = '[nutrients]\ntarget_yield_t_ha = 12\nproduct = "Liquid  Nitrogen"\n'
    product = read_farm(farm(LEAST + section + LIQUID)).nutrients.product
    assert (product.n_pct, product.p2o5_pct, product.litre_kg, product.solubility_g_l) == (32, 0, 1.32, None)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("litre_kg = 1.32", ""), "fertiliser 1: found neither; solubility_g_l of a solid, or litre_kg"),
        (("litre_kg", "solubility_g_l = 900\nlitre_kg"), "found solubility_g_l and litre_kg; "),
        (("n_pct = 32", ""), "found 0 % of nutrients in all"),
        (("n_pct = 32", "n_pct = 60\nk2o_pct = 50"), "found 110 % of nutrients in all"),
        (("n_pct", "k2o_pct"), r"product: found \"liquid nitrogen\"; its n_pct is 0; urea, .* have it"),
        (("liquid", "lquid"), "fertiliser 'liquid nitrogen' is in no table"),
    ],
)
def test_a_fertiliser_that_cannot_serve_is_told(farm, change, message):
    section = '[nutrients]\ntarget_yield_t_ha = 12\nproduct = "liquid nitrogen"\n'
    with pytest.raises(FarmFileError, match=message):
        read_farm(farm(LEAST + section + LIQUID.replace(*change)))


def test_assumptions_say_what_the_user_gave(farm):
    listed = {a.key: a for a in read_farm(farm(PROMISED)).assumptions}
    given = ("design.headland_m", "source.river.flow_m3h", "season.exceedance_pct", "season.sowing", "crop")
    assert [listed[k].known for k in given] == ["user"] * 5
    assert listed["design.block_max_ha"].known == "common practice"
    assert "dripline.22 mm, 1.0 l/h.local_loss_pct" not in listed  # an emitter's own loss was given


WRONG = """\
name = 5
[fields]
file = "fields.gpkg"
id = "fieldid"
[elevation]
file = "elevation.tiff"
unit = "feet"
[desing]
[design]
crop = "maiz"
headland_ft = 40
row_spacing = 0.75
rows_per_lateral = 2.5
block_min_ha = 9
interval_days = true
tolerance = { head_variation_pct = 20, flow_variation_pct = 10 }
[season]
sowing = "2027-04-20"
[[dripline]]
name = "a"
inside_diameter_mm = 16
emitter_spacing_m = 0.3
emitter_flow_gph = 0.5
[[dripline]]
name = "b"
inside_diameter_mm = 16
emitter_spacing_m = 0.3
emitter_flow_l_h = 1.6
exponent = 0
[[source]]
name = "river"
x = 500300.0
y = nan
flow_m3h = -600.0
"""

EXPECTED = [
    (1, "name", "found 5", "text"),
    (4, "fields.id", "fieldid", "field_id"),
    (6, "elevation.file", "elevation.tiff", "no such file"),
    (7, "elevation.unit", '"feet"', '"m" or "ft"'),
    (8, "desing", "unknown", "design"),
    (10, "design.crop", "maiz", "maize"),
    (11, "design.headland_ft", "unit", "headland_m"),
    (12, "design.row_spacing", "unit", "row_spacing_m"),
    (13, "design.rows_per_lateral", "2.5", "whole number from 1 to 10"),
    (14, "design.block_min_ha", "9", "8"),
    (15, "design.interval_days", "true", "whole number"),
    (16, "design.tolerance", "head_variation_pct and flow_variation_pct", "only one"),
    (18, "season.sowing", '"2027-04-20"', "without quotes"),
    (23, "dripline 1, emitter_flow_gph", "unit", "emitter_flow_l_h"),
    (29, "dripline 2, exponent", "pressure compensating", "least_head_m"),
    (33, "source 1, y", "nan", "number"),
    (34, "source 1, flow_m3h", "-600.0", "from 0.01"),
]


def test_every_problem_is_told_with_its_line(farm):
    with pytest.raises(FarmFileError) as error:
        read_farm(farm(WRONG))
    problems = error.value.problems
    assert len(problems) == len(EXPECTED), told(error)
    for problem, (line, key, found, would_do) in zip(problems, EXPECTED, strict=True):
        assert problem.startswith(f"line {line}, {key}: "), problem
        assert found in problem
        assert would_do in problem
    assert str(error.value).startswith(f"{farm(WRONG)}: 17 problems")


@pytest.mark.parametrize(
    ("more", "line", "words"),
    [
        ("[fields.extra]\nx = 1", 5, "unknown key"),
        ("fields2 = 1", 5, "elevation.fields2: found an unknown key"),
        ("[source]\nname = 'x'", 5, "[[source]]"),
        ("[design]\ncrops = 3", 6, "design.crops"),
        ("[design.crops.unicorn]\nrow_spacing_m = 1", 5, "unicorn"),
        ("[design.crops.maize]\nrow_spacing_m = 100", 6, "from 0.1 to 30 m"),
        ("[design.crops.maize]\nheadland_yd = 1", 6, "headland_m"),
        ("[design]\nlaterals_per_row = 2", 6, "rows_per_lateral = 1"),
        ("[design]\nlateral_max_m = 15", 6, "under the greatest"),
        ("[design]\nheadland_m = inf", 6, "found inf"),
        (f"[design]\ninterval_days = 1{'0' * 400}", 6, "from 1 to 60 days"),
        ("[[dripline]]\nname = ' '", 6, "in quotes"),
        ("[design]\nheadland_m = '12'", 6, "without quotes"),
        ("[design]\ntolerance = 20", 6, "head_variation_pct = 20"),
        ("[design]\ntolerance = {}", 6, "empty table"),
        ("[season]\nsowing = 2027-04-20T10:00:00", 6, "date without quotes"),
        ("[weather]\naltitude_m = 3", 5, "weather.file: nothing found"),
        ("[[dripline]]\nname = 'a'", 5, "inside_diameter_mm: nothing found"),
        ("[[pipe]]\nnominal_mm = 63", 5, "material: nothing found"),
        ("[[soil]]\nname = 'own'\nfield_capacity = 0.2\nwilting_point = 0.3", 8, "less than field_capacity"),
        ("[[crop]]\nname = 'own'\nkc_mid = 1", 5, "like ="),
        ("[[crop]]\nname = 'own'\nlike = 'maize'\nn_uptake_kg_t = 20", 8, "k2o_uptake_kg_t would be needed"),
        ("[[crop]]\nname = 'own'\nlike = 'unicorn'", 7, "unicorn"),
        ("[[source]]\nname='r'\nx=500300\ny=4399000\nflow_m3h=9\ncrs='EPSG:0'", 10, "no known CRS"),
        ("[[source]]\nname='r'\nx=1\ny=1\nflow_m3h=9", 7, "km from the fields"),
        ("[[source]]\nname='r'\nx=-3.0\ny=39.74\nflow_m3h=9\ncrs='EPSG:32631'", 7, "km from the fields"),
    ],
)
def test_a_problem_is_told_with_its_line(farm, more, line, words):
    with pytest.raises(FarmFileError) as error:
        read_farm(farm(LEAST + more))
    assert any(p.startswith(f"line {line}, ") and words in p for p in error.value.problems), told(error)


BAD_SEASON = """
[weather]
file = "no_year.csv"
altitude_m = 10
[season]
sowing = 2026-04-25
harvest = 2026-03-01
sown = "wet"
[nutrients]
target_yield_t_ha = 12
product = "ureaa"
[[crop]]
name = "mine"
like = "maize"
late_days = 40
season_days = 150
[[soil]]
name = "own"
field_capacity = 0.2
wilting_point = 0.3
"""


def test_a_bad_season_is_told_all_at_once_with_lines_and_values(farm, tmp_path):
    (tmp_path / "no_year.csv").write_text("date,tmin_c,tmax_c\n05-01,10,22\n05-02,11,200\n", encoding="utf-8")
    with pytest.raises(FarmFileError) as error:
        read_farm(farm(LEAST + BAD_SEASON))
    problems = error.value.problems
    first = LEAST.count("\n") + 1
    for key, value, would_do, row in (
        ("weather.file", "line 2, column date: '05-01'", "a date like 2019-05-31", 2),
        ("season.harvest", "2026-03-01", "a day after sowing (2026-04-25)", 6),
        ("season.sown", '"wet"', '"dry" or "moist"', 7),
        ("nutrients.product", '"ureaa"', "did you mean urea", 10),
        ("crop 1, season_days", "150", "30/40/50/40 add up to 160", 15),
        ("soil 1, wilting_point", "0.3", "less than field_capacity", 19),
    ):
        (told_of,) = (p for p in problems if f", {key}: " in p)
        assert told_of.startswith(f"line {first + row}, "), told_of
        assert value in told_of
        assert would_do in told_of
    # the weather's own list, with all that is wrong in a row, is set in under its key
    (weather,) = (p for p in problems if "weather.file" in p)
    assert "\n      - line 3, column date: '05-02'" in weather
    assert "\n      - line 3, column tmax_c: 200 is impossible" in weather
    assert len(problems) == 6


def test_names_that_stand_twice(farm):
    line = (
        '[[dripline]]\nname = "a"\ninside_diameter_mm = 16\nemitter_spacing_m = 0.3\nemitter_flow_l_h = 1\n'
    )
    with pytest.raises(FarmFileError, match='line 11, dripline 2, name: found "a" again'):
        read_farm(farm(LEAST + line + line))


def test_text_that_is_no_toml_has_its_line(farm):
    with pytest.raises(FarmFileError, match="line 2"):
        read_farm(farm("[fields]\nfile = \n"))


def test_text_that_is_not_utf_8_has_its_line(farm):
    path = farm("")
    path.write_bytes(b'[fields]\nfile = "f\xfcr.gpkg"\n')
    with pytest.raises(FarmFileError, match="line 2: not UTF-8"):
        read_farm(path)


def test_a_byte_order_mark_and_windows_lines(farm):
    path = farm("")
    path.write_bytes(
        b"\xef\xbb\xbf" + LEAST.replace("\n", "\r\n").encode() + b"[design]\r\nheadland_ft = 3\r\n"
    )
    with pytest.raises(FarmFileError, match=r"line 6, design.headland_ft"):
        read_farm(path)


def test_nothing_stated_tells_what_a_farm_needs(farm):
    with pytest.raises(FarmFileError) as error:
        read_farm(farm(""))
    assert "fields: nothing found" in told(error)
    assert "elevation: nothing found" in told(error)


@pytest.mark.parametrize("name", ["https://example.com/f.gpkg", "/vsicurl/f.gpkg", "../nothing.gpkg", "."])
def test_odd_paths_are_problems_of_their_line(farm, name):
    with pytest.raises(FarmFileError, match=r"line 2, fields.file"):
        read_farm(farm(LEAST.replace("fields.gpkg", name)))


def orchard(tmp_path, **columns):
    shapes = [box(EAST + 100 + 250 * i, NORTH - 700, EAST + 300 + 250 * i, NORTH - 400) for i in range(4)]
    gpd.GeoDataFrame(columns, geometry=shapes, crs=32630).to_file(tmp_path / "fields.gpkg")


LINES = """
[[dripline]]
name = "thin"
inside_diameter_mm = 22.2
emitter_spacing_m = 0.4
emitter_flow_l_h = 1.0
[[dripline]]
name = "thick"
inside_diameter_mm = 16.0
emitter_spacing_m = 0.5
emitter_flow_l_h = 1.6
exponent = 0
least_head_m = 5
greatest_head_m = 30
[[source]]
name = "well"
x = 500300.0
y = 4399870.0
flow_m3h = 60.0
"""


def test_attributes_override_the_farm(farm, tmp_path):
    path = farm(LEAST + LINES)
    orchard(
        tmp_path,
        field_id=list("ABCD"),
        crop=["maize", None, "unicorn", "maize"],
        soil=["sand", None, "loam", "cheese"],
        dripline=["thick", None, None, "thinn"],
        source=["Well", None, None, "wel"],
        row_azimuth_deg=[200.0, None, None, 999.0],
    )
    read = read_farm(path)
    a, b, d = read.fields
    assert (a.soil.name, a.source_id, a.design.row_azimuth_deg) == ("sand", "well", 20.0)
    assert [line.name for line in a.driplines] == ["thick", "thin"]
    assert (b.soil.name, b.source_id, b.design.row_azimuth_deg) == ("loam", None, None)
    assert [line.name for line in b.driplines] == ["thin", "thick"]
    (refused,) = read.refused
    assert (refused.field_id, refused.crop, refused.finding.severity) == ("C", "unicorn", "stop")
    assert refused.area.area == pytest.approx(200 * 300)
    attention = [f.what for f in read.findings if f.where_id == "D" and f.severity == "attention"]
    assert (d.soil.name, d.source_id, d.design.row_azimuth_deg, len(d.driplines)) == ("loam", None, None, 2)
    assert len(attention) == 4
    assert any("thinn" in w and "'thin'" in w for w in attention)


OWN = """
[[crop]]
name = "Hazel"
like = "maize"
height_m = 4.0
initial_days = 20
[design.crops.hazel]
row_spacing_m = 5.0
rows_per_lateral = 1
laterals_per_row = 2
tolerance = { emission_uniformity_pct = 88 }
"""


def test_a_crops_uptake_is_its_own_or_that_of_the_one_it_is_like(farm):
    own = "[nutrients]\ntarget_yield_t_ha = 9\n[[crop]]\nname = 'silage'\nlike = 'corn'\n[[crop]]\n"
    given = "n_uptake_kg_t = 28\np2o5_uptake_kg_t = 10\nk2o_uptake_kg_t = 20"
    uptake = read_farm(farm(LEAST + own + f"name = 'rye'\nlike = 'barley'\n{given}")).nutrients.uptake_kg_t
    assert uptake["silage"] == uptake["maize"]
    assert uptake["rye"] == (28.0, 10.0, 20.0)
    assert "barley" not in uptake


def test_a_crop_has_its_own_layout(farm, tmp_path):
    orchard(tmp_path, field_id=list("ABCD"), crop=["hazel", "maize", "Hazel", None])
    read = read_farm(farm(LEAST + OWN))
    a, b, c, d = read.fields
    assert a.crop == c.crop
    assert (a.crop.name, a.crop.height_m, a.crop.kc_mid, a.crop.stage_days) == (
        "Hazel",
        4.0,
        b.crop.kc_mid,
        (20, 40, 50, 30),
    )
    assert (a.design.row_spacing_m, a.design.laterals_per_row, a.design.headland_m) == (5.0, 2, 12.0)
    assert a.design.lateral_spacing_m == 2.5
    assert a.design.tolerance.kind == "emission_uniformity_pct"
    assert b.design == d.design == records.Design()
    listed = {x.key: (x.value, x.known) for x in read.assumptions}
    assert listed["design.crops.Hazel.row_spacing_m"] == ("5", "user")
    assert listed["design.row_spacing_m"] == ("0.75", "common practice")


def test_a_crop_without_its_own_layout_is_told(farm, tmp_path):
    orchard(tmp_path, field_id=list("ABCD"), crop=["hazel", None, None, None])
    read = read_farm(farm(LEAST + OWN.split("[design")[0]))
    assert any("0.75 m apart" in f.what and f.where_id == "A" for f in read.findings)


def test_a_farm_of_bad_fields_alone_still_says_why(farm, write_fields):
    tie = Polygon([(EAST, NORTH), (EAST + 100, NORTH + 100), (EAST + 100, NORTH), (EAST, NORTH + 100)])
    path = farm(LEAST + LINES)
    write_fields("fields.gpkg", [tie], field_id=["X"])
    read = read_farm(path)
    assert read.fields == ()
    assert [r.field_id for r in read.refused] == ["X"]


def test_own_pipes_replace_the_tables(farm):
    pipe = "[[pipe]]\nmaterial='PE'\nnominal_mm=63\ninside_mm=58\npressure_class_bar=6\n"
    pipe += "weight_kg_m=0.5\nroughness_mm=0.01\n"
    assert read_farm(farm(LEAST + pipe)).pipes == (records.Pipe("PE", 63.0, 58.0, 6.0, 0.5, 0.01),)


def test_sources_are_moved_into_the_plan(farm):
    lon, lat = pyproj.Transformer.from_crs(32630, 4326, always_xy=True).transform(EAST + 300, NORTH - 130)
    source = f"[[source]]\nname='well'\nx={lon!r}\ny={lat!r}\nflow_m3h=60\ncrs='EPSG:4326'"
    (read,) = read_farm(farm(LEAST + source)).sources
    assert (read.x_m, read.y_m) == pytest.approx((EAST + 300, NORTH - 130), abs=0.01)
    assert (read.water_level_m, read.hours_per_day) == (None, 20.0)


def test_a_source_in_the_fields_degrees(farm, tmp_path):
    path = farm(LEAST + "[[source]]\nname='well'\nx=-3.0\ny=39.745\nflow_m3h=60\n")
    gpd.read_file(tmp_path / "fields.gpkg").to_crs(4326).to_file(tmp_path / "degrees.gpkg")
    path.write_text(path.read_text().replace("fields.gpkg", "degrees.gpkg"))
    read = read_farm(path)
    x, y = pyproj.Transformer.from_crs(4326, 32630, always_xy=True).transform(-3.0, 39.745)
    assert (read.sources[0].x_m, read.sources[0].y_m) == pytest.approx((x, y), abs=0.01)
    assert read.crs == "EPSG:32630"


def test_no_crs_is_stated_in_the_farm_file(farm, tmp_path):
    frame = gpd.read_file(tmp_path / "fields.gpkg")
    frame.to_file(tmp_path / "fields.shp")
    (tmp_path / "fields.prj").unlink()
    path = farm(LEAST.replace(".gpkg", ".shp"))
    with pytest.raises(CrsError, match="input_crs"):
        read_farm(path)
    path.write_text(path.read_text().replace('.shp"', '.shp"\ninput_crs = "EPSG:32630"'))
    assert read_farm(path).crs == "EPSG:32630"


@pytest.mark.parametrize(
    ("design", "allowed"),
    [
        ("", "2.0 m"),
        ("[design]\ntolerance = { flow_variation_pct = 10 }", "1.9 m"),  # 10 m less 0.9 squared of it
    ],
)
def test_a_coarse_model_is_told_against_the_tolerance(farm, write_model, design, allowed):
    path = farm(LEAST + design)
    write_model("elevation.tif", np.full((60, 60), 300.0), cell=30.0)
    (found,) = [f for f in read_farm(path).findings if f.about == "elevation"]
    assert allowed in found.what


WEATHER = "date,tmin_c,tmax_c,rain_mm\n" + "".join(
    f"{datetime.date(2020, 1, 1) + datetime.timedelta(days=i)},10,25,1\n" for i in range(366)
)


def test_weather_is_placed_by_the_fields(farm, tmp_path):
    (tmp_path / "weather.csv").write_text(WEATHER)
    read = read_farm(farm(LEAST + '[weather]\nfile = "weather.csv"'))
    middle = pyproj.Transformer.from_crs(32630, 4326, always_xy=True).transform(EAST + 550, NORTH - 550)
    assert read.weather.latitude_deg == pytest.approx(middle[1], abs=1e-5)
    # the plane of the model at the fields' middle, 0.02 a metre east and 0.01 a metre south
    assert read.weather.altitude_m == pytest.approx(300 + 0.02 * 550 - 0.01 * 550, abs=0.2)
    stated = read_farm(farm(LEAST + '[weather]\nfile = "weather.csv"\nlatitude_deg = 12.0\naltitude_m = 80'))
    assert (stated.weather.latitude_deg, stated.weather.altitude_m) == (12.0, 80.0)


WELL = "[[source]]\nname='well'\nx=500300\ny=4399000\nflow_m3h=60\n"


def test_pump_and_water_of_a_source(farm):
    text = """\
kind = "borehole"
static_level_m = 98
water_level_m = 94.0
pump_level_m = 80.0
npsh_required_m = 3.5
pump_efficiency_pct = 75
pump_control = "throttled"
pump_curve = { flow_m3h = [0, 30, 60.0], head_m = [90, 84.5, 60], efficiency_pct = [0, 60, 72] }
water = { ph = 7.4, iron_mg_l = 0.2 }
"""
    read = read_farm(farm(LEAST + WELL + text))
    (well,) = read.sources
    assert (well.kind, well.static_level_m, well.pump_level_m) == ("borehole", 98.0, 80.0)
    assert (well.npsh_required_m, well.pump_efficiency_pct, well.motor_efficiency_pct) == (3.5, 75.0, 90.0)
    curve = records.PumpCurve((0.0, 30.0, 60.0), (90.0, 84.5, 60.0), (0.0, 60.0, 72.0))
    assert (well.pump_control, well.pump_curve) == ("throttled", curve)
    assert well.water == records.WaterQuality(ph=7.4, iron_mg_l=0.2)
    told = {a.key: a for a in read.assumptions}
    assert told["source.well.pump_curve"].value.startswith("flow_m3h 0 30 60, head_m 90 84.5 60")
    assert told["source.well.water"].value == "ph 7.4, iron_mg_l 0.2"
    assert told["source.well.motor_efficiency_pct"].known == "common practice"


@pytest.mark.parametrize(
    ("text", "key", "says"),
    [
        (
            "pump_curve = { flow_m3h = [0, 30, 60], head_m = [90, 91, 60] }",
            "pump_curve.head_m",
            "does not fall: 90 m at 0 m3/h (point 1), 91 m at 30 m3/h (point 2)",
        ),
        ("pump_curve = { flow_m3h = [0, 30, 30], head_m = [90, 80, 60] }", "flow_m3h", "points 2 and 3"),
        ("pump_curve = { flow_m3h = [0, 30], head_m = [90, 80, 60] }", "head_m", "found 3 numbers and 2"),
        ("pump_curve = { flow_m3h = [0, 30] }", "head_m", "nothing found"),
        ("pump_curve = { flow_m3h = [0], head_m = [90] }", "flow_m3h", "two numbers or more"),
        ("pump_curve = { flow_m3h = [0, '30'], head_m = [90, 80] }", "flow_m3h", "number 2"),
        ("pump_curve = { flow_l_s = [0, 30], head_m = [90, 80] }", "flow_l_s", "flow_m3h would do"),
        ("pump_curve = [1.0, 2.0]", "pump_curve", "a table in braces"),
        ("water_level_m = 94\nstatic_level_m = 90", "static_level_m", "under water_level_m (94)"),
        ("water = { ph = 74 }", "water.ph", "from 2 to 12"),
        ("water = { iron_ppm = 0.2 }", "iron_ppm", "iron_mg_l would do"),
        ("kind = 'well'", "kind", "borehole"),
    ],
)
def test_a_pump_that_cannot_be_is_an_error(farm, text, key, says):
    with pytest.raises(FarmFileError) as caught:
        read_farm(farm(LEAST + WELL + text))
    assert says in str(caught.value)
    assert key in str(caught.value)
    assert "line 10" in str(caught.value) or "line 11" in str(caught.value)
