"""The published values: one row a value or a crop, each with its source, as records."""

from __future__ import annotations

import csv
import difflib
from collections.abc import Iterable
from functools import cache
from importlib import resources

from farmgis.errors import InputError
from farmgis.prices import FieldGrade
from farmgis.records import CloggingLimit, Crop, Dripline, Fertiliser, Pipe, Soil

Row = dict[str, str]


@cache
def rows(table: str) -> tuple[Row, ...]:
    """All rows of a table, by its file's name without `.csv`, as text."""
    file = resources.files("farmgis.tables").joinpath(f"{table}.csv")
    return tuple(dict(row) for row in csv.DictReader(file.read_text(encoding="utf-8").splitlines()))


def crop_names() -> tuple[str, ...]:
    """Names of the crops, in the order of the table."""
    return tuple(row["name"] for row in rows("crops"))


def soil_names() -> tuple[str, ...]:
    """Names of the soils, from sand to clay."""
    return tuple(row["name"] for row in rows("soils"))


@cache
def crop(name: str) -> Crop:
    """A crop with its FAO-56 values. Raises InputError with the nearest names where it is unknown.

    >>> crop("maize").kc_mid
    1.2
    """
    row = _find("crop", name, rows("crops"))
    return Crop(
        name=row["name"],
        kc_ini=float(row["kc_ini"]),
        kc_mid=float(row["kc_mid"]),
        kc_end=float(row["kc_end"]),
        stage_days=(int(row["ini_days"]), int(row["dev_days"]), int(row["mid_days"]), int(row["late_days"])),
        height_m=float(row["height_m"]),
        root_depth_min_m=float(row["root_depth_min_m"]),
        root_depth_max_m=float(row["root_depth_max_m"]),
        depletion_fraction=float(row["depletion_fraction"]),
        ece_threshold_ds_m=_number_or_none(row["ece_threshold_ds_m"]),
        ece_slope_pct=_number_or_none(row["ece_slope_pct"]),
        source=row["source"],
        basal_tabled=_basal(row["name"]),
        stage_responses=_responses(row["name"])[0],
        season_response=_responses(row["name"])[1],
    )


def _basal(crop_name: str) -> tuple[float, float, float] | None:
    """Basal coefficients of a crop, None where the table has none."""
    own = [r for r in rows("basal_coefficients") if r["crop"] == crop_name]
    return (float(own[0]["kcb_ini"]), float(own[0]["kcb_mid"]), float(own[0]["kcb_end"])) if own else None


def _responses(crop_name: str) -> tuple[tuple[float, float, float, float] | None, float | None]:
    """Yield response factors of a crop's four stages and of its season, each None where there is none.

    FAO-33's periods are laid on FAO-56's stages: vegetative on the first two; of flowering and yield
    formation the greater on the middle; of yield formation and ripening the greater on the late one (the
    safe side).
    """
    own = [r for r in rows("yield_response") if r["crop"] == crop_name]
    if not own:
        return None, None
    names = ("vegetative", "flowering", "yield_formation", "ripening")
    young, flower, fill, ripe = (_number_or_none(own[0][key]) for key in names)
    season = float(own[0]["season"])
    if young is None:
        return None, season
    middle, late = max(flower or 0.0, fill or 0.0), max(fill or 0.0, ripe or 0.0)
    return (young, young, middle, late), season


@cache
def soil(name: str) -> Soil:
    """A soil's field capacity and wilting point: the midpoints of the ranges of FAO-56 table 19. [m3/m3]

    >>> soil("loam").field_capacity
    0.25
    """
    row = _find("soil", name, rows("soils"))
    return Soil(
        name=row["name"],
        field_capacity=_midpoint(row, "field_capacity"),
        wilting_point=_midpoint(row, "wilting_point"),
        source=f"{row['source']}, midpoints of the ranges",
        readily_evaporable_mm=0.5 * (float(row["rew_min_mm"]) + float(row["rew_max_mm"])),
        intake_mm_h=next(
            float(r["intake_min_mm_h"]) for r in rows("intake_rates") if r["soil"] == row["name"]
        ),
    )


def elevation_error(cell_m: float) -> Row:
    """What is usual for an elevation model of a cell: vertical error and its correlation length. [m]

    >>> elevation_error(1.0)["correlation_m"]
    '20'
    """
    table = rows("elevation_errors")
    return next((row for row in table if cell_m <= float(row["cell_to_m"])), table[-1])


