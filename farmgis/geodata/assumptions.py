"""What a plan takes for granted: each value used, the user's and the defaults, each with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from farmgis.geodata import crs as crs_room
from farmgis.geodata.elevation import Elevation
from farmgis.geodata.farm_parts import Choice, Document, design_of, overrides_of, pipes_of
from farmgis.geodata.fields import Boundaries
from farmgis.geodata.settings import DESIGN_KEYS, LIFE, LISTS, SECTIONS, Setting
from farmgis.prices import Life, Prices, Spares
from farmgis.records import (
    Assumption,
    Crop,
    Design,
    Dripline,
    Field,
    Known,
    Nutrients,
    Season,
    Soil,
    Source,
    StageShares,
    Supply,
    Weather,
)
from farmgis.tables.reader import rows

USER = "farm file"


def assumptions_of(
    document: Document,
    choice: Choice,
    planned: tuple[Field, ...],
    elevation: Elevation,
    boundaries: Boundaries,
    weather: Weather | None,
) -> tuple[Assumption, ...]:
    """All values that the plan stands on, in the order of the farm file."""
    crops = {f.crop.name: f.crop for f in planned} or {choice.crop.name: choice.crop}
    soils = {f.soil.name: f.soil for f in planned} or {choice.soil.name: choice.soil}
    return (
        *_ground(document, elevation, boundaries),
        *(a for crop in crops.values() for a in _crop(crop, document)),
        *(a for soil in soils.values() for a in _soil(soil)),
        *_design("design", document.get("design", {}), design_of(document)),
        *(a for crop in crops.values() for a in _crop_design(crop, document)),
        *(a for i, line in enumerate(choice.driplines) for a in _dripline(line, i, document)),
        *_supply(document),
        *_season(document),
        *_nutrients(document),
        *_buying(document),
        *_weather(document, weather),
    )


def _ground(document: Document, elevation: Elevation, boundaries: Boundaries) -> list[Assumption]:
    told = [
        Assumption("crs", crs_room.name_of(boundaries.crs), "", "from the fields' place", "common practice")
        if not crs_room.same_crs(boundaries.file_crs, boundaries.crs)
        else Assumption("crs", crs_room.name_of(boundaries.crs), "", "fields' file", "user"),
        Assumption("elevation.cell_m", f"{elevation.native_cell_m:g}", "m", elevation.path.name, "user"),
    ]
    section = document.get("elevation", {})
    for key in ("unit", "smoothing_m", "vertical_error_m", "correlation_m"):
        if key in section:
            told.append(_given(f"elevation.{key}", section[key], SECTIONS["elevation"][key].unit))
    for key, value in zip(("vertical_error_m", "correlation_m"), elevation.likely_error_m, strict=True):
        if key not in section:
            source = "usual for the model's cell, from memory"
            told.append(Assumption(f"elevation.{key}", f"{value:g}", "m", source, "memory"))
    return told


def _crop(crop: Crop, document: Document) -> list[Assumption]:
    known, source = _origin("crops", crop)
    asked: Known = "user" if "crop" in document.get("design", {}) else "common practice"
    by = USER if asked == "user" else "common practice"
    if crop.name != choice_name(document):
        asked, by = "user", "fields' attributes"
    key = f"crop.{crop.name}"
    told = [
        Assumption("crop", crop.name, "", by, asked),
        Assumption(f"{key}.kc", f"{crop.kc_ini:g}, {crop.kc_mid:g}, {crop.kc_end:g}", "-", source, known),
        Assumption(f"{key}.stage_days", "/".join(map(str, crop.stage_days)), "days", source, known),
        Assumption(f"{key}.height_m", f"{crop.height_m:g}", "m", source, known),
        Assumption(
            f"{key}.root_depth_m",
            f"{crop.root_depth_min_m:g} to {crop.root_depth_max_m:g}",
            "m",
            source,
            known,
        ),
        Assumption(f"{key}.depletion_fraction", f"{crop.depletion_fraction:g}", "-", source, known),
    ]
    if crop.ece_threshold_ds_m is not None:
        text = f"{crop.ece_threshold_ds_m:g}"
        told.append(Assumption(f"{key}.ece_threshold_ds_m", text, "dS/m", source, known))
    return told


def choice_name(document: Document) -> str:
    """The name of the farm's own crop, as the record has it."""
    from farmgis.geodata.farm_parts import DEFAULT_CROP, crop_of

    return crop_of(document, document.get("design", {}).get("crop", DEFAULT_CROP)).name


