"""A small invented plan: a row or two in every layer, with the values that go wrong most easily."""

from datetime import date

import geopandas
import numpy as np
import pandas
import pytest
import shapely

from farmgis.layers import LAYERS
from farmgis.results.geopackage import write_layers

CRS = "EPSG:32633"
HOSTILE = "</qgis><script>\"&'; DROP TABLE blocks; -- é \u202e"
SHAPES = {
    "MultiPolygon": [
        shapely.MultiPolygon([shapely.box(0, 0, 200, 100)]),
        shapely.MultiPolygon([shapely.box(0, 100, 200, 300), shapely.box(300, 0, 400, 100)]),
    ],
    "LineString Z": [
        shapely.LineString([(0, 0, 101.25), (100, 0, 102.5), (200, 0.5, 103.0625)]),
        shapely.LineString([(0, 1.5, 99.0), (200, 1.5, 98.125)]),
    ],
    "MultiLineString": [
        shapely.MultiLineString([[(0, 0), (200, 0)], [(0, 0.75), (200, 0.75)]]),
        shapely.MultiLineString([[(0, 1.5), (200, 1.5)]]),
    ],
    "Point": [shapely.Point(0, 0), shapely.Point(200.125, 1.5)],
    "Geometry": [shapely.Point(5, 5), None],
}
VALUES = {
    "text": ["F1", HOSTILE],
    "real": [12.625, np.nan],
    "integer": [3, None],
    "boolean": [True, None],
    "date": [date(2025, 4, 30), None],
}


def frame_of(layer):
    """Two rows: one full, one with hostile text and nothing else."""
    data = {}
    for column in layer.columns:
        values = list(VALUES[column.kind])
        if column.values:
            values = [column.values[0], column.values[-1]]
        data[column.name] = pandas.Series(values, dtype=object if column.kind != "real" else float)
    if layer.geometry is None:
        return pandas.DataFrame(data)
    return geopandas.GeoDataFrame(data, geometry=SHAPES[layer.geometry], crs=CRS)


def all_frames():
    return {name: frame_of(layer) for name, layer in LAYERS.items()}


@pytest.fixture
def crs():
    return CRS


@pytest.fixture
def hostile():
    return HOSTILE


@pytest.fixture
def frames():
    return all_frames()


@pytest.fixture(scope="session")
def plan(tmp_path_factory):
    """A plan that is only read."""
    path = tmp_path_factory.mktemp("plan") / "plan.gpkg"
    write_layers(path, all_frames(), CRS)
    return path


def plan_of(frames):
    """A plan whose tables are the frames."""
    from farmgis.records import Plan, Table

    tables = {}
    for name, frame in frames.items():
        shapes = frame.geometry.to_numpy() if LAYERS[name].geometry else None
        tables[name] = Table({c.name: frame[c.name].to_numpy() for c in LAYERS[name].columns}, shapes)
    return Plan(HOSTILE, CRS, tables, (), (), {})


@pytest.fixture(scope="session")
def hostile_plan():
    """A plan with hostile text and gaps wherever a column takes them."""
    return plan_of(all_frames())


@pytest.fixture(scope="session")
def two_fields():
    """The plan of two fields of the sample farm, one of plain and one of compensating line."""
    from dataclasses import replace
    from pathlib import Path

    from farmgis.geodata.farm_file import read_farm
    from farmgis.run import plan_farm

    farm = read_farm(Path(__file__).parents[2] / "sample_geodata" / "farm.toml")
    return plan_farm(replace(farm, fields=tuple(f for f in farm.fields if f.field_id in ("CL", "NH"))))
