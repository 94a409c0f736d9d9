"""The map sheets of a plan: the farm, each field, the points to set out, valves and fittings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas
import pyproj
import shapely

from farmgis import __version__
from farmgis.results import map_layers as draw
from farmgis.results import map_legend as legend
from farmgis.results import map_schedules as schedules
from farmgis.results.map_frame import MARGIN_MM, MapFrame, choose_frame
from farmgis.results.map_ground import Ground, field_ground
from farmgis.results.map_page import Page, table
from farmgis.results.map_panel import Entry, Titles, draw_frame, draw_panel
from farmgis.results.map_points import Point, setting_out
from farmgis.results.map_schedules import DIG, Draw, field_title, number
from farmgis.results.plan_rows import Rows
from farmgis.results.styles import MAINS, PALE, SUBMAINS

GOOD_FIELD_SCALE, GOOD_FARM_SCALE = 2000.0, 7500.0
"""A4 is taken where it shows the field, or the farm, at this scale or a larger one."""

FARM_CONTOURS_M = 2.0

MOST_LISTED, LEAST_HEIGHT_MM = 24, 250.0
"""Fields that the farm's sheet lists beside its map, and paper that is high enough for it."""

NO_PROOF = "farmgis computes and certifies nothing: whoever is licensed for it checks and approves."
GROUND = "Contours are those of the ground that the plan was computed with: irrigated land alone."
NO_MAINS = "Mains, pump and filter are not planned in this plan."


@dataclass(frozen=True)
class SheetPlan:
    """A sheet to come: its title, and what draws it when given its number, as '1 of 9'."""

    title: str
    draw: Draw
    is_map: bool = True


def plan_sheets(farm: str, crs: str, rows: Rows) -> list[SheetPlan]:
    """The sheets in their order; each is drawn only when its turn comes."""
    set_ = _Set(farm, crs_words(crs), rows)
    fields = rows["fields"][rows["fields"]["shape"].notna()]
    sheets = [SheetPlan("The farm", set_.farm_sheet)] if len(fields) else []
    for row in fields.itertuples():
        if (rows["blocks"].field_id == row.field_id).any():
            sheets += set_.field_sheets(row)
    under = (
        f"Coordinates {set_.crs}, metres. Heads are metres of water (10 m: 98 kPa, 0.98 bar); the set head "
        "is just downstream of the valve. Pipes are under pressure: shut off and bleed before undoing "
        "anything."
    )
    apart = list(schedules.field_lines(rows)) if len(fields) > 1 and not set_.lists_fields() else []
    for title, columns, lines in (
        ("Fields", schedules.FIELDS, apart),
        ("Valves", schedules.VALVES, list(schedules.valve_lines(rows))),
        ("Fittings", schedules.FITTINGS, list(schedules.fitting_lines(rows))),
    ):
        made = schedules.table_sheets(f"{farm} · {title}", under, columns, lines)
        sheets += [SheetPlan(title, d, False) for d in made]
    return sheets


def crs_words(crs: str) -> str:
    """A CRS by its name and code."""
    found = pyproj.CRS.from_user_input(crs)
    code = found.to_authority(min_confidence=100)
    return f"{found.name} ({':'.join(code)})" if code else found.name


