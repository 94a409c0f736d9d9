"""Fields and ground made to order."""

import math

import numpy as np
import pytest
import shapely

from farmgis.records import Design, Dripline, Field, Surface
from farmgis.tables import reader

PLAIN = Dripline("plain", 22.2, 0.4, 1.0)


@pytest.fixture(scope="session")
def square_field():
    """Makes a square field of some hectares about the origin; further words go to its record."""

    def make(hectares=6.0, line=PLAIN, design=None, area=None, **more):
        half = math.sqrt(hectares * 1e4) / 2.0
        land = shapely.box(-half, -half, half, half) if area is None else area
        land = shapely.MultiPolygon([land]) if land.geom_type == "Polygon" else land
        return Field(
            "A", "A", land, reader.crop("maize"), reader.soil("loam"), (line,), design or Design(), **more
        )

    return make


@pytest.fixture(scope="session")
def ground():
    """Makes a window about the origin from a function of (x, y) in metres."""

    def make(height, half_m=320.0, cell_m=5.0):
        n = int(2 * half_m / cell_m) + 1
        x = -half_m + cell_m * np.arange(n)
        z = np.asarray(height(x[None, :], x[:, None]), dtype=float) + np.zeros((n, n))
        return Surface(z, -half_m, -half_m, cell_m)

    return make


@pytest.fixture(scope="session")
def tilted(ground):
    """Makes a plane that rises by a slope towards an azimuth."""

    def make(slope_pct, azimuth_deg, **more):
        east, north = math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))
        return ground(lambda x, y: 100.0 + slope_pct / 100.0 * (x * east + y * north), **more)

    return make
