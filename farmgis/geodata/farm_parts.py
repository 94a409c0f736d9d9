"""Parts of a farm made of checked settings: crops, soils, lines, pipes, sources, the design of a field."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from difflib import get_close_matches
from typing import Any

from pyproj import CRS

from farmgis import tables
from farmgis.errors import InputError
from farmgis.geodata import crs as crs_room
from farmgis.geodata.fields import Parcel
from farmgis.records import (
    Crop,
    Design,
    Dripline,
    Fertiliser,
    Field,
    Finding,
    Nutrients,
    Pipe,
    PumpCurve,
    RefusedField,
    Soil,
    Source,
    StageShares,
    Tolerance,
    WaterQuality,
)

Document = Mapping[str, Any]

DEFAULT_CROP = "maize"
DEFAULT_SOIL = "loam"
NUTRIENT_SHARES = ("n_pct", "p2o5_pct", "k2o_pct")
FED = dict(zip(("product", "p_product", "k_product"), NUTRIENT_SHARES, strict=True))
UPTAKES = ("n_uptake_kg_t", "p2o5_uptake_kg_t", "k2o_uptake_kg_t")
STAGES = ("initial_days", "development_days", "middle_days", "late_days")


@dataclass(frozen=True)
class Choice:
    """What a farm grows and lays where a field says nothing else, and what it may choose from."""

    document: Document
    crop: Crop
    soil: Soil
    driplines: tuple[Dripline, ...]
    source_ids: tuple[str, ...]


def choice_of(document: Document) -> Choice:
    """The farm's own and default crop, soil, lines and sources. Raises InputError for a name unknown."""
    design = document.get("design", {})
    return Choice(
        document,
        crop_of(document, design.get("crop", DEFAULT_CROP)),
        soil_of(document, design.get("soil", DEFAULT_SOIL)),
        driplines_of(document),
        tuple(s["name"] for s in document.get("source", ())),
    )


def check_crop(document: Document, name: str) -> None:
    """Raises InputError where neither the farm file nor a table has the crop."""
    if _own(document, "crop", name) is None:
        tables.crop(name)


def check_soil(document: Document, name: str) -> None:
    """Raises InputError where neither the farm file nor a table has the soil."""
    if _own(document, "soil", name) is None:
        tables.soil(name)


def nutrients_of(document: Document) -> Nutrients | None:
    """What is to be fed, where the farm file has a section for it."""
    given = document.get("nutrients")
    if given is None:
        return None
    rest = {k: v for k, v in given.items() if k not in FED}
    named = {"product": "urea"} | {k: given[k] for k in FED if k in given}
    rest |= {key: fertiliser_of(document, key, name) for key, name in named.items()}
    return Nutrients(uptake_kg_t=tables.nutrient_uptake() | _own_uptake(document), **rest)


def fertiliser_of(document: Document, key: str, name: str) -> Fertiliser:
    """A fertiliser that the farm file gives, or a table's, for a key of FED.

    Raises InputError where it is unknown, or lacks what it is to give.
    """
    own = _own(document, "fertiliser", name)
    if own is None:
        made = tables.fertiliser(name)
    else:
        made = Fertiliser(**{**dict.fromkeys(NUTRIENT_SHARES, 0.0), **own})
    if not getattr(made, FED[key]) > 0.0:
        fit = ", ".join(n for n in tables.fertilisers() if getattr(tables.fertiliser(n), FED[key]) > 0.0)
        raise InputError(f"its {FED[key]} is 0; {fit} have it, or a [[fertiliser]] of your own")
    return made


def _own_uptake(document: Document) -> dict[str, tuple[float, float, float]]:
    """N, P2O5 and K2O that the farm file's crops take up, given or as the crop that they are like. [kg/t]"""
    tabled = tables.nutrient_uptake()
    made: dict[str, tuple[float, float, float]] = {}
    for own in document.get("crop", ()):
        like = tabled.get(tables.crop(own["like"]).name) if "like" in own else None
        if UPTAKES[0] in own:
            n, p, k = (float(own[key]) for key in UPTAKES)
            made[own["name"]] = n, p, k
        elif like is not None:
            made[own["name"]] = like
    return made


def crop_of(document: Document, name: str) -> Crop:
    """A crop that the farm file gives, or a table's. Raises InputError."""
    own = _own(document, "crop", name)
    if own is None:
        return tables.crop(name)
    base = tables.crop(own["like"]) if "like" in own else None
    days = base.stage_days if base else (0, 0, 0, 0)
    numbers = {
        k: v
        for k, v in own.items()
        if k not in ("name", "like", "season_days", "yield_response", *STAGES, *UPTAKES)
    }
    values = {
        "ece_threshold_ds_m": None,
        "ece_slope_pct": None,
        **({f.name: getattr(base, f.name) for f in fields(Crop)} if base else {}),
        **numbers,
        **_responses_of(own.get("yield_response", {})),
        "name": own["name"],
        "stage_days": tuple(own.get(key, days[i]) for i, key in enumerate(STAGES)),
        "source": f"farm file, else as {base.name} ({base.source})" if base else "farm file",
    }
    return Crop(**values)


