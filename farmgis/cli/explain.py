"""`farmgis explain`: why a figure of a plan is what it is."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator
from typing import Any

import click

from farmgis.cli.failure import refusals

WIDTH = 98


@click.command()
@click.argument("plan_file", type=click.Path())
@click.argument("what_id")
@click.option("--json", "as_json", is_flag=True, help="Print the chain as JSON.")
def explain(plan_file: str, what_id: str, as_json: bool) -> None:
    """Tell why the figures of WHAT_ID are what they are: inputs, formulas, sources, reckoned again.

    WHAT_ID is an id of the plan's layers: of a field, block, lateral, submain, valve, source, main, junction
    of mains, zone, fitting, finding or point to measure; or farm.
    """
    from farmgis.handover import explain as chain

    with refusals():
        told = chain(plan_file, what_id)
    if as_json:
        reasons = [vars(r) | {"agrees": r.agrees} for r in told.reasons]
        findings = [{"severity": f.severity, "what": f.what, "advice": f.advice} for f in told.findings]
        assumptions = [vars(a) for a in told.assumptions]
        whole = {"schema": 1, "id": told.what_id, "kind": told.kind, "reasons": reasons}
        whole |= {"assumptions": assumptions, "findings": findings}
        click.echo(json.dumps(whole, indent=2, ensure_ascii=False))
    else:
        click.echo("\n".join(_lines(told)))


def _lines(told: Any) -> Iterator[str]:
    yield f"{told.what_id}, {told.kind}"
    for reason in told.reasons:
        yield f"{reason.what}: {_shown(reason.value)} {reason.unit}".rstrip()
        source = f" [{reason.source}]" if reason.source else ""
        yield from _wrapped(f"{reason.how}{source}", "  = ")
        if reason.agrees is not None:
            verdict = "agrees" if reason.agrees else "DOES NOT AGREE"
            again = f"{_shown(reason.again)} {reason.unit}".rstrip()
            yield f"  reckoned again from the layers: {again}, {verdict}"
    if told.assumptions:
        yield "It rests on:"
        for a in told.assumptions:
            by = "; ".join(dict.fromkeys(word for word in (a.known, a.source) if word))
            value = f"{a.value} {a.unit}".rstrip()
            yield from _wrapped(f"{a.key} = {value} ({by})", "  - ")
    for finding in told.findings:
        advice = f"{finding.advice[:1].upper()}{finding.advice[1:]}"
        yield from _wrapped(f"{finding.severity}: {finding.what}. {advice}", "  ! ")


def _wrapped(text: str, lead: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead))


def _shown(value: float | str | None) -> str:
    """A figure with what it can bear: four digits, or whole from a thousand up."""
    if value is None:
        return "-"
    if isinstance(value, str):
        return value
    return f"{value:,.0f}" if abs(value) >= 1000.0 or float(value).is_integer() else f"{value:.4g}"
