"""Where the map sheets and the report of a plan go: each file is the old one or the whole new one."""

from __future__ import annotations

import os
import re
import secrets
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from farmgis.errors import OutputError
from farmgis.records import Plan
from farmgis.results.map_files import write_sheets

MAPS_FILE, MAPS_FOLDER = "maps.pdf", "maps"
REPORT_FILE = "report.html"
OUR_PNG = re.compile(r"sheet-\d+\.png")

Step = Callable[[int, int], None]


def check_files(folder: Path, names: tuple[str, ...], overwrite: bool) -> None:
    """Refuse, with an OutputError, files in a folder that must not be replaced."""
    for name in names:
        target = folder / name
        if target.is_dir():
            raise OutputError(f"{target}: this is a folder; move it, or name another output folder")
        if target.exists() and not overwrite:
            raise OutputError(
                f"{target}: it is there already; add --overwrite to replace it, or name another"
            )


def check_report(folder: Path, overwrite: bool) -> None:
    """Refuse, with an OutputError, a folder in which the report may not be written."""
    check_files(folder, (REPORT_FILE,), overwrite)


def check_maps(folder: Path, overwrite: bool) -> None:
    """Refuse, with an OutputError, a folder in which the map sheets may not be written."""
    check_files(folder, (MAPS_FILE,), overwrite)
    pngs = folder / MAPS_FOLDER
    if pngs.exists() and not pngs.is_dir():
        raise OutputError(f"{pngs}: this is no folder; move it, or name another output folder")
    if pngs.is_dir() and not overwrite and any(OUR_PNG.fullmatch(p.name) for p in pngs.iterdir()):
        raise OutputError(f"{pngs}: sheets are there already; add --overwrite to replace them")


def write_maps(plan: Plan, folder: Path, overwrite: bool = False, step: Step | None = None) -> list[Path]:
    """Write `maps.pdf` and the folder `maps` with a PNG a map; returns the PDF and the folder.

    All is drawn under a hidden name first. PNGs of an older plan that have no successor are removed;
    other files in the folder stay.
    """
    check_maps(folder, overwrite)
    pdf, pngs = folder / MAPS_FILE, folder / MAPS_FOLDER
    partial = folder / f".maps.partial-{os.getpid()}-{secrets.token_hex(4)}"
    try:
        partial.mkdir(parents=True)
        write_sheets(plan, partial / MAPS_FILE, partial, step)
        pngs.mkdir(exist_ok=True)
        made = {p.name for p in partial.glob("*.png")}
        for name in sorted(made):
            os.replace(partial / name, pngs / name)
        os.replace(partial / MAPS_FILE, pdf)
        for old in pngs.iterdir():
            if OUR_PNG.fullmatch(old.name) and old.name not in made:
                old.unlink()
    except OSError as problem:
        raise OutputError(f"{pdf}: the map sheets could not be written: {problem}") from problem
    finally:
        with suppress(OSError):
            shutil.rmtree(partial, ignore_errors=True)
    return [pdf, pngs]
