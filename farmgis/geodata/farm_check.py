"""What a farm file names, looked for: files, columns, crops, soils, CRSs; and keys that contradict others."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from farmgis.errors import InputError
from farmgis.geodata import crs as crs_room
from farmgis.geodata import gate
from farmgis.geodata.boundary_file import Layer, describe, no_column
from farmgis.geodata.farm_parts import (
    FED,
    Document,
    check_crop,
    check_soil,
    crop_of,
    design_of,
    fertiliser_of,
)
from farmgis.geodata.field_marks import LAND_KEYS, MARK_KEYS
from farmgis.geodata.fields import COLUMN_NAMES
from farmgis.geodata.price_file import read_prices
from farmgis.geodata.settings_check import Problem
from farmgis.geodata.toml_lines import KeyPath
from farmgis.prices import Price
from farmgis.records import Design


def beside(folder: Path, name: str) -> str:
    """A path as the farm file means it: relative to its own folder."""
    odd = "://" in name or name.startswith(("/vsi", "{", "<"))
    return name if odd else str(folder / name)


def check_names(document: Document, folder: Path) -> list[Problem]:
    """All that a checked document names and that is not there."""
    return [
        *_boundary_problems(document.get("fields", {}), folder),
        *_file_problems(document, folder),
        *_crs_problems(document),
        *_crop_problems(document),
        *_season_problems(document),
        *_doubled(document),
        *_design_problems(document),
    ]


def _tried(path: KeyPath, found: str, look: Callable[[str], Any]) -> list[Problem]:
    """The problem that a look at what was found raises, if any."""
    try:
        look(found)
    except InputError as error:
        within = str(error).replace("\n", "\n    ")  # a file's own list of problems is set in
        return [Problem(path, f'found "{found}"; {within}')]
    return []


def _boundary_problems(section: Document, folder: Path) -> list[Problem]:
    if "file" not in section:
        return []
    try:
        layer = describe(beside(folder, section["file"]), section.get("layer"))
    except InputError as error:
        key = "layer" if "there is no layer" in str(error) else "file"
        return [Problem(("fields", key), f'found "{section[key]}"; {error}')]
    return _column_problems(section, layer)


def _column_problems(section: Document, layer: Layer) -> list[Problem]:
    return [
        Problem(("fields", purpose), f'found "{section[purpose]}"; {no_column(section[purpose], layer)}')
        for purpose in COLUMN_NAMES
        if section.get(purpose) and section[purpose] not in layer.columns
    ]


def _file_problems(document: Document, folder: Path) -> list[Problem]:
    """The other files than the fields' own: there, and of a kind that can be read."""

    def model(name: str) -> str:
        return gate.raster_driver(gate.local_file(beside(folder, name), "elevation"), "elevation")

    def table(name: str) -> object:
        """The weather itself is read, so that its faults are told with those of the farm file."""
        from farmgis.geodata.weather import read_weather

        return read_weather(gate.local_file(beside(folder, name), "weather"), 0.0, 0.0)

    def given(name: str) -> object:
        from farmgis.geodata.given_file import read_given

        return read_given(gate.local_file(beside(folder, name), "irrigations"))

    def marks(key: str) -> Callable[[str], Layer]:
        return lambda name: describe(
            beside(folder, name), document["fields"].get(f"{key}_layer"), key, MARK_KEYS[key]
        )

    def prices(name: str) -> tuple[Price, ...]:
        return read_prices(gate.local_file(beside(folder, name), "prices"))

    def land(key: str) -> Callable[[str], Layer]:
        return lambda name: describe(
            beside(folder, name), document["supply"].get(f"{key}_layer"), key, LAND_KEYS[key]
        )

    looks: tuple[tuple[str, str, Callable[[str], Any]], ...] = (
        ("elevation", "file", model),
        ("weather", "file", table),
        ("weather", "this_year_file", table),
        ("season", "given_file", given),
        *(("fields", key, marks(key)) for key in MARK_KEYS),
        ("prices", "file", prices),
        *(("supply", key, land(key)) for key in LAND_KEYS),
    )
    return [
        problem
        for section, key, look in looks
        if key in document.get(section, {})
        for problem in _tried((section, key), document[section][key], look)
    ]


def _crs_problems(document: Document) -> list[Problem]:
    stated: list[tuple[KeyPath, str]] = [
        ((section, "input_crs"), document[section]["input_crs"])
        for section in ("fields", "elevation")
        if "input_crs" in document.get(section, {})
    ]
    stated += [
        (("source", i, "crs"), s["crs"]) for i, s in enumerate(document.get("source", ())) if "crs" in s
    ]
    return [p for path, text in stated for p in _tried(path, text, lambda code: crs_room.crs_of(code, "crs"))]


def _crop_problems(document: Document) -> list[Problem]:
    """Crops, soils and fertilisers by names that neither the farm file nor a table has."""
    design = document.get("design", {})
    problems: list[Problem] = []
    for i, crop in enumerate(document.get("crop", ())):
        if "like" in crop:
            problems += _tried(("crop", i, "like"), crop["like"], lambda name: check_crop({}, name))
    if problems:
        return problems
    if "crop" in design:
        problems += _tried(("design", "crop"), design["crop"], lambda name: check_crop(document, name))
    if "soil" in design:
        problems += _tried(("design", "soil"), design["soil"], lambda name: check_soil(document, name))
    fed = document.get("nutrients", {})
    for key in (k for k in FED if k in fed):
        problems += _tried(("nutrients", key), fed[key], partial(fertiliser_of, document, key))
    for name in design.get("crops", {}):
        problems += _tried(("design", "crops", name), name, lambda name: check_crop(document, name))
    return problems


