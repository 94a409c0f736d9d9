"""Map sheets, measured as a person with a ruler would: in the PDF and in the PNG."""

import itertools
import math
import re
from dataclasses import replace
from importlib import resources

import numpy as np
import pypdf
import pypdfium2
import pytest
import scipy.ndimage
import shapely
from PIL import Image
from reportlab.pdfgen.canvas import Canvas
from shapely.affinity import translate

from farmgis.layers import LAYERS
from farmgis.records import Plan, Table
from farmgis.results.hand_over import write_maps
from farmgis.results.map_files import write_sheets
from farmgis.results.map_fonts import BOLD, REGULAR, runs, text_width_pt
from farmgis.results.map_frame import A3, A4, choose_frame
from farmgis.results.map_ground import contours, fall, field_ground
from farmgis.results.map_page import POINTS_PER_MM, Look, fitted, wrapped
from farmgis.results.map_panel import grid_step_m
from farmgis.results.map_pen import Pen
from farmgis.results.map_points import setting_out
from farmgis.results.map_sheets import plan_sheets
from farmgis.results.plan_rows import plan_rows

WEST, SOUTH, WIDE, HIGH = 500_000.0, 4_200_000.0, 400.0, 300.0
SLOPE = 0.03  # the ground rises to the north by this
SPACING = 1.5
NAME = "Long $x^2$ </title> \\frac Reach"

FONT = resources.files("farmgis") / "results" / "fonts" / "DejaVuSans.ttf"


def rows_table(**columns):
    geometry = columns.pop("geometry", None)
    values = {k: np.array(v, dtype=object) for k, v in columns.items()}
    if geometry is None:
        return Table(values)
    shapes = np.empty(len(geometry), dtype=object)
    shapes[:] = geometry
    return Table(values, shapes)


def height(y):
    return 100.0 + SLOPE * (y - SOUTH)


def line(x0, x1, y):
    return shapely.LineString([(x0, y, height(y)), (x1, y, height(y))])


@pytest.fixture(scope="module")
def tilted():
    """A field of 400 by 300 m on a plane, one block, a submain through its middle, laterals east and west."""
    middle, top, bottom = WEST + WIDE / 2.0, SOUTH + HIGH - 12.0, SOUTH + 12.0
    inlets = np.arange(bottom, top, SPACING)
    arms = [(y, end) for y in inlets for end in (WEST + 12.0, WEST + WIDE - 12.0)]
    submain = shapely.LineString([(middle, y, height(y)) for y in inlets[::-1]])
    field = shapely.MultiPolygon([shapely.box(WEST, SOUTH, WEST + WIDE, SOUTH + HIGH)])
    block = shapely.MultiPolygon([shapely.box(WEST + 12.0, bottom, WEST + WIDE - 12.0, top)])
    pump = shapely.Point(WEST - 20.0, SOUTH)
    main = shapely.LineString([(WEST - 20.0, SOUTH, 100.0), (WEST - 20.0, top, 108.0), (middle, top, 109.0)])
    tables = {
        "fields": rows_table(field_id=["LR"], name=[NAME], area_ha=[12.0], irrigated_ha=[10.4], blocks=[1],
                             status=["planned"], source_id=["river"], geometry=[field]),
        "blocks": rows_table(block_id=["LR-B01"], field_id=["LR"], shift=[1], area_ha=[10.4],
                             flow_m3h=[170.0], dripline_m=[69_000.0], geometry=[block]),
        "laterals": rows_table(
            lateral_id=[f"LR-B01-L{i:03d}" for i in range(1, len(arms) + 1)], block_id=["LR-B01"] * len(arms),
            field_id=["LR"] * len(arms), submain_id=["LR-B01-S1"] * len(arms), arm=["level"] * len(arms),
            geometry=[line(middle, end, y) for y, end in arms]),
        "submains": rows_table(submain_id=["LR-B01-S1"] * 2, seq=[1, 2], block_id=["LR-B01"] * 2,
                               nominal_mm=[110.0, 63.0],
                               geometry=[shapely.LineString(submain.coords[:100]),
                                         shapely.LineString(submain.coords[99:])]),
        "valves": rows_table(valve_id=["LR-B01-V"], block_id=["LR-B01"], source_id=["river"],
                             nominal_mm=[150.0], elevation_m=[108.5], set_head_m=[11.2], regulated=[True],
                             geometry=[shapely.Point(middle, inlets[-1])]),
        "extreme_emitters": rows_table(block_id=["LR-B01"] * 2, which=["lowest", "highest"],
                                       head_m=[9.0, 11.0],
                                       geometry=[shapely.Point(WEST, top), shapely.Point(middle, SOUTH)]),
        "mains": rows_table(main_id=["M1"], seq=[1], source_id=["river"], nominal_mm=[200.0],
                            length_m=[520.0], geometry=[main]),
        "fittings": rows_table(fitting_id=["M1-A1"], kind=["air and vacuum"], size_mm=[50.0], on_id=["M1"],
                               reason=["high point"], geometry=[shapely.Point(WEST - 20.0, top)]),
        "headworks": rows_table(source_id=["river"], name=["River"], flow_m3h=[170.0], geometry=[pump]),
    }  # fmt: skip
    return Plan("Sallow $ Vale", "EPSG:32610", tables, (), (), {})


