"""The plan's own settings that no user's file states, told as assumptions."""

from __future__ import annotations

from farmgis.planning import (
    block_cuts,
    block_search,
    block_share,
    block_states,
    describe,
    layout,
    main_sizes,
    mains,
    route_graph,
    routes,
    rows,
    shifts,
    submain_checks,
    submain_sizes,
    survey,
)
from farmgis.planning.fittings import tell_fittings
from farmgis.planning.pressure_zones import tell_zones
from farmgis.planning.pump import tell_pump
from farmgis.planning.suction import tell_suction
from farmgis.records import Assumption, Known

FILTER_MICRON = 130.0
"""Finest opening of the filter that emitters of this size ask for, unless their maker says otherwise."""


def planning_assumptions() -> tuple[Assumption, ...]:
    """Values that the layout used, each with what it rests on."""
    practice: Known = "common practice"
    told = [
        ("submain_local_loss", f"{100 * (block_search.SUBMAIN_LOSS_FACTOR - 1):.0f}", "% of friction"),
        ("compensating_reserve", f"{block_search.RESERVE_M:g}", "m over the least head"),
        ("shortest_arm", f"{block_search.SNAP_M:g}", "m"),
        ("index_of_a_valve_set", f"{block_search.VALVE_INDEX:g}", "kg of pipe"),
        ("index_of_a_metre_of_trench", f"{block_search.TRENCH_INDEX:g}", "kg of pipe"),
        ("index_of_uneven_blocks", f"{block_cuts.EVEN_INDEX:g}", "kg of pipe for a block of greatest flow"),
        ("index_of_a_regulator", f"{submain_checks.REGULATOR_INDEX:g}", "kg of pipe"),
        ("index_of_a_change_of_size", f"{submain_sizes.REDUCER_INDEX:g}", "kg of pipe"),
        ("shortest_submain_piece", f"{submain_sizes.SHORTEST_PIECE_M:g}", "m"),
        ("dearer_for_evenness", f"{100 * block_share.EVEN_SHARE:g}", "% of pipe and trench"),
        ("index_of_a_lateral", f"{layout.LATERAL_INDEX:g}", "kg of pipe"),
        ("index_of_a_row_end", f"{layout.ROW_END_INDEX:g}", "kg of pipe"),
        ("index_of_a_lost_hectare", f"{layout.LOST_HA_INDEX:g}", "kg of pipe"),
        ("index_of_a_hectare_out_of_tolerance", f"{layout.OVER_HA_INDEX:g}", "kg of pipe"),
        ("index_of_a_hectare_1_pct_over_it", f"{layout.STEEP_ROW_INDEX:g}", "kg of pipe"),
        ("index_of_a_hectare_of_steep_rows", f"{layout.ERODING_HA_INDEX:g}", "kg of pipe"),
        ("index_of_a_pct_of_uniformity_on_a_hectare", f"{layout.UNEVEN_INDEX:g}", "kg of pipe"),
        ("smallest_strip", f"{layout.LEAST_STRIP_HA:g}", "ha"),
        ("side_boundary_angle", f"{rows.SIDE_ANGLE_DEG:g}", "degrees to the rows"),
        ("slope_noise_after_smoothing", f"{survey.SLOPE_NOISE_PCT:g}", "% of slope"),
        ("voids_filled_up_to", f"{survey.VOID_M:g}", "m"),
        ("filter_fineness", f"{FILTER_MICRON:g}", "micron"),
        ("flush_velocity", f"{block_states.FLUSH_VELOCITY_M_S:g}", "m/s"),
        ("valve_loss", f"{describe.VALVE_LOSS_M:g}", "m"),
        ("valve_velocity", f"{describe.VALVE_VELOCITY_M_S:g}", "m/s"),
    ]
    left = Assumption("flush_end_head", f"{block_states.FLUSH_END_HEAD_M:g}", "m", "from memory", "memory")
    return (*(Assumption(key, value, unit, "", practice) for key, value, unit in told), left)


def supply_assumptions() -> tuple[Assumption, ...]:
    """Values that mains, shifts and pumps are planned with, each with what it rests on."""
    practice: Known = "common practice"
    told = [
        ("main_local_loss", f"{100 * (main_sizes.MAIN_LOSS_FACTOR - 1):.0f}", "% of friction"),
        ("main_least_head", f"{main_sizes.LEAST_HEAD_M:g}", "m"),
        ("main_shortest_piece", f"{main_sizes.SHORTEST_PIECE_M:g}", "m"),
        ("index_of_a_kwh", f"{mains.ENERGY_INDEX:g}", "kg of pipe"),
        ("index_of_a_metre_of_main_trench", f"{routes.TRENCH_INDEX:g}", "kg of pipe"),
        ("index_of_a_main", f"{routes.PIPE_INDEX:g}", "kg of pipe a metre for each m3/h"),
        ("trench_over_open_ground", f"{route_graph.OPEN:g}", "of one along a boundary"),
        ("trench_beside_a_submain", f"{route_graph.SUBMAIN:g}", "of one along a boundary"),
        ("shift_head_weight", f"{shifts.HEAD_WEIGHT:g}", "h for the range of lifts"),
        ("shift_flow_weight", f"{shifts.FLOW_WEIGHT:g}", "h for the source's flow"),
    ]
    own = tuple(Assumption(key, value, unit, "", practice) for key, value, unit in told)
    return (*own, *tell_pump(), *tell_suction(), *tell_zones(), *tell_fittings())
