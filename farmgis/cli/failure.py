"""How a command on a plan's file ends when something is refused."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from farmgis.cli.plan import BAD_INPUT, OUTPUT_REFUSED, fail


@contextmanager
def refusals() -> Iterator[None]:
    """Turn what farmgis refuses into a message and an exit status."""
    from farmgis.errors import FarmgisError, OutputError

    try:
        yield
    except OutputError as error:
        fail(str(error), OUTPUT_REFUSED)
    except FarmgisError as error:
        fail(str(error), BAD_INPUT)