@pytest.fixture(scope="module")
def written(tilted, tmp_path_factory):
    folder = tmp_path_factory.mktemp("maps")
    count = write_sheets(tilted, folder / "maps.pdf", folder)
    return folder, count


def numbers_of(pdf, page):
    """The drawing instructions of a page of a PDF, inflated by hand."""
    contents = pypdf.PdfReader(pdf).pages[page].get_contents()
    return contents.get_data().decode("latin-1")


MM = 25.4 / 72.0


# ---- paper and scale --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wide", "high"), [(90.0, 60.0), (400.0, 300.0), (1500.0, 200.0), (300.0, 1900.0), (52_000.0, 9_000.0)]
)
def test_frame_holds_what_it_is_about_at_a_round_scale(wide, high):
    frame = choose_frame((WEST, SOUTH, WEST + wide, SOUTH + high), 2000.0)
    west, south, east, north = frame.bounds
    assert west < WEST
    assert east > WEST + wide
    assert south < SOUTH
    assert north > SOUTH + high
    mantissa = frame.scale / 10.0 ** math.floor(math.log10(frame.scale))
    assert mantissa in (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5)
    assert frame.paper in (A4, A3)


def test_small_fields_take_the_small_paper():
    assert choose_frame((0.0, 0.0, 150.0, 120.0), 2000.0).paper == A4
    assert choose_frame((0.0, 0.0, 900.0, 600.0), 2000.0).paper == A3


def test_pdf_pages_are_the_size_of_their_paper(written):
    folder, count = written
    pages = pypdf.PdfReader(folder / "maps.pdf").pages
    assert len(pages) == count
    for page in pages:
        sides = tuple(float(v) * MM for v in page.mediabox[2:])
        assert min(math.dist(sides, (p.width_mm, p.height_mm)) for p in (A3, A4)) < 0.01


def test_scale_measured_in_the_pdf(written):
    """The outline of the field, whose sides are known, in the instructions that a printer gets."""
    folder, _ = written
    frame = choose_frame((WEST, SOUTH, WEST + WIDE, SOUTH + HIGH), 2000.0)
    path = re.findall(r"(?:[\d.]+ [\d.]+ [ml]\s){4,5}", numbers_of(folder / "maps.pdf", 1))
    found = []
    for text in path:
        p = np.array([[float(v) for v in row] for row in re.findall(r"([\d.]+) ([\d.]+) [ml]", text)]) * MM
        found += [tuple(np.round(np.ptp(p, axis=0), 2))]
    paper = (round(WIDE * 1000.0 / frame.scale, 2), round(HIGH * 1000.0 / frame.scale, 2))
    assert any(math.dist(paper, f) < 0.02 for f in found), found


def test_scale_measured_in_the_png(written):
    """The field's dark outline against the white around it, in pixels of the stated resolution."""
    folder, _ = written
    image = Image.open(folder / "sheet-02.png")
    dpi = image.info["dpi"][0]
    assert dpi == pytest.approx(150.0, abs=0.1)
    frame = choose_frame((WEST, SOUTH, WEST + WIDE, SOUTH + HIGH), 2000.0)
    assert image.size[0] / dpi * 25.4 == pytest.approx(frame.paper.width_mm, abs=0.2)
    dark = np.asarray(image.convert("L")) < 90
    row = int(image.size[1] - (frame.on_paper(np.array([[WEST, SOUTH + 6.0]]))[0, 1]) / 25.4 * dpi)
    left, right = (frame.left_mm + 1.0) / 25.4 * dpi, (frame.left_mm + frame.width_mm - 1.0) / 25.4 * dpi
    across = np.flatnonzero(dark[row, int(left) : int(right)])
    assert np.ptp(across) / dpi * 25.4 * frame.scale / 1000.0 == pytest.approx(WIDE, rel=0.004)


