"""`farmgis plan`: from a farm file, or from boundaries and an elevation model, to the layers of a plan."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, NoReturn

import click

if TYPE_CHECKING:
    from farmgis.records import Farm, Plan

ALL_PLANNED, SOME_NOT_PLANNED, BAD_INPUT, OUTPUT_REFUSED = 0, 1, 2, 3


def _day(_context: click.Context, _option: click.Parameter, text: str | None) -> date | None:
    """A date as it is written, or what would do."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"found {text!r}; a date such as 2026-07-01 would do") from None


@click.command()
@click.argument("farm_file", required=False, type=click.Path())
@click.option(
    "--fields", type=click.Path(), help="Field boundaries: GeoPackage, GeoJSON, Shapefile, FlatGeobuf."
)
@click.option("--elevation", type=click.Path(), help="Elevation model: GeoTIFF that reaches past the fields.")
@click.option("--weather", type=click.Path(), help="Weather, daily or monthly: CSV.")
@click.option("--layer", help="Layer of the boundaries, where the file has several.")
@click.option("--input-crs", help="CRS of boundaries that state none, as EPSG:32610.")
@click.option("--crop", help="Crop of the fields that state none (maize unless told).")
@click.option(
    "--today",
    metavar="DATE",
    callback=_day,
    help="Plan the rest of the season from this day (2026-07-01), whatever the farm file says.",
)
@click.option(
    "--output", "-o", required=True, type=click.Path(), help="Folder for plan.gpkg and report.html."
)
@click.option("--overwrite", is_flag=True, help="Replace a plan that is there.")
@click.option("--maps", is_flag=True, help="Draw the map sheets too: maps.pdf and maps/.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def plan(
    farm_file: str | None,
    fields: str | None,
    elevation: str | None,
    weather: str | None,
    layer: str | None,
    input_crs: str | None,
    crop: str | None,
    today: date | None,
    output: str,
    overwrite: bool,
    maps: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Plan a farm and write its layers to OUTPUT/plan.gpkg, its report to OUTPUT/report.html.

    Give a FARM_FILE (TOML), or --fields and --elevation with a default for all the rest.

    Exit status: 0 all fields planned, 1 some field not, 2 bad input or usage, 3 output refused.
    """
    two_files = {"--layer": layer, "--input-crs": input_crs, "--crop": crop, "--weather": weather}
    if farm_file is not None:
        clash = [o for o, v in ({"--fields": fields, "--elevation": elevation} | two_files).items() if v]
        if clash:
            raise click.UsageError(f"{', '.join(clash)}: state it in {farm_file} instead")
    elif fields is None or elevation is None:
        raise click.UsageError("give a farm file, or --fields and --elevation")

    def read() -> Farm:
        from farmgis.geodata.farm_file import farm_from_files, read_farm

        if farm_file is not None:
            return read_farm(farm_file, today=today)
        assert fields is not None
        assert elevation is not None
        return farm_from_files(
            fields,
            elevation,
            weather=weather,
            layer=layer,
            input_crs=input_crs,
            crop=crop,
            today=today,
        )

    made, path, report = _planned(read, output, overwrite, maps, show=not (quiet or as_json))
    if as_json:
        click.echo(
            json.dumps(
                {"schema": 1, "file": path, "report": report} | made.summary, indent=2, ensure_ascii=False
            )
        )
    elif not quiet:
        from farmgis.cli.summary import print_summary

        print_summary(made, path, report)
    sys.exit(SOME_NOT_PLANNED if made.summary["fields_not_planned"] else ALL_PLANNED)


def _planned(
    read: Callable[[], Farm], output: str, overwrite: bool, maps: bool, show: bool
) -> tuple[Plan, str, str]:
    """The plan, its file and its report, or an exit with the message of what went wrong."""
    from farmgis.errors import FarmgisError, OutputError
    from farmgis.run import check_maps, check_output, plan_farm, write_maps, write_plan, write_report

    try:
        check_output(output, overwrite)
        if maps:
            check_maps(output, overwrite)
        farm = read()
        with _progress(len(farm.fields), show) as step:
            made = plan_farm(farm, step, os.cpu_count() or 1)
        path = str(write_plan(made, output, overwrite))
        report = str(write_report(made, output, overwrite))
        if maps:
            with steps_shown("drawing sheet", show) as step:
                write_maps(made, output, overwrite, step)
        return made, path, report
    except OutputError as error:
        fail(str(error), OUTPUT_REFUSED)
    except FarmgisError as error:
        fail(str(error), BAD_INPUT)


def fail(message: str, status: int) -> NoReturn:
    """Print what went wrong and leave with a status."""
    click.echo(f"farmgis: {message}", err=True)
    sys.exit(status)


@contextmanager
def _progress(fields: int, show: bool) -> Iterator[Callable[[str], None] | None]:
    """A progress bar on a terminal; elsewhere nothing."""
    if not show or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("planned {task.fields[at]}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    with bar:
        task = bar.add_task("", total=fields, at="")

        def step(field_id: str) -> None:
            bar.update(task, advance=1, at=field_id)

        yield step


@contextmanager
def steps_shown(what: str, show: bool) -> Iterator[Callable[[int, int], None] | None]:
    """A line that tells which step of how many is on, on a terminal; elsewhere nothing."""
    if not show or not sys.stderr.isatty():
        yield None
        return

    def step(done: int, of: int) -> None:
        click.echo(f"\r{what} {done} of {of} ", nl=False, err=True)

    try:
        yield step
    finally:
        click.echo("\r" + " " * (len(what) + 16) + "\r", nl=False, err=True)
