"""Surfaces of a plan as GeoTIFF: one band each, nodata outside the blocks, the same bytes each time."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol

import numpy as np

from farmgis.results.whole_file import check_file, write_whole

NODATA = -9999.0
FILES = {
    "depth_mm": ("season-depth-mm.tif", "Depth of the season's irrigation", "mm"),
    "head_m": ("head-m.tif", "Pressure head of the emitters, running", "m"),
    "flow_pct": ("flow-pct.tif", "Flow of the emitters, of the mean of their block", "%"),
}


class Cells(Protocol):
    """Where a grid of cells lies: its north-west corner, and the size of a cell."""

    @property
    def west_m(self) -> float:
        """Western edge. [m]"""

    @property
    def north_m(self) -> float:
        """Northern edge. [m]"""

    @property
    def cell_m(self) -> float:
        """Side of a cell. [m]"""


def write_surfaces(
    folder: Path, surfaces: dict[str, Any], grid: Cells, crs: str, overwrite: bool = False
) -> list[Path]:
    """Write each surface, by its name in `FILES`, into a folder; returns the files."""
    paths = {name: folder / FILES[name][0] for name in surfaces}
    for path in paths.values():
        check_file(path, overwrite)
    made = {name: geotiff(surfaces[name], grid, crs, *FILES[name][1:]) for name in surfaces}
    return [write_whole(paths[name], content, overwrite) for name, content in made.items()]


def geotiff(values: Any, grid: Cells, crs: str, what: str, unit: str) -> bytes:
    """One band of single precision; NaN becomes nodata."""
    import rasterio
    from rasterio.io import MemoryFile
    from rasterio.transform import from_origin

    cells = np.where(np.isfinite(values), values, NODATA).astype(np.float32)
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": 1, "height": cells.shape[0], "width": cells.shape[1],
        "crs": crs, "nodata": NODATA, "compress": "deflate", "predictor": 3, "tiled": True,
        "blockxsize": 256, "blockysize": 256,
        "transform": from_origin(grid.west_m, grid.north_m, grid.cell_m, grid.cell_m),
    }  # fmt: skip
    with rasterio.Env(), MemoryFile() as memory:
        with memory.open(**profile) as file:
            file.write(cells, 1)
            file.set_band_description(1, f"{what} ({unit})")
            file.set_band_unit(1, unit)
        return bytes(memory.read())