def _soil(soil: Soil) -> list[Assumption]:
    known, source = _origin("soils", soil)
    text = f"{soil.name}: field capacity {soil.field_capacity:g}, wilting point {soil.wilting_point:g}"
    return [Assumption("soil", text, "m3/m3", source, known)]


def _origin(table: str, item: Crop | Soil) -> tuple[Known, str]:
    """How well a crop's or soil's values are known, and from where."""
    if item.source.startswith(USER):
        return "user", item.source
    seen = next((r["known"] for r in rows(table) if r["name"] == item.name), "from memory")
    return ("published" if seen == "text seen" else "memory"), item.source


def _design(prefix: str, given: Document, design: Design) -> list[Assumption]:
    told = []
    for key, setting in DESIGN_KEYS.items():
        value = getattr(design, key)
        if key == "tolerance":
            entry = (f"{prefix}.tolerance.{design.tolerance.kind}", f"{design.tolerance.value:g}", "%")
        elif value is None or isinstance(value, StageShares) or _says_nothing(key, design):
            continue  # found for each field, without bearing on it, or told with the demand
        else:
            text = value if isinstance(value, str) else f"{value:g}"
            entry = (f"{prefix}.{key}", text, setting.unit)
        told.append(
            Assumption(*entry, USER, "user")
            if key in given
            else Assumption(*entry, setting.source, setting.known)
        )
    return told


def _says_nothing(key: str, design: Design) -> bool:
    """Whether a key has no bearing on this design."""
    return (
        (key == "line_offset_m" and design.laterals_per_row == 1)
        or (key == "rows_per_bed" and design.bed_spacing_m is None)
        or (key == "tyre_width_m" and design.wheel_gauge_m is None)
        or (key == "wetted_fraction" and design.wetted_fraction == Design.wetted_fraction)  # the demand's
        or (key in ("mulch", "mulch_cover_pct") and design.mulch == "none")
        or (key in ("base_temperature_c", "upper_temperature_c", "stages_by") and design.stages_by == "days")
        or (key == "crop_coefficient" and design.crop_coefficient == "single")
    )


def _crop_design(crop: Crop, document: Document) -> list[Assumption]:
    """Only what [design.crops.NAME] changes."""
    given = overrides_of(document, crop)
    told = _design(f"design.crops.{crop.name}", given, design_of(document, crop))
    return [a for a in told if a.known == "user"]


def _dripline(line: Dripline, index: int, document: Document) -> list[Assumption]:
    listed = document.get("dripline", ())
    given = listed[index] if index < len(listed) else {}
    told = []
    for item in fields(Dripline):
        value = getattr(line, item.name)
        if item.name == "name" or value is None:
            continue
        own = (line.emitter_loss_k, line.emitter_loss_length_m)
        if item.name == "local_loss_pct" and own != (None, None):
            continue  # the emitter's own loss stands in its place
        setting = LISTS["dripline"][item.name]
        entry = (f"dripline.{line.name}.{item.name}", f"{value:g}", setting.unit or "-")
        told.append(
            Assumption(*entry, USER, "user")
            if item.name in given
            else Assumption(*entry, setting.source, setting.known)
        )
    return told


def _supply(document: Document) -> list[Assumption]:
    told: list[Assumption] = []
    hours = next(f.default for f in fields(Source) if f.name == "hours_per_day")
    for source in document.get("source", ()):
        name = f"source.{source['name']}"
        told += [
            _given(f"{name}.{k}", _source_text(source[k]), LISTS["source"][k].unit)
            for k in LISTS["source"]
            if k in source and k not in ("name", "x", "y", "crs")
        ]
        if "hours_per_day" not in source:
            told.append(
                Assumption(f"{name}.hours_per_day", f"{hours:g}", "h", "common practice", "common practice")
            )
        for key in ("pump_efficiency_pct", "motor_efficiency_pct"):
            on_curve = key == "pump_efficiency_pct" and "efficiency_pct" in source.get("pump_curve", {})
            if key not in source and not on_curve:
                value = next(f.default for f in fields(Source) if f.name == key)
                told.append(
                    Assumption(f"{name}.{key}", f"{value:g}", "%", "common practice", "common practice")
                )
    if not document.get("source"):
        told.append(
            Assumption("source.hours_per_day", f"{hours:g}", "h", "common practice", "common practice")
        )
    told += _mains(document) if document.get("source") else []
    pipes = pipes_of(document)
    text = f"{len(pipes)} sizes, {pipes[0].nominal_mm:g} to {pipes[-1].nominal_mm:g} mm"
    if document.get("pipe"):
        told.append(_given("pipe", text, "mm"))
    else:
        sources = sorted({r["source"] for r in rows("pipes")})
        told.append(Assumption("pipe", text, "mm", "; ".join(sources), "memory"))
    return told


