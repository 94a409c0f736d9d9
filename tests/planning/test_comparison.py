"""Plans side by side: what a plan does not know is not told as if it were well."""

import numpy as np
import pytest

from farmgis.planning.comparison import comparison
from farmgis.records import Plan, Table


def plan(*verdicts):
    columns = {
        "source_id": np.array([f"S{i}" for i in range(len(verdicts))], dtype=object),
        "verdict": np.array(verdicts, dtype=object),
    }
    return Plan("A", "EPSG:32633", {"supply_balance": Table(columns if verdicts else {})}, (), (), {})


@pytest.mark.parametrize(
    ("verdicts", "told"),
    [
        (("sufficient", "sufficient"), "none"),
        (("short at peak", "short in season"), "S0, S1"),
        (("not judged",), "S0 not judged"),  # an assumed season shows no source to suffice
        (("short at peak", "not judged"), "S0, S1 not judged"),
        ((), None),  # no source at all
    ],
)
def test_sources_that_do_not_suffice(verdicts, told):
    (line,) = [row for row in comparison([plan(*verdicts)]) if row.what == "sources that do not suffice"]
    assert line.values == (told,)