def test_scale_bar_is_as_long_as_it_says(written):
    folder, _ = written
    text = pypdf.PdfReader(folder / "maps.pdf").pages[1].extract_text()
    frame = choose_frame((WEST, SOUTH, WEST + WIDE, SOUTH + HIGH), 2000.0)
    assert f"1 : {frame.scale:,.0f}".replace(",", " ") in text
    box = r"([\d.]+) ([\d.]+) m ([\d.]+) \2 l \3 ([\d.]+) l "
    boxes = re.findall(box, numbers_of(folder / "maps.pdf", 1))
    low = [(float(c) - float(a)) * MM for a, b, c, d in boxes if abs((float(d) - float(b)) * MM - 1.6) < 0.01]
    assert len(low) == 4
    stated_m = round(sum(low) * frame.scale / 1000.0, 1)
    assert f"{stated_m:g} m" in text


def test_coordinates_stand_at_the_corners(written):
    folder, _ = written
    text = pypdf.PdfReader(folder / "maps.pdf").pages[1].extract_text()
    west, south, east, north = choose_frame((WEST, SOUTH, WEST + WIDE, SOUTH + HIGH), 2000.0).bounds
    for e, n in itertools.product((west, east), (south, north)):
        assert f"E {e:,.1f}  N {n:,.1f}" in text or f"E {e:,.1f} N {n:,.1f}" in text


@pytest.mark.parametrize("scale_side", [100.0, 730.0, 5000.0])
def test_grid_marks_are_round_and_far_apart(scale_side):
    frame = choose_frame((0.0, 0.0, scale_side, scale_side), 2000.0)
    step = grid_step_m(frame)
    assert 40.0 <= step * 1000.0 / frame.scale <= 100.0 + 1e-9
    assert step / 10.0 ** math.floor(math.log10(step)) in (1.0, 2.0, 5.0)


# ---- what is on a sheet -----------------------------------------------------------------------------


def test_sheets_say_what_they_show(written):
    folder, count = written
    pages = [p.extract_text() for p in pypdf.PdfReader(folder / "maps.pdf").pages]
    assert count == len(pages) == 6
    assert "Main, 200 mm" in pages[0]
    assert "River" in pages[0] or "Pump and filter" in pages[0]
    for words in ("Submain, 63 mm", "Submain, 110 mm", "Block of shift 1", "Air and vacuum", "N", "Approved",
                  "WGS 84 / UTM zone 10N (EPSG:32610)", "2 of 6", "$x^2$ </title>"):  # fmt: skip
        assert words in pages[1], words
    assert "each 2nd is drawn" in pages[1] or "Lateral" in pages[1]
    assert "LR-B01-V" in pages[4]
    assert "high point" in pages[5]
    for page in pages[4:]:  # what a crew sets and opens: its gauge's unit, and its caution
        assert "10 m: 98 kPa, 0.98 bar" in page  # 1 m of water is 9.80665 kPa
        assert "under pressure: shut off and bleed" in page
    assert [p.name for p in sorted(folder.glob("*.png"))] == [f"sheet-{k:02d}.png" for k in (1, 2, 3)]


def test_laterals_are_thinned_so_that_lines_stand_apart(written, tilted):
    folder, _ = written
    frame = choose_frame((WEST, SOUTH, WEST + WIDE, SOUTH + HIGH), 2000.0)
    text = pypdf.PdfReader(folder / "maps.pdf").pages[1].extract_text()
    each = int(re.search(r"each (\d+)", text)[1])
    assert each * SPACING * 1000.0 / frame.scale >= 1.3
    assert (each - 1) * SPACING * 1000.0 / frame.scale < 1.3


def test_names_at_the_edge_stay_within_the_map(tilted, tmp_path):
    """A pump a few metres from the east edge: its name ends west of the edge, as the PDF's letters stand."""
    frame = choose_frame((WEST, SOUTH, WEST + WIDE, SOUTH + HIGH), 2000.0)
    pump = shapely.Point(frame.bounds[2] - 2.0, SOUTH + 40.0)
    works = rows_table(source_id=["river"], name=["The far river"], flow_m3h=[170.0], geometry=[pump])
    write_sheets(
        replace(tilted, tables=tilted.tables | {"headworks": works}), tmp_path / "maps.pdf", tmp_path
    )
    words = pypdfium2.PdfDocument(tmp_path / "maps.pdf")[1].get_textpage()
    found = words.search("The far river")
    first, count = found.get_next()
    right = max(words.get_charbox(k)[2] for k in range(first, first + count)) * MM
    assert frame.left_mm < right < frame.left_mm + frame.width_mm


