"""Chains of lines, against the definition done line by line."""

import numpy as np
import pytest

from farmgis.planning.rows import Lines
from farmgis.planning.strips import chains


@pytest.mark.parametrize("seed", range(20))
def test_lines_of_one_piece_fall_apart_where_one_is_missing_or_does_not_overlap(seed):
    rng = np.random.default_rng(seed)
    number = np.flatnonzero(rng.random(40) < 0.85)
    start = rng.uniform(0.0, 60.0, number.size)
    end = start + rng.uniform(10.0, 60.0, number.size)
    found = chains(Lines(number, 1.5 * number, start, end, 0.0, 1.5))
    wanted = [[number[0]]]
    for i in range(1, number.size):
        overlap = min(end[i - 1], end[i]) - max(start[i - 1], start[i])
        if number[i] == number[i - 1] + 1 and overlap > 0.0:
            wanted[-1].append(number[i])
        else:
            wanted.append([number[i]])
    assert [list(c.number) for c in found] == wanted


def test_no_lines_make_no_chain():
    none = np.zeros(0)
    assert chains(Lines(none.astype(np.int64), none, none, none, 0.0, 1.5)) == []
