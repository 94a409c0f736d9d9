"""The report of a plan: one HTML file that opens anywhere, with no network."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any

import pandas
from markupsafe import Markup

from farmgis import __version__
from farmgis.records import Plan
from farmgis.results import report_parts as parts
from farmgis.results import report_profiles as profiles
from farmgis.results import report_words as words
from farmgis.results.direction_chart import direction_chart
from farmgis.results.map_legend import nth
from farmgis.results.map_page import printable
from farmgis.results.map_schedules import field_title, number
from farmgis.results.map_sheets import crs_words, shift_words
from farmgis.results.plan_rows import Rows, plan_rows
from farmgis.results.report_map import halves, map_data, still_map
from farmgis.results.report_parts import Grid, grid
from farmgis.results.report_profiles import Redone

CHARTED_FIELDS = 60
"""Fields beyond which heads are drawn only for fields that need attention: the file has to stay small."""

MOST_CHARTED = 120
HELD_FIELDS = 60
"""Fields beyond which a script unfolds the text of each when it is asked for: the page has to open fast."""

MOST_ROWS = 400
"""Rows of a table beyond which the layers have to be asked."""


def report_html(plan: Plan, redo: Redone) -> str:
    """The whole report as text. `redo` brings the hydraulics with which profiles are drawn."""
    rows = plan_rows(plan)
    data = map_data(rows)
    scripts = {"leaflet_js": _file("leaflet", "leaflet.js"), "page_js": _file("report_page", "page.js")}
    context: dict[str, Any] = {
        "farm": printable(plan.name, 200),
        "version": __version__,
        "crs": crs_words(plan.crs),
        "css": Markup(_leaflet_css() + _file("report_page", "page.css")),
        "licence": _file("leaflet", "LICENSE"),
        "script_hashes": Markup(" ").join(Markup("'sha256-{}'").format(_digest(s)) for s in scripts.values()),
        "contents": _contents(data is not None, len(rows["blocks"]) > 0),
        "map_json": [] if data is None else [Markup(_json(half)) for half in halves(data)],
        "json_of_html": _json_of_html,
        "each": 1 if data is None else data["each"],
        "each_words": nth(1 if data is None else data["each"]),
        "still": "" if data is None else still_map(data),
        **{name: Markup(text) for name, text in scripts.items()},
        **_summary(rows),
        **_fields(rows, redo),
        **_supply(rows, redo),
        **_season(rows),
        **_rest(rows),
    }
    return str(_template().render(context))


# ---- parts of the page ------------------------------------------------------------------------------


def _contents(has_map: bool, has_blocks: bool) -> list[tuple[str, str]]:
    found = [
        ("summary", "Summary"),
        *([("map-section", "Map")] if has_map else []),
        ("fields", "Fields"),
        ("supply", "Water supply"),
        ("season", "Season"),
        ("quantities", "Quantities and cost"),
        ("findings", "Findings"),
        *([("questions", "What a reviewer asks")] if has_blocks else []),
        ("assumptions", "Assumptions"),
        ("cautions", "Cautions"),
        ("open", "Open, and who signs"),
    ]
    return found


def _summary(rows: Rows) -> dict[str, Any]:
    found = parts.findings(rows)
    return {
        "tiles": parts.tiles(rows),
        "sources": parts.sources(rows),
        "worst": parts.worst_emitter(rows),
        "findings": found,
        "grave": [f for f in found if f["severity"] != "note"],
        "questions": parts.questions(rows),
    }


def _fields(rows: Rows, redo: Redone) -> dict[str, Any]:
    table, _ = parts.fields_grid(rows)
    fields = list(rows["fields"].itertuples())
    charted = _charted(rows["fields"])
    shifts = shift_words(rows)
    return {
        "fields_grid": table,
        "many": len(fields) > parts.MANY_FIELDS,
        "held": len(fields) > HELD_FIELDS,
        "fields": [_field(rows, f, i, redo, i in charted, shifts) for i, f in enumerate(fields)],
    }


def _charted(fields: pandas.DataFrame) -> set[int]:
    """Places of the fields whose heads are drawn."""
    if len(fields) <= CHARTED_FIELDS:
        return set(range(len(fields)))
    return {i for i, s in enumerate(fields.status) if s == "attention"} & set(range(MOST_CHARTED))


def _field(
    rows: Rows, f: Any, place: int, redo: Redone, charted: bool, shifts: dict[str, str]
) -> dict[str, Any]:
    blocks = rows["blocks"][rows["blocks"].field_id == f.field_id]
    worst = profiles.worst_block(blocks)
    own = rows | {"blocks": blocks}
    charts: list[Markup] = []
    if charted and worst is not None:
        lateral = profiles.lateral_chart(rows, worst.block_id, str(f.dripline), redo)
        charts = [*([lateral] if lateral else []), *profiles.submain_charts(rows, worst.block_id, redo)]
    return {
        "place": place,
        "title": field_title(f),
        "short": f"{f.crop or ''}, {number(f.irrigated_ha, 1, '?')} of {number(f.area_ha, 1, '?')} ha, "
        f"{f.status}",
        "why": parts.why_direction(f),
        "worst": parts.worst_emitter(own),
        "findings": parts.findings(rows, {str(f.field_id), *map(str, blocks.block_id)}),
        "blocks": parts.block_grid(blocks, shifts) if len(blocks) else None,
        "charted": "" if worst is None else worst.block_id,
        "charts": charts,
        "ways": _ways_chart(rows, f) if charted else None,
        "lines": _lines(rows, f),
    }


def _ways_chart(rows: Rows, f: Any) -> Markup | None:
    """What other directions and patterns of the rows would cost, drawn; None where one alone was judged."""
    own = rows["directions"][rows["directions"].field_id == f.field_id]
    if len(own) < 2:
        return None
    return Markup(direction_chart(own.to_dict("records"), f"{field_title(f)}: ways to run the rows"))


def _lines(rows: Rows, f: Any) -> Grid | None:
    """The driplines compared for a field; None where there was one alone."""
    own = rows["dripline_choices"][rows["dripline_choices"].field_id == f.field_id]
    if len(own) < 2:
        return None
    columns = (
        ("dripline", "line", None),
        ("blocks", "blocks", 0),
        ("over_tolerance_ha", "out of tolerance, ha", 1),
        ("uniformity_pct", "uniformity, %", 0),
        ("cost_index", "index, without the line", 0),
        ("break_even_m", "break-even a metre, at your prices", 3),
        ("why", "taken or not", None),
    )
    return _some(own, columns, "Lines compared")


def _some(
    frame: pandas.DataFrame, columns: Sequence[tuple[str, str, int | None]], caption: str
) -> Grid | None:
    """A table of a layer's rows, None without rows; of very many the first, and its caption says so."""
    if len(frame) > MOST_ROWS:
        caption = f"{caption}: the first {MOST_ROWS} of {len(frame):,}; the layer has all"
    return grid(frame.iloc[:MOST_ROWS], columns, caption) if len(frame) else None


