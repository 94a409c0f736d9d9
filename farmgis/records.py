"""What passes between the rooms.

Frozen records; lengths in metres in one projected metric CRS, areas in hectares, heads in metres of
water. Arrays in a record are never changed in place.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from farmgis.prices import Prices, Spares
from farmgis.series import SeasonSeries

Floats = NDArray[np.float64]
Known = Literal["published", "common practice", "memory", "user"]
Severity = Literal["stop", "attention", "note"]
RowPattern = Literal["auto", "straight", "facets", "contour"]
ToleranceKind = Literal["head_variation_pct", "flow_variation_pct", "emission_uniformity_pct"]


# ---- what is told beside the numbers -------------------------------------------------------------

LEAST_CHANCE_PCT = 80.0
"""A block less sure than this to keep its tolerance is told of (common practice)."""


@dataclass(frozen=True)
class Finding:
    """Something the user should look at: what, where, how much, against what limit, what to do.

    `about` is one word for the matter: input, elevation, field, rows, block, pressure, supply, demand,
    season.
    `where_id` is the id of a field, block, valve or source, or "farm".
    """

    severity: Severity
    about: str
    what: str
    where_id: str
    advice: str
    measured: float | None = None
    limit: float | None = None
    unit: str | None = None
    geometry: Any = None


@dataclass(frozen=True)
class Assumption:
    """A value that the plan used and the user did not give (or gave: `known` is then `user`)."""

    key: str
    value: str
    unit: str
    source: str
    known: Known


# ---- what is bought -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Dripline:
    """A line with its emitters.

    An emitter gives `emitter_flow_l_h * (h / nominal_head_m) ** exponent`. With exponent 0 it is
    pressure compensating between `least_head_m` and `greatest_head_m`. `greatest_head_m` is also what
    the wall bears. The local loss at an emitter is `emitter_loss_k` velocity heads or, where that is
    None, that of `emitter_loss_length_m` more of line or, where that is None too, `local_loss_pct`
    percent of the friction. At or under `closing_head_m` an emitter gives
    nothing: 0 for a plain one, more for one that holds its line full. It comes in reels of `reel_m`.
    """

    name: str
    inside_diameter_mm: float
    emitter_spacing_m: float
    emitter_flow_l_h: float
    nominal_head_m: float = 10.0
    exponent: float = 0.5
    greatest_head_m: float = 12.0
    least_head_m: float | None = None
    variation: float = 0.03
    emitter_loss_k: float | None = None
    emitter_loss_length_m: float | None = None
    local_loss_pct: float = 10.0
    closing_head_m: float = 0.0
    roughness_mm: float = 0.0015
    reel_m: float = 1000.0

    @property
    def compensating(self) -> bool:
        """Whether its emitters hold their flow over a range of heads."""
        return self.exponent == 0.0


@dataclass(frozen=True)
class Pipe:
    """A size of pipe on sale."""

    material: str
    nominal_mm: float
    inside_mm: float
    pressure_class_bar: float
    weight_kg_m: float
    roughness_mm: float
    elasticity_gpa: float = 3.0  # of its material under a short load: what a pressure wave meets
    surge_factor: float = 1.0  # head with the surge of a closing valve may reach this many times the class
    trip_factor: float = 1.0  # and with that of a pump trip, which is rare
    price_m: float | None = None  # in the user's currency


@dataclass(frozen=True)
class PumpCurve:
    """A pump at full speed: points of rising flow and falling head; efficiency where it is known."""

    flow_m3h: tuple[float, ...]
    head_m: tuple[float, ...]
    efficiency_pct: tuple[float, ...] | None = None


@dataclass(frozen=True)
class WaterQuality:
    """What an analysis of the water found; None where it did not look."""

    suspended_mg_l: float | None = None
    ph: float | None = None
    dissolved_mg_l: float | None = None
    manganese_mg_l: float | None = None
    iron_mg_l: float | None = None
    hydrogen_sulfide_mg_l: float | None = None
    bacteria_per_ml: float | None = None
    alkalinity_mg_l: float | None = None  # as CaCO3
    ec_ds_m: float | None = None
    titration_ml_m3: float | None = None  # of the acid at hand, to pH 6.5


@dataclass(frozen=True)
class CloggingLimit:
    """A factor of clogging: hazard is minor under `moderate`, severe over `severe`."""

    factor: str  # a field of WaterQuality
    name: str
    moderate: float
    severe: float
    unit: str
    source: str


@dataclass(frozen=True)
class Source:
    """Where water is taken: a pump at a river, a borehole. `x_m`, `y_m` in the plan's CRS.

    `water_level_m` is the level while pumping. `pump_level_m` is where the pump stands; None where it is
    under water or not known.
    """

    source_id: str
    x_m: float
    y_m: float
    water_level_m: float | None
    flow_m3h: float
    hours_per_day: float = 20.0
    licence_m3: float | None = None
    kind: Literal["river", "reservoir", "borehole", "hydrant"] | None = None
    static_level_m: float | None = None
    pump_level_m: float | None = None
    npsh_required_m: float | None = None
    pump_efficiency_pct: float = 70.0
    motor_efficiency_pct: float = 90.0
    shifts: int | None = None  # how many the user wants
    pump_control: Literal["speed", "throttled"] = "speed"
    pump_curve: PumpCurve | None = None
    water: WaterQuality | None = None


@dataclass(frozen=True)
class Corridor:
    """A track or strip along which a main may run; `price` of a metre in metres along a boundary.

    With `pipe` it holds a pipe already, which costs nothing more.
    """

    line: Any
    name: str = ""
    price: float = 1.0
    pipe: Pipe | None = None


@dataclass(frozen=True)
class Barrier:
    """A road or a stream. `crossing_m` is what crossing it costs, in metres along a boundary; None: never."""

    area: Any
    name: str
    crossing_m: float | None = None


@dataclass(frozen=True)
class Supply:
    """How the mains are to be planned. Every default is listed in `assumptions`."""

    main_velocity_m_s: float = 1.5
    main_material: str | None = None
    field_crossing: float = 8.0
    station_loss_clean_m: float = 3.0
    station_loss_m: float = 8.0
    filter_micron: float = 130.0
    shift_groups: tuple[tuple[str, ...], ...] = ()
    corridors: tuple[Corridor, ...] = ()
    barriers: tuple[Barrier, ...] = ()


# ---- the crop and its ground ----------------------------------------------------------------------


@dataclass(frozen=True)
class Crop:
    """FAO-56 values of a crop: coefficients of tables 12 and 22, stage lengths of table 11."""

    name: str
    kc_ini: float
    kc_mid: float
    kc_end: float
    stage_days: tuple[int, int, int, int]
    height_m: float
    root_depth_min_m: float
    root_depth_max_m: float
    depletion_fraction: float
    ece_threshold_ds_m: float | None
    ece_slope_pct: float | None
    source: str
    basal_tabled: tuple[float, float, float] | None = None  # Kcb of table 17
    stage_responses: tuple[float, float, float, float] | None = None  # Ky of the four stages (FAO-33)
    season_response: float | None = None  # Ky of the season (FAO-56 table 24)

    @property
    def basal(self) -> tuple[float, float, float]:
        """Kcb ini, mid and end; where none is tabled 0.15, and Kc less 0.05 (memory: FAO-56 chapter 7)."""
        if self.basal_tabled is not None:
            return self.basal_tabled
        return min(0.15, self.kc_ini), self.kc_mid - 0.05, max(self.kc_end - 0.05, 0.1)


@dataclass(frozen=True)
class Soil:
    """Water that a soil holds, as volume fractions, and what leaves its top freely (FAO-56 table 19).

    `intake_mm_h` is the rate at which it takes water for long. Either is None where it is not known.
    """

    name: str
    field_capacity: float
    wilting_point: float
    source: str
    readily_evaporable_mm: float | None = None
    intake_mm_h: float | None = None


@dataclass(frozen=True)
class Tolerance:
    """How unequal a block may be. A variation is a greatest value, a uniformity a least one."""

    kind: ToleranceKind = "head_variation_pct"
    value: float = 20.0

    def narrowed(self, share: float) -> Tolerance:
        """What a share of this tolerance is: nearer to no variation, or to full uniformity."""
        if self.kind == "emission_uniformity_pct":
            return Tolerance(self.kind, 100.0 - (100.0 - self.value) * share)
        return Tolerance(self.kind, self.value * share)


@dataclass(frozen=True)
class StageShares:
    """A share for each of the crop's stages [%]; None where the stage has no rule of its own."""

    initial_pct: float | None = None
    development_pct: float | None = None
    middle_pct: float | None = None
    late_pct: float | None = None

    @property
    def all(self) -> tuple[float | None, ...]:
        """The four in their order. [%]"""
        return self.initial_pct, self.development_pct, self.middle_pct, self.late_pct