class _Set:
    """What the sheets of a plan have in common: the farm's name, its CRS in words, its rows."""

    def __init__(self, farm: str, crs: str, rows: Rows) -> None:
        self.farm = farm
        self.crs = crs
        self.rows = rows
        self.grounds: dict[str, Ground | None] = {}
        self.shifts = shift_words(rows)

    def _panel(
        self, page: Page, frame: MapFrame, title: str, number_: str, facts: Sequence[tuple[str, str]],
        entries: Iterable[Entry], notes: Iterable[str],
    ) -> None:  # fmt: skip
        made_by = f"Made by farmgis {__version__}"
        mains = () if len(self.rows["mains"]) else (NO_MAINS,)
        titles = Titles(
            self.farm, title, number_, self.crs, made_by, tuple(facts), (*notes, *mains, DIG, NO_PROOF),
            tuple(entries),
        )  # fmt: skip
        draw_frame(page, frame)
        draw_panel(page, frame, titles)

    def _own(self, field_id: str) -> Rows:
        """The rows of the layers that belong to a field."""
        blocks = self.rows["blocks"][self.rows["blocks"].field_id == field_id]
        names = ("laterals", "submains", "valves", "extreme_emitters")
        own = {n: self.rows[n][self.rows[n].block_id.isin(blocks.block_id)] for n in names}
        fittings, strange = self.rows["fittings"], False
        for layer, name in (("submains", "submain_id"), ("valves", "valve_id")):
            of_all, of_field = self.rows[layer][name], own[layer][name]
            strange = strange | (fittings.on_id.isin(of_all) & ~fittings.on_id.isin(of_field))
        return {"blocks": blocks, "fittings": fittings[~strange]} | own

    def _ground(self, field_id: str) -> Ground | None:
        if field_id not in self.grounds:
            own = self._own(field_id)
            land = shapely.union_all(own["blocks"]["shape"].to_numpy())
            self.grounds[field_id] = field_ground(own["laterals"]["shape"].to_numpy(), land)
        return self.grounds[field_id]

    # ---- the farm -----------------------------------------------------------------------------------

    def _mapped_fields(self) -> pandas.DataFrame:
        return self.rows["fields"][self.rows["fields"]["shape"].notna()]

    def _farm_frame(self) -> MapFrame:
        """The map of all fields, mains and pumps."""
        rows = self.rows
        shapes = (self._mapped_fields()["shape"], rows["mains"]["shape"], rows["headworks"]["shape"])
        things = np.array([shape for of_layer in shapes for shape in of_layer], object)
        west, south, east, north = map(float, shapely.total_bounds(shapely.force_2d(things)))
        return choose_frame((west, south, east, north), GOOD_FARM_SCALE)

    def lists_fields(self) -> bool:
        """Whether the farm's sheet has room for the table of its fields."""
        paper = self._farm_frame().paper
        return len(self._mapped_fields()) <= MOST_LISTED and paper.height_mm >= LEAST_HEIGHT_MM

    def farm_sheet(self, number_: str) -> Page:
        """Blocks by shift, mains, valves and fittings of the whole farm."""
        rows = self.rows
        fields, frame = self._mapped_fields(), self._farm_frame()
        sheet = draw.Sheet(frame)
        draw.draw_blocks(sheet, rows["blocks"])
        contours = [draw.draw_ground(sheet, self._ground(f), FARM_CONTOURS_M) for f in fields.field_id]
        draw.draw_fields(sheet, fields)
        draw.draw_pipes(sheet, rows["submains"], SUBMAINS[2:3], lambda _: 0.8, 0.0, 6.2)
        draw.draw_pipes(sheet, rows["mains"], MAINS, draw.main_width_pt, 5.0, 6.5, -2.0)
        draw.draw_valves(sheet, rows["valves"], 4.0, named=False)
        draw.draw_fittings(sheet, rows["fittings"], 0.0)
        draw.draw_headworks(sheet, rows["headworks"])
        places = draw.name_places(sheet, rows["blocks"], rows["submains"], 5.0)
        draw.name_blocks(sheet, rows["blocks"], places, self.shifts, 5.2, full=False)
        draw.name_fields(sheet, fields)
        entries = legend.farm_entries(rows, any(contours))
        notes = (GROUND,) if any(contours) else ()
        self._panel(
            sheet.page,
            frame,
            "Blocks by shift, submains and mains",
            number_,
            _farm_facts(rows),
            entries,
            notes,
        )
        if self.lists_fields():
            _fields_table(sheet.page, fields)
        return sheet.page

    # ---- a field ------------------------------------------------------------------------------------

    def field_sheets(self, row: Any) -> list[SheetPlan]:
        """The layout of a field, its points to set out, and their table."""
        title = field_title(row)
        points = setting_out(self.rows, row.field_id)
        under = (
            f"Coordinates {self.crs}, metres; height is the plan's ground. L: lateral, S: submain. "
            "Check a point that you know first."
        )
        lines = schedules.point_lines(points)
        tables = schedules.table_sheets(f"{self.farm} · {title}: setting out", under, schedules.POINTS, lines)
        return [
            SheetPlan(f"{title}: layout", lambda n: self._layout(row, n)),
            SheetPlan(f"{title}: setting out", lambda n: self._points_map(row, points, n)),
            *(SheetPlan(f"{title}: points", d, False) for d in tables),
        ]

    def _layout(self, row: Any, number_: str) -> Page:
        frame, sheet, own = self._field_start(row)
        ground = self._ground(row.field_id)
        draw.draw_blocks(sheet, own["blocks"])
        step = draw.draw_laterals(sheet, own["laterals"])
        interval = draw.draw_ground(sheet, ground)
        draw.draw_pipes(sheet, own["submains"], SUBMAINS, draw.submain_width_pt, 5.0, 7, edge_pt=0.0)
        draw.draw_pipes(sheet, self.rows["mains"], MAINS, draw.trench_width_pt, 5.6, 6.5, -2.4)
        draw.draw_valves(sheet, own["valves"], 5.4, named=True)
        draw.draw_fittings(sheet, own["fittings"], 4.4)
        draw.draw_extremes(sheet, own["extreme_emitters"])
        draw.draw_headworks(sheet, self.rows["headworks"])
        places = draw.name_places(sheet, own["blocks"], own["submains"], 11.0)
        draw.draw_falls(sheet, ground, own["blocks"], places)
        draw.name_blocks(sheet, own["blocks"], places, self.shifts, 6.8, full=True)
        entries = legend.field_entries(self.rows, own, frame, step, interval)
        notes = (
            *(("Numbers of fittings are those of their table.",) if len(own["fittings"]) else ()),
            *((GROUND,) if interval else ()),
        )
        facts = _field_facts(row, own["laterals"])
        self._panel(sheet.page, frame, f"{field_title(row)}: layout", number_, facts, entries, notes)
        return sheet.page

    def _points_map(self, row: Any, points: Sequence[Point], number_: str) -> Page:
        frame, sheet, own = self._field_start(row)
        draw.draw_blocks(sheet, own["blocks"], 0.16)
        draw.draw_pipes(sheet, own["submains"], SUBMAINS, lambda mm: 0.5 * draw.submain_width_pt(mm), 0.0, 7)
        draw.draw_pipes(sheet, self.rows["mains"], MAINS, lambda mm: 0.6 * draw.main_width_pt(mm), 0.0, 6.5)
        draw.draw_valves(sheet, own["valves"], 0.0, named=False)
        places = draw.name_places(sheet, own["blocks"], own["submains"], 11.0)
        draw.name_blocks(sheet, own["blocks"], places, self.shifts, 6.8, full=True)
        draw.draw_points(sheet, points)
        entries = legend.points_entries(self.rows, own, frame)
        facts = (("Points", f"{len(points)}, in the table that follows"),)
        notes = ("Set out from two points that are known, and check a third.",)
        self._panel(sheet.page, frame, f"{field_title(row)}: setting out", number_, facts, entries, notes)
        return sheet.page

    def _field_start(self, row: Any) -> tuple[MapFrame, draw.Sheet, Rows]:
        """The frame and page of a field, with its neighbours in grey, and its own rows."""
        west, south, east, north = map(float, shapely.bounds(row.shape))
        frame = choose_frame((west, south, east, north), GOOD_FIELD_SCALE)
        sheet = draw.Sheet(frame)
        fields, valves, own = self.rows["fields"], self.rows["valves"], self._own(row.field_id)
        others = fields[(fields.field_id != row.field_id) & fields["shape"].notna()]
        draw.draw_neighbours(sheet, legend.near(others, frame), frame)
        draw.draw_fields(sheet, fields[fields.field_id == row.field_id])
        strange = valves[~valves.block_id.isin(own["blocks"].block_id)]
        draw.draw_valves(sheet, strange, 0.0, named=False, colour=PALE)
        return frame, sheet, own