def _supply(rows: Rows, redo: Redone) -> dict[str, Any]:
    return {
        "balance": _some(
            rows["supply_balance"],
            (
                ("source_id", "source", None),
                ("fields", "fields", 0),
                ("irrigated_ha", "ha", 1),
                ("peak_m3_day", "peak need, m³/day", 0),
                ("available_m3_day", "it can give, m³/day", 0),
                ("peak_share_pct", "share, %", 0),
                ("season_m3", "season, m³", 0),
                ("licence_m3", "licence, m³", 0),
                ("verdict", "verdict", None),
            ),
            "Each source against its own fields",
        ),
        "supply_chart": parts.supply_chart(rows),
        "headworks": _some(
            rows["headworks"],
            (
                ("name", "source", None),
                ("flow_m3h", "flow, m³/h", 0),
                ("duty_head_m", "duty head, m", 1),
                ("pump_kw", "shaft, kW", 1),
                ("filter_micron", "filter, micron", 0),
                ("filter_flow_m3h", "filter for, m³/h", 0),
                ("energy_kwh_m3", "kWh/m³", 2),
                ("npsh_available_m", "NPSH available, m", 1),
            ),
            "Pump and filter of each source",
        ),
        "duties": _some(
            rows["pump_duties"],
            (
                ("source_id", "source", None),
                ("shift", "shift", 0),
                ("flow_m3h", "flow, m³/h", 0),
                ("duty_head_m", "duty head, m", 1),
                ("pump_kw", "shaft, kW", 1),
                ("npsh_available_m", "NPSH available, m", 1),
            ),
            "What each shift asks of the pump",
        ),
        "choices": _some(
            rows["shift_choices"],
            (
                ("source_id", "source", None),
                ("shifts", "shifts", 0),
                ("flow_m3h", "flow, m³/h", 0),
                ("hours_peak_day", "hours in a day of the peak", 1),
                ("duty_head_m", "duty head, m", 1),
                ("pipe_cost", "pipe and trench, a year", 0),
                ("energy_cost", "energy, a year", 0),
                ("cost", "both", 0),
                ("cost_unit", "in", None),
                ("chosen", "planned", None),
            ),
            "More shifts or fewer: what each would cost",
        ),
        "zones": _some(
            rows["zones"],
            (
                ("zone_id", "zone", None),
                ("source_id", "source", None),
                ("shift", "shift", 0),
                ("blocks", "blocks", 0),
                ("area_ha", "ha", 1),
                ("flow_m3h", "flow, m³/h", 0),
                ("run_hours_peak", "hours a turn at the peak", 1),
                ("season_m3", "season, m³", 0),
                ("season_mm", "season, mm", 0),
            ),
            "Shifts: what runs together",
        ),
        "mains": _some(
            rows["mains"],
            (
                ("main_id", "main", None),
                ("from_node", "from", None),
                ("to_node", "to", None),
                ("material", "material", None),
                ("nominal_mm", "size, mm", 0),
                ("pressure_class_bar", "class, bar", 0),
                ("length_m", "m", 0),
                ("design_flow_m3h", "flow, m³/h", 0),
                ("velocity_m_s", "m/s", 2),
                ("head_loss_m", "lost, m", 1),
                ("static_head_max_m", "at rest, m", 0),
                ("surge_head_max_m", "with surge, m", 0),
            ),
            "Mains",
        ),
        "main_charts": [chart for _, chart in profiles.main_charts(rows, redo)],
        "fittings": _some(
            rows["fittings"],
            (
                ("fitting_id", "fitting", None),
                ("kind", "kind", None),
                ("size_mm", "size, mm", 0),
                ("on_id", "on", None),
                ("elevation_m", "height, m", 1),
                ("reason", "why", None),
            ),
            "Fittings",
        ),
        "mains_caution": words.caution(*words.MAINS_CAUTION),
    }


