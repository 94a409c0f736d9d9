"""What a farm file may say: each key's kind, range, unit, and where its default comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from farmgis.records import Known

Kind = Literal["text", "texts", "file", "number", "numbers", "whole", "date", "tolerance", "table"]


@dataclass(frozen=True)
class Setting:
    """A key: its kind, its least and greatest value, and where its default comes from."""

    kind: Kind
    least: float | None = None
    greatest: float | None = None
    unit: str = ""
    needed: bool = False
    choices: tuple[str, ...] = ()
    known: Known = "common practice"
    source: str = "common practice"
    keys: Mapping[str, Setting] | None = None  # of a table


def _n(
    least: float, greatest: float, unit: str, needed: bool = False, known: Known = "common practice"
) -> Setting:
    source = "common practice" if known == "common practice" else "from memory"
    return Setting("number", least, greatest, unit, needed, (), known, source)


ANY = 1e8  # a range this wide says nothing to a reader
TEXT, FILE = Setting("text"), Setting("file", needed=True)

TOLERANCES = {
    "head_variation_pct": _n(0.1, 100.0, "%"),
    "flow_variation_pct": _n(0.1, 100.0, "%"),
    "emission_uniformity_pct": _n(50.0, 99.9, "%"),
}

PUMP_CURVE: dict[str, Setting] = {
    "flow_m3h": Setting("numbers", 0.0, 1e6, "m3/h", True),
    "head_m": Setting("numbers", 0.0, 1000.0, "m", True),
    "efficiency_pct": Setting("numbers", 0.0, 95.0, "%"),
}

WATER: dict[str, Setting] = {
    "suspended_mg_l": _n(0.0, 10000.0, "mg/l"),
    "ph": _n(2.0, 12.0, ""),
    "dissolved_mg_l": _n(0.0, 20000.0, "mg/l"),
    "manganese_mg_l": _n(0.0, 100.0, "mg/l"),
    "iron_mg_l": _n(0.0, 100.0, "mg/l"),
    "hydrogen_sulfide_mg_l": _n(0.0, 100.0, "mg/l"),
    "bacteria_per_ml": _n(0.0, 1e8, "per ml"),
    "alkalinity_mg_l": _n(0.0, 2000.0, "mg/l as CaCO3"),
    "ec_ds_m": _n(0.0, 30.0, "dS/m"),
    "titration_ml_m3": _n(0.0, 5000.0, "ml of acid per m3"),
}

LIFE: dict[str, Setting] = {
    "seasonal_line_years": _n(0.5, 50.0, "years"),
    "lasting_line_years": _n(0.5, 50.0, "years"),
    "line_fittings_years": _n(0.5, 50.0, "years"),
    "pipe_years": _n(0.5, 100.0, "years"),
    "trench_years": _n(0.5, 100.0, "years"),
    "valves_years": _n(0.5, 100.0, "years"),
    "head_works_years": _n(0.5, 100.0, "years"),
}

STAGE_NEED: dict[str, Setting] = {
    f"{stage}_pct": _n(0.0, 100.0, "% of need") for stage in ("initial", "development", "middle", "late")
}
STAGE_DEPLETION: dict[str, Setting] = {
    key: _n(10.0, 300.0, "% of the readily available water") for key in STAGE_NEED
}
RESPONSES: dict[str, Setting] = {
    stage: _n(0.0, 3.0, "") for stage in ("initial", "development", "middle", "late", "season")
}

DESIGN_KEYS: dict[str, Setting] = {
    "row_spacing_m": _n(0.1, 30.0, "m"),
    "rows_per_lateral": Setting("whole", 1, 10, "rows"),
    "laterals_per_row": Setting("whole", 1, 2, "laterals"),
    "line_offset_m": _n(0.05, 5.0, "m"),
    "headland_m": _n(0.0, 100.0, "m"),
    "side_margin_m": _n(0.0, 50.0, "m"),
    "tolerance": Setting("tolerance", unit="%"),
    "tolerance_reserve_pct": _n(0.0, 50.0, "% of the tolerance"),
    "lateral_max_m": _n(10.0, 2000.0, "m"),
    "lateral_min_m": _n(1.0, 500.0, "m"),
    "block_min_ha": _n(0.0, 100.0, "ha"),
    "block_max_ha": _n(0.01, 200.0, "ha"),
    "submain_velocity_m_s": _n(0.3, 5.0, "m/s"),
    "submain_sizes_max": Setting("whole", 1, 20, "sizes"),
    "interval_days": Setting("whole", 1, 60, "days"),
    "water_temperature_c": _n(1.0, 40.0, "degrees C"),
    "row_azimuth_deg": _n(0.0, 360.0, "degrees from grid north"),
    "row_pattern": Setting("text", choices=("auto", "straight", "facets", "contour")),
    "row_grade_max_pct": _n(0.1, 20.0, "%"),
    "row_fall_pct": _n(0.0, 5.0, "%"),
    "cross_slope_max_pct": _n(1.0, 60.0, "%"),
    "turn_radius_m": _n(3.0, 500.0, "m"),
    "rows_per_bed": Setting("whole", 1, 20, "rows"),
    "bed_spacing_m": _n(0.2, 10.0, "m"),
    "planter_rows": Setting("whole", 1, 48, "rows"),
    "wheel_gauge_m": _n(0.5, 6.0, "m"),
    "tyre_width_m": _n(0.1, 1.5, "m"),
    "wetted_fraction": Setting(
        "number", 0.1, 1.0, "of the ground", known="published", source="FAO-56 table 20, drip"
    ),
    "irrigate_at_pct": _n(10.0, 200.0, "% of the readily available water"),
    "deficit_need": Setting("table", keys=STAGE_NEED),
    "deficit_depletion": Setting("table", keys=STAGE_DEPLETION),
    "crop_coefficient": Setting("text", choices=("single", "dual")),
    "mulch": Setting("text", choices=("none", "organic", "plastic")),
    "mulch_cover_pct": _n(0.0, 100.0, "% of the ground"),
    "stages_by": Setting("text", choices=("days", "degree days")),
    "base_temperature_c": _n(-5.0, 25.0, "degrees C"),
    "upper_temperature_c": _n(20.0, 50.0, "degrees C"),
}

SECTIONS: dict[str, dict[str, Setting]] = {
    "fields": {
        "file": FILE,
        "layer": TEXT,
        "id": TEXT,
        "name": TEXT,
        "crop": TEXT,
        "soil": TEXT,
        "dripline": TEXT,
        "source": TEXT,
        "row_azimuth_deg": TEXT,
        "input_crs": TEXT,
        "exclusions": Setting("file"),
        "exclusions_layer": TEXT,
        "exclusions_clearance": TEXT,
        "tracks": Setting("file"),
        "tracks_layer": TEXT,
        "tracks_width": TEXT,
        "track_width_m": _n(0.0, 60.0, "m"),
        "rows": Setting("file"),
        "rows_layer": TEXT,
    },
    "elevation": {
        "file": FILE,
        "unit": Setting("text", choices=("m", "ft")),
        "input_crs": TEXT,
        "smoothing_m": _n(0.0, 500.0, "m"),
        "vertical_error_m": _n(0.0, 50.0, "m"),
        "correlation_m": _n(0.1, 10000.0, "m"),
    },
    "weather": {
        "file": FILE,
        "latitude_deg": _n(-89.0, 89.0, "degrees"),
        "altitude_m": _n(-450.0, 7000.0, "m"),
        "this_year_file": Setting("file"),
    },
    "season": {
        "sowing": Setting("date"),
        "harvest": Setting("date"),
        "exceedance_pct": _n(50.0, 99.0, "% of years"),
        "water_ec_ds_m": _n(0.0, 30.0, "dS/m"),
        "leaching_pct": _n(0.0, 80.0, "% of the water"),
        "laying_ha_day": _n(0.1, 500.0, "ha/day"),
        "sown": Setting("text", choices=("dry", "moist")),
        "germination_m3_ha": _n(0.0, 2000.0, "m3/ha a dose"),
        "germination_doses": Setting("whole", 1, 6, "doses"),
        "second_dose_days": Setting("whole", 1, 30, "days"),
        "third_dose_days": Setting("whole", 1, 30, "days"),
        "emergence_days": Setting("whole", 0, 60, "days"),
        "regular_after_days": Setting("whole", 0, 120, "days"),
        "initial_water_pct": _n(0.0, 100.0, "% of the available water"),
        "today": Setting("date"),
        "given_file": Setting("file"),
        "acid": Setting("text", choices=("sulphuric", "phosphoric")),
        "chlorine_pct": _n(1.0, 70.0, "%"),
    },
    "nutrients": {
        "target_yield_t_ha": _n(0.1, 200.0, "t/ha", True),
        "product": TEXT,
        "soil_n_kg_ha": _n(0.0, 1000.0, "kg/ha"),
        "soil_p2o5_kg_ha": _n(0.0, 1000.0, "kg/ha"),
        "soil_k2o_kg_ha": _n(0.0, 2000.0, "kg/ha"),
        "recovery_pct": _n(10.0, 100.0, "%", False, "memory"),
        "base_n_pct": _n(0.0, 100.0, "% of N"),
        "p_product": TEXT,
        "k_product": TEXT,
        "water_p_pct": _n(0.0, 100.0, "% of P2O5"),
        "water_k_pct": _n(0.0, 100.0, "% of K2O"),
        "tank_l": _n(10.0, 1e5, "l"),
    },
    "prices": {
        "currency": TEXT,
        "file": Setting("file"),
        "pipe_kg": _n(0.0, 1e6, "currency/kg"),
        "trench_m": _n(0.0, 1e6, "currency/m"),
        "energy_kwh": _n(0.0, 1e6, "currency/kWh"),
        "labour_h": _n(0.0, 1e6, "currency/h"),
        "interest_pct": _n(0.0, 50.0, "% a year"),
        "horizon_years": _n(1.0, 100.0, "years"),
        "life": Setting("table", keys=LIFE),
    },
    "spares": {
        "line_pct": _n(0.0, 50.0, "%"),
        "pipe_pct": _n(0.0, 50.0, "%"),
        "fittings_pct": _n(0.0, 100.0, "%"),
    },
    "supply": {
        "main_velocity_m_s": _n(0.3, 5.0, "m/s"),
        "main_material": TEXT,
        "field_crossing": _n(1.0, 1000.0, "metres of boundary trench a metre"),
        "station_loss_m": _n(0.0, 50.0, "m"),
        "station_loss_clean_m": _n(0.0, 50.0, "m"),
        "filter_micron": _n(10.0, 2000.0, "micron"),
        "corridors": Setting("file"),
        "corridors_layer": TEXT,
        "barriers": Setting("file"),
        "barriers_layer": TEXT,
    },
    "design": {"crop": TEXT, "soil": TEXT, **DESIGN_KEYS},
}

LISTS: dict[str, dict[str, Setting]] = {
    "dripline": {
        "name": Setting("text", needed=True),
        "inside_diameter_mm": _n(3.0, 60.0, "mm", True),
        "emitter_spacing_m": _n(0.05, 10.0, "m", True),
        "emitter_flow_l_h": _n(0.1, 50.0, "l/h", True),
        "nominal_head_m": _n(1.0, 50.0, "m"),
        "exponent": _n(0.0, 1.0, ""),
        "greatest_head_m": _n(1.0, 100.0, "m"),
        "least_head_m": _n(0.5, 50.0, "m"),
        "variation": _n(0.0, 0.5, ""),
        "emitter_loss_k": _n(0.0, 20.0, "velocity heads"),
        "emitter_loss_length_m": _n(0.0, 5.0, "m"),
        "local_loss_pct": _n(0.0, 100.0, "% of friction"),
        "roughness_mm": _n(0.0, 1.0, "mm", False, "memory"),
        "closing_head_m": _n(0.0, 10.0, "m", False, "memory"),
        "reel_m": _n(10.0, 20000.0, "m"),
    },
    "pipe": {
        "material": Setting("text", needed=True),
        "nominal_mm": _n(10.0, 2000.0, "mm", True),
        "inside_mm": _n(8.0, 2000.0, "mm", True),
        "pressure_class_bar": _n(1.0, 40.0, "bar", True),
        "weight_kg_m": _n(0.01, 1000.0, "kg/m", True),
        "roughness_mm": _n(0.0, 5.0, "mm", True),
        "elasticity_gpa": _n(0.05, 250.0, "GPa", False, "memory"),
        "surge_factor": _n(0.5, 3.0, "times the class", False, "memory"),
        "trip_factor": _n(0.5, 3.0, "times the class", False, "memory"),
    },
    "source": {
        "name": Setting("text", needed=True),
        "x": _n(-ANY, ANY, "in the fields' CRS", True),
        "y": _n(-ANY, ANY, "in the fields' CRS", True),
        "crs": TEXT,
        "water_level_m": _n(-500.0, 9000.0, "m"),
        "flow_m3h": _n(0.01, 1e6, "m3/h", True),
        "hours_per_day": _n(0.1, 24.0, "h"),
        "licence_m3": _n(0.0, 1e10, "m3"),
        "shifts": Setting("whole", 1, 500, "shifts"),
        "kind": Setting("text", choices=("river", "reservoir", "borehole", "hydrant")),
        "static_level_m": _n(-500.0, 9000.0, "m"),
        "pump_level_m": _n(-500.0, 9000.0, "m"),
        "npsh_required_m": _n(0.1, 20.0, "m"),
        "pump_efficiency_pct": _n(10.0, 95.0, "%"),
        "motor_efficiency_pct": _n(10.0, 99.0, "%"),
        "pump_control": Setting("text", choices=("speed", "throttled")),
        "pump_curve": Setting("table", keys=PUMP_CURVE),
        "water": Setting("table", keys=WATER),
    },
    "shift": {"blocks": Setting("texts", needed=True)},
    "crop": {
        "name": Setting("text", needed=True),
        "like": TEXT,
        "kc_ini": _n(0.05, 2.0, ""),
        "kc_mid": _n(0.1, 2.0, ""),
        "kc_end": _n(0.05, 2.0, ""),
        "initial_days": Setting("whole", 1, 366, "days"),
        "development_days": Setting("whole", 1, 366, "days"),
        "middle_days": Setting("whole", 1, 366, "days"),
        "late_days": Setting("whole", 1, 366, "days"),
        "season_days": Setting("whole", 4, 400, "days"),
        "height_m": _n(0.05, 30.0, "m"),
        "root_depth_min_m": _n(0.05, 5.0, "m"),
        "root_depth_max_m": _n(0.05, 5.0, "m"),
        "depletion_fraction": _n(0.05, 0.9, ""),
        "ece_threshold_ds_m": _n(0.1, 20.0, "dS/m"),
        "ece_slope_pct": _n(0.1, 50.0, "% per dS/m"),
        "yield_response": Setting("table", keys=RESPONSES),
        "n_uptake_kg_t": _n(0.0, 500.0, "kg/t"),
        "p2o5_uptake_kg_t": _n(0.0, 500.0, "kg/t"),
        "k2o_uptake_kg_t": _n(0.0, 500.0, "kg/t"),
    },
    "soil": {
        "name": Setting("text", needed=True),
        "field_capacity": _n(0.02, 0.7, "m3/m3", True),
        "wilting_point": _n(0.005, 0.5, "m3/m3", True),
        "readily_evaporable_mm": _n(0.5, 20.0, "mm"),
        "intake_mm_h": _n(0.1, 500.0, "mm/h"),
    },
    "fertiliser": {
        "name": Setting("text", needed=True),
        "n_pct": _n(0.0, 100.0, "% by mass"),
        "p2o5_pct": _n(0.0, 100.0, "% by mass"),
        "k2o_pct": _n(0.0, 100.0, "% by mass"),
        "solubility_g_l": _n(1.0, 5000.0, "g/l"),
        "litre_kg": _n(0.8, 2.0, "kg/l"),
    },
}

TOP = ("name", *SECTIONS, *LISTS)
