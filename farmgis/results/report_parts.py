"""The parts of the report as words and tables, ready for the page."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas
from markupsafe import Markup, escape

from farmgis.records import LEAST_CHANCE_PCT
from farmgis.results.map_schedules import field_title, number
from farmgis.results.plan_rows import Rows
from farmgis.results.report_chart import bar_chart
from farmgis.results.styles import MAINS, SUBMAINS
from farmgis.words import amount_words, counted

MANY_FIELDS = 12
"""Fields beyond which each is closed until it is asked for."""

ALONG_DEG = 1.5
"""Rows that close to the contour are told to run along it."""

DAYS_OF_A_ROW = 7
"""The same task is one row of the tasks while it begins within so many days."""


@dataclass(frozen=True)
class Grid:
    """A table of the page: heads, rows of text, the columns that hold numbers, and an anchor a row."""

    heads: tuple[str, ...]
    rows: list[list[str]]
    numbers: frozenset[int] = frozenset()
    caption: str = ""


def grid(frame: pandas.DataFrame, columns: Sequence[tuple[str, str, int | None]], caption: str = "") -> Grid:
    """A table of a layer's rows: column, head, and digits (None for text)."""
    lines = []
    for row in frame.itertuples():
        lines.append([_cell(getattr(row, name), digits) for name, _, digits in columns])
    numbers = frozenset(i for i, (_, _, digits) in enumerate(columns) if digits is not None)
    return Grid(tuple(head for _, head, _ in columns), lines, numbers, caption)


def _cell(value: Any, digits: int | None) -> str:
    if value is None or value != value:
        return "–"
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "NO"
    return str(value) if digits is None else f"{value:,.{digits}f}"


# ---- the summary ------------------------------------------------------------------------------------


def tiles(rows: Rows) -> list[dict[str, str]]:
    """The figures that are read first: name, value, what stands below."""
    fields, blocks = rows["fields"], rows["blocks"]
    planned = int((fields.status != "not planned").sum())
    found = [
        {
            "name": "fields planned",
            "value": f"{planned} of {len(fields)}",
            "note": f"{blocks.area_ha.sum():,.1f} of {fields.area_ha.sum():,.1f} ha irrigated",
        },
    ]
    if len(blocks):
        over = int((blocks.within_tolerance == False).sum())  # noqa: E712 - a column may hold gaps
        found += [
            {
                "name": "blocks",
                "value": f"{len(blocks)}",
                "note": f"in {len(rows['zones'])} shifts; "
                + ("all within tolerance" if not over else f"{over} OUT of tolerance"),
            },
            {
                "name": "dripline",
                "value": f"{blocks.dripline_m.sum() / 1000.0:,.0f} km",
                "note": f"{len(rows['laterals']):,} laterals, {blocks.emitters.sum():,.0f} emitters",
            },
        ]
    season = rows["season_demand"]
    if len(season):
        assumed = " (assumed, not computed for this place)" if (season.basis == "assumed").any() else ""
        found.append(
            {
                "name": "water in the season",
                "value": f"{_round_volume(season.gross_m3.sum()):,.0f} m³",
                "note": f"peak {season.peak_m3_day.sum():,.0f} m³ a day{assumed}",
            }
        )
    works = rows["headworks"]
    if len(works):
        found.append(
            {
                "name": "pumps",
                "value": f"{works.pump_kw.sum():,.0f} kW",
                "note": "; ".join(
                    f"{h.name or h.source_id} {number(h.flow_m3h, 0)} m³/h at {number(h.duty_head_m, 0)} m"
                    for h in list(works.itertuples())[:4]
                ),
            }
        )
    return [*found, *cost_tile(rows)]