def _season(rows: Rows) -> dict[str, Any]:
    return {
        "demand_chart": parts.demand_chart(rows),
        "runs": parts.zone_irrigations(rows),
        "doses": _some(
            rows["nutrient_doses"],
            (
                ("date", "day", None),
                ("zone_id", "zone", None),
                ("product", "product", None),
                ("product_kg", "kg", 0),
                ("n_kg", "N, kg", 0),
                ("inject_l_h", "inject, l/h", 0),
                ("inject_start", "from", None),
                ("inject_end", "to", None),
                ("rinse_min", "rinse, min", 0),
            ),
            "Nutrients with the water",
        ),
        "tasks": parts.tasks(rows)[:MOST_ROWS],
        "tasks_caution": words.caution(*words.TASKS_CAUTION),
        "injection_caution": words.caution(*words.INJECTION_CAUTION),
    }


def _costs(rows: Rows) -> Grid | None:
    """The farm's cost by part, then each field's and source's in all."""
    costs = rows["costs"]
    short = pandas.concat(
        [costs[costs.where_id == "farm"], costs[(costs.where_id != "farm") & (costs.part == "all")]]
    )
    columns = (
        ("where_id", "where", None),
        ("part", "part", None),
        ("irrigated_ha", "ha", 1),
        ("first_cost", "at first", 0),
        ("life_years", "years", 0),
        ("year_cost", "a year", 0),
        ("year_cost_ha", "a year and hectare", 0),
        ("present_cost", "all years, today", 0),
        ("unpriced", "items without price", 0),
    )
    return _some(short, columns, f"Cost, at the prices given{_in_currency(rows)}")


