"""A laid-out field as rows of the layers."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from farmgis.hydraulics.emitters import emitter_flow_l_h
from farmgis.hydraulics.friction import velocity_m_s
from farmgis.planning.block_states import BlockStates, block_states
from farmgis.planning.directions import direction_table
from farmgis.planning.grades import grades
from farmgis.planning.laid_blocks import LaidBlock
from farmgis.planning.layout import Layout, rules_for
from farmgis.planning.survey import Survey
from farmgis.records import BlockFacts, Field, Floats, Pipe, Table

LEVEL_PCT = 0.1
"""A lateral with a smaller mean grade is level."""

VALVE_LOSS_M = 2.0
"""Head lost in an open block valve with its regulator (common practice)."""

VALVE_SIZES_MM = (25.0, 40.0, 50.0, 80.0, 100.0, 150.0, 200.0)
VALVE_VELOCITY_M_S = 3.0
"""A block valve is the smallest size in which water is no faster (common practice)."""


def field_facts(field: Field, ground: Survey, layout: Layout) -> dict[str, Any]:
    """The field's row, without its status."""
    laid = grades(layout.plans, ground)
    contour = ground.contour
    own = layout.chosen
    along = next(c.cost_index for c in layout.candidates if c.pattern == "straight")  # the contour's first
    return {
        "field_id": field.field_id,
        "name": field.name,
        "crop": field.crop.name,
        "area_ha": field.area.area / 1e4,
        "irrigated_ha": sum(b.area.area for b in layout.blocks) / 1e4,
        "relief_m": ground.relief_m,
        "slope_mean_pct": ground.slope_mean_pct,
        "slope_p95_pct": ground.slope_p95_pct,
        "contour_azimuth_deg": contour.azimuth_deg if contour else None,
        "row_azimuth_deg": layout.azimuth_deg % 180.0,
        "direction_error_deg": contour.error_deg if contour else None,
        "row_grade_mean_pct": laid.mean_pct,
        "row_grade_max_pct": laid.greatest_pct,
        "cross_slope_max_pct": laid.greatest_across_pct,
        "direction_agreement": contour.agreement if contour else None,
        "row_pattern": layout.pattern,
        "dripline": layout.dripline.name,
        "blocks": len(layout.blocks),
        "blocks_at_least": round(sum(b.choice.at_least for b in layout.blocks)),
        "flow_m3h": sum(b.heads.flow_m3h for b in layout.blocks),
        "source_id": field.source_id,
        "cost_index": own.cost_index,
        "contour_cost_index": along if contour and len(layout.candidates) > 1 and along < math.inf else None,
        "row_parts": own.parts,
        "row_grade_over_pct": laid.over_pct(field.design.row_grade_max_pct),
        "short_rows": own.short_rows,
    }


def block_ids(field: Field, layout: Layout) -> list[str]:
    """Ids of a layout's blocks, in its order."""
    return [f"{field.field_id}-B{i:02d}" for i in range(1, len(layout.blocks) + 1)]


def block_facts(field: Field, layout: Layout) -> tuple[BlockFacts, ...]:
    """What later steps need of each block."""
    return tuple(
        BlockFacts(
            block_id=block_id,
            field_id=field.field_id,
            area=b.area,
            area_ha=b.area.area / 1e4,
            flow_m3h=b.heads.flow_m3h,
            emission_uniformity_pct=b.heads.emission_uniformity_pct,
        )
        for block_id, b in zip(block_ids(field, layout), layout.blocks, strict=True)
    )


def layer_tables(field: Field, ground: Survey, layout: Layout, pipes: tuple[Pipe, ...]) -> dict[str, Table]:
    """The rows of the layers that a layout fills: `blocks`, `laterals`, `rows`, `directions` and so on."""
    parts: dict[str, list[Table]] = {}
    rules = rules_for(field.design, layout.dripline, pipes)
    for block_id, block in zip(block_ids(field, layout), layout.blocks, strict=True):
        own = {"block_id": block_id, "field_id": field.field_id}
        states = block_states(block.drawn, block.choice, block.heads, rules)
        submain_of_line = _submain_ids(block_id, block)
        for name, table in (
            ("blocks", _block_row(own, block, states, field, ground, layout)),
            ("laterals", _lateral_rows(own, block, states, submain_of_line, layout)),
            ("rows", _row_row(own, block, field, layout)),
            ("submains", _submain_rows(block_id, block, pipes)),
            ("extreme_emitters", _extreme_rows(block_id, block, layout)),
            ("valves", _valve_row(block_id, block, field)),
        ):
            parts.setdefault(name, []).append(table)
    parts["directions"] = [direction_table(field, layout)]
    return {name: joined(tables) for name, tables in parts.items()}


