"""The elevation model, read by window as heights in metres on a square grid in the plan's CRS.

A model on a square north-up grid in the plan's CRS is read as it stands. Any other is interpolated: each
target cell's centre is placed in the model exactly, and its height is bilinear between the four cells
around it. A cell with a void among those four is void, so that no value is ever made of nodata.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from farmgis.errors import ElevationCoverError, FieldError, InputError
from farmgis.geodata import crs as crs_room
from farmgis.geodata import elevation_file, gate, resample
from farmgis.geodata.elevation_file import Unit, told
from farmgis.records import Finding, Floats, Surface
from farmgis.tables.reader import elevation_error

# land lies between the Dead Sea's shore and Everest's top; what is beyond is no height
LOWEST_M, HIGHEST_M = -500.0, 9000.0
WINDOW_LIMIT_CELLS = 20_000_000


@dataclass(frozen=True)
class Grid:
    """Cell centres of a window: south-west centre, cell, rows, columns."""

    x0_m: float
    y0_m: float
    cell_m: float
    rows: int
    columns: int


class Elevation:
    """An elevation model on disk. Opened at first use, kept open, and picklable by its path.

    `native_cell_m` is the model's cell in the plan's CRS. `vertical_error_m`, `correlation_m` and
    `smoothing_m` are what the user stated, or None. Raises InputError and CrsError when it cannot be used
    for the fields.
    """

    def __init__(
        self,
        path: str | Path,
        crs: str | CRS,
        unit: Unit | None = None,
        *,
        near: crs_room.Bounds | None = None,
        input_crs: str | None = None,
        smoothing_m: float | None = None,
        vertical_error_m: float | None = None,
        correlation_m: float | None = None,
    ) -> None:
        """`crs` is the plan's; `near` are the fields' bounds in it; `unit` is what the user stated."""
        self.path = gate.local_file(path, "elevation")
        self.crs = crs if isinstance(crs, CRS) else CRS.from_user_input(crs)
        self.smoothing_m = smoothing_m
        self.vertical_error_m = vertical_error_m
        self.correlation_m = correlation_m
        self._dataset: Any = None
        source = self._open()
        elevation_file.check_layout(source, self.path.name)
        full = elevation_file.model_crs(source, input_crs, self.path.name)
        self.source_crs = full.to_2d()
        self.metres_per_unit, unit_findings = elevation_file.height_unit(source, full, unit)
        self._transform = source.transform
        self._shape = (int(source.height), int(source.width))
        self._scale, self._offset = float(source.scales[0]), float(source.offsets[0])
        self._masked = any(flag.name in ("per_dataset", "alpha") for flag in source.mask_flag_enums[0])
        self.declared_nodata = source.nodata
        same = crs_room.same_crs(self.source_crs, self.crs)
        self._exact = same and elevation_file.north_up_square(self._transform)
        self.native_cell_m = self._native_cell(near)
        if near is not None:
            self._check_overlap(near)
        self.findings: tuple[Finding, ...] = unit_findings + self._own_findings(source)

    @property
    def likely_error_m(self) -> tuple[float, float]:
        """Vertical error and its correlation length, as stated or as usual for the model's cell. [m]"""
        usual = elevation_error(self.native_cell_m)
        stated = (self.vertical_error_m, self.correlation_m)
        return (
            float(usual["vertical_error_m"]) if stated[0] is None else stated[0],
            float(usual["correlation_m"]) if stated[1] is None else stated[1],
        )

    # ---- a window ---------------------------------------------------------------------------------

    def window(self, bounds: crs_room.Bounds, margin_m: float = 0.0) -> Surface:
        """Heights over bounds and a margin around them. [m, plan's CRS]

        The outermost cell centres enclose bounds and margin. NaN where the model has no value or does not
        reach. Raises ElevationCoverError where it has none at all, FieldError where the window is too
        large to hold.
        """
        grid = self._grid(bounds, margin_m)
        if grid.rows * grid.columns > WINDOW_LIMIT_CELLS:
            raise FieldError(
                f"elevation {self.path.name}: a window of {grid.rows} x {grid.columns} cells of "
                f"{grid.cell_m:g} m is too large",
                "split the field, or give a coarser model",
                grid.rows * grid.columns,
                WINDOW_LIMIT_CELLS,
                "cells",
            )
        z_m = self._as_it_stands(grid) if self._exact else self._interpolated(grid)
        if not np.isfinite(z_m).any():
            raise ElevationCoverError(
                f"elevation {self.path.name}: it has no value anywhere in x {bounds[0]:.0f} to "
                f"{bounds[2]:.0f}, y {bounds[1]:.0f} to {bounds[3]:.0f}",
                "give one that covers the field",
                100.0,
                0.0,
                "%",
            )
        z_m.flags.writeable = False
        return Surface(z_m, grid.x0_m, grid.y0_m, grid.cell_m)

    def _grid(self, bounds: crs_room.Bounds, margin_m: float) -> Grid:
        """The window's cells: the model's own, or those on whole multiples of the cell."""
        if not all(math.isfinite(v) for v in (*bounds, margin_m)):
            raise FieldError("the field's bounds are not finite", "mend its boundary in a GIS")
        cell = self.native_cell_m
        corner = (self._transform.c, self._transform.f) if self._exact else (0.0, 0.0)
        start, count = [], []
        for i in (0, 1):
            first = math.floor((bounds[i] - margin_m - corner[i]) / cell - 0.5)
            last = math.ceil((bounds[i + 2] + margin_m - corner[i]) / cell - 0.5)
            start.append(corner[i] + (first + 0.5) * cell)
            count.append(last - first + 1)
        return Grid(start[0], start[1], cell, count[1], count[0])

    def _as_it_stands(self, grid: Grid) -> Floats:
        """The model's own cells, row 0 southernmost."""
        north_m = grid.y0_m + (grid.rows - 1) * grid.cell_m
        column = round((grid.x0_m - self._transform.c) / grid.cell_m - 0.5)
        row = round((self._transform.f - north_m) / grid.cell_m - 0.5)
        return np.ascontiguousarray(self._heights(row, column, grid.rows, grid.columns)[::-1])

    def _interpolated(self, grid: Grid) -> Floats:
        """Heights at the grid's centres, bilinear between the model's cells."""
        row, column = self._places(grid)
        finite = np.isfinite(row) & np.isfinite(column)
        inside = finite & (row > -1) & (row < self._shape[0]) & (column > -1) & (column < self._shape[1])
        if not inside.any():
            return np.full((grid.rows, grid.columns), np.nan)
        top, left = math.floor(row[inside].min()), math.floor(column[inside].min())
        rows = math.floor(row[inside].max()) - top + 2
        columns = math.floor(column[inside].max()) - left + 2
        if rows * columns > WINDOW_LIMIT_CELLS:
            raise FieldError(
                f"elevation {self.path.name}: {rows} x {columns} cells for one field are too many",
                "split the field, or give a coarser model",
                rows * columns,
                WINDOW_LIMIT_CELLS,
                "cells",
            )
        heights = self._heights(top, left, rows, columns)
        z_m = np.full(row.shape, np.nan)
        z_m[inside] = resample.bilinear(heights, row[inside] - top, column[inside] - left)
        return z_m

    def _places(self, grid: Grid) -> tuple[Floats, Floats]:
        """Row and column in the model, from the middle of its first cell, of each cell of the grid."""
        at_rows, at_columns = (resample.lattice(n) for n in (grid.rows, grid.columns))
        xs = grid.x0_m + at_columns * grid.cell_m
        ys = grid.y0_m + at_rows * grid.cell_m
        xy = np.column_stack([np.tile(xs, len(ys)), np.repeat(ys, len(xs))])
        xy = self._in_source(xy)
        back = ~self._transform
        column = back.a * xy[:, 0] + back.b * xy[:, 1] + back.c - 0.5
        row = back.d * xy[:, 0] + back.e * xy[:, 1] + back.f - 0.5
        shape = (len(ys), len(xs))
        return tuple(  # type: ignore[return-value]
            resample.between(v.reshape(shape), at_rows, at_columns, grid.rows, grid.columns)
            for v in (row, column)
        )

    def _in_source(self, xy: Floats) -> Floats:
        """Points of the plan's CRS in the model's; a longitude is brought to the model's turn."""
        moved = crs_room.transform_xy(self.crs, self.source_crs, xy)
        if self.source_crs.is_geographic:
            middle = self._transform.c + 0.5 * self._transform.a * self._shape[1]
            lon = (moved[:, 0] - middle + 180.0) % 360.0 - 180.0 + middle
            moved = np.column_stack([lon, moved[:, 1]])
        return moved

    # ---- the model's own cells --------------------------------------------------------------------

    def _heights(self, row: int, column: int, rows: int, columns: int) -> Floats:
        """Cells of the model as heights, NaN where void, implausible or beyond its edge. [m]"""
        z_m = np.full((rows, columns), np.nan)
        top, left = max(row, 0), max(column, 0)
        bottom, right = min(row + rows, self._shape[0]), min(column + columns, self._shape[1])
        if top < bottom and left < right:
            _, height_m, given = self._stored(top, left, bottom - top, right - left)
            height_m = np.where(given & plausible(height_m), height_m, np.nan)
            z_m[top - row : bottom - row, left - column : right - column] = height_m
        return z_m

    def stored(self, surface: Surface) -> tuple[NDArray[Any], Floats, NDArray[np.bool_]]:
        """What the file holds under a window: values as stored, as heights [m], and where they are given."""
        rows, columns = surface.z_m.shape
        grid = Grid(surface.x0_m, surface.y0_m, surface.cell_m, rows, columns)
        row, column = (v[np.isfinite(v)] for v in self._places(grid))
        top, left = max(0, math.floor(row.min())), max(0, math.floor(column.min()))
        bottom = min(self._shape[0], math.ceil(row.max()) + 1)
        right = min(self._shape[1], math.ceil(column.max()) + 1)
        return self._stored(top, left, max(0, bottom - top), max(0, right - left))

    def _stored(
        self, row: int, column: int, rows: int, columns: int
    ) -> tuple[NDArray[Any], Floats, NDArray[np.bool_]]:
        raw, given = self._raw(row, column, rows, columns)
        return raw, (raw.astype(np.float64) * self._scale + self._offset) * self.metres_per_unit, given

    def _raw(self, row: int, column: int, rows: int, columns: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        """Values as stored, and where the model itself says that they are given."""
        from rasterio.errors import RasterioIOError
        from rasterio.windows import Window

        window = Window(column, row, columns, rows)
        source = self._open()
        try:
            raw = source.read(1, window=window)
            given = source.read_masks(1, window=window) > 0 if self._masked else np.ones(raw.shape, bool)
        except RasterioIOError as error:
            what = f"elevation {self.path.name}: damaged where the field lies ({error})"
            raise FieldError(what, "get the file anew") from error
        nodata = self.declared_nodata
        if nodata is not None and not math.isnan(nodata):
            # 3.4e38 declared as a double is compared as the float that the file stores
            with np.errstate(over="ignore"):
                given &= raw != (raw.dtype.type(nodata) if raw.dtype.kind == "f" else nodata)
        return raw, given

    # ---- set up and down --------------------------------------------------------------------------

    def _own_findings(self, source: Any) -> tuple[Finding, ...]:
        findings: tuple[Finding, ...] = ()
        if source.count > 1:
            what = f"The elevation model has {source.count} bands; the first is taken as height."
            findings += (told("note", what, "Nothing to do, if that is so."),)
        if not self._exact:
            own, plan = crs_room.name_of(self.source_crs), crs_room.name_of(self.crs)
            cell = f"{self.native_cell_m:.3g} m"
            what = (
                f"The elevation model is in {own}: its heights are interpolated to cells of {cell} in {plan}."
            )
            findings += (told("note", what, "Nothing to do."),)
        return findings

    def _native_cell(self, near: crs_room.Bounds | None) -> float:
        """Side of a square in the plan's CRS with the area of one of the model's cells. [m]"""
        if self._exact:
            return float(self._transform.a)
        t = self._transform
        if near is None:
            x, y = t * (self._shape[1] / 2, self._shape[0] / 2)
        else:
            middle = np.array([[0.5 * (near[0] + near[2]), 0.5 * (near[1] + near[3])]])
            x, y = self._in_source(middle)[0]
        corners = np.array([[x, y], [x + t.a, y + t.d], [x + t.b, y + t.e]])
        p = crs_room.transform_xy(self.source_crs, self.crs, corners)
        along, down = p[1] - p[0], p[2] - p[0]
        area_m2 = abs(float(along[0] * down[1] - along[1] * down[0]))
        if not (math.isfinite(area_m2) and area_m2 > 0.0):
            raise InputError(
                f"elevation {self.path.name}: it lies where {crs_room.name_of(self.crs)} has no place"
            )
        return float(f"{math.sqrt(area_m2):.4g}")

    def _check_overlap(self, near: crs_room.Bounds) -> None:
        grid = Grid(near[0], near[1], max(near[2] - near[0], near[3] - near[1], 1.0) / 4.0, 5, 5)
        row, column = self._places(grid)
        rows, columns = self._shape
        if np.isfinite(row).any() and np.isfinite(column).any():
            over_rows = np.nanmax(row) > -0.5 and np.nanmin(row) < rows - 0.5
            if over_rows and np.nanmax(column) > -0.5 and np.nanmin(column) < columns - 0.5:
                return
        corners = [self._transform * c for c in ((0, 0), (columns, 0), (0, rows), (columns, rows))]
        xs, ys = [c[0] for c in corners], [c[1] for c in corners]
        raise InputError(
            f"elevation {self.path.name}: it does not reach the fields. Fields: "
            f"{_extent(near[0], near[2], near[1], near[3])} in {crs_room.name_of(self.crs)}; elevation: "
            f"{_extent(min(xs), max(xs), min(ys), max(ys))} in {crs_room.name_of(self.source_crs)}. "
            "Give a model that covers them, or check both CRSs"
        )

    def _open(self) -> Any:
        """The open dataset: one for the life of this object in this process."""
        if self._dataset is None:
            self._dataset = elevation_file.open_model(self.path)
        return self._dataset

    def close(self) -> None:
        """Let go of the file; the next window opens it again."""
        if self._dataset is not None:
            self._dataset.close()
            self._dataset = None

    def __enter__(self) -> Self:
        """Itself, to be closed at the end of a `with`."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the file."""
        self.close()

    def __getstate__(self) -> dict[str, Any]:
        """All but the open file: another process opens its own."""
        return {**self.__dict__, "_dataset": None}


def plausible(height_m: Floats) -> NDArray[np.bool_]:
    """Where a height can be one of land on earth."""
    with np.errstate(invalid="ignore"):
        return (height_m >= LOWEST_M) & (height_m <= HIGHEST_M)


def _extent(left: float, right: float, bottom: float, top: float) -> str:
    return f"x {left:.6g} to {right:.6g}, y {bottom:.6g} to {top:.6g}"