def cost_tile(rows: Rows) -> Iterator[dict[str, str]]:
    """What the farm costs, as the layer `costs` has it; nothing without prices."""
    costs = rows["costs"]
    for c in costs[(costs.where_id == "farm") & (costs.part == "all")].itertuples():
        at_first, a_year = number(c.first_cost, 0), number(c.year_cost, 0)
        without = f"; no price for {counted(int(c.unpriced), 'item')}" if c.unpriced else ""
        if at_first or a_year:
            value = f"{currency(rows)} {at_first or a_year}".strip()
            told = f"{a_year} a year, at the prices given{without}"
            yield {"name": "cost at first" if at_first else "cost of a year", "value": value, "note": told}


def currency(rows: Rows) -> str:
    """What prices are in, as the user wrote it; nothing where it is not told."""
    told = rows["assumptions"]
    return next((str(v) for v in told[told.key == "prices.currency"].value), "")


def sources(rows: Rows) -> list[dict[str, Any]]:
    """Each source: what its fields need at the peak against what it gives."""
    found = []
    for s in rows["supply_balance"].itertuples():
        share = s.peak_share_pct
        found.append(
            {
                "id": str(s.source_id),
                "verdict": str(s.verdict or "not judged"),
                "share": share if share == share else None,
                "good": str(s.verdict) == "sufficient",
                "words": f"peak {number(s.peak_m3_day, 0, '?')} of "
                f"{number(s.available_m3_day, 0, '?')} m³ a day"
                + (f" ({share:.0f} %)" if share == share else ""),
            }
        )
    return found


def worst_emitter(rows: Rows) -> str:
    """The emitter that is worst off, of the block nearest to its tolerance."""
    from farmgis.results.report_profiles import worst_block

    block = worst_block(rows["blocks"])
    if block is None:
        return ""
    emitters = rows["extreme_emitters"]
    low = emitters[(emitters.block_id == block.block_id) & (emitters.which == "lowest")]
    place = ""
    if len(low):
        e = next(low.itertuples())
        place = (
            f": {number(e.head_m, 1)} m of head and {number(e.flow_l_h, 2)} l/h at "
            f"{short(e.chainage_m)} m along lateral {e.lateral_id}"
        )
    little = "; its line is compensating, so that matters little"
    compensating = block.tolerance_kind == "pressure_compensating"
    return (
        f"Worst emitter, in block {block.block_id}{place}. The block's heads go from "
        f"{number(block.head_min_m, 1)} to {number(block.head_max_m, 1)} m, a variation of "
        f"{number(block.head_variation_pct, 0)} %{little if compensating else ''}. Its design emission "
        f"uniformity is {number(block.emission_uniformity_pct, 0)} %."
    )


# ---- a field ----------------------------------------------------------------------------------------


def why_direction(f: Any) -> list[str]:
    """Why the rows of a field run as they do, in sentences."""
    if f.row_azimuth_deg != f.row_azimuth_deg:
        return []
    row, contour = float(f.row_azimuth_deg), float(f.contour_azimuth_deg)
    cost = float(getattr(f, "cost_index", np.nan))
    along = float(getattr(f, "contour_cost_index", np.nan))
    bent = _bent(f, row)
    found = [bent or _choice(row, contour, cost, along)]
    if contour == contour:
        error = float(f.direction_error_deg)
        sure = "less than 0.1" if error < 0.05 else f"± {number(error, 1, '?')}"
        found.append(
            f"The contour direction is known to {sure} degrees; the ground's agreement with "
            "one direction is "
            f"{number(f.direction_agreement, 2, 'not known')} (1 is best)."
        )
    found.append(
        f"Along the rows the grade is {number(f.row_grade_mean_pct, 1, '?')} % in the mean and "
        f"{number(f.row_grade_max_pct, 1, '?')} % "
        f"at most; across them the slope reaches {number(f.cross_slope_max_pct, 1, '?')} %."
    )
    if f.cross_slope_max_pct == f.cross_slope_max_pct and f.cross_slope_max_pct > 10.0:
        found.append(
            "Over 10 % across the rows tractors are in danger: keep to the machine's manual, "
            "with roll-over protection and belt."
        )
    return found