@dataclass(frozen=True)
class Design:
    """The rules by which one field is laid out. Every default is listed in `assumptions`."""

    row_spacing_m: float = 0.75
    rows_per_lateral: int = 2
    laterals_per_row: int = 1  # orchards: 1 or 2, with rows_per_lateral = 1
    line_offset_m: float = 0.75  # two lines a row: each this far from the row
    headland_m: float = 12.0
    side_margin_m: float = 1.0
    tolerance: Tolerance = field(default_factory=Tolerance)
    tolerance_reserve_pct: float = 5.0  # of it, kept for what the elevation model does not know
    lateral_max_m: float = 300.0
    lateral_min_m: float = 20.0
    block_min_ha: float = 3.0
    block_max_ha: float = 8.0
    submain_velocity_m_s: float = 2.0
    submain_sizes_max: int = 4
    interval_days: int = 3
    water_temperature_c: float = 20.0
    row_azimuth_deg: float | None = None  # fixed by the user
    wetted_fraction: float = 0.4  # of the ground, by the line
    irrigate_at_pct: float | None = None  # of the readily available water, in place of the interval
    deficit_need: StageShares | None = None  # of its need since the last irrigation that a stage is given
    deficit_depletion: StageShares | None = None  # of the readily available water at which it is irrigated
    crop_coefficient: Literal["single", "dual"] = "single"
    mulch: Literal["none", "organic", "plastic"] = "none"
    mulch_cover_pct: float = 100.0
    stages_by: Literal["days", "degree days"] = "days"
    base_temperature_c: float = 10.0
    upper_temperature_c: float = 30.0
    row_pattern: RowPattern = "auto"
    row_grade_max_pct: float = 2.0
    row_fall_pct: float | None = None  # a slight fall along the rows that leads water off
    cross_slope_max_pct: float = 20.0
    turn_radius_m: float = 30.0
    rows_per_bed: int = 1
    bed_spacing_m: float | None = None  # from bed to bed, where rows stand in beds or as twins
    planter_rows: int | None = None
    wheel_gauge_m: float | None = None  # of the tractor, middle to middle of its tyres
    tyre_width_m: float = 0.45

    @property
    def lateral_spacing_m(self) -> float:
        """Ground width that one lateral serves, on average. [m]"""
        if self.bed_spacing_m is not None:
            return self.bed_spacing_m * self.rows_per_lateral / self.rows_per_bed
        return self.row_spacing_m * self.rows_per_lateral / self.laterals_per_row

    @property
    def mean_row_spacing_m(self) -> float:
        """Ground width that one row has, on average. [m]"""
        return self.row_spacing_m if self.bed_spacing_m is None else self.bed_spacing_m / self.rows_per_bed