def _mains(document: Document) -> list[Assumption]:
    """The rules of the mains, the user's and the defaults."""
    given = document.get("supply", {})
    told = []
    for key, setting in SECTIONS["supply"].items():
        if key in given:
            told.append(_given(f"supply.{key}", given[key], setting.unit))
        elif setting.kind == "number":
            value = next(f.default for f in fields(Supply) if f.name == key)
            told.append(
                Assumption(f"supply.{key}", f"{value:g}", setting.unit, setting.source, setting.known)
            )
    return told


def _source_text(value: Any) -> Any:
    """A source's own table, a curve or an analysis, in a line."""
    if not isinstance(value, Mapping):
        return value
    rows = (f"{key} " + (" ".join(f"{v:g}" for v in row) if isinstance(row, tuple) else f"{row:g}")
            for key, row in value.items())  # fmt: skip
    return ", ".join(rows)


def _season(document: Document) -> list[Assumption]:
    given = {k: v for k, v in document.get("season", {}).items() if k != "given_file"}
    season = Season(**given)
    told = [_given(f"season.{k}", given[k], SECTIONS["season"][k].unit) for k in given]
    defaults = ("exceedance_pct", "laying_ha_day")  # how the crop starts is told where it was used
    for key in defaults:
        if key not in given:
            text, unit = f"{getattr(season, key):g}", SECTIONS["season"][key].unit
            told.append(Assumption(f"season.{key}", text, unit, "common practice", "common practice"))
    return told


def _nutrients(document: Document) -> list[Assumption]:
    given = document.get("nutrients")
    if given is None:
        return []
    told = [_given(f"nutrients.{k}", given[k], SECTIONS["nutrients"][k].unit) for k in given]
    for key, setting in SECTIONS["nutrients"].items():
        if key not in given:
            value = getattr(Nutrients, key, "urea")
            if value is None or (key.startswith("water_") and f"{key[6]}_product" not in given):
                continue  # base dressing, or without bearing
            text = value if isinstance(value, str) else f"{value:g}"
            told.append(Assumption(f"nutrients.{key}", text, setting.unit, setting.source, setting.known))
    return told


def _buying(document: Document) -> list[Assumption]:
    """Spares, which are always counted; interest and lives, where prices are given."""
    told = _record("spares", document.get("spares", {}), Spares(), SECTIONS["spares"])
    given = document.get("prices")
    if given is not None:
        prices = {k: v for k, v in given.items() if k != "life"}
        told += _record("prices", prices, Prices(), SECTIONS["prices"])
        told += _record("prices.life", given.get("life", {}), Life(), LIFE)
    return told


def _record(prefix: str, given: Document, defaults: Any, settings: Mapping[str, Setting]) -> list[Assumption]:
    """Each key that is given, and each number that stands in for one that is not."""
    told = []
    for key, setting in settings.items():
        default = getattr(defaults, key, None)
        if key in given:
            told.append(_given(f"{prefix}.{key}", given[key], setting.unit))
        elif isinstance(default, float):
            text = f"{default:g}"
            told.append(Assumption(f"{prefix}.{key}", text, setting.unit, setting.source, setting.known))
    return told


def _weather(document: Document, weather: Weather | None) -> list[Assumption]:
    if weather is None:
        return []
    given = document.get("weather", {})
    place = (
        ("latitude_deg", weather.latitude_deg, "degrees", "the fields' middle"),
        ("altitude_m", weather.altitude_m, "m", "the elevation model at the fields"),
    )
    return [
        _given(f"weather.{key}", value, unit)
        if key in given
        else Assumption(f"weather.{key}", f"{value:.4g}", unit, source, "user")
        for key, value, unit, source in place
    ]


def _given(key: str, value: Any, unit: str) -> Assumption:
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return Assumption(key, text, unit, USER, "user")
