"""The command line: one file a command. It parses, calls and prints; it computes nothing."""

import click

from farmgis import __version__
from farmgis.cli.maps import maps
from farmgis.cli.plan import plan


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="farmgis %(version)s")
def main() -> None:
    """Plan drip irrigation from field boundaries and an elevation model."""


main.add_command(plan)
main.add_command(maps)