def test_a_fields_sheet_leaves_out_fittings_of_other_fields(tilted, tmp_path):
    own, strange = shapely.Point(WEST + 30.0, SOUTH + 30.0), shapely.Point(WEST + WIDE + 2.0, SOUTH)
    tables = dict(tilted.tables)
    tables["submains"] = rows_table(
        submain_id=["LR-B01-S1", "XX-B01-S1"], seq=[1, 1], block_id=["LR-B01", "XX-B01"],
        nominal_mm=[110.0, 63.0], geometry=[*tables["submains"].geometry[:1], tables["submains"].geometry[1]],
    )  # fmt: skip
    tables["fittings"] = rows_table(
        fitting_id=["F1", "F2"], kind=["flush", "drain"], size_mm=[25.0, 25.0],
        on_id=["LR-B01-S1", "XX-B01-S1"], reason=["end", "low"], geometry=[own, strange],
    )  # fmt: skip
    write_sheets(replace(tilted, tables=tables), tmp_path / "maps.pdf", tmp_path)
    text = pypdf.PdfReader(tmp_path / "maps.pdf").pages[1].extract_text()
    assert "Flush" in text
    assert "Drain" not in text


def test_without_mains_it_says_so(tilted, tmp_path):
    kept = {k: v for k, v in tilted.tables.items() if k not in ("mains", "fittings", "headworks")}
    bare = replace(tilted, tables=kept)
    write_sheets(bare, tmp_path / "maps.pdf", tmp_path)
    text = pypdf.PdfReader(tmp_path / "maps.pdf").pages[0].extract_text()
    assert "not planned" in text
    assert "Mains, pump and filter are not planned in this plan." in text


def test_points_to_set_out_are_those_of_the_layers(tilted):
    points = setting_out(plan_rows(tilted), "LR")
    at = {(round(p.x_m, 2), round(p.y_m, 2)): p for p in points}
    valve = tilted.tables["valves"].geometry[0]
    assert "valve" in at[(valve.x, round(valve.y, 2))].what
    lines = tilted.tables["laterals"].geometry
    norths = sorted({line.coords[0][1] for line in lines})
    for y, x in itertools.product((norths[0], norths[-1]), (WEST + 12.0, WEST + WIDE - 12.0)):
        point = at[(x, round(y, 2))]
        assert "end" in point.what
        assert point.z_m == pytest.approx(height(y), abs=0.01)
    ends = [piece.coords[-1] for piece in tilted.tables["submains"].geometry]
    assert "110 to 63 mm" in at[(ends[0][0], round(ends[0][1], 2))].what
    assert "S1 end" in at[(ends[1][0], round(ends[1][1], 2))].what
    assert [p.number for p in points] == list(range(1, len(points) + 1))
    assert len(at) == len(points)


def test_contours_and_fall_of_a_plane(tilted):
    laterals, block = tilted.tables["laterals"].geometry, tilted.tables["blocks"].geometry[0]
    ground = field_ground(laterals, block)
    for level, lines in contours(ground, 0.5):
        y = np.concatenate(lines)[:, 1]
        inside = (y > SOUTH + 25.0) & (y < SOUTH + HIGH - 25.0)  # a smoothed edge is a little flat
        np.testing.assert_allclose(y[inside], SOUTH + (level - 100.0) / SLOPE, atol=0.7)
    inner = shapely.buffer(block, -15.0)
    east, north, slope_pct = fall(ground, inner)
    assert (east, north) == pytest.approx((0.0, -1.0), abs=0.02)
    assert slope_pct == pytest.approx(100.0 * SLOPE, rel=0.02)


# ---- letters ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["W" * 300, "x" * 300, "MWMW " * 80, "<b>Odd</b> & 'farm' \"农场\" <script>alert(3)</script>", "Ж" * 90],
)
def test_no_name_runs_out_of_its_place(name):
    # a panel of 82 mm, the sizes of its title and of the sheet's name; the font's own widths are the measure
    for bold in (False, True):
        assert 0.0 < text_width_pt(fitted(name, 82.0, 12.0, bold), 12.0, bold) <= 82.0 * POINTS_PER_MM
    lines = wrapped(name, 82.0, 8.5, 3)
    assert 1 <= len(lines) <= 3
    assert all(text_width_pt(words, 8.5) <= 82.0 * POINTS_PER_MM for words in lines)


