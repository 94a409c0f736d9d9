"""Irrigations that were given, as they come: clean, with further columns, and impossible."""

from datetime import date

import pytest

from farmgis.errors import InputError
from farmgis.geodata.given_file import read_given
from farmgis.records import GivenWater


def written(folder, text):
    path = folder / "given.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_given_irrigations_with_a_layers_other_columns(tmp_path):
    text = (
        "date,zone_id,shift,volume_m3,purpose\n"
        "2026/06/01,river-Z01,1,812.5,refill\n"
        "2026-06-04T00:00,river-Z01,1,0,\n"
    )
    assert read_given(written(tmp_path, text)) == (
        GivenWater(date(2026, 6, 1), "river-Z01", 812.5),
        GivenWater(date(2026, 6, 4), "river-Z01", 0.0),
    )


def test_all_problems_are_told_together(tmp_path):
    text = "date,zone_id,volume_m3\n1 June,river-Z01,5\n2026-06-02,,-3\n"
    with pytest.raises(InputError) as told:
        read_given(written(tmp_path, text))
    for part in (
        "3 problems",
        "line 2, column date: '1 June'",
        "line 3, column volume_m3: '-3'",
        "column zone_id",
    ):
        assert part in str(told.value)


def test_missing_columns_are_named(tmp_path):
    with pytest.raises(InputError, match="no column zone_id, volume_m3"):
        read_given(written(tmp_path, "date,mm\n2026-06-01,5\n"))