@dataclass(frozen=True)
class Field:
    """A field to plan, in the plan's CRS. `area` is a valid 2-D MultiPolygon; exclusions lie in it.

    `taken` is land that rows do not enter and that needs no headland of its own: tracks, and exclusions
    with a clearance of their own. `kept_rows` are rows that stand already and are to be kept.
    """

    field_id: str
    name: str
    area: Any
    crop: Crop
    soil: Soil
    driplines: tuple[Dripline, ...]  # in the order in which they are tried
    design: Design
    source_id: str | None = None
    exclusions: Any = None
    taken: Any = None
    kept_rows: Any = None

    @property
    def land(self) -> Any:
        """The field without its exclusions and what is taken."""
        left = self.area if self.exclusions is None else self.area - self.exclusions
        return left if self.taken is None else left - self.taken


@dataclass(frozen=True)
class RefusedField:
    """A field that cannot be planned as it came: it keeps its row, and `finding` says why."""

    field_id: str
    name: str
    area: Any  # a MultiPolygon, or None
    crop: str | None
    finding: Finding


@dataclass(frozen=True)
class Weather:
    """Weather as read, a row a day (basis `daily`) or a month (basis `normals`).

    `dates` are datetime64[D]; for normals they are the first days of twelve months of year 2001.
    Columns hold NaN where a value is missing; a column that the file lacks is absent from `columns`:
    tmin_c, tmax_c, rh_mean_pct, rh_min_pct, rh_max_pct, vapour_kpa, wind_2m_m_s, radiation_mj_m2,
    sunshine_h, rain_mm (a day's, or a month's total), et0_mm (a day), pan_mm (a day).
    """

    basis: Literal["daily", "normals"]
    dates: NDArray[np.datetime64]
    columns: dict[str, Floats]
    latitude_deg: float
    altitude_m: float


@dataclass(frozen=True)
class Season:
    """When and how the crop is sown, what the water costs in salt, and how fast line is laid.

    `sown` is `dry` (germination is irrigated) or `moist`; None: as the design year's seed bed is. Doses of
    germination come at sowing, `second_dose_days` later, and every `third_dose_days` after that.
    """

    sowing: date | None = None
    exceedance_pct: float = 80.0  # design values are not exceeded in this share of the years
    water_ec_ds_m: float | None = None
    leaching_pct: float | None = None  # of the water that is to pass the roots, in place of the requirement
    laying_ha_day: float = 15.0  # by all machines together, and as fast taken up
    sown: Literal["dry", "moist"] | None = None
    germination_m3_ha: float = 400.0  # each of the doses
    germination_doses: int = 3
    second_dose_days: int = 4
    third_dose_days: int = 9
    emergence_days: int = 10  # from sowing
    regular_after_days: int = 25  # from emergence to the first regular irrigation, at the latest
    initial_water_pct: float | None = None  # of what the root zone holds for the crop, at sowing
    today: date | None = None  # the rest of the season is planned from here
    acid: Literal["sulphuric", "phosphoric"] = "sulphuric"
    chlorine_pct: float = 10.0  # of the hypochlorite solution
    harvest: date | None = None  # of what is sown; else the day after the last stage


