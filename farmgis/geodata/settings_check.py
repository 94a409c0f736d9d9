"""A farm file checked against the settings: what can be used of it, and all that is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from difflib import get_close_matches
from typing import Any

from farmgis.geodata.settings import (
    ANY,
    DESIGN_KEYS,
    LISTS,
    RESPONSES,
    SECTIONS,
    TEXT,
    TOLERANCES,
    TOP,
    Setting,
)
from farmgis.geodata.toml_lines import KeyPath

Document = Mapping[str, Any]

WRITTEN = {
    "text": 'text in quotes, such as "maize"',
    "texts": 'texts in brackets, such as ["A-B01", "A-B02"]',
    "file": 'a file\'s path in quotes, such as "fields.gpkg"',
    "number": "a number without quotes",
    "numbers": "two numbers or more in brackets, such as [0.0, 200.0, 400.0]",
    "whole": "a whole number without quotes",
    "date": "a date without quotes, such as 2027-04-20",
    "tolerance": "a table with one key, such as { head_variation_pct = 20 }",
    "table": "a table in braces",
}
# units that a key may end in, ours and others'
ENDINGS = tuple(
    f"_{unit}"
    for unit in (  # noqa: SIM905
        "m ft in mm cm km yd feet inch inches metres meters deg rad pct percent ha ac acres m2 m3 l gal "
        "m3h m3_h l_h l_s l_min gph gpm bar psi kpa m_s ft_s km_h c f h hours min days us_cm ds_m kg_m lb_ft "
        "mg_l ppm kw"
    ).split()
)


@dataclass(frozen=True)
class Problem:
    """What is wrong with a key, and what would do."""

    path: KeyPath
    text: str


def check(document: Document) -> tuple[dict[str, Any], list[Problem]]:
    """What of a farm file can be used, and all that is wrong with its keys and values."""
    clean: dict[str, Any] = {}
    problems: list[Problem] = []
    for key, value in document.items():
        if key == "name":
            good, found = _value((key,), value, TEXT)
        elif key in SECTIONS:
            good, found = _section(key, value)
        elif key in LISTS:
            good, found = _list(key, value)
        else:
            good, found = None, [_unknown((key,), value, TOP, ())]
        problems += found
        if good is not None:
            clean[key] = good
    for key in ("fields", "elevation"):
        if key not in document:
            problems.append(Problem((key,), f'nothing found; a farm needs [{key}] with file = "..."'))
    return clean, problems


def _section(key: str, value: Any) -> tuple[dict[str, Any] | None, list[Problem]]:
    if not isinstance(value, Mapping):
        return None, [Problem((key,), f"found {_shown(value)}; a table [{key}] would do")]
    crops = value.get("crops") if key == "design" else None
    rest = {k: v for k, v in value.items() if not (key == "design" and k == "crops")}
    clean, problems = _table((key,), rest, SECTIONS[key], ("crops",) if key == "design" else ())
    if crops is not None:
        clean["crops"], found = _crops(crops)
        problems += found
    return clean, problems


def _crops(value: Any) -> tuple[dict[str, Any], list[Problem]]:
    """Design by crop: [design.crops.hazelnut] with the keys of [design]."""
    path: KeyPath = ("design", "crops")
    if not isinstance(value, Mapping):
        return {}, [Problem(path, f"found {_shown(value)}; tables such as [design.crops.hazelnut] would do")]
    clean: dict[str, Any] = {}
    problems: list[Problem] = []
    for crop, keys in value.items():
        if isinstance(keys, Mapping):
            clean[crop], found = _table((*path, crop), keys, DESIGN_KEYS)
            problems += found
        else:
            problems.append(
                Problem(
                    (*path, crop), f"found {_shown(keys)}; a crop's own table [design.crops.NAME] would do"
                )
            )
    return clean, problems


def _list(key: str, value: Any) -> tuple[list[dict[str, Any]] | None, list[Problem]]:
    if not isinstance(value, list) or not all(isinstance(v, Mapping) for v in value):
        return None, [Problem((key,), f"found {_shown(value)}; tables [[{key}]] with two brackets would do")]
    clean, problems = [], []
    for i, table in enumerate(value):
        good, found = _table((key, i), table, LISTS[key])
        problems += found + ([] if found else _between_keys(key, (key, i), good))
        clean.append(good)
    return clean, problems


def _table(
    path: KeyPath, table: Document, keys: Mapping[str, Setting], more: tuple[str, ...] = ()
) -> tuple[dict[str, Any], list[Problem]]:
    clean: dict[str, Any] = {}
    problems: list[Problem] = []
    for key, value in table.items():
        if key not in keys:
            problems.append(_unknown((*path, key), value, (*keys, *more), tuple(keys)))
            continue
        good, found = _value((*path, key), value, keys[key])
        problems += found
        if good is not None:
            clean[key] = good
    for key, setting in keys.items():
        if setting.needed and not any(_stem(k) == _stem(key) for k in table):
            problems.append(Problem((*path, key), f"nothing found; {_would_do(setting)} is needed"))
    return clean, problems


def _value(path: KeyPath, value: Any, setting: Setting) -> tuple[Any, list[Problem]]:
    """The value, as its kind has it, or what is wrong with it."""
    if setting.kind == "tolerance":
        return _tolerance(path, value)
    if setting.keys is not None:
        if not isinstance(value, Mapping) or not value:
            would = f"{WRITTEN[setting.kind]}, with {' or '.join(list(setting.keys)[:4])},"
            return None, [Problem(path, f"found {_shown(value)}; {would} would do")]
        return _table(path, value, setting.keys)
    if setting.kind == "numbers":
        return _numbers(path, value, setting)
    if setting.kind == "texts":
        return _texts(path, value)
    if _fits(value, setting):
        return (float(value) if setting.kind == "number" else value), []
    quoted = isinstance(value, str) and setting.kind in ("number", "whole")
    plain = " without quotes" if quoted and "without" not in _would_do(setting) else ""
    return None, [Problem(path, f"found {_shown(value)}; {_would_do(setting)}{plain} would do")]


def _fits(value: Any, setting: Setting) -> bool:
    if isinstance(value, (bool, datetime)):
        return False
    if setting.kind in ("number", "whole"):
        if not isinstance(value, int if setting.kind == "whole" else (int, float)):
            return False
        assert setting.least is not None
        assert setting.greatest is not None
        return bool(setting.least <= value <= setting.greatest)  # neither nan nor inf is between
    if setting.kind == "date":
        return isinstance(value, date)
    if not isinstance(value, str) or (setting.choices and value not in setting.choices):
        return False
    return bool(value.strip()) or not (setting.needed or setting.kind == "file")


def _numbers(path: KeyPath, value: Any, setting: Setting) -> tuple[Any, list[Problem]]:
    """A row of numbers, each in its range."""
    one = replace(setting, kind="number")
    if not isinstance(value, list) or len(value) < 2:
        return None, [Problem(path, f"found {_shown(value)}; {WRITTEN['numbers']} would do")]
    for i, number in enumerate(value, start=1):
        if not _fits(number, one):
            where = f"found {_shown(number)} as number {i}"
            return None, [Problem(path, f"{where}; {_would_do(one)} would do")]
    return tuple(float(v) for v in value), []


def _texts(path: KeyPath, value: Any) -> tuple[Any, list[Problem]]:
    """A row of texts, none empty."""
    if isinstance(value, list) and value and all(isinstance(v, str) and v.strip() for v in value):
        return tuple(value), []
    return None, [Problem(path, f"found {_shown(value)}; {WRITTEN['texts']} would do")]


def _tolerance(path: KeyPath, value: Any) -> tuple[Any, list[Problem]]:
    if not isinstance(value, Mapping) or not value:
        return None, [Problem(path, f"found {_shown(value)}; {WRITTEN['tolerance']} would do")]
    clean, problems = _table(path, value, TOLERANCES)
    if len(value) > 1 and not problems:
        names = " and ".join(value)
        problems = [Problem(path, f"found {names}; only one of them can be the tolerance")]
    return (None if problems else clean), problems


def _between_keys(key: str, path: KeyPath, table: Document) -> list[Problem]:
    """What no key can tell alone."""
    if key == "dripline" and table.get("exponent") == 0.0:
        if "least_head_m" not in table or "greatest_head_m" not in table:
            text = "found 0 (pressure compensating); least_head_m and greatest_head_m are needed with it"
            return [Problem((*path, "exponent"), text)]
        if table["least_head_m"] + 1.0 >= table["greatest_head_m"]:
            text = f"found {table['least_head_m']:g}; over 1 m less than greatest_head_m would do"
            return [Problem((*path, "least_head_m"), text)]
    if key == "pipe" and table["inside_mm"] >= table["nominal_mm"] * 1.2:
        return [
            Problem((*path, "inside_mm"), f"found {table['inside_mm']:g}, far over nominal_mm; check both")
        ]
    if key == "source":
        return _source_problems(path, table)
    if key == "soil" and table["wilting_point"] >= table["field_capacity"]:
        text = f"found {table['wilting_point']:g}; less than field_capacity would do"
        return [Problem((*path, "wilting_point"), text)]
    if key == "fertiliser":
        return _fertiliser_problems(path, table)
    if key == "crop":
        free = ("name", "like", "season_days")
        values = [k for k in LISTS["crop"] if k not in free and "ece" not in k and "uptake" not in k]
        missing = [k for k in values if k not in table]
        if missing and "like" not in table:
            text = f'nothing found for {", ".join(missing)}; give them, or like = "maize" for a known crop\'s'
            return [Problem(path, text)]
        problems = _response_problems((*path, "yield_response"), table.get("yield_response", {}))
        return problems + _uptake_problems(path, table)
    return []


def _response_problems(path: KeyPath, given: Document) -> list[Problem]:
    """Some stages' responses without those of the others."""
    stages = [k for k in RESPONSES if k != "season"]
    missing = [k for k in stages if k not in given]
    if not missing or len(missing) == len(stages):
        return []
    text = f"found {', '.join(k for k in stages if k in given)}; {', '.join(missing)} would be needed too"
    return [Problem(path, text)]