def _bent(f: Any, row: float) -> str | None:
    """What is said of rows that do not run one way; None of rows that do."""
    parts = number(f.row_parts, 0, "several")
    if f.row_pattern == "contour":
        return (
            f"The rows bend with the contours, in {parts} parts; in the mean they run at {row:.0f}°. "
            "What straight rows would ask is drawn here and told among the findings."
        )
    if f.row_pattern == "facets":
        return (
            f"The field is laid in {parts} facets, each with straight rows of its own; in the mean they run "
            f"at {row:.0f}°. What other ways would ask is drawn here and told among the findings."
        )
    return None


def _choice(row: float, contour: float, cost: float, along: float) -> str:
    if contour != contour:
        return f"The rows run at {row:.0f}°; the ground is too flat to have a contour direction of its own."
    off = abs((row - contour + 90.0) % 180.0 - 90.0)
    if along != along:
        return (
            f"The rows run at {row:.0f}°, {off:.0f}° off the contour ({contour:.0f}°). No other "
            "direction was compared: it "
            "was stated, or no other could be laid out."
        )
    if off <= ALONG_DEG:
        return (
            f"The rows run along the contour, at {row:.0f}°: of the directions tried it costs "
            f"least (index {cost:,.0f})."
        )
    return (
        f"The rows run at {row:.0f}°, {off:.0f}° off the contour ({contour:.0f}°), because that "
        "costs less: an index of "
        f"{cost:,.0f} against {along:,.0f} along the contour. The index is kilograms of pipe, not money."
    )


BLOCKS = (
    ("block_id", "block", None),
    ("words", "runs in", None),
    ("area_ha", "ha", 1),
    ("flow_m3h", "flow, m³/h", 1),
    ("valve_head_m", "head at the valve, m", 1),
    ("head_min_m", "lowest emitter, m", 1),
    ("head_max_m", "highest, m", 1),
    ("head_variation_pct", "variation, %", 0),
    ("elevation_range_m", "by the ground alone, m", 1),
    ("emission_uniformity_pct", "uniformity, %", 0),
    ("application_mm_h", "mm/h", 2),
    ("travel_time_min", "travel, min", 0),
    ("drain_out_m3", "drains out, m³", 1),
    ("flush_flow_m3h", "flushing, m³/h", 1),
    ("within_tolerance", "within", None),
)


def block_grid(own: pandas.DataFrame, words: dict[str, str]) -> Grid:
    """Blocks of a field; `words` tell each block's shift."""
    own = own.assign(words=[words.get(b, "") for b in own.block_id])
    return grid(own, BLOCKS, "Blocks of the field")


def fields_grid(rows: Rows) -> tuple[Grid, list[str]]:
    """All fields in short, and the id of each."""
    own = rows["fields"].assign(title=[field_title(f) for f in rows["fields"].itertuples()])
    columns = (
        ("title", "field", None),
        ("crop", "crop", None),
        ("irrigated_ha", "irrigated, ha", 1),
        ("slope_mean_pct", "slope, %", 1),
        ("row_azimuth_deg", "rows, °", 0),
        ("row_grade_max_pct", "row grade, %", 1),
        ("cross_slope_max_pct", "across, %", 1),
        ("dripline", "line", None),
        ("blocks", "blocks", 0),
        ("flow_m3h", "m³/h", 0),
        ("source_id", "source", None),
        ("status", "status", None),
    )
    return grid(own, columns, "Fields"), [str(i) for i in own.field_id]


def _round_volume(volume_m3: float) -> float:
    """A season's water as exactly as it is known: to a thousand, or to ten where it is little. [m3]"""
    return round(volume_m3, -3 if volume_m3 >= 100_000.0 else -1)