def test_every_field_stands_in_a_table(tilted, tmp_path):
    # more fields than the farm's sheet has room for: they have a sheet of their own
    fields = tilted.tables["fields"]
    ids = [f"P{i:02d}" for i in range(60)]
    columns = {name: np.repeat(values, 60) for name, values in fields.columns.items()}
    columns |= {
        "field_id": np.array(ids, dtype=object),
        "name": np.array([f"Plot {i}" for i in ids], dtype=object),
    }
    shapes = np.empty(60, dtype=object)
    shapes[:] = [translate(fields.geometry[0], 500.0 * (i % 8), 400.0 * (i // 8)) for i in range(60)]
    plan = replace(tilted, tables=tilted.tables | {"fields": Table(columns, shapes)})
    write_sheets(plan, tmp_path / "maps.pdf", tmp_path)
    pages = [p.extract_text() for p in pypdf.PdfReader(tmp_path / "maps.pdf").pages]
    (page,) = [p for p in pages if "Fields" in p and "mean slope (%)" in p]
    assert all(f"Plot {i} ({i})" in page for i in ids)


def test_letters_are_as_wide_as_their_font_says():
    """Advance widths of DejaVu Sans, read by another library, over its 2048 units an em."""
    from fontTools.ttLib import TTFont

    widths = TTFont(FONT)["hmtx"]
    names = TTFont(FONT).getBestCmap()
    text = "Main, 200 mm · ³é"
    expected = sum(widths[names[ord(c)]][0] for c in text) * 10.0 / 2048.0
    assert text_width_pt(text, 10.0) == pytest.approx(expected, abs=0.05)


def test_each_script_gets_a_font():
    assert runs("Long Reach", bold=True) == [(BOLD, "Long Reach")]
    assert runs("Field وادي الصفصاف 12", bold=False) == [
        (REGULAR, "Field "),
        (REGULAR, "وادي الصفصاف "),
        (REGULAR, "12"),
    ]
    (eastern, letters), (ours, _) = runs("河川 1", bold=False)
    assert (letters, ours) == ("河川", REGULAR)
    assert eastern != REGULAR


def test_arabic_letters_join(tmp_path):
    """Sad, fa, sad: three bodies and a dot, which are four pieces of ink apart and two when joined."""
    canvas = Canvas(str(tmp_path / "word.pdf"), pagesize=(300.0, 100.0))
    Pen(canvas).text(10.0, 10.0, "صفص", Look(40.0))
    canvas.save()
    image = pypdfium2.PdfDocument(tmp_path / "word.pdf")[0].render(scale=3.0).to_pil().convert("L")
    assert scipy.ndimage.label(np.asarray(image) < 128, np.ones((3, 3)))[1] == 2


# ---- as files ---------------------------------------------------------------------------------------


def test_same_plan_gives_the_same_bytes(tilted, written, tmp_path):
    write_sheets(tilted, tmp_path / "maps.pdf", tmp_path)
    for made in tmp_path.iterdir():
        assert made.read_bytes() == (written[0] / made.name).read_bytes(), made.name
    assert b"Date" not in (tmp_path / "maps.pdf").read_bytes()


def test_any_plan_of_the_contract_can_be_drawn(frames, crs, tmp_path):
    """Rows with nothing but gaps and hostile text."""
    tables = {}
    for name, frame in frames.items():
        shapes = frame.geometry.to_numpy() if LAYERS[name].geometry else None
        tables[name] = Table({c.name: frame[c.name].to_numpy() for c in LAYERS[name].columns}, shapes)
    assert write_sheets(Plan("</x> $", crs, tables, (), (), {}), tmp_path / "maps.pdf", tmp_path) >= 3


def test_a_plan_without_any_field_gives_no_broken_file(tmp_path):
    assert plan_sheets("Empty", "EPSG:32610", plan_rows(Plan("Empty", "EPSG:32610", {}, (), (), {}))) == []


def test_old_sheets_go_and_other_files_stay(tilted, tmp_path):
    folder = tmp_path / "maps"
    folder.mkdir()
    (folder / "sheet-99.png").write_bytes(b"old")
    (folder / "notes.txt").write_text("mine", "utf-8")
    write_maps(tilted, tmp_path, overwrite=True)
    names = {p.name for p in folder.iterdir()}
    assert names == {"sheet-01.png", "sheet-02.png", "sheet-03.png", "notes.txt"}
    assert {p.name for p in tmp_path.iterdir()} == {"maps", "maps.pdf"}