def _fertiliser_problems(path: KeyPath, table: Document) -> list[Problem]:
    """A product that holds nothing, or more than there is of it, or comes both as a solid and as a liquid."""
    shares = sum(table.get(k, 0.0) for k in ("n_pct", "p2o5_pct", "k2o_pct"))
    if not 0.0 < shares <= 100.0:
        return [Problem(path, f"found {shares:g} % of nutrients in all; over 0 and up to 100 would do")]
    ways = [k for k in ("solubility_g_l", "litre_kg") if k in table]
    if len(ways) != 1:
        found = " and ".join(ways) or "neither"
        text = f"found {found}; solubility_g_l of a solid, or litre_kg of a liquid, would do"
        return [Problem(path, text)]
    return []


def _uptake_problems(path: KeyPath, table: Document) -> list[Problem]:
    """Uptake of some nutrients without that of the others."""
    keys = [k for k in LISTS["crop"] if "uptake" in k]
    missing = [k for k in keys if k not in table]
    if not missing or len(missing) == len(keys):
        return []
    text = f"found {', '.join(k for k in keys if k in table)}; {', '.join(missing)} would be needed too"
    return [Problem((*path, next(k for k in keys if k in table)), text)]


def _source_problems(path: KeyPath, table: Document) -> list[Problem]:
    """A pump's curve that is none, and levels of water that cannot be."""
    problems = _curve_problems((*path, "pump_curve"), table["pump_curve"]) if "pump_curve" in table else []
    running, standing = table.get("water_level_m"), table.get("static_level_m")
    if running is not None and standing is not None and standing < running:
        text = f"found {standing:g}, under water_level_m ({running:g}), the level while pumping"
        problems.append(Problem((*path, "static_level_m"), f"{text}; one not under it would do"))
    return problems