def joined(tables: list[Table]) -> Table:
    """Tables of the same columns, one after another."""
    columns = {
        key: np.concatenate([np.atleast_1d(t.columns[key]) for t in tables]) for key in tables[0].columns
    }
    if tables[0].geometry is None:
        return Table(columns)
    return Table(columns, np.concatenate([np.atleast_1d(t.geometry) for t in tables]))


def _row(values: dict[str, Any], geometry: Any = None) -> Table:
    """A table of one row; None stays an object."""
    columns = {
        key: np.array([value], dtype=object if value is None or isinstance(value, str) else None)
        for key, value in values.items()
    }
    return Table(columns, None if geometry is None else np.array([geometry], dtype=object))


def _block_row(
    own: dict[str, Any], block: LaidBlock, states: BlockStates, field: Field, ground: Survey, layout: Layout
) -> Table:
    heads, laterals = block.heads, block.drawn.laterals
    area_ha = block.area.area / 1e4
    tolerance = field.design.tolerance
    return _row(
        own
        | {
            "area_ha": area_ha,
            "laterals": laterals.count,
            "dripline_m": float(laterals.emitters.sum()) * layout.dripline.emitter_spacing_m,
            "emitters": heads.emitters,
            "flow_m3h": heads.flow_m3h,
            "valve_head_m": heads.valve_head_m,
            "head_min_m": heads.head_min_m,
            "head_max_m": heads.head_max_m,
            "head_variation_pct": heads.head_variation_pct,
            "elevation_range_m": heads.elevation_range_m,
            "elevation_error_m": smoothed_noise_m(ground),
            "flow_variation_pct": heads.flow_variation_pct,
            "emission_uniformity_pct": heads.emission_uniformity_pct,
            "application_mm_h": heads.flow_m3h / area_ha / 10.0,
            "tolerance_kind": "pressure_compensating" if layout.dripline.compensating else tolerance.kind,
            "within_tolerance": block.within_tolerance,
            "travel_time_min": heads.travel_time_min,
            "drain_out_m3": states.drain_out_m3,
            "flush_flow_m3h": states.flush_flow_m3h,
            "flush_head_m": states.flush_head_m,
            "fill_min": states.fill_min,
            "head_min_at_90_m": states.head_min_at_90_m,
            "head_max_at_110_m": states.head_max_at_110_m,
        },
        block.area,
    )


def smoothed_noise_m(ground: Survey) -> float:
    """Standard error that the cells' own noise leaves in the smoothed surface. [m]

    Noise s in cells c smoothed over a length L leaves s c / (2 L sqrt(pi)), or s where L is under half
    a cell.
    """
    kept = ground.surface.cell_m / (2.0 * math.sqrt(math.pi) * ground.smoothing_m)
    return ground.noise_m * min(1.0, kept)


def _lateral_rows(
    own: dict[str, Any], block: LaidBlock, states: BlockStates, submain: list[str], layout: Layout
) -> Table:
    laterals = block.drawn.laterals
    count = laterals.count
    facts = block.heads.lateral
    mean, worst = laterals.grades_pct()
    inlet, end = laterals.ends_m()
    return Table(
        {
            "lateral_id": np.array(
                [f"{own['block_id']}-L{i:03d}" for i in range(1, count + 1)], dtype=object
            ),
            "block_id": np.full(count, own["block_id"], dtype=object),
            "field_id": np.full(count, own["field_id"], dtype=object),
            "submain_id": np.array([submain[i] for i in laterals.line], dtype=object),
            "arm": _arms(laterals.paired, mean),
            "length_m": laterals.emitters * layout.dripline.emitter_spacing_m,
            "emitters": laterals.emitters,
            "grade_mean_pct": mean,
            "grade_max_pct": worst,
            "inlet_elevation_m": inlet[:, 2],
            "end_elevation_m": end[:, 2],
            "inlet_head_m": facts[:, 0],
            "end_head_m": facts[:, 1],
            "head_min_m": facts[:, 2],
            "head_max_m": facts[:, 3],
            "flow_l_h": facts[:, 5] * 1000.0,
            "end_flush_velocity_m_s": states.end_velocity_m_s,
        },
        shapely.linestrings(
            laterals.points_m, indices=np.repeat(np.arange(count), np.diff(laterals.offsets))
        ),
    )


def _arms(paired: Any, mean_grade_pct: Floats) -> Any:
    way = np.where(mean_grade_pct > 0.0, "uphill", "downhill")
    way = np.where(np.abs(mean_grade_pct) < LEVEL_PCT, "level", way)
    return np.where(paired, way, "single").astype(object)


def _row_row(own: dict[str, Any], block: LaidBlock, field: Field, layout: Layout) -> Table:
    return _row(
        own
        | {
            "rows": block.rows,
            "spacing_m": field.design.row_spacing_m,
            "azimuth_deg": block.azimuth_deg,
            "length_m": block.row_length_m,
        },
        block.row_lines,
    )


