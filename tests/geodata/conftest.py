"""Shapes and elevation models drawn by the tests themselves, written with general-purpose libraries."""

import warnings

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from shapely.geometry import box

EAST, NORTH = 500_000.0, 4_400_000.0  # in UTM zone 30N, Spain


@pytest.fixture
def write_fields(tmp_path):
    """Writes boundaries; returns the path."""

    def write(file, shapes, crs="EPSG:32630", driver="GPKG", options=None, **columns):
        path = tmp_path / file
        frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="'crs' was not provided")
            frame.to_file(path, driver=driver, **({"layer_options": options} if options else {}))
        return path

    return write


@pytest.fixture
def write_model(tmp_path):
    """Writes an elevation model, row 0 northernmost; returns the path."""

    def write(name, z, west=EAST, north=NORTH, cell=10.0, crs="EPSG:32630", **profile):
        path = tmp_path / name
        profile.setdefault("transform", from_origin(west, north, cell, cell))
        units = profile.pop("units", None)
        bands = np.asarray(z)[None] if np.ndim(z) == 2 else np.asarray(z)
        count, rows, columns = bands.shape
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            width=columns,
            height=rows,
            count=count,
            dtype=bands.dtype,
            crs=crs,
            **profile,
        ) as file:
            file.write(bands)
            if units:
                file.units = (units,) * count
        return path

    return write


@pytest.fixture
def farm(tmp_path, write_fields, write_model):
    """Two fields of 400 x 300 m on a tilted plane, and the path for a farm file beside them."""
    shapes = [box(EAST + 100 + 500 * i, NORTH - 700, EAST + 500 + 500 * i, NORTH - 400) for i in range(2)]
    write_fields("fields.gpkg", shapes, field_id=["A", "B"], sort=["maize", None], label=["North", "South"])
    rows, columns = np.mgrid[0:110, 0:130]
    write_model("elevation.tif", (300.0 + 0.2 * columns - 0.1 * rows).astype("float32"))

    def write(text):
        path = tmp_path / "farm.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write