def _responses_of(given: Document) -> dict[str, Any]:
    """Yield responses of the stages and of the season, as far as they are given."""
    made: dict[str, Any] = {}
    if "middle" in given:
        made["stage_responses"] = tuple(given[key.removesuffix("_days")] for key in STAGES)
    if "season" in given:
        made["season_response"] = given["season"]
    return made


def soil_of(document: Document, name: str) -> Soil:
    """A soil that the farm file gives, or a table's. Raises InputError."""
    own = _own(document, "soil", name)
    if own is None:
        return tables.soil(name)
    return Soil(
        own["name"],
        own["field_capacity"],
        own["wilting_point"],
        "farm file",
        own.get("readily_evaporable_mm"),
        own.get("intake_mm_h"),
    )


def driplines_of(document: Document) -> tuple[Dripline, ...]:
    """The candidates in the order given; the tables' one where there are none."""
    given = tuple(Dripline(**table) for table in document.get("dripline", ()))
    return given or tables.default_driplines()


def pipes_of(document: Document) -> tuple[Pipe, ...]:
    """The sizes on sale: the user's in place of the tables'."""
    given = tuple(Pipe(**{**tables.pipe_material(t["material"]), **t}) for t in document.get("pipe", ()))
    return given or tables.pipes()


def sources_of(document: Document, file_crs: CRS, plan: CRS) -> tuple[Source, ...]:
    """The sources, moved into the plan's CRS from the fields' or their own."""
    import numpy as np

    sources = []
    for table in document.get("source", ()):
        own = crs_room.crs_of(table["crs"], "source") if "crs" in table else file_crs
        x, y = crs_room.transform_xy(own.to_2d(), plan, np.array([[table["x"], table["y"]]]))[0].tolist()
        rest = {k: v for k, v in table.items() if k not in ("name", "x", "y", "crs", "water_level_m")}
        if "pump_curve" in rest:
            rest["pump_curve"] = PumpCurve(**rest["pump_curve"])
        if "water" in rest:
            rest["water"] = WaterQuality(**rest["water"])
        sources.append(Source(table["name"], x, y, table.get("water_level_m"), **rest))
    return tuple(sources)


def design_of(document: Document, crop: Crop | None = None) -> Design:
    """The rules for a crop: those of [design], and over them those of [design.crops.NAME]."""
    base = document.get("design", {})
    keys = {k: v for k, v in base.items() if k not in ("crop", "soil", "crops")}
    if crop is not None:
        keys |= overrides_of(document, crop)
    if "tolerance" in keys:
        ((kind, value),) = keys["tolerance"].items()
        keys["tolerance"] = Tolerance(kind, value)
    for key in ("deficit_need", "deficit_depletion"):
        if key in keys:
            keys[key] = StageShares(**keys[key])
    if keys.get("row_azimuth_deg") is not None:
        keys["row_azimuth_deg"] %= 180.0
    return Design(**keys)


def overrides_of(document: Document, crop: Crop) -> Document:
    """What [design.crops.NAME] says of a crop, by whichever of its names."""
    for name, keys in document.get("design", {}).get("crops", {}).items():
        if crop_of(document, name).name == crop.name:
            return dict(keys)
    return {}


def allowance_m(design: Design, dripline: Dripline) -> float | None:
    """By how much the tolerance lets the head vary within a block. [m]

    None for a uniformity, which heads alone do not tell.
    """
    if dripline.compensating and dripline.least_head_m is not None:
        return dripline.greatest_head_m - dripline.least_head_m
    share = design.tolerance.value / 100.0
    if design.tolerance.kind == "head_variation_pct":
        return share * dripline.nominal_head_m
    if design.tolerance.kind == "flow_variation_pct" and dripline.exponent > 0.0:
        return float((1.0 - (1.0 - share) ** (1.0 / dripline.exponent)) * dripline.nominal_head_m)
    return None


