"""`farmgis test-points` and `farmgis check-field`: to the field, and back with what was measured."""

from __future__ import annotations

import json
import textwrap
from typing import Any

import click

from farmgis.cli.failure import refusals
from farmgis.words import counted

WIDTH = 98
NO_EMITTER = "No emitter was measured: what the valves tell alone is not compared. Measure emitters too."


@click.command("test-points")
@click.argument("plan_file", type=click.Path())
@click.option(
    "--output", "-o", required=True, type=click.Path(), help="CSV file to write; or a PDF to write on."
)
@click.option("--overwrite", is_flag=True, help="Replace a file that is there.")
def test_points(plan_file: str, output: str, overwrite: bool) -> None:
    """Write the sheet of points to measure when a plan is commissioned.

    PLAN_FILE is a plan.gpkg. Fill in volume and seconds (or flow) and pressure, and give the sheet to
    `farmgis check-field`. With an output that ends in .pdf it is pages to print and write on, a block each.
    """
    from farmgis.handover import write_sheet

    with refusals():
        click.echo(f"Written: {write_sheet(plan_file, output, overwrite)}")


@click.command("check-field")
@click.argument("plan_file", type=click.Path())
@click.argument("measured_file", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def check_field(plan_file: str, measured_file: str, as_json: bool) -> None:
    """Compare what was measured in the field with what the plan expects.

    MEASURED_FILE is the sheet of `farmgis test-points`, filled in (CSV). An emitter that gives nothing is
    written as 0; a blank is not measured.
    """
    from farmgis.handover import check_field as check

    with refusals():
        blocks = check(plan_file, measured_file)
        if as_json:
            told = {"schema": 1, "blocks": [vars(b) | {"says": list(b.says)} for b in blocks]}
            click.echo(json.dumps(told, indent=2, ensure_ascii=False))
        else:
            click.echo("\n".join(line for b in blocks for line in _lines(b)) or NO_EMITTER)


def _dry(zeros: int) -> str:
    """How many of the emitters are dry.

    >>> _dry(0), _dry(1), _dry(2)
    ('each gives water', '1 of them gives nothing', '2 of them give nothing')
    """
    return f"{zeros} of them {'gives' if zeros == 1 else 'give'} nothing" if zeros else "each gives water"


def _lines(b: Any) -> list[str]:
    head = (
        f"{b.block_id}: uniformity {b.grade}; {counted(b.emitters, 'emitter')} measured, {_dry(b.zeros)}",
        f"  flow {b.mean_flow_l_h:.2f} l/h on the mean, {b.expected_flow_l_h:.2f} expected; "
        f"of what their head lets expect {b.performance_pct:.0f} %",
        f"  uniformity: lowest quarter {b.emission_uniformity_pct:.0f} % "
        f"({b.expected_uniformity_pct:.0f} % planned), statistical {b.statistical_uniformity_pct:.0f} %",
    )
    told = [
        (b.head_pct, "heads at the emitters"), (b.valve_head_pct, "head at the valve"),
        (b.valve_flow_pct, "flow at the valve"),
    ]  # fmt: skip
    known = ", ".join(f"{words} {value:.0f} %" for value, words in told if value is not None)
    lines = [*head, f"  of the plan: {known}"] if known else [*head]
    for text in b.says:
        lines += textwrap.wrap(
            f"{text[:1].upper()}{text[1:]}.", WIDTH, initial_indent="  - ", subsequent_indent="    "
        )
    return lines