def shift_words(rows: Rows) -> dict[str, str]:
    """For each block its shift in words, with the source where there are several."""
    source = dict(zip(rows["valves"].block_id, rows["valves"].source_id, strict=True))
    several = len({s for s in source.values() if s}) > 1
    found = {}
    for row in rows["blocks"].itertuples():
        told = f" of {source.get(row.block_id) or 'no source'}" if several else ""
        found[row.block_id] = "in no shift" if row.shift != row.shift else f"shift {row.shift:.0f}{told}"
    return found


def _farm_facts(rows: Rows) -> tuple[tuple[str, str], ...]:
    fields, blocks, mains = rows["fields"], rows["blocks"], rows["mains"]
    planned = (fields.status != "not planned").sum()
    length = f"{mains.length_m.sum() / 1000.0:,.1f} km" if len(mains) else "not planned"
    return (
        ("Fields", f"{planned} of {len(fields)} planned"),
        ("Area", f"{fields.area_ha.sum():.1f} ha"),
        ("Irrigated", f"{blocks.area_ha.sum():.1f} ha"),
        ("Blocks", f"{len(blocks)} in {len(rows['zones'])} shifts"),
        ("Dripline", f"{blocks.dripline_m.sum() / 1000.0:,.0f} km"),
        ("Mains", length),
    )


