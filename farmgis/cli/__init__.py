"""The command line: one file a command. It parses, calls and prints; it computes nothing."""

import click

from farmgis import __version__
from farmgis.cli.compare import compare
from farmgis.cli.explain import explain
from farmgis.cli.exports import guidance, surfaces
from farmgis.cli.field_sheets import check_field, test_points
from farmgis.cli.maps import maps
from farmgis.cli.plan import plan
from farmgis.cli.report import report


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="farmgis %(version)s")
def main() -> None:
    """Plan drip irrigation from field boundaries and an elevation model."""


main.add_command(plan)
main.add_command(report)
main.add_command(maps)
main.add_command(test_points)
main.add_command(check_field)
main.add_command(compare)
main.add_command(explain)
main.add_command(guidance)
main.add_command(surfaces)
