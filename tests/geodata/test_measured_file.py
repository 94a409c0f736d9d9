"""The sheet of measures: zeros kept, blanks left out, units turned, mistakes told by line."""

import pytest

from farmgis.errors import InputError
from farmgis.geodata.measured_file import read_measured
from farmgis.prices import Measured


@pytest.fixture
def read(tmp_path):
    def reader(text, known=("P1", "P2", "P3")):
        path = tmp_path / "measured.csv"
        path.write_text(text, encoding="utf-8")
        return read_measured(path, set(known))

    return reader


def test_zero_is_measured_and_a_blank_is_not(read):
    assert read("point_id,flow_l_h,head_m\nP1,0,\nP2,,\nP3,1.5,9.0\n") == {
        "P1": Measured("P1", 0.0, None),
        "P3": Measured("P3", 1.5, 9.0),
    }


def test_volume_in_seconds_and_pressure(read):
    # 20 ml in 60 s are 1.2 l/h; 98.0665 kPa are 10 m of water, and so is 0.980665 bar
    found = read(
        "point_id;volume_ml;seconds;pressure_kpa;pressure_bar\nP1;20;60;98.0665;\nP2;0;60;;0.980665\n"
    )
    assert found["P1"] == Measured("P1", pytest.approx(1.2), pytest.approx(10.0))
    assert found["P2"] == Measured("P2", 0.0, pytest.approx(10.0))


def test_a_decimal_comma_is_read_where_semicolons_part_the_columns(read):
    # 17,3 ml in 60 s are 1.038 l/h; a comma that may part thousands is asked about
    found = read("point_id;volume_ml;seconds;pressure_bar\nP1;17,3;60;1,02\nP2;0;60;0,9\n")
    assert found["P1"] == Measured("P1", pytest.approx(1.038), pytest.approx(10.401, abs=5e-4))
    assert found["P2"].flow_l_h == 0.0
    with pytest.raises(InputError, match=r"flow_l_h '1,023' may be 1\.023 or 1023"):
        read("point_id;flow_l_h\nP1;1,023\n")


def test_a_meters_flow_is_in_cubic_metres(read):
    assert read("point_id,flow_m3h\nP1,52.5\n")["P1"].flow_l_h == 52_500.0


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("point_id,flow_l_h\nP9,1\n", "'P9' is no point of the plan"),
        ('point_id,flow_l_h\nP1,"1,5"\n', "is no number"),
        ("point_id,flow_l_h\nP1,-1\n", "not from 0 up"),
        ("point_id,volume_ml,seconds\nP1,20,\n", "needs the seconds"),
        ("point_id,flow_l_h\nP1,1\nP1,2\n", "line 3: P1 stands there twice"),
        ("point_id,flow_l_h\nP1,\n", "nothing is filled in"),
        ("name,flow\nP1,1\n", "columns point_id and one of"),
    ],
)
def test_mistakes_are_told(read, text, word):
    with pytest.raises(InputError, match=word):
        read(text)
