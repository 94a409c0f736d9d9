"""A plan read back is the plan that was written; a file that is none is refused by name."""

import math
import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest
import shapely

from farmgis.errors import InputError
from farmgis.geodata.farm_file import read_farm
from farmgis.geodata.plan_file import read_plan
from farmgis.layers import LAYERS
from farmgis.run import plan_farm, write_plan

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


@pytest.fixture(scope="module")
def made():
    from dataclasses import replace

    farm = read_farm(SAMPLE / "farm.toml")
    return plan_farm(replace(farm, fields=tuple(f for f in farm.fields if f.field_id in ("SG", "NH"))))


@pytest.fixture(scope="module")
def path(made, tmp_path_factory):
    return write_plan(made, tmp_path_factory.mktemp("plan"))


@pytest.fixture
def copy(path, tmp_path):
    return Path(shutil.copy(path, tmp_path / "edited.gpkg"))


def is_gap(value):
    return value is None or (isinstance(value, float) and math.isnan(value))


def test_every_value_and_shape_comes_back(made, path):
    back = read_plan(path)
    assert (back.name, back.crs, back.season_shift_days) == (made.name, made.crs, made.season_shift_days)
    assert set(back.tables) == set(LAYERS)
    for name, table in made.tables.items():
        for column, values in table.columns.items():
            for ours, theirs in zip(values, back.tables[name].columns[column], strict=True):
                assert (is_gap(ours) and is_gap(theirs)) or ours == theirs, (name, column)
        if table.geometry is not None and LAYERS[name].geometry.endswith("Z"):
            np.testing.assert_array_equal(
                shapely.get_coordinates(table.geometry, include_z=True),
                shapely.get_coordinates(back.tables[name].geometry, include_z=True),
            )


def test_findings_and_assumptions_come_back_as_records(made, path):
    back = read_plan(path)
    assert back.assumptions == made.assumptions
    assert [(f.severity, f.what, f.measured, f.unit) for f in back.findings] == [
        (f.severity, f.what, f.measured, f.unit) for f in made.findings
    ]


def test_what_is_no_plan_is_refused():
    with pytest.raises(InputError, match="layer 'blocks' is missing"):
        read_plan(SAMPLE / "fields.gpkg")
    with pytest.raises(InputError, match="none of"):
        read_plan(SAMPLE / "farm.toml")
    with pytest.raises(InputError, match="no such file"):
        read_plan("nowhere.gpkg")


def test_ids_that_are_gone_are_named(copy):
    with sqlite3.connect(copy) as database:
        database.execute("ALTER TABLE valves DROP COLUMN valve_id")
    database.close()
    with pytest.raises(InputError, match="layer 'valves': column 'valve_id' is missing"):
        read_plan(copy)


def test_what_an_older_version_did_not_write_is_empty(copy):
    with sqlite3.connect(copy) as database:
        database.execute("ALTER TABLE valves DROP COLUMN set_head_m")
        database.execute("DELETE FROM gpkg_contents WHERE table_name = 'shift_choices'")
        database.execute("DROP TABLE shift_choices")
    database.close()
    back = read_plan(copy)
    assert np.isnan(back.tables["valves"].columns["set_head_m"]).all()
    assert len(back.tables["shift_choices"].columns["source_id"]) == 0


def test_a_column_that_was_added_is_kept(copy):
    with sqlite3.connect(copy) as database:
        database.execute("ALTER TABLE valves ADD COLUMN remark TEXT DEFAULT 'behind the oak'")
    database.close()
    assert set(read_plan(copy).tables["valves"].columns["remark"]) == {"behind the oak"}