def _season_problems(document: Document) -> list[Problem]:
    """A harvest before sowing, and a user's crop whose stages do not add up to its season."""
    problems = []
    season = document.get("season", {})
    sowing, harvest = season.get("sowing"), season.get("harvest")
    if sowing is not None and harvest is not None and harvest <= sowing:
        text = f"found {harvest.isoformat()}; a day after sowing ({sowing.isoformat()}) would do"
        problems.append(Problem(("season", "harvest"), text))
    if harvest is not None and sowing is None:
        text = f"found {harvest.isoformat()} without sowing; state sowing too"
        problems.append(Problem(("season", "harvest"), text))
    for i, own in enumerate(document.get("crop", ())):
        if "season_days" not in own or not {"name"} <= own.keys():
            continue
        try:
            stages = crop_of(document, own["name"]).stage_days
        except (InputError, TypeError):
            continue  # told already
        if sum(stages) != own["season_days"]:
            text = (
                f"found {own['season_days']}; the stages {'/'.join(map(str, stages))} add up to {sum(stages)}"
            )
            problems.append(Problem(("crop", i, "season_days"), text))
    return problems


def _doubled(document: Document) -> list[Problem]:
    """Names that stand twice among things that are chosen by name."""
    problems = []
    for kind in ("dripline", "source", "crop", "soil"):
        seen: dict[str, int] = {}
        for i, table in enumerate(document.get(kind, ())):
            name = " ".join(table.get("name", "").split()).lower()
            if name and name in seen:
                text = f'found "{table["name"]}" again; another name would do'
                problems.append(Problem((kind, i, "name"), text))
            seen.setdefault(name, i)
    return problems


def _design_problems(document: Document) -> list[Problem]:
    section = document.get("design", {})
    problems = _contradictions(("design",), design_of(document), section)
    for name, keys in section.get("crops", {}).items():
        merged = {**document, "design": {**section, **keys, "crops": {}}}
        problems += _contradictions(("design", "crops", name), design_of(merged), keys)
    return problems


def _wrong_beds(design: Design) -> tuple[tuple[bool, tuple[str, ...], str], ...]:
    """What cannot be, of rows in beds and of passes: (whether it is so, keys, words)."""
    beds, rows, lateral = design.bed_spacing_m, design.rows_per_bed, design.rows_per_lateral
    fits = lateral % rows == 0 or lateral in (rows, rows / 2)
    return (
        (
            rows > 1 and beds is None,
            ("rows_per_bed",),
            f"{rows} rows a bed; bed_spacing_m is needed with it",
        ),
        (
            beds is not None and beds <= (rows - 1) * design.row_spacing_m,
            ("bed_spacing_m", "row_spacing_m", "rows_per_bed"),
            f"bed_spacing_m is {beds or 0.0:g} and a bed's rows take {(rows - 1) * design.row_spacing_m:g}; "
            "more would do",
        ),
        (
            beds is not None and (not fits or design.laterals_per_row == 2),
            ("rows_per_lateral", "laterals_per_row", "rows_per_bed"),
            f"rows_per_lateral is {lateral} with {rows} rows a bed; all of a bed's rows, half of them, or "
            "those of whole beds would do, with one lateral a row",
        ),
        (
            design.wheel_gauge_m is not None and design.planter_rows is None,
            ("wheel_gauge_m",),
            "a gauge without planter_rows; it is needed to know where the wheels run",
        ),
        (
            design.planter_rows is not None and beds is not None,
            ("planter_rows", "bed_spacing_m"),
            "planter_rows with beds; wheels run between beds, so leave it out",
        ),
    )


def _contradictions(path: KeyPath, design: Design, given: Mapping[str, Any]) -> list[Problem]:
    """Keys that cannot both be as they are; told at the one that was given."""
    wrong = (
        (
            design.lateral_min_m >= design.lateral_max_m,
            ("lateral_min_m", "lateral_max_m"),
            f"lateral_min_m is {design.lateral_min_m:g} and lateral_max_m {design.lateral_max_m:g}; "
            "the least has to be under the greatest",
        ),
        (
            design.block_min_ha > design.block_max_ha,
            ("block_min_ha", "block_max_ha"),
            f"block_min_ha is {design.block_min_ha:g} and block_max_ha {design.block_max_ha:g}; "
            "the least cannot be over the greatest",
        ),
        (
            design.laterals_per_row == 2 and design.rows_per_lateral != 1,
            ("laterals_per_row", "rows_per_lateral"),
            f"two laterals a row need rows_per_lateral = 1 (it is {design.rows_per_lateral})",
        ),
        (
            design.laterals_per_row == 2 and 2.0 * design.line_offset_m >= design.row_spacing_m,
            ("line_offset_m", "laterals_per_row"),
            f"line_offset_m is {design.line_offset_m:g}; less than half of row_spacing_m "
            f"({design.row_spacing_m:g}) would do",
        ),
        (
            (design.row_fall_pct or 0.0) > design.row_grade_max_pct,
            ("row_fall_pct", "row_grade_max_pct"),
            f"row_fall_pct is {design.row_fall_pct or 0.0:g} and row_grade_max_pct "
            f"{design.row_grade_max_pct:g}; the fall that is wanted cannot be over the greatest grade",
        ),
        *_wrong_beds(design),
    )
    found = []
    for is_wrong, keys, text in wrong:
        here = [k for k in keys if k in given]
        if is_wrong and here:
            found.append(Problem((*path, here[0]), f"found {text}"))
    return found