def findings(rows: Rows, of: set[str] | None = None) -> list[dict[str, str]]:
    """Findings, gravest first; of some ids only where they are given."""
    frame = rows["findings"]
    if of is not None:
        frame = frame[frame.where_id.isin(of)]
    order = {"stop": 0, "attention": 1, "note": 2}
    made = []
    for f in sorted(frame.itertuples(), key=lambda f: order.get(f.severity, 3)):
        measured = ""
        if f.measured == f.measured:
            limit = "" if f.limit != f.limit else f"; limit {short(f.limit)}"
            measured = f"{short(f.measured)}{limit} {f.unit or ''}".strip()
        made.append(
            {
                "id": str(f.finding_id),
                "severity": str(f.severity or ""),
                "about": str(f.about or ""),
                "where": str(f.where_id or ""),
                "what": _sentence(f.what),
                "measured": measured,
                "advice": _sentence(f.advice),
            }
        )
    return made


def short(value: float) -> str:
    """A number as its reader needs it: whole from a hundred on, else three figures.

    >>> short(13758.39), short(2.2877), short(0.0)
    ('13,758', '2.29', '0')
    """
    return f"{value:,.0f}" if abs(value) >= 100.0 else f"{float(f'{value:.3g}'):g}"


def prose(text: Any) -> Markup:
    """A finding's words as they are read: keys of the farm file as code, cubic metres with their sign.

    >>> prose("store 342 m3, or set `block_max_ha` <b>")
    Markup('store 342 m³, or set <code>block_max_ha</code> &lt;b&gt;')
    """
    safe = str(escape(text))
    return Markup(re.sub(r"`([^`\n]{1,60})`", r"<code>\1</code>", re.sub(r"\bm3\b", "m³", safe)))


def _sentence(text: Any) -> str:
    words = str(text or "").strip()
    return words[:1].upper() + words[1:] + ("" if not words or words.endswith((".", "!", "?")) else ".")


# ---- water ------------------------------------------------------------------------------------------


def demand_chart(rows: Rows) -> Markup | None:
    """Gross volume by month of the design year, a bar a source."""
    periods = rows["demand_periods"]
    periods = periods[periods.period_start.notna() & periods.gross_m3.notna()]
    if periods.empty:
        return None
    source = dict(zip(rows["valves"].block_id, rows["valves"].source_id, strict=True))
    month = [d.month for d in periods.period_start]
    by = periods.assign(source=[source.get(b) or "no source" for b in periods.block_id], month=month)
    sums = by.groupby(["source", "month"]).gross_m3.sum()
    months = sorted(set(month), key=lambda m: (m - min(month)) % 12)
    names = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    colours = (SUBMAINS[2], MAINS[0], "#d99a2b", "#8fc3de")
    series = [
        (str(s), colours[i % 4], [float(sums.get((s, m), 0.0)) for m in months])
        for i, s in enumerate(dict.fromkeys(by.source))
    ]
    told = "Water to apply by month of the design year: " + "; ".join(
        f"{name} {sum(values):,.0f} m³ in the season" for name, _, values in series
    )
    return bar_chart(told, [names[m - 1] for m in months], series, "m³")


def supply_chart(rows: Rows) -> Markup | None:
    """Peak need of each source as bars, what it can give as marks."""
    balance = rows["supply_balance"]
    if balance.empty or not balance.peak_m3_day.notna().all():
        return None
    gives = balance.available_m3_day.fillna(0.0).tolist()
    told = "Peak need against what the source can give, m³ a day: " + "; ".join(
        f"{s.source_id} {number(s.peak_m3_day, 0)} of {number(s.available_m3_day, 0, 'unknown')}"
        for s in balance.itertuples()
    )
    series = [("needed at the peak", SUBMAINS[1], balance.peak_m3_day.tolist())]
    return bar_chart(told, [str(i) for i in balance.source_id], series, "m³ a day", ("it can give", gives))