def _curve_problems(path: KeyPath, curve: Document) -> list[Problem]:
    """Where a curve's flows do not rise or its heads do not fall, by its points."""
    flow, head = curve["flow_m3h"], curve["head_m"]
    for key, row in curve.items():
        if len(row) != len(flow):
            text = (
                f"found {len(row)} numbers and {len(flow)} in flow_m3h; as many as there are flows would do"
            )
            return [Problem((*path, key), text)]
    for i in range(1, len(flow)):
        if flow[i] <= flow[i - 1]:
            text = f"found {flow[i]:g} after {flow[i - 1]:g} (points {i} and {i + 1}); rising flows would do"
            return [Problem((*path, "flow_m3h"), text)]
        if head[i] >= head[i - 1]:
            text = (
                f"found a curve that does not fall: {head[i - 1]:g} m at {flow[i - 1]:g} m3/h (point {i}), "
                f"{head[i]:g} m at {flow[i]:g} m3/h (point {i + 1}); heads that fall as flow rises would do"
            )
            return [Problem((*path, "head_m"), text)]
    return []


def _unknown(path: KeyPath, value: Any, names: tuple[str, ...], with_units: tuple[str, ...]) -> Problem:
    """An unknown key, with the known one that was probably meant."""
    key = str(path[-1])
    if not isinstance(value, Mapping):
        same = [n for n in with_units if n != key and _stem(n) == _stem(key)]
        if same:
            bare = key == _stem(key)
            text = "found a key without its unit" if bare else "found a key of another unit"
            return Problem(path, f"{text}; {same[0]} would do{'' if bare else ' (convert the value)'}")
    near = get_close_matches(key, names, n=1, cutoff=0.6)
    would = f"did you mean {near[0]}?" if near else f"known here: {', '.join(names)}"
    return Problem(path, f"found an unknown key; {would}")


def _stem(key: str) -> str:
    """A key without its unit."""
    for ending in sorted(ENDINGS, key=len, reverse=True):
        if key.endswith(ending):
            return key.removesuffix(ending)
    return key


def _would_do(setting: Setting) -> str:
    if setting.choices:
        return " or ".join(f'"{c}"' for c in setting.choices)
    if setting.least is None or setting.greatest is None or setting.greatest >= ANY:
        return WRITTEN[setting.kind]
    kind = "a whole number" if setting.kind == "whole" else "a number"
    unit = f" {setting.unit}" if setting.unit else ""
    return f"{kind} from {setting.least:g} to {setting.greatest:g}{unit}"


def _shown(value: Any) -> str:
    """A value as the reader wrote it, near enough, and not too long."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "a table" if value else "an empty table"
    if isinstance(value, list):
        return "a list"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 40 else text[:37] + "..."