@cache
def pipes() -> tuple[Pipe, ...]:
    """Pipes of open standards, all materials and classes, sorted by inside diameter."""
    sizes = [
        Pipe(
            material=row["material"],
            nominal_mm=float(row["nominal_mm"]),
            inside_mm=float(row["inside_mm"]),
            pressure_class_bar=float(row["pressure_class_bar"]),
            weight_kg_m=float(row["weight_kg_m"]),
            roughness_mm=float(row["roughness_mm"]),
            **pipe_material(row["material"]),
        )
        for row in rows("pipes")
    ]
    return tuple(sorted(sizes, key=lambda p: (p.inside_mm, p.pressure_class_bar, p.material)))


def pipe_material(material: str) -> dict[str, float]:
    """What a known material adds to a `Pipe`: its elasticity and what it bears with surge; else nothing."""
    row = next((r for r in rows("pipe_materials") if r["material"] == material), {})
    return {key: float(row[key]) for key in ("elasticity_gpa", "surge_factor", "trip_factor") if key in row}


@cache
def fertiliser(name: str) -> Fertiliser:
    """A solid product by its name in the table. Raises InputError where it is unknown.

    >>> fertiliser("urea").n_pct
    46.0
    """
    row = _find("fertiliser", name, rows("fertilisers"))
    numbers = ("n_pct", "p2o5_pct", "k2o_pct", "solubility_g_l")
    n, p, k, dissolves = (float(row[key]) for key in numbers)
    return Fertiliser(row["name"], n, p, k, dissolves)


@cache
def fertilisers() -> tuple[str, ...]:
    """The names of the products of the table."""
    return tuple(row["name"] for row in rows("fertilisers"))


@cache
def nutrient_uptake() -> dict[str, tuple[float, float, float]]:
    """N, P2O5 and K2O that a crop takes up for each tonne harvested, by crop. [kg/t]"""
    return {
        r["crop"]: (float(r["n_kg_t"]), float(r["p2o5_kg_t"]), float(r["k2o_kg_t"]))
        for r in rows("nutrient_uptake")
    }


@cache
def clogging_limits() -> tuple[CloggingLimit, ...]:
    """What clogs emitters: the classes of each factor of the water."""
    return tuple(
        CloggingLimit(
            r["factor"], r["name"], float(r["moderate"]), float(r["severe"]), r["unit"], r["source"]
        )
        for r in rows("clogging_limits")
    )


@cache
def field_grades() -> tuple[FieldGrade, ...]:
    """Classes of measured blocks, the best first.

    >>> field_grades()[0].grade
    'excellent'
    """
    keys = ("least_emission_uniformity_pct", "least_statistical_uniformity_pct")
    return tuple(FieldGrade(r["grade"], *(float(r[k]) for k in keys)) for r in rows("field_grades"))


@cache
def default_driplines() -> tuple[Dripline, ...]:
    """The lines to choose from where the user names none: a plain one, then the same compensating."""
    numbers = (
        "inside_diameter_mm",
        "emitter_spacing_m",
        "emitter_flow_l_h",
        "nominal_head_m",
        "exponent",
        "least_head_m",
        "greatest_head_m",
        "variation",
    )
    return tuple(
        Dripline(name=row["name"], **{key: float(row[key]) for key in numbers if row[key]})
        for row in rows("driplines")
    )


def _find(kind: str, name: str, table: Iterable[Row]) -> Row:
    """The row of that name or of a name that is also used; else InputError."""
    wanted = " ".join(name.split()).lower()
    by_name = {
        alias: row for row in table for alias in (row["name"], *row.get("also", "").split(";")) if alias
    }
    if wanted in by_name:
        return by_name[wanted]
    near = difflib.get_close_matches(wanted, by_name, n=3, cutoff=0.5)
    known = f"did you mean {', '.join(near)}?" if near else f"known are {', '.join(sorted(by_name))}"
    raise InputError(f"{kind} {name!r} is in no table; {known} Or give the {kind}'s own values.")


def _midpoint(row: Row, key: str) -> float:
    return round((float(row[f"{key}_min"]) + float(row[f"{key}_max"])) / 2.0, 6)


def _number_or_none(text: str) -> float | None:
    return float(text) if text else None