def _fields_table(page: Page, fields: pandas.DataFrame) -> None:
    """The fields in short, at the foot of the panel."""
    row_mm = 3.4
    wide = page.paper.panel_mm - 6.0
    x = page.paper.width_mm - MARGIN_MM - page.paper.panel_mm + 4.0
    top = MARGIN_MM + 26.0 + (len(fields) + 1) * row_mm
    figures = (("irrigated_ha", 1), ("blocks", 0), ("flow_m3h", 0), ("slope_mean_pct", 1))
    lines = [
        [field_title(f), *(number(getattr(f, name), digits) for name, digits in figures)]
        for f in fields.itertuples()
    ]
    heads = ("field", "ha", "blocks", "m³/h", "slope %")
    widths = [w * wide for w in (0.46, 0.13, 0.14, 0.13, 0.14)]
    table(page, x, top, heads, widths, lines, 5.4, row_mm, frozenset((1, 2, 3, 4)))


def _rows_run(row: Any) -> str:
    mean = f"{number(row.row_azimuth_deg, 0)}°"
    parts = number(row.row_parts, 0, "several")
    bent = {"contour": f"with the contours, in {parts} parts", "facets": f"in {parts} facets"}
    return bent.get(str(row.row_pattern), f"{mean} from grid north")


def _field_facts(row: Any, laterals: pandas.DataFrame) -> tuple[tuple[str, str], ...]:
    spacing = f", {draw.lateral_spacing_m(laterals):.2f} m apart" if len(laterals) else ""
    contour = number(row.contour_azimuth_deg, 0)
    return (
        ("Irrigated", f"{number(row.irrigated_ha, 1)} of {number(row.area_ha, 1)} ha"),
        ("Crop", str(row.crop or "")),
        ("Slope: mean; 95 % under", f"{number(row.slope_mean_pct, 1)} %; {number(row.slope_p95_pct, 1)} %"),
        ("Contour runs", f"{contour}° from grid north" if contour else "not known"),
        ("Rows run", _rows_run(row)),
        ("Greatest grade along rows", f"{number(row.row_grade_max_pct, 1)} %"),
        ("Line", str(row.dripline or "")),
        ("Laterals", f"{len(laterals):,}{spacing}"),
        ("Flow of all blocks", f"{number(row.flow_m3h, 0)} m³/h"),
        ("Source", str(row.source_id or "none given")),
    )