def field_of(parcel: Parcel, choice: Choice) -> tuple[Field | RefusedField, tuple[Finding, ...]]:
    """A field to plan, or refused for its crop; with what of its attributes could not be used."""
    given = {k: _word(v) for k, v in parcel.attributes.items() if _word(v)}
    try:
        crop = crop_of(choice.document, given["crop"]) if "crop" in given else choice.crop
    except InputError as error:
        finding = _told(
            parcel, "stop", f"is not planned: {error}", "Correct its crop, or give it as [[crop]]."
        )
        return RefusedField(parcel.field_id, parcel.name, parcel.area, given["crop"], finding), (finding,)
    findings: list[Finding] = []
    soil = choice.soil
    if "soil" in given:
        try:
            soil = soil_of(choice.document, given["soil"])
        except InputError as error:
            findings.append(
                _told(parcel, "attention", f"is planned with {soil.name}: {error}", "Correct its soil.")
            )
    driplines, told = _line_named(parcel, given.get("dripline"), choice.driplines)
    findings += told
    source_id, told = _source_named(parcel, given.get("source"), choice.source_ids)
    findings += told
    design = design_of(choice.document, crop)
    azimuth, told = _azimuth(parcel, given.get("row_azimuth_deg"))
    findings += told
    if azimuth is not None:
        design = replace(design, row_azimuth_deg=azimuth)
    made = Field(
        field_id=parcel.field_id,
        name=parcel.name,
        area=parcel.area,
        crop=crop,
        soil=soil,
        driplines=driplines,
        design=design,
        source_id=source_id,
        exclusions=parcel.exclusions,
        taken=parcel.taken,
        kept_rows=parcel.kept_rows,
    )
    return made, tuple(findings)


def layout_findings(planned: Sequence[Field], choice: Choice) -> tuple[Finding, ...]:
    """Crops that are laid out by the rows of another, for want of their own."""
    findings = []
    for name in dict.fromkeys(f.crop.name for f in planned):
        grown = [f for f in planned if f.crop.name == name]
        if name == choice.crop.name or overrides_of(choice.document, grown[0].crop):
            continue
        rows = f"rows {grown[0].design.row_spacing_m:g} m apart"
        fields_of = f"Field {grown[0].field_id} grows" if len(grown) == 1 else f"{len(grown)} fields grow"
        what = f"{fields_of} {name} and would be laid out as {choice.crop.name} is, {rows}."
        where_id = grown[0].field_id if len(grown) == 1 else "farm"
        advice = f"Give its rows as [design.crops.{_key(name)}], if they are others."
        findings.append(Finding("attention", "input", what, where_id, advice))
    return tuple(findings)


def _line_named(
    parcel: Parcel, name: str | None, lines: tuple[Dripline, ...]
) -> tuple[tuple[Dripline, ...], list[Finding]]:
    """The lines to try, the named one first: the others follow where it cannot serve."""
    if name is None:
        return lines, []
    named = tuple(line for line in lines if _same(line.name, name))
    if named:
        return named + tuple(line for line in lines if line not in named), []
    near = _near(name, [line.name for line in lines])
    what = f"is planned with {lines[0].name!r}: its dripline {name!r} is not among the farm's{near}"
    return lines, [_told(parcel, "attention", what, "Correct it, or give that line as [[dripline]].")]


def _source_named(
    parcel: Parcel, name: str | None, names: tuple[str, ...]
) -> tuple[str | None, list[Finding]]:
    if name is None:
        return None, []
    for known in names:
        if _same(known, name):
            return known, []
    what = (
        f"names the source {name!r}, which is not among the farm's{_near(name, list(names))}: it may get any"
    )
    return None, [_told(parcel, "attention", what, "Correct it, or give that source as [[source]].")]


def _azimuth(parcel: Parcel, text: str | None) -> tuple[float | None, list[Finding]]:
    if text is None:
        return None, []
    try:
        azimuth = float(text.replace(",", "."))
    except ValueError:
        azimuth = float("nan")
    if -180.0 <= azimuth <= 360.0:
        return azimuth % 180.0, []
    what = f"has a row_azimuth_deg of {text[:20]!r}, which is no direction: its rows' direction is chosen"
    return None, [_told(parcel, "attention", what, "Give degrees clockwise from grid north, 0 to 180.")]


def _own(document: Document, kind: str, name: str) -> Document | None:
    return next((table for table in document.get(kind, ()) if _same(table.get("name", ""), name)), None)


def _same(one: str, other: str) -> bool:
    return " ".join(one.split()).lower() == " ".join(other.split()).lower()


def _near(name: str, names: list[str]) -> str:
    near = get_close_matches(name, names, n=1)
    return f" (near: {near[0]!r})" if near else f" ({', '.join(map(repr, names)) or 'it has none'})"


def _key(name: str) -> str:
    return name if name.isascii() and name.replace("-", "").replace("_", "").isalnum() else f'"{name}"'


def _word(value: Any) -> str:
    if value is None or value != value:  # a missing number is not equal to itself
        return ""
    return str(value).strip()


def _told(parcel: Parcel, severity: Any, what: str, advice: str) -> Finding:
    return Finding(severity, "input", f"Field {parcel.field_id} {what}.", parcel.field_id, advice)