def _in_currency(rows: Rows) -> str:
    told = parts.currency(rows)
    return f", in {told}" if told else ""


def _commissioning(rows: Rows) -> str:
    """What is to be measured when the system is new, in a sentence."""
    points = rows["test_points"]
    if points.empty:
        return ""
    measured = int((points.measured_head_m.notna() | points.measured_flow_l_h.notna()).sum())
    return (
        f"Commissioning: {len(points):,} points to measure in {points.block_id.nunique():,} blocks, with the "
        f"heads and flows expected there, are in the layer test_points; {measured:,} are measured."
    )


def _rest(rows: Rows) -> dict[str, Any]:
    counts = rows["assumptions"].known.value_counts()
    told = ", ".join(f"{n} {known}" for known, n in counts.items())
    return {
        "quantities": _some(
            rows["quantities"],
            (
                ("item", "item", None),
                ("size", "size", None),
                ("unit", "unit", None),
                ("drawn", "in the plan", 0),
                ("spare_pct", "spare, %", 0),
                ("to_buy", "to buy", 0),
                ("unit_price", "unit price", 2),
                ("cost", "cost", 0),
            ),
            "What to buy" + _in_currency(rows).replace(", in", "; prices in"),
        ),
        "assumptions": grid(
            rows["assumptions"],
            (
                ("key", "setting", None),
                ("value", "value", None),
                ("unit", "unit", None),
                ("source", "source", None),
                ("known", "known by", None),
            ),
            "Every value that the plan took",
        ),
        "known_words": f"How they are known: {told}." if told else "None are listed.",
        "costs": _costs(rows),
        "commissioning": _commissioning(rows),
        "cautions": words.CAUTIONS,
        "open": words.OPEN,
    }


# ---- the page's own files ---------------------------------------------------------------------------


@cache
def _file(folder: str, name: str) -> str:
    text = (resources.files("farmgis.results") / folder / name).read_text("utf-8")
    return re.sub(r"\n?//# sourceMappingURL=\S*\s*$", "", text)  # a browser would ask for that file


def _leaflet_css() -> str:
    """Leaflet's style without the pictures that it would ask for; the report uses none of them."""
    return re.sub(r"[^{};]*:\s*url\([^)]*\);", "", _file("leaflet", "leaflet.css"))


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")


def _json(data: Any) -> str:
    """Data for a script element: nothing in it can end the element."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _json_of_html(parts: Sequence[str]) -> Markup:
    """Pieces of finished HTML as a list for a script element: nothing in them can end the element."""
    text = json.dumps([str(p) for p in parts], ensure_ascii=False, separators=(",", ":"))
    return Markup(text.replace("</", "<\\/").replace("<!", "\\u003c!"))


@cache
def _template() -> Any:
    import jinja2

    files = jinja2.FunctionLoader(lambda name: _file("report_page", name))
    environment = jinja2.Environment(loader=files, autoescape=True, trim_blocks=True)
    environment.filters["prose"] = parts.prose
    return environment.get_template("page.html.jinja")
