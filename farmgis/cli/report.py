"""`farmgis report`: the report of a plan, from its file."""

from __future__ import annotations

from pathlib import Path

import click

from farmgis.cli.plan import BAD_INPUT, OUTPUT_REFUSED, fail


@click.command()
@click.argument("plan_file", type=click.Path())
@click.option(
    "--output", "-o", type=click.Path(), help="Folder for report.html; that of the plan unless told."
)
@click.option("--overwrite", is_flag=True, help="Replace a report that is there.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def report(plan_file: str, output: str | None, overwrite: bool, quiet: bool) -> None:
    """Write the report of PLAN_FILE (plan.gpkg): report.html, one file that needs no network.

    Exit status: 0 written, 2 no plan that can be read, 3 output refused.
    """
    from farmgis.errors import FarmgisError, OutputError
    from farmgis.geodata.plan_file import read_plan
    from farmgis.run import check_report, write_report

    folder = str(Path(plan_file).parent) if output is None else output
    try:
        check_report(folder, overwrite)
        path = write_report(read_plan(plan_file), folder, overwrite)
    except OutputError as error:
        fail(str(error), OUTPUT_REFUSED)
    except FarmgisError as error:
        fail(str(error), BAD_INPUT)
    if not quiet:
        click.echo(f"Written: {path}")
