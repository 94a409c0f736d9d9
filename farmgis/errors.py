"""What can go wrong with an input, said so that the reader knows what to do."""


class FarmgisError(Exception):
    """Anything that farmgis refuses, with a message meant for a person."""


class InputError(FarmgisError, ValueError):
    """A file, a key or a value that cannot be worked with. Exit status 2."""


class CrsError(InputError):
    """A missing or unusable coordinate reference system."""


class FarmFileError(InputError):
    """All problems of a farm file, gathered and told together."""

    def __init__(self, path: str, problems: list[str]):
        """Gather the problems of the file at a path."""
        self.problems = tuple(problems)
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        super().__init__(f"{path}: {count}\n" + "\n".join(f"  - {p}" for p in problems))


class FieldError(FarmgisError, ValueError):
    """One field cannot be planned; the others can. It becomes a finding: what, what to do, and how much."""

    def __init__(
        self,
        what: str,
        advice: str,
        measured: float | None = None,
        limit: float | None = None,
        unit: str | None = None,
    ):
        """Keep what a finding tells."""
        super().__init__(f"{what}; {advice}")
        self.what, self.advice = what, advice
        self.measured, self.limit, self.unit = measured, limit, unit


class LandError(FieldError):
    """Land that is not to be dripped or cropped this way: what was measured, and the limit."""


class ElevationCoverError(FieldError):
    """The elevation model does not cover a field."""


class OutputError(FarmgisError, OSError):
    """An output that would be lost, or that cannot be written. Exit status 3."""


class ConvergenceError(FarmgisError, ArithmeticError):
    """A hydraulic solution that did not reach its stated residual."""
