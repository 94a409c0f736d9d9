"""The farm file: one TOML file states the farm; read here into one record, or refused with every problem."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from farmgis.errors import FarmFileError, InputError
from farmgis.geodata import gate
from farmgis.geodata.assumptions import assumptions_of
from farmgis.geodata.elevation import Elevation
from farmgis.geodata.elevation_probe import Probe, probe
from farmgis.geodata.farm_check import beside, check_names
from farmgis.geodata.farm_parts import (
    Choice,
    Document,
    allowance_m,
    choice_of,
    design_of,
    field_of,
    layout_findings,
    nutrients_of,
    pipes_of,
    sources_of,
)
from farmgis.geodata.field_marks import MARK_KEYS, Marks, with_marks
from farmgis.geodata.fields import COLUMN_NAMES, Boundaries, read_fields
from farmgis.geodata.price_file import priced_pipes, prices_of
from farmgis.geodata.settings_check import Problem, check
from farmgis.geodata.supply_parts import supply_of
from farmgis.geodata.toml_lines import KeyPath, key_lines, line_of
from farmgis.prices import Spares
from farmgis.records import Farm, Field, Finding, GivenWater, RefusedField, Season, Weather

FILE_LIMIT_BYTES = 4_000_000
FAR_SOURCE_KM = 50.0

Refuse = Callable[[list[Problem]], None]


def read_farm(path: str | Path, *, today: date | None = None) -> Farm:
    """The farm that a TOML file states, with every default filled in and told in `assumptions`.

    Paths in it are relative to it. `today` goes before that of its [season]. Raises FarmFileError with all
    problems of the file together, each with its line; InputError and CrsError for the geodata that it names.
    """
    file = gate.local_file(path, "farm file")
    text = _text_of(file)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FarmFileError(str(path), [f"not TOML: {error}"]) from None
    lines = key_lines(text)

    def refuse(problems: list[Problem]) -> None:
        if problems:
            told = sorted((line_of(lines, p.path) or 0, _dotted(p.path), p.text) for p in problems)
            raise FarmFileError(
                str(path), [f"line {n}, {key}: {text}" if n else f"{key}: {text}" for n, key, text in told]
            )

    return _farm(_on(document, today), file.parent, file.stem, refuse)


def _on(document: dict[str, Any], today: date | None) -> dict[str, Any]:
    """The document with another day in its [season]."""
    season = document.get("season", {})
    if today is None or not isinstance(season, Mapping):
        return document
    return document | {"season": {**season, "today": today}}


def farm_from_files(
    fields: str | Path,
    elevation: str | Path,
    *,
    weather: str | Path | None = None,
    name: str | None = None,
    layer: str | None = None,
    input_crs: str | None = None,
    crop: str | None = None,
    today: date | None = None,
    settings: Document | None = None,
) -> Farm:
    """A farm of boundaries and an elevation model, with every default.

    `settings` has the shape of a farm file, read as a dict, and is laid under the other arguments.
    Raises InputError for all problems together.
    """
    said: dict[str, dict[str, Any]] = {
        "fields": {"file": str(Path(fields)) if isinstance(fields, Path) else fields},
        "elevation": {"file": str(elevation)},
    }
    said["fields"] |= {k: v for k, v in (("layer", layer), ("input_crs", input_crs)) if v is not None}
    if weather is not None:
        said["weather"] = {"file": str(weather)}
    if crop is not None:
        said["design"] = {"crop": crop}
    document: dict[str, Any] = dict(settings or {})
    for section, keys in said.items():
        below = document.get(section, {})
        document[section] = {**(below if isinstance(below, Mapping) else {}), **keys}
    if name is not None:
        document["name"] = name

    def refuse(problems: list[Problem]) -> None:
        if problems:
            raise InputError("\n".join(f"{_dotted(p.path)}: {p.text}" for p in problems))

    return _farm(_on(document, today), Path.cwd(), Path(fields).stem, refuse)


def _farm(document: Document, folder: Path, fallback_name: str, refuse: Refuse) -> Farm:
    """The farm of a document; `refuse` raises when there are problems."""
    clean, problems = check(document)
    refuse(problems + check_names(clean, folder))
    choice = choice_of(clean)
    boundaries = _boundaries(clean["fields"], folder)
    planned, refused, findings = _fields(boundaries, choice)
    elevation = _elevation(clean["elevation"], boundaries, folder)
    allowance = allowance_m(design_of(clean, choice.crop), choice.driplines[0])
    looked = probe(elevation, [f.area for f in planned], allowance)
    sources = sources_of(clean, boundaries.file_crs, boundaries.crs)
    refuse(_source_problems(sources, boundaries))
    weather, told = _weather(clean.get("weather", {}), "file", boundaries, looked, folder)
    this_year, more = _weather(clean.get("weather", {}), "this_year_file", boundaries, looked, folder)
    refuse(_today_problems(clean, weather, this_year))
    prices = prices_of(clean, folder)
    return Farm(
        name=clean.get("name", fallback_name),
        crs=_crs_text(boundaries),
        fields=planned,
        elevation=elevation,
        sources=sources,
        pipes=priced_pipes(pipes_of(clean), prices),
        weather=weather,
        this_year=this_year,
        season=Season(**{k: v for k, v in clean.get("season", {}).items() if k != "given_file"}),
        given=_given(clean.get("season", {}), folder),
        nutrients=nutrients_of(clean),
        prices=prices,
        spares=Spares(**clean.get("spares", {})),
        supply=supply_of(clean, folder, boundaries.crs, pipes_of(clean)),
        assumptions=assumptions_of(clean, choice, planned, elevation, boundaries, weather),
        findings=boundaries.findings + findings + elevation.findings + looked.findings + told + more,
        refused=boundaries.refused + refused,
    )


def _boundaries(section: Document, folder: Path) -> Boundaries:
    read = read_fields(
        beside(folder, section["file"]),
        layer=section.get("layer"),
        columns={k: section[k] for k in COLUMN_NAMES if k in section},
        input_crs=section.get("input_crs"),
    )
    stated = {f.name: section[f.name] for f in dataclasses.fields(Marks) if f.name in section}
    stated |= {key: beside(folder, section[key]) for key in MARK_KEYS if key in section}
    return with_marks(read, Marks(**stated))


def _fields(
    boundaries: Boundaries, choice: Choice
) -> tuple[tuple[Field, ...], tuple[RefusedField, ...], tuple[Finding, ...]]:
    planned: list[Field] = []
    refused: list[RefusedField] = []
    findings: tuple[Finding, ...] = ()
    for parcel in boundaries.parcels:
        made, told = field_of(parcel, choice)
        if isinstance(made, Field):
            planned.append(made)
            findings += told
        else:
            refused.append(made)
    return tuple(planned), tuple(refused), findings + layout_findings(planned, choice)


def _elevation(section: Document, boundaries: Boundaries, folder: Path) -> Elevation:
    return Elevation(
        beside(folder, section["file"]),
        boundaries.crs,
        section.get("unit"),
        near=boundaries.bounds if boundaries.parcels else None,
        input_crs=section.get("input_crs"),
        smoothing_m=section.get("smoothing_m"),
        vertical_error_m=section.get("vertical_error_m"),
        correlation_m=section.get("correlation_m"),
    )


def _weather(
    section: Document, key: str, boundaries: Boundaries, looked: Probe, folder: Path
) -> tuple[Weather | None, tuple[Finding, ...]]:
    """The weather, placed by the farm file or else by the fields and the elevation model."""
    if key not in section or not boundaries.parcels:
        return None, ()
    from farmgis.geodata.weather import read_weather

    latitude = section.get("latitude_deg", boundaries.latitude_deg)
    altitude = section.get("altitude_m", looked.altitude_m)
    if not math.isfinite(altitude):
        raise InputError(
            "weather: the elevation model has no height at the fields; state altitude_m under [weather]"
        )
    return read_weather(gate.local_file(beside(folder, section[key]), "weather"), latitude, altitude)


def _today_problems(document: Document, weather: Weather | None, this_year: Weather | None) -> list[Problem]:
    """A day to plan from without daily weather to plan by, and weather of this year that is monthly."""
    if this_year is not None and this_year.basis != "daily":
        text = "found months; a row a day, up to today, would do"
        return [Problem(("weather", "this_year_file"), text)]
    today = document.get("season", {}).get("today")
    daily = this_year is not None or (weather is not None and weather.basis == "daily")
    if today is None or (weather is not None and daily):
        return []
    has = "no weather" if weather is None else "monthly normals alone"
    text = (
        f"found {today.isoformat()} and {has}; the rest of a season is planned from daily weather: name it "
        "as [weather] file, this season's as this_year_file"
    )
    return [Problem(("season", "today"), text)]


def _given(section: Document, folder: Path) -> tuple[GivenWater, ...]:
    """The irrigations that were given, where the farm file names a file of them."""
    if "given_file" not in section:
        return ()
    from farmgis.geodata.given_file import read_given

    return read_given(gate.local_file(beside(folder, section["given_file"]), "irrigations"))


def _source_problems(sources: Any, boundaries: Boundaries) -> list[Problem]:
    """Sources that lie nowhere near the fields: their coordinates are in another CRS than is thought."""
    if not boundaries.parcels:
        return []
    problems = []
    near = shapely.box(*boundaries.bounds)
    for i, source in enumerate(sources):
        finite = bool(np.isfinite([source.x_m, source.y_m]).all())
        away_km = near.distance(shapely.Point(source.x_m, source.y_m)) / 1000.0 if finite else math.inf
        if away_km > FAR_SOURCE_KM:
            text = (
                f"found a place {away_km:,.0f} km from the fields (limit {FAR_SOURCE_KM:g}); x and y are "
                f'read in {boundaries.file_crs.name}: give them in it, or state crs = "EPSG:..."'
            )
            problems.append(Problem(("source", i, "x"), text))
    return problems


def _crs_text(boundaries: Boundaries) -> str:
    from farmgis.geodata.crs import code_of

    return code_of(boundaries.crs)


def _text_of(file: Path) -> str:
    if file.stat().st_size > FILE_LIMIT_BYTES:
        raise FarmFileError(str(file), [f"over {FILE_LIMIT_BYTES / 1e6:.0f} MB: this is no farm file"])
    try:
        return file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = file.read_bytes()[: error.start].count(b"\n") + 1
        raise FarmFileError(str(file), [f"line {line}: not UTF-8 text; save the file as UTF-8"]) from None


def _dotted(path: KeyPath) -> str:
    """A key as a reader would look for it: design.headland_m; source 2, flow_m3h."""
    words = ""
    for part in path:
        if isinstance(part, int):
            words += f" {part + 1}"
        else:
            words += ("." if words and not words[-1].isdigit() else ", " if words else "") + part
    return words
