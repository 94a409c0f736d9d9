"""`farmgis compare`: plans side by side."""

from __future__ import annotations

import json

import click

from farmgis.cli.failure import refusals


@click.command()
@click.argument("plan_files", nargs=-1, required=True, type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON.")
def compare(plan_files: tuple[str, ...], as_json: bool) -> None:
    """Put two or more plans side by side: land, line, pipe, power, water, cost.

    PLAN_FILES are plan.gpkg files of the same farm, planned in different ways.
    """
    from farmgis.handover import compare as side_by_side

    if len(plan_files) < 2:
        raise click.UsageError("name two plans or more")
    with refusals():
        lines, cautions = side_by_side(plan_files)
    if as_json:
        rows = [{"what": x.what, "unit": x.unit, "values": list(x.values)} for x in lines]
        told = {"schema": 1, "plans": list(plan_files), "rows": rows, "cautions": list(cautions)}
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
        return
    cells = [["", *plan_files]]
    for line in lines:
        what = f"{line.what} ({line.unit})" if line.unit else line.what
        cells.append([what, *(_shown(v, line.digits) for v in line.values)])
    widths = [max(len(row[j]) for row in cells) for j in range(len(cells[0]))]
    for row in cells:
        first = row[0].ljust(widths[0])
        rest = "  ".join(cell.rjust(w) for cell, w in zip(row[1:], widths[1:], strict=True))
        click.echo(f"{first}  {rest}".rstrip())
    for caution in cautions:
        click.echo(f"Mind: {caution}.")


def _shown(value: float | str | None, digits: int) -> str:
    if value is None:
        return "-"
    return value if isinstance(value, str) else f"{value:,.{digits}f}"