def zone_irrigations(rows: Rows) -> Grid | None:
    """The runs of each shift: how many, hours, volume, first and last day."""
    runs = rows["irrigations"]
    runs = runs[runs["date"].notna()]
    if runs.empty:
        return None
    lines = []
    area_ha = dict(zip(rows["zones"].zone_id, rows["zones"].area_ha, strict=True))
    for zone_id, own in runs.groupby("zone_id"):  # often some of its blocks run alone: depths do not add up
        lines.append(
            [
                str(zone_id),
                f"{len(own)}",
                f"{own.hours.sum():,.0f}",
                f"{own.volume_m3.sum():,.0f}",
                number(own.volume_m3.sum() / area_ha[zone_id] / 10.0, 0) if zone_id in area_ha else "–",
                _days(min(own["date"]), None),
                _days(max(own["date"]), None),
            ]
        )
    heads = ("zone", "runs", "hours", "m³", "mm", "first", "last")
    years = "/".join(str(year) for year in sorted({day.year for day in runs["date"]}))
    return Grid(
        heads,
        lines,
        frozenset((1, 2, 3, 4)),
        f"Irrigations by zone, by the days of {years}; each run is in the layer and in plan.ics",
    )


def tasks(rows: Rows) -> list[dict[str, str]]:
    """The tasks of the season; the same task with the same note is one row where its days are near."""
    found: list[dict[str, Any]] = []
    begun: dict[tuple[str, str], dict[str, Any]] = {}
    for t in rows["season_tasks"].itertuples():
        key = (str(t.task), str(t.note or ""))
        if key not in begun or (t.date - begun[key]["first"]).days >= DAYS_OF_A_ROW:
            begun[key] = {"key": key, "first": t.date, "last": t.end_date or t.date, "where": []}
            found.append(begun[key])
        row = begun[key]
        row["last"] = max(filter(None, (row["last"], t.end_date, t.date)), default=None)
        row["where"].append((t.target, _days(t.date, t.end_date), _amount(t.quantity, t.unit)))
    return [_task(row) for row in found]


def _task(row: dict[str, Any]) -> dict[str, str]:
    one_day = len({days for _, days, _ in row["where"]}) == 1
    places = [
        " ".join(filter(None, (str(p), "" if one_day else days, amount))) for p, days, amount in row["where"]
    ]
    task, note = row["key"]
    return {"days": _days(row["first"], row["last"]), "task": task, "note": note, "where": ", ".join(places)}


def _days(first: Any, last: Any) -> str:
    if first is None:
        return ""
    begin = f"{first.day} {first:%b}"
    return begin if last is None or last == first else f"{begin} to {last.day} {last:%b}"


def _amount(quantity: float, unit: str | None) -> str:
    return "" if quantity != quantity else f"({amount_words(quantity, unit or '').strip()})"


# ---- what a reviewer asks ---------------------------------------------------------------------------


def questions(rows: Rows) -> list[tuple[str, str]]:
    """The questions of a reviewer with what the plan answers, or that it does not."""
    if rows["blocks"].empty:
        return []
    asked = [*_of_the_ground(rows), *_of_the_water(rows), *_of_the_supply(rows)]
    return [(question, _sentence(answer)) for question, answer in asked]


def _most(rows: Rows, column: str, unit: str) -> str:
    """The greatest value of a column of the fields, and in which field."""
    planned = rows["fields"][rows["fields"].status != "not planned"]
    if not planned[column].notna().any():
        return "not known"
    f = planned.loc[planned[column].idxmax()]
    return f"{f[column]:.1f} {unit}, in {f['name'] or f.field_id}"


def _listed(values: Any, none: str) -> str:
    return ", ".join(map(str, values)) or none