def _submain_ids(block_id: str, block: LaidBlock) -> list[str]:
    """The submain of each line: S1 from the valve towards the last line, S2 towards the first."""
    valve, lines = block.drawn.valve, len(block.drawn.submain_m)
    if valve == lines - 1:
        return [f"{block_id}-S1"] * lines
    return [f"{block_id}-S{1 if i >= valve else 2}" for i in range(lines)]


def _submain_rows(block_id: str, block: LaidBlock, pipes: tuple[Pipe, ...]) -> Table:
    """One row a diameter of each branch, from the valve outward."""
    valve, lines = block.drawn.valve, len(block.drawn.submain_m)
    branches = [list(range(valve, lines)), list(range(valve, -1, -1))]
    rows = []
    for number, branch in enumerate([b for b in branches if len(b) > 1], start=1):
        reach_sizes = block.heads.sizes[branch[1:]]
        starts = [0, *(np.flatnonzero(np.diff(reach_sizes)) + 1)]
        for seq, (a, b) in enumerate(zip(starts, [*starts[1:], len(reach_sizes)], strict=True), start=1):
            rows.append(_reach_row(f"{block_id}-S{number}", seq, block_id, block, branch[a : b + 1], pipes))
    if not rows:
        return _no_rows(_reach_row("", 0, "", block, [valve, valve], pipes))
    return joined(rows)


def _reach_row(
    submain_id: str, seq: int, block_id: str, block: LaidBlock, vertices: list[int], pipes: tuple[Pipe, ...]
) -> Table:
    pipe = pipes[int(block.heads.sizes[vertices[1]])]
    points = block.drawn.submain_m[vertices]
    flow = float(block.heads.vertex_flow_m3h[vertices[1]])
    return _row(
        {
            "submain_id": submain_id,
            "seq": seq,
            "block_id": block_id,
            "material": pipe.material,
            "nominal_mm": pipe.nominal_mm,
            "inside_mm": pipe.inside_mm,
            "pressure_class_bar": pipe.pressure_class_bar,
            "length_m": float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum()),
            "inlet_flow_m3h": flow,
            "velocity_m_s": float(velocity_m_s(flow, pipe.inside_mm)),
            "inlet_head_m": float(block.heads.vertex_head_m[vertices[0]]),
            "end_head_m": float(block.heads.vertex_head_m[vertices[-1]]),
            "static_head_max_m": np.nan,
        },
        shapely.linestrings(points),
    )


def _no_rows(example: Table) -> Table:
    return Table({k: v[:0] for k, v in example.columns.items()}, example.geometry[:0])


def _extreme_rows(block_id: str, block: LaidBlock, layout: Layout) -> Table:
    """The block's emitters of lowest and of highest head."""
    facts, laterals = block.heads.lateral, block.drawn.laterals
    rows = []
    for which, column, pick in (("lowest", 2, np.argmin), ("highest", 3, np.argmax)):
        k = int(pick(facts[:, column]))
        emitter = int(block.heads.where[k, column - 2])
        chainage = (emitter + 1) * layout.dripline.emitter_spacing_m
        point = point_along(laterals.points_m[laterals.offsets[k] : laterals.offsets[k + 1]], chainage)
        head = float(facts[k, column])
        rows.append(
            _row(
                {
                    "block_id": block_id,
                    "lateral_id": f"{block_id}-L{k + 1:03d}",
                    "which": which,
                    "chainage_m": chainage,
                    "elevation_m": float(point[2]),
                    "head_m": head,
                    "flow_l_h": emitter_flow_l_h(head, layout.dripline),
                },
                shapely.points(point[0], point[1]),
            )
        )
    return joined(rows)


def point_along(points_m: Floats, chainage_m: float) -> Floats:
    """The point (x, y, z) of a line at a distance from its start along the slope."""
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points_m, axis=0), axis=1))])
    return np.array([np.interp(chainage_m, run, points_m[:, i]) for i in range(3)])


def _valve_row(block_id: str, block: LaidBlock, field: Field) -> Table:
    place = block.drawn.submain_m[block.drawn.valve]
    heads = block.heads
    fits = [s for s in VALVE_SIZES_MM if velocity_m_s(heads.flow_m3h, s) <= VALVE_VELOCITY_M_S]
    return _row(
        {
            "valve_id": f"{block_id}-V",
            "block_id": block_id,
            "source_id": field.source_id,
            "elevation_m": float(place[2]),
            "flow_m3h": heads.flow_m3h,
            "nominal_mm": fits[0] if fits else VALVE_SIZES_MM[-1],
            "required_head_m": heads.valve_head_m + VALVE_LOSS_M,
            "available_head_m": np.nan,
            "set_head_m": heads.valve_head_m,
            "regulated": True,
        },
        shapely.points(place[0], place[1]),
    )