@dataclass(frozen=True)
class GivenWater:
    """What a zone was given on a day."""

    date: date
    zone_id: str
    volume_m3: float


@dataclass(frozen=True)
class Fertiliser:
    """A product that goes with the water: its nutrients by mass, and how it comes.

    A solid has `solubility_g_l`, what dissolves in cold water; a liquid has `litre_kg`, the mass of a litre.
    """

    name: str
    n_pct: float
    p2o5_pct: float
    k2o_pct: float
    solubility_g_l: float | None = None
    litre_kg: float | None = None


@dataclass(frozen=True)
class Nutrients:
    """What is to be harvested, what the soil supplies, and what is given with the water.

    `uptake_kg_t` holds N, P2O5 and K2O that a crop takes up for each tonne harvested, by crop.
    """

    target_yield_t_ha: float
    product: Fertiliser
    uptake_kg_t: dict[str, tuple[float, float, float]]
    soil_n_kg_ha: float = 0.0
    soil_p2o5_kg_ha: float = 0.0
    soil_k2o_kg_ha: float = 0.0
    recovery_pct: float = 80.0
    base_n_pct: float = 20.0
    p_product: Fertiliser | None = None
    k_product: Fertiliser | None = None
    water_p_pct: float = 0.0  # of the phosphorus, with the water
    water_k_pct: float = 0.0
    tank_l: float | None = None


@dataclass(frozen=True)
class Farm:
    """All that is known before planning. `crs` is the plan's CRS as WKT or authority code."""

    name: str
    crs: str
    fields: tuple[Field, ...]
    elevation: Any  # what gives a Surface for a window: geodata.elevation.Elevation
    sources: tuple[Source, ...]
    pipes: tuple[Pipe, ...]
    weather: Weather | None
    season: Season
    assumptions: tuple[Assumption, ...] = ()
    findings: tuple[Finding, ...] = ()
    refused: tuple[RefusedField, ...] = ()
    nutrients: Nutrients | None = None
    supply: Supply = Supply()
    prices: Prices = field(default_factory=Prices)
    spares: Spares = field(default_factory=Spares)
    this_year: Weather | None = None  # as it was, up to today
    given: tuple[GivenWater, ...] = ()


@dataclass(frozen=True)
class Surface:
    """A window of an elevation model in the plan's CRS.

    `z_m` has shape (rows, columns), row 0 southernmost, column 0 westernmost, NaN where there is no
    value. `x0_m`, `y0_m` are the centre of cell [0, 0]; cells are squares of `cell_m`.
    """

    z_m: Floats
    x0_m: float
    y0_m: float
    cell_m: float


# ---- what a plan is -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Table:
    """Rows of one layer: a geometry a row (or None) and columns of equal length, by contract name."""

    columns: dict[str, Any]
    geometry: Any = None


@dataclass(frozen=True)
class BlockFacts:
    """What the steps after the layout need to know of a block."""

    block_id: str
    field_id: str
    area: Any
    area_ha: float
    flow_m3h: float
    emission_uniformity_pct: float

    @property
    def application_mm_h(self) -> float:
        """Depth given in an hour of running. [mm/h]"""
        return self.flow_m3h / self.area_ha / 10.0


@dataclass(frozen=True)
class FieldPlan:
    """One field as planned: its row of `fields`, its blocks, and the rows of the other layers."""

    field_id: str
    area: Any
    facts: dict[str, Any]
    blocks: tuple[BlockFacts, ...] = ()
    tables: dict[str, Table] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Shift:
    """Blocks of one source that run together; `source_id` is None where no source was given."""

    source_id: str | None
    number: int
    block_ids: tuple[str, ...]
    flow_m3h: float

    @property
    def zone_id(self) -> str:
        """Id of these blocks as an irrigation zone."""
        return f"{self.source_id or 'farm'}-Z{self.number:02d}"


@dataclass(frozen=True)
class Plan:
    """A whole plan: rows by layer, and what is told beside them.

    `season_shift_days` are the days from the design year's sowing to the sowing that the user stated.
    """

    name: str
    crs: str
    tables: dict[str, Table]
    findings: tuple[Finding, ...]
    assumptions: tuple[Assumption, ...]
    summary: dict[str, Any]
    season_shift_days: int = 0
    series: SeasonSeries = field(default_factory=SeasonSeries)

    @property
    def currency(self) -> str:
        """What its prices are in, as the user wrote it; nothing where it tells none."""
        return next((a.value for a in self.assumptions if a.key == "prices.currency"), "")