def _of_the_ground(rows: Rows) -> list[tuple[str, str]]:
    fields, blocks = rows["fields"], rows["blocks"]
    error = blocks.elevation_error_m
    apart = blocks.head_max_m - blocks.head_min_m
    plain = apart[blocks.tolerance_kind != "pressure_compensating"]
    least = plain.min() if len(plain) else apart.min()
    sure = "the elevation model's error is not known: level the worst emitters"
    if error.notna().any():
        sure = (
            f"the elevation model's error that was stated or found is up to {error.max():.2f} m in a block, "
            f"against {least:.1f} m or more between the heads of its emitters"
        )
    known = {a.key: a for a in rows["assumptions"].itertuples()}
    taken, alike = known.get("elevation.vertical_error_m"), known.get("elevation.correlation_m")
    if taken is not None and alike is not None:
        sure = (
            f"an error of {taken.value} m, alike over {alike.value} m, is taken ({taken.known}); a block's "
            f"heads differ by {least:.1f} m or more{_unsure(blocks)}"
        )
    steep = fields[(fields.status != "not planned") & (fields.slope_p95_pct > 5.0)]
    names = _listed(steep["name"].fillna(steep.field_id), "nowhere")
    along, across = _most(rows, "row_grade_max_pct", "%"), _most(rows, "cross_slope_max_pct", "%")
    refused = fields.field_id[fields.status == "not planned"]
    return [
        ("How sure are the heights?", sure),
        ("Where is it steep?", f"in the mean most {_most(rows, 'slope_mean_pct', '%')}; over 5 % on a "
         f"twentieth of the land or more: {names}"),
        ("Which worst grade along the rows, and across them?", f"along {along}; across {across}"),
        ("Where does runoff gather, and where does it leave?", "not planned here: walk the land "
        "with the soil "
         "conservation service"),
        ("Which land should not be dripped?", _listed(refused, "none was refused")),
    ]  # fmt: skip


def _unsure(blocks: pandas.DataFrame) -> str:
    """How many blocks may leave their tolerance by that error, in words."""
    told = blocks[blocks.chance_within_tolerance_pct.notna()]
    few = int((told.chance_within_tolerance_pct < LEAST_CHANCE_PCT).sum())
    if not few:
        return ""
    return (
        f". The chance to keep the tolerance is under {LEAST_CHANCE_PCT:g} % in {few} of "
        f"{counted(len(told), 'block')}: survey the ground of their worst emitters"
    )


def _of_the_water(rows: Rows) -> list[tuple[str, str]]:
    blocks = rows["blocks"]
    compensating = blocks.field_id[blocks.tolerance_kind == "pressure_compensating"].unique()
    uniformity, drains = blocks.emission_uniformity_pct, blocks.drain_out_m3
    out = "not reckoned"
    if drains.notna().any():
        most = blocks.loc[drains.idxmax(), "block_id"]
        out = f"{drains.sum():,.1f} m³ in all, most from {most} ({drains.max():.1f} m³), at its low end"
    return [
        ("Where is compensating line needed?", _listed(compensating, "nowhere in this plan")),
        ("Which emitter is worst?", worst_emitter(rows)),
        ("How uniform, new?", f"design emission uniformity {uniformity.min():.0f} to "
        f"{uniformity.max():.0f} %; "
         "clogging is not in it: measure it each season"),
        ("What drains out at shut-off, and where?", out),
    ]  # fmt: skip


def _of_the_supply(rows: Rows) -> list[tuple[str, str]]:
    static = pandas.concat([rows["mains"].static_head_max_m, rows["submains"].static_head_max_m]).max()
    surge = rows["mains"].surge_head_max_m.max()
    most = "not planned"
    if static == static:
        most = f"at rest {static:.0f} m; with surge " + (
            f"{surge:.0f} m" if surge == surge else "not reckoned"
        )
    kinds = rows["fittings"].kind.value_counts()
    regulated = int((rows["valves"].regulated == True).sum())  # noqa: E712 - a column may hold gaps
    fittings = [f"{n} × {kind}" for kind, n in kinds.items()]
    fittings = fittings or [f"{regulated} regulated block valves; fittings are not planned"]
    balance = rows["supply_balance"]
    short_ = [str(s.source_id) for s in balance.itertuples() if str(s.verdict).startswith("short")]
    peak = "no source was given" if balance.empty else "yes, as far as stated"
    return [
        ("Greatest pressure at rest and with surge?", most),
        ("Where are regulators, air valves, drains?", ", ".join(fittings)),
        ("Can each source meet its own peak?", f"no: {', '.join(short_)}" if short_ else peak),
    ]
