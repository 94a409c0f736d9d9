"""`farmgis maps`: the map sheets of a plan, from its file."""

from __future__ import annotations

from pathlib import Path

import click

from farmgis.cli.plan import BAD_INPUT, OUTPUT_REFUSED, fail, steps_shown


@click.command()
@click.argument("plan_file", type=click.Path())
@click.option(
    "--output", "-o", type=click.Path(), help="Folder for the sheets; that of the plan unless told."
)
@click.option("--overwrite", is_flag=True, help="Replace sheets that are there.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def maps(plan_file: str, output: str | None, overwrite: bool, quiet: bool) -> None:
    """Draw the map sheets of PLAN_FILE (plan.gpkg): maps.pdf, and a PNG of each map in maps/.

    Exit status: 0 drawn, 2 no plan that can be read, 3 output refused.
    """
    from farmgis.errors import FarmgisError, OutputError
    from farmgis.geodata.plan_file import read_plan
    from farmgis.run import check_maps, write_maps

    folder = str(Path(plan_file).parent) if output is None else output
    try:
        check_maps(folder, overwrite)
        plan = read_plan(plan_file)
        with steps_shown("drawing sheet", not quiet) as step:
            written = write_maps(plan, folder, overwrite, step)
    except OutputError as error:
        fail(str(error), OUTPUT_REFUSED)
    except FarmgisError as error:
        fail(str(error), BAD_INPUT)
    if not quiet:
        click.echo(f"Written: {', '.join(map(str, written))}")
