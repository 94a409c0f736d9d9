"""Corridors, barriers and the rules of mains from a farm file."""

from pathlib import Path

import geopandas
import pytest
import shapely
from pyproj import CRS

from farmgis import tables
from farmgis.errors import InputError
from farmgis.geodata.settings_check import check
from farmgis.geodata.supply_parts import supply_of
from farmgis.records import Supply

UTM = CRS.from_epsg(32630)


def written(tmp_path, file, shapes, crs=UTM, **columns):
    geopandas.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(tmp_path / file, driver="GPKG")
    return file


def test_without_a_section_every_default(tmp_path):
    assert supply_of({}, tmp_path, UTM, tables.pipes()) == Supply()


def test_corridors_with_prices_and_pipes_in_another_crs(tmp_path):
    line = shapely.linestrings([[500000.0, 4200000.0], [500100.0, 4200000.0]])
    degrees = geopandas.GeoSeries([line, line], crs=UTM).to_crs(4326)
    file = written(tmp_path, "tracks.gpkg", degrees.values, CRS.from_epsg(4326),
                   name=["old main", "track"], price=[None, 0.8], pipe_mm=[160.0, None])  # fmt: skip
    clean, problems = check(
        {"supply": {"corridors": file}, "fields": {"file": "f"}, "elevation": {"file": "e"}}
    )
    assert problems == []
    old, track = supply_of(clean, tmp_path, UTM, tables.pipes()).corridors
    assert (old.name, old.price, old.pipe.nominal_mm) == ("old main", 1.0, 160.0)
    assert (track.price, track.pipe) == (0.8, None)
    assert shapely.length(old.line) == pytest.approx(100.0, abs=0.01)


def test_barriers_are_areas_or_lines_and_without_a_price_never_crossed(tmp_path):
    road = shapely.linestrings([[5e5, 4e6], [5e5 + 100.0, 4e6]])
    file = written(
        tmp_path,
        "roads.gpkg",
        [road, shapely.box(5e5, 4e6 + 10, 5e5 + 100, 4e6 + 20)],
        crossing_m=[200.0, None],
    )
    found = supply_of({"supply": {"barriers": file}}, tmp_path, UTM, tables.pipes()).barriers
    assert [b.crossing_m for b in found] == [200.0, None]


def test_pipe_of_a_size_that_is_not_known(tmp_path):
    line = shapely.linestrings([[5e5, 4e6], [5e5 + 100.0, 4e6]])
    file = written(tmp_path, "tracks.gpkg", [line], pipe_mm=[163.0])
    with pytest.raises(InputError, match="a pipe of 163 mm is not among the sizes known"):
        supply_of({"supply": {"corridors": file}}, tmp_path, UTM, tables.pipes())


def test_price_below_zero(tmp_path):
    line = shapely.linestrings([[5e5, 4e6], [5e5 + 100.0, 4e6]])
    file = written(tmp_path, "tracks.gpkg", [line], price=[-2.0])
    with pytest.raises(InputError, match=r"column price, feature 1: found -2.0"):
        supply_of({"supply": {"corridors": file}}, Path(tmp_path), UTM, tables.pipes())


def test_groups_are_texts():
    clean, problems = check({"shift": [{"blocks": ["A-B01", "A-B02"]}]})
    assert clean["shift"] == [{"blocks": ("A-B01", "A-B02")}]
    _, problems = check({"shift": [{"blocks": [1, 2]}]})
    assert any("texts in brackets" in p.text for p in problems)
