"""The layers of a plan: which there are, in which order, and what each column means and is measured in.

The one place where the names stand. `python -m farmgis.layers` prints them as a page of the reference.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "real", "integer", "boolean", "date"]
GeometryKind = Literal["MultiPolygon", "LineString Z", "MultiLineString", "Point", "Geometry"]

# what the end of a name says; a longer ending stands before the shorter one that it ends in
UNITS = {
    "_kwh_m3": "kWh/m3", "_m3_day": "m3/day", "_mm_day": "mm/day", "_m3_ha": "m3/ha", "_mm_h": "mm/h",
    "_m_s": "m/s", "_l_h": "l/h", "_m3h": "m3/h", "_micron": "micron", "_pct": "%", "_bar": "bar",
    "_min": "min", "_deg": "degrees", "_m3": "m3", "_mm": "mm", "_ha": "ha", "_kw": "kW", "_kg": "kg",
    "_m": "m", "hours": "h",
}  # fmt: skip


def unit_of(name: str) -> str:
    """Unit that a column's name ends in, '-' where it has none.

    >>> unit_of("head_min_m"), unit_of("travel_time_min"), unit_of("kc")
    ('m', 'min', '-')
    """
    return next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "-")


@dataclass(frozen=True)
class Column:
    """A column: `unit` is '-' for text, counts and ratios; `values` are all that may stand in it."""

    name: str
    kind: Kind
    unit: str
    description: str
    values: tuple[str, ...] | None = None

    @property
    def title(self) -> str:
        """The name as a person writes it, with the unit: 'head variation (%)'."""
        ending = next((e for e in UNITS if e[0] == "_" and self.name.endswith(e)), "")
        words = self.name.removesuffix(ending).replace("_", " ")
        return words if self.unit == "-" else f"{words} ({self.unit})"


@dataclass(frozen=True)
class Layer:
    """A layer or, with `geometry` None, a table."""

    name: str
    title: str
    description: str
    geometry: GeometryKind | None
    columns: tuple[Column, ...]


def _text(name: str, description: str, *values: str) -> Column:
    return Column(name, "text", "-", description, values or None)


def _real(name: str, description: str, unit: str | None = None) -> Column:
    return Column(name, "real", unit or unit_of(name), description)


def _whole(name: str, description: str) -> Column:
    return Column(name, "integer", "-", description)


def _yes(name: str, description: str) -> Column:
    return Column(name, "boolean", "-", description)


def _day(name: str, description: str) -> Column:
    return Column(name, "date", "-", description)


_FIELD = _text("field_id", "The field, as its own file names it")
_BLOCK = _text("block_id", "The block: the field's id, then -B01 and so on")
_SOURCE = _text("source_id", "The source that the water comes from")
_ZONE = _text("zone_id", "The blocks of one source that run together")
_SHIFT = _whole("shift", "Number of the shift in which it runs, counted for each source")
_CROP = _text("crop", "Crop that the plan was made for")
_AREA = _real("area_ha", "Area on the map")
_LENGTH = _real("length_m", "Length along the slope")
_MATERIAL = _text("material", "Material of the pipe")
_NOMINAL = _real("nominal_mm", "Nominal size, by which it is ordered")
_INSIDE = _real("inside_mm", "Inside diameter that was computed with")
_CLASS = _real("pressure_class_bar", "Pressure class of the pipe")
_VELOCITY = _real("velocity_m_s", "Greatest velocity of the water in it, at the design flow")
_STATIC = _real(
    "static_head_max_m",
    "Greatest pressure head at rest: the pump at shut-off less the ground; a reducing valve counts only "
    "with relief below it",
)
_HEAD_LOW = _real("head_min_m", "Lowest pressure head at any of its emitters, running")
_HEAD_HIGH = _real("head_max_m", "Highest pressure head at any of its emitters, running")
_ET_CROP = _real("et_crop_mm", "Water that the crop uses")
_RAIN = _real("rain_effective_mm", "Rain that the crop can use")
_NET = _real("net_mm", "Crop use less effective rain and soil water used")
_GROSS = _real("gross_mm", "Depth to apply: net and leaching over the emission uniformity (at most 0.90)")
_GROSS_M3 = _real("gross_m3", "Volume to apply")
_DUTY = _real("duty_head_m", "Total dynamic head of the pump: lift, friction and the head needed")
_PUMP = _real("pump_kw", "Power at the pump's shaft")
_PART = _text("part", "Part of the plan that it belongs to, by which its life is told")
_NPSH = _real("npsh_available_m", "Suction head that the site leaves the pump")

_ALL = (
    Layer("fields", "Fields", "Each field with its slope, its direction and what became of it. A field that "
          "could not be planned keeps its row.", "MultiPolygon", (
        _FIELD, _text("name", "Name of the field"), _CROP, _AREA,
        _real("irrigated_ha", "Area inside margins and exclusions that is irrigated"),
        _real("relief_m", "Highest less lowest ground"),
        _real("slope_mean_pct", "Mean slope of the ground, rise over run"),
        _real("slope_p95_pct", "Slope that 95 % of the ground stays under"),
        _real("contour_azimuth_deg", "Direction of the contour that serves the field best, clockwise from "
              "grid north, 0 to 180"),
        _real("row_azimuth_deg", "Direction chosen for the rows, clockwise from grid north, 0 to 180"),
        _real("direction_error_deg", "Standard error of the contour direction"),
        _real("row_grade_mean_pct", "Mean magnitude of the grade along the rows"),
        _real("row_grade_max_pct", "Greatest magnitude of the grade along the rows"),
        _real("cross_slope_max_pct", "Greatest slope across the rows, for the tractor"),
        _real("direction_agreement",
              "How well one direction serves the field: 1 best, 0 worst, empty when flat"),
        _text("row_pattern", "How the rows run: straight, in facets, or along contours"),
        _text("dripline", "The dripline chosen"),
        _whole("blocks", "How many blocks the field has"),
        _real("flow_m3h", "Flow of all its blocks together"), _SOURCE,
        _text("status", "What became of the field", "planned", "attention", "not planned"),
        _whole("blocks_at_least", "Blocks that the greatest flow of a block alone calls for in the same "
               "strips: no cuts of them have fewer"),
        _real("cost_index", "Relative index of what was laid, by which directions are compared", "index"),
        _real("contour_cost_index", "The same along the contour, straight", "index"),
        _whole("row_parts", "Parts with rows of their own: facets, or panels of contour rows"),
        _real("row_grade_over_pct", "Land whose rows are steeper than the limit, of the field"),
        _whole("short_rows", "Pieces of rows that are short for the machines"))),
    Layer("blocks", "Blocks", "What one valve waters: the strips of its laterals, half a spacing to each "
          "side, on irrigated land.", "MultiPolygon", (
        _BLOCK, _FIELD, _SHIFT, _AREA, _whole("laterals", "How many laterals it has"),
        _real("dripline_m", "Dripline in it, along the slope"),
        _whole("emitters", "How many emitters it has"),
        _real("flow_m3h", "Flow of the block, running"),
        _real("valve_head_m", "Pressure head needed just downstream of its valve and regulator"),
        _HEAD_LOW, _HEAD_HIGH,
        _real("head_variation_pct", "100 (max - min) / mean of its emitters' heads"),
        _real("elevation_range_m", "Highest less lowest emitter: what elevation alone would do to the head"),
        _real("elevation_error_m", "Error of the elevation model that was stated or found; empty if unknown"),
        _real("flow_variation_pct", "100 (max - min) / max of its emitters' flows"),
        _real("emission_uniformity_pct", "Design uniformity: 100 (1 - 1.27 Cv / sqrt n) qmin / qmean"),
        _real("application_mm_h", "Flow over area"),
        _text("tolerance_kind", "Which tolerance it is held to", "head_variation_pct", "flow_variation_pct",
              "emission_uniformity_pct", "pressure_compensating"),
        _yes("within_tolerance", "Whether every emitter is within the tolerance"),
        _real("travel_time_min", "Time in which water goes from the valve to the last emitter"),
        _real("drain_out_m3", "Water that drains out at the low end after shut-off"),
        _real("flush_flow_m3h", "Flow that the valve must pass while lateral ends are flushed"),
        _real("flush_head_m", "Head just downstream of the valve while lateral ends are flushed"),
        _real("fill_min", "Time in which its flow fills empty line and submain"),
        _real("head_min_at_90_m", "Lowest emitter's head at 90 % of the block's flow; of its valve head for "
              "compensating line"),
        _real("head_max_at_110_m", "Highest head of the line at 110 % of the block's flow; of its valve head "
              "for compensating line"),
        _real("chance_within_tolerance_pct", "Chance that it keeps its tolerance, given the error of the "
              "elevation model: share of 200 correlated errors drawn; compensating line is held to its own "
              "range"))),
    Layer("laterals", "Laterals", "Each lateral, drawn from its inlet to its end. Z is the ground that was "
          "computed with. Emitters stand at whole spacings from the inlet.", "LineString Z", (
        _text("lateral_id", "The lateral"), _BLOCK, _FIELD, _text("submain_id", "The submain that feeds it"),
        _text("arm", "Which way it runs from the submain", "uphill", "downhill", "level", "single"),
        _LENGTH, _whole("emitters", "How many emitters it has"),
        _real("grade_mean_pct", "Mean grade, positive where it rises away from the inlet"),
        _real("grade_max_pct", "Signed grade of greatest magnitude"),
        _real("inlet_elevation_m", "Ground at the inlet"), _real("end_elevation_m", "Ground at the end"),
        _real("inlet_head_m", "Pressure head at the inlet"),
        _real("end_head_m", "Pressure head at the last emitter"),
        _HEAD_LOW, _HEAD_HIGH, _real("flow_l_h", "Flow into the lateral"),
        _real("end_flush_velocity_m_s", "Velocity at the open end when it is flushed"))),
    Layer("rows", "Crop rows", "The crop rows of a block, as one feature.", "MultiLineString", (
        _BLOCK, _FIELD, _whole("rows", "How many rows"), _real("spacing_m", "Distance from row to row"),
        _real("azimuth_deg", "Direction of the rows, clockwise from grid north, 0 to 180"),
        _real("length_m", "Length of all the rows along the slope"))),
    Layer("submains", "Submains", "The pipe in a block that feeds its laterals, drawn from the valve "
          "outward, one feature a diameter. The laterals' inlets are vertices of it.", "LineString Z", (
        _text("submain_id", "The submain"), _whole("seq", "Order of the piece, counted from the valve"),
        _BLOCK, _MATERIAL, _NOMINAL, _INSIDE, _CLASS, _LENGTH,
        _real("inlet_flow_m3h", "Flow into the piece"), _VELOCITY,
        _real("inlet_head_m", "Pressure head where the piece begins"),
        _real("end_head_m", "Pressure head where the piece ends"), _STATIC)),
    Layer("extreme_emitters", "Extreme emitters", "The emitters of lowest and of highest pressure of each "
          "block: where to measure first.", "Point", (
        _BLOCK, _text("lateral_id", "The lateral that it stands on"),
        _text("which", "Of the block's emitters, the one of lowest or of highest head", "lowest", "highest"),
        _real("chainage_m", "Distance from the lateral's inlet, along the slope"),
        _real("elevation_m", "Ground there"), _real("head_m", "Pressure head there, running"),
        _real("flow_l_h", "Flow of the emitter"))),
    Layer("test_points", "Test points", "Where to measure each block when it is commissioned, and what is "
          "expected there: its valve, and emitters at the inlet, one third, two thirds and end of the first, "
          "one-third, two-thirds and last lateral, two neighbours at each.", "Point", (
        _text("point_id", "The point: the block's id, then -T00 at the valve, -T01 and so on at emitters"),
        _text("kind", "What is measured", "valve", "emitter"), _BLOCK, _FIELD,
        _text("lateral_id", "The lateral that it stands on"),
        _text("at_submain", "Where along the submain"), _text("at_lateral", "Where along the lateral"),
        _whole("emitter", "Number of the emitter, counted from the inlet"),
        _real("chainage_m", "Distance from the lateral's inlet, along the slope"),
        _real("elevation_m", "Ground there"), _real("expected_head_m", "Pressure head expected, running"),
        _real("expected_flow_l_h", "Flow expected, of the emitter or of the whole block at its valve"),
        _real("measured_head_m", "Pressure head measured; empty until it is"),
        _real("measured_flow_l_h", "Flow measured, 0 where nothing came; empty until it is"))),
    Layer("mains", "Mains", "Pipes from the sources to the valves, drawn from the source outward, one "
          "feature a diameter.", "LineString Z", (
        _text("main_id", "The main"), _whole("seq", "Order of the piece, counted from the source"), _SOURCE,
        _text("from_node", "Where it begins: id of a source, or a junction (J-)"),
        _text("to_node", "Where it ends: id of a valve, or a junction (J-)"),
        _MATERIAL, _NOMINAL, _INSIDE, _CLASS, _LENGTH,
        _real("design_flow_m3h", "Greatest flow in it over all shifts"), _VELOCITY,
        _real("head_loss_m", "Head lost to friction and fittings at the design flow"), _STATIC,
        _real("surge_head_max_m", "Greatest pressure head with the surge of a pump trip or closing valve"),
        _yes("existing", "Whether the pipe is there already"))),
    Layer("valves", "Block valves", "The valve of each block, and the head it needs, gets and is set to.",
          "Point", (
        _text("valve_id", "The valve"), _BLOCK, _SOURCE, _real("elevation_m", "Ground there"),
        _real("flow_m3h", "Flow through it, running"), _NOMINAL,
        _real("required_head_m", "Pressure head needed just upstream of the valve"),
        _real("available_head_m", "Least pressure head upstream of it over all shifts"),
        _real("set_head_m", "Pressure head downstream to which the regulator is set"),
        _yes("regulated", "Whether it has a pressure regulator"))),
    Layer("fittings", "Fittings", "Air, drain, flush, relief and test points, and why each stands there.",
          "Point", (
        _text("fitting_id", "The fitting"),
        _text("kind", "What it is", "air release", "vacuum relief", "air and vacuum", "pressure relief",
              "reducing valve", "regulator", "check", "drain", "flush", "test point"),
        _real("size_mm", "Nominal size"), _text("on_id", "The pipe or valve that it stands on"),
        _real("elevation_m", "Ground there"), _text("reason", "Why it stands there"),
        _real("set_head_m", "Pressure head that a regulator or reducing valve holds, or a relief opens at"))),
    Layer("headworks", "Headworks", "Pump and filter of each source.", "Point", (
        _SOURCE, _text("name", "Name of the source"),
        _real("flow_m3h", "Greatest flow over all shifts"), _DUTY, _PUMP,
        _real("filter_micron", "Opening that the filter must have"),
        _real("filter_flow_m3h", "Flow to choose the filter by: dirty water, one unit in backwash"),
        _real("energy_kwh_m3", "Energy for each cubic metre of water"), _NPSH,
        _text("filter_kind", "Kind of the main filter", "media", "disc", "screen"),
        _whole("filter_units", "How many units side by side, one of which may be in backwash"),
        _real("filter_unit_mm", "Size of a unit"),
        _real("backwash_m3h", "Flow that cleans one unit"),
        _real("loss_clean_m", "Head that the head works take when filters are clean"),
        _real("loss_dirty_m", "The same when they are dirty: what the pump is planned with"),
        _real("shut_off_head_m", "Head of the pump against closed valves"),
        _text("order", "The head works in the order in which water passes them"))),
    Layer("pump_duties", "Pump duties", "What each shift asks of the pump.", None, (
        _SOURCE, _SHIFT, _real("flow_m3h", "Flow of the shift"), _DUTY, _PUMP, _NPSH,
        _real("energy_kwh_m3", "Energy for each cubic metre of water"),
        _real("speed_pct", "Speed at which the pump's curve meets the duty; empty without a curve", "%"))),
    Layer("zones", "Irrigation shifts", "The blocks of a source that run together.", "MultiPolygon", (
        _ZONE, _SOURCE, _SHIFT, _whole("blocks", "How many blocks run together"), _AREA,
        _real("flow_m3h", "Flow of its blocks together"),
        _real("run_hours_peak", "Hours that it runs at each turn in the peak", "h"),
        _real("season_m3", "Volume over the season"), _real("season_mm", "Depth over the season"))),
    Layer("season_demand", "Water demand of the season", "The water of the design year for each block.",
          "MultiPolygon", (
        _BLOCK, _FIELD, _CROP,
        _text("basis", "What the demand rests on: daily weather, monthly normals, or an assumed figure",
              "daily", "normals", "assumed"),
        _ET_CROP, _RAIN,
        _real("soil_water_used_mm", "Water taken from the soil's store; below zero where it gained"),
        _real("leaching_mm", "Water beyond net that passes the roots: carrying salt, and of germination"),
        _NET, _GROSS, _GROSS_M3,
        _real("gross_m3_ha", "Volume to apply on each hectare"),
        _real("peak_mm_day", "Greatest gross depth a day, the mean over one interval in the design year"),
        _real("peak_m3_day", "Greatest gross volume a day, the mean over one interval in the design year"),
        _text("sown", "How the crop starts", "dry", "moist", "standing"),
        _real("germination_mm", "Depth of the doses for germination, within gross"),
        _real("yield_loss_pct", "Loss of yield to expect from salt and managed deficit; empty where the "
              "crop's response is not known"))),
    Layer("demand_periods", "Water demand by period", "How the season's demand runs, period by period, in "
          "the design year.", None, (
        _BLOCK, _day("period_start", "First day"), _day("period_end", "Last day"),
        _real("et0_mm", "Reference evapotranspiration"),
        _real("kc", "Crop coefficient"), _ET_CROP, _RAIN, _NET, _GROSS, _GROSS_M3,
        _real("run_hours", "Hours that the block runs"))),
    Layer("supply_balance", "Supply balance", "Whether each source carries its own fields. No source is "
          "netted against another.", None, (
        _SOURCE, _whole("fields", "How many fields it serves"),
        _real("irrigated_ha", "Irrigated area that it serves"),
        _real("peak_m3_day", "Volume a day that its fields need in the peak"),
        _real("available_m3_day", "Volume a day that it can give"),
        _real("peak_share_pct", "Peak need as a share of what it can give"),
        _real("season_m3", "Volume that its fields need in the season"),
        _real("licence_m3", "Volume that may be taken in the season; empty if not stated"),
        _text("verdict", "Whether it suffices, in words"))),
    Layer("dripline_choices", "Choice of line", "Every dripline that a field lists, compared on the rows "
          "that were chosen: the one taken as laid, the others as the search has them.", None, (
        _FIELD, _text("dripline", "The dripline"),
        _yes("compensating", "Whether it is pressure compensating"),
        _real("bears_m", "Head that its wall bears"), _whole("blocks", "How many blocks it takes"),
        _real("over_tolerance_ha", "Land that would be out of tolerance"),
        _yes("within_tolerance", "Whether every block is within tolerance"),
        _real("uniformity_pct", "Emission uniformity of its least even block; empty where none was solved"),
        _real("cost_index", "Submain pipe, trench, valves and lateral fittings in the relative index", "kg"),
        _real("break_even_index_m", "What a metre of it may cost more than of the chosen line (less, where "
              "negative) before it is the dearer, in the index", "kg/m"),
        _real("break_even_m", "The same in the user's currency; empty without a price of pipe", "1/m"),
        _yes("chosen", "Whether it was taken"), _text("why", "Why it was taken, or not"))),
    Layer("shift_choices", "Number of shifts", "What more or fewer shifts would cost each source in a year: "
          "more need less flow at a time and thinner mains, but more hours.", None, (
        _SOURCE, _whole("shifts", "How many shifts"),
        _real("flow_m3h", "Greatest flow of a shift"),
        _real("hours_peak_day", "Hours of all shifts together in a day of the peak", "h"), _DUTY,
        _real("pipe_kg", "Weight of the mains", "kg"),
        _real("energy_kwh", "Energy of the pump in the season", "kWh"),
        _real("pipe_cost", "A year's share of pipe and trench", "see cost_unit"),
        _real("energy_cost", "Energy of a year", "see cost_unit"),
        _real("cost", "Both together", "see cost_unit"), _text("cost_unit", "Unit of the costs"),
        _real("grouping_gap_pct", "How far the grouping may be from the best, in hours and heads", "%"),
        _yes("fits", "Whether the hours suffice"), _yes("chosen", "Whether it is planned"))),
    Layer("irrigations", "Irrigations", "Each irrigation of the design year.", None, (
        _day("date", "Day on which it starts"), _ZONE, _SHIFT, _text("start", "Time of day, HH:MM"),
        _real("hours", "How long it runs"), _real("gross_mm", "Depth applied"),
        _real("volume_m3", "Volume applied"), _text("purpose", "What it is for"),
        _text("blocks", "Blocks whose valves open, each with the hours after which it is shut"))),
    Layer("nutrient_doses", "Nutrient doses", "What is injected, when, how fast, how long to rinse.", None, (
        _day("date", "Day of the injection"), _ZONE, _text("product", "Fertiliser"),
        _real("product_kg", "Fertiliser to dissolve"), _real("n_kg", "Nitrogen (N) in it"),
        _real("p2o5_kg", "Phosphorus in it, as P2O5"), _real("k2o_kg", "Potassium in it, as K2O"),
        _real("inject_l_h", "Rate of injection"), _text("inject_start", "Time of day, HH:MM"),
        _text("inject_end", "Time of day, HH:MM"),
        _real("rinse_min", "Clean water afterwards, at least the travel time to the last emitter"),
        _real("stock_l", "Stock solution to have ready"))),
    Layer("season_tasks", "Tasks of the season", "Laying, testing, flushing, treating and taking up: what, "
          "where and when.", None, (
        _day("date", "First day"), _day("end_date", "Last day"), _text("task", "What is done"),
        _text("target", "Where: id of a field, block, zone or source, or farm"),
        _real("quantity", "How much, in the unit beside it", "see unit"),
        _text("unit", "Unit of the quantity"),
        _text("note", "What to mind"))),
    Layer("quantities", "Quantities", "What to buy for the whole farm, from the lengths drawn.", None, (
        _text("item", "What"), _text("size", "Which size"), _text("unit", "Unit in which it is counted"),
        _real("drawn", "Quantity in the plan", "see unit"), _real("spare_pct", "Added for waste and repair"),
        _real("to_buy", "Quantity with what is added, in whole packs", "see unit"),
        _real("unit_price", "Price of one unit, in the user's currency; empty if not given", "currency"),
        _real("cost", "Price of it all, in the user's currency; empty without a price", "currency"),
        _PART,
        _real("pack", "What one pack holds, such as a reel; empty where it is sold singly", "see unit"),
        _whole("packs", "How many packs to buy"))),
    Layer("field_quantities", "Quantities by field", "What is drawn in each field and at each source.",
          None, (
        _text("where_id", "Id of a field or source, or farm"), _text("item", "What"),
        _text("size", "Which size"), _text("unit", "Unit in which it is counted"),
        _real("drawn", "Quantity in the plan, without spares", "see unit"), _PART)),
    Layer("costs", "Costs", "What each part costs at first and by year, by field, by source and for the "
          "farm. The part `all` of a field has its share of its source's supply in it. Empty without prices.",
          None, (
        _text("where_id", "Id of a field or source, or farm"),
        _text("part", "Part of the plan: as in quantities, or energy, labour, or all"),
        _real("irrigated_ha", "Irrigated area that it serves"),
        _real("first_cost", "What is paid before the first season", "currency"),
        _real("life_years", "Years until it is bought again; empty for what is paid each year", "years"),
        _real("year_cost", "A year's share of it, interest included, or what is paid each year", "currency"),
        _real("present_cost", "What all its years up to the horizon cost today", "currency"),
        _whole("unpriced", "How many of its items have no price and are not in the sums"),
        _real("year_cost_ha", "A year's cost for each irrigated hectare", "currency/ha"))),
    Layer("directions", "Directions", "The ways to run the rows of each field that were judged, with the "
          "line that was laid.", None, (
        _FIELD, _text("pattern", "How the rows would run", "straight", "facets", "contour"),
        _real("azimuth_deg", "Direction of the rows; of the largest part where there are several"),
        _text("dripline", "The dripline that it was judged with"),
        _text("search", "How closely its blocks were searched: not, as rows alone cost more than another way "
              "in all; at a glance; closely; or laid", "none", "rough", "close", "laid"),
        _whole("parts", "Parts with rows of their own"),
        _whole("blocks", "How many blocks it takes; 0 where rows alone cost more than another way in all"),
        _real("over_tolerance_ha", "Land in blocks out of tolerance"),
        _real("cost_index", "Relative index of pipe, valves, row ends, land lost and steep rows; empty "
              "without blocks; of a rough search an upper bound", "index"),
        _real("laid_index", "The same with uneven water, as laid; empty where it was not laid", "index"),
        _real("emission_uniformity_pct", "Design uniformity by land: as laid, else by the search, with "
              "what the tolerance leaves where a submain is still to be sized"),
        _real("row_grade_mean_pct", "Mean magnitude of the grade along the rows"),
        _real("row_grade_over_pct", "Land whose rows are steeper than the limit, of the field"),
        _real("cross_slope_max_pct", "Greatest slope across the rows"),
        _whole("short_rows", "Pieces of rows that are short for the machines"),
        _yes("chosen", "Whether it was taken"))),
    Layer("findings", "Findings", "What the user should look at: where, how much, and what to do.",
          "Geometry", (
        _text("finding_id", "The finding"),
        _text("severity", "How grave it is", "stop", "attention", "note"),
        _text("about", "The matter, in a word"), _text("what", "What was found"),
        _text("where_id", "Id of a field, block, valve or source, or farm"),
        _real("measured", "What was measured, in the unit beside it", "see unit"),
        _real("limit", "The limit that it was held against", "see unit"),
        _text("unit", "Unit of both"), _text("advice", "What to do"))),
    Layer("assumptions", "Assumptions", "Each value that the plan used, and where it is from.", None, (
        _text("key", "Name of the setting"), _text("value", "Value used"), _text("unit", "Its unit"),
        _text("source", "Where it is from"),
        _text("known", "How well it is known", "published", "common practice", "memory", "user"))),
)  # fmt: skip

LAYERS: dict[str, Layer] = {layer.name: layer for layer in _ALL}


def _layer_markdown(layer: Layer) -> list[str]:
    drawn = f"Geometry: {layer.geometry}." if layer.geometry else "A table, with no geometry."
    lines = [f"## `{layer.name}`: {layer.title}", "", f"{layer.description} {drawn}", ""]
    lines += ["| column | kind | unit | meaning |", "|---|---|---|---|"]
    for column in layer.columns:
        coded = f". One of: {', '.join(f'`{v}`' for v in column.values)}" if column.values else ""
        lines.append(f"| `{column.name}` | {column.kind} | {column.unit} | {column.description}{coded} |")
    return [*lines, ""]


def layers_markdown() -> str:
    """The reference page of all layers, as Markdown."""
    head = [
        "# The layers of a plan",
        "",
        "One GeoPackage holds them all, in this order. Every layer is always there, empty where there is",
        "nothing to say. More columns may follow those named here. A `*_head_m` is pressure head above the",
        "ground there, in metres of water, except `duty_head_m` and `head_loss_m`. Lengths follow the slope.",
        "Made by `python -m farmgis.layers`; do not edit by hand.",
        "",
    ]
    return "\n".join(head + [line for layer in _ALL for line in _layer_markdown(layer)])


if __name__ == "__main__":
    print(layers_markdown(), end="")
