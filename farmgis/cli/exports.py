"""`farmgis guidance` and `farmgis surfaces`: lines for the tractor, rasters for analysts."""

from __future__ import annotations

from pathlib import Path

import click

from farmgis.cli.failure import refusals


@click.command()
@click.argument("plan_file", type=click.Path())
@click.option("--output", "-o", required=True, type=click.Path(), help="GeoJSON file to write.")
@click.option("--kind", type=click.Choice(["row", "lateral"]), help="Rows or laterals; both unless told.")
@click.option("--field", "fields", multiple=True, help="A field's id; may be given again. All unless told.")
@click.option("--overwrite", is_flag=True, help="Replace a file that is there.")
def guidance(plan_file: str, output: str, kind: str | None, fields: tuple[str, ...], overwrite: bool) -> None:
    """Write rows and laterals of PLAN_FILE (plan.gpkg) as lines for a terminal: GeoJSON, WGS 84."""
    from farmgis.handover import write_guidance

    kinds = ("row", "lateral") if kind is None else (kind,)
    with refusals():
        click.echo(f"Written: {write_guidance(plan_file, output, kinds, fields, overwrite)}")


@click.command()
@click.argument("plan_file", type=click.Path())
@click.option(
    "--output", "-o", type=click.Path(), help="Folder for the rasters; that of the plan unless told."
)
@click.option(
    "--cell-m", type=click.FloatRange(0.5, 100.0), default=5.0, show_default=True, help="Side of a cell."
)
@click.option("--overwrite", is_flag=True, help="Replace rasters that are there.")
def surfaces(plan_file: str, output: str | None, cell_m: float, overwrite: bool) -> None:
    """Write depth of the season, pressure and evenness of PLAN_FILE (plan.gpkg) as GeoTIFF."""
    from farmgis.handover import write_surfaces

    folder = str(Path(plan_file).parent) if output is None else output
    with refusals():
        written = write_surfaces(plan_file, folder, cell_m, overwrite)
    click.echo(f"Written: {', '.join(map(str, written))}")
