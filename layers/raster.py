"""Raster files: read lazily by window, in the system wanted; written by window."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import rasterio
import rasterio.crs
import rasterio.features
import rasterio.shutil
import rasterio.windows
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.errors import RasterioError

from layers.crs import WGS84, LonLatBounds, Mover, missing_system
from layers.errors import ReferenceSystemError, TerrainError
from layers.grid import Grid, GridSource, Window, grid_bounds, moved_to, windows
from layers.measures import FT_M, US_SURVEY_FT_M

LOWEST_VALUE: Final = -9998.0  # -9999, -32768, -3.4e38 and the like stand for no data
HIGHEST_VALUE: Final = 1e38
LATTICE: Final = 32  # cells between exactly transformed points of a grid brought into a system
_BLOCK: Final = 512


@dataclass(frozen=True)
class FileSource:
    """A raster file as it stands, read by window; see `open_source`.

    Attributes
    ----------
    is_categorical
        Values are classes: kept as stored, 0 or the file's own nodata for none.
    vertical_factor
        Values are multiplied by it.
    is_south_up
        The file's first row is its southernmost.
    """

    path: Path
    shape: tuple[int, int]
    transform: Affine
    crs: CRS
    dtype: np.dtype
    is_categorical: bool
    vertical_factor: float = 1.0
    is_south_up: bool = False

    def read(self, window: Window | None = None) -> Grid:
        """The part inside ``window``, or all of it.

        Raises
        ------
        ValueError
            When the window reaches outside the grid.
        TerrainError
            When the file cannot be read there.
        """
        window = _checked(window, self.shape)
        row = self.shape[0] - window.row - window.rows if self.is_south_up else window.row
        place = rasterio.windows.Window(window.col, row, window.cols, window.rows)
        try:
            # one dataset for each read: a dataset must not be shared between threads
            with rasterio.open(self.path) as dataset:
                stored = dataset.read(1, window=place)
                is_void = _voids(dataset, stored, place)
                scale, offset = dataset.scales[0], dataset.offsets[0]
        except (RasterioError, OSError) as error:
            raise _unreadable(self.path, error) from error
        values: NDArray[Any]
        if self.is_categorical:
            values = np.where(is_void, np.zeros(1, stored.dtype), stored)
        else:
            values = _heights(stored, is_void, scale, offset, self.vertical_factor)
        if self.is_south_up:
            values = values[::-1]
        corner = moved_to(self.transform, window)
        return Grid(np.ascontiguousarray(values), corner, self.crs)


def _voids(dataset: Any, stored: NDArray, place: rasterio.windows.Window) -> NDArray[np.bool_]:
    is_void = dataset.read_masks(1, window=place) == 0
    nodata = dataset.nodata
    if nodata is not None and not np.isnan(nodata):
        is_void |= stored == np.asarray(nodata).astype(stored.dtype)
    return is_void


def _heights(
    stored: NDArray, is_void: NDArray[np.bool_], scale: float, offset: float, factor: float
) -> NDArray[np.float32]:
    values = stored.astype(np.float64)
    void = is_void | ~np.isfinite(values) | (values <= LOWEST_VALUE) | (values >= HIGHEST_VALUE)
    scaled = np.where(void, np.nan, (values * scale + offset) * factor)
    return scaled.astype(np.float32)


def _checked(window: Window | None, shape: tuple[int, int]) -> Window:
    if window is None:
        return Window(0, 0, *shape)
    ends = window.row + window.rows, window.col + window.cols
    if min(window.row, window.col) < 0 or ends[0] > shape[0] or ends[1] > shape[1]:
        raise ValueError(f"{window} reaches outside a grid of {shape[0]} rows, {shape[1]} columns")
    return window


@dataclass(frozen=True)
class MovedSource:
    """A raster brought into another system, cell by cell as it is asked for.

    Bilinear for heights (a cell is void where its nearest source cell is), nearest for classes.
    Where each cell lies in the source comes from a lattice of exact transforms, ``LATTICE``
    cells apart and fixed to the grid, so that a cell's value does not depend on the window.
    """

    source: FileSource
    shape: tuple[int, int]
    transform: Affine
    crs: CRS
    lattice_row: NDArray[np.float64] = field(repr=False)
    lattice_col: NDArray[np.float64] = field(repr=False)

    def read(self, window: Window | None = None) -> Grid:
        """The part inside ``window``, or all of it; raises as `FileSource.read` does."""
        window = _checked(window, self.shape)
        row = _between(self.lattice_row, window)
        col = _between(self.lattice_col, window)
        values = self._sampled(row, col)
        corner = moved_to(self.transform, window)
        return Grid(values, corner, self.crs)

    def _sampled(self, row: NDArray[np.float64], col: NDArray[np.float64]) -> NDArray[Any]:
        """Values at fractional rows and columns of the source, whose cell centres are at .5."""
        rows, cols = self.source.shape
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        if not inside.any():
            if self.source.is_categorical:
                return np.zeros(row.shape, self.source.dtype)
            return np.full(row.shape, np.nan, np.float32)
        r0 = max(int(row[inside].min() - 0.5), 0)
        c0 = max(int(col[inside].min() - 0.5), 0)
        r1 = min(int(row[inside].max() + 0.5) + 1, rows)
        c1 = min(int(col[inside].max() + 0.5) + 1, cols)
        near = self.source.read(Window(r0, c0, r1 - r0, c1 - c0)).values
        row = np.where(inside, row - r0, 0.5)
        col = np.where(inside, col - c0, 0.5)
        if self.source.is_categorical:
            nearest = near[row.astype(np.int64), col.astype(np.int64)]
            return np.where(inside, nearest, np.zeros(1, near.dtype))
        return np.where(inside, _bilinear(near, row, col), np.nan).astype(np.float32)


def _bilinear(
    near: NDArray[np.float32], row: NDArray[np.float64], col: NDArray[np.float64]
) -> NDArray[np.float64]:
    last_row, last_col = near.shape[0] - 1, near.shape[1] - 1
    top, left = np.floor(row - 0.5), np.floor(col - 0.5)
    down, right = row - 0.5 - top, col - 0.5 - left
    total = np.zeros(row.shape)
    weight = np.zeros(row.shape)
    for step_r, part_r in ((0, 1 - down), (1, down)):
        for step_c, part_c in ((0, 1 - right), (1, right)):
            r = np.clip(top + step_r, 0, last_row).astype(np.int64)
            c = np.clip(left + step_c, 0, last_col).astype(np.int64)
            value = near[r, c].astype(np.float64)
            known = np.where(np.isnan(value), 0.0, part_r * part_c)
            total += known * np.where(np.isnan(value), 0.0, value)
            weight += known
    is_void = np.isnan(near[row.astype(np.int64), col.astype(np.int64)])
    return np.divide(total, weight, out=np.full(row.shape, np.nan), where=~is_void & (weight > 0))


def _between(lattice: NDArray[np.float64], window: Window) -> NDArray[np.float64]:
    """Lattice values at the window's cells, by straight lines between its points."""
    r = np.arange(window.row, window.row + window.rows) / LATTICE
    c = np.arange(window.col, window.col + window.cols) / LATTICE
    i, j = r.astype(np.int64), c.astype(np.int64)
    u, v = (r - i)[:, None], (c - j)[None, :]
    above = lattice[i][:, j] * (1 - v) + lattice[i][:, j + 1] * v
    below = lattice[i + 1][:, j] * (1 - v) + lattice[i + 1][:, j + 1] * v
    return above * (1 - u) + below * u


# ------------------------------------------------------------------------------------------- open


def open_source(
    path: str | Path,
    *,
    crs: CRS | None = None,
    stated_crs: CRS | None = None,
    vertical_factor: float = 1.0,
    categorical: bool | None = None,
) -> FileSource | MovedSource:
    """Open a raster to be read by window; nothing but its header is read now.

    Heights come as float32 with NaN where there is no data, whether the file declares it or only
    holds a number nothing on land can be (at most -9998, or 1e38 and more). Classes come as
    stored, 0 where there is no data. Scale and offset of the file are applied to heights.

    Parameters
    ----------
    crs
        The system wanted; None keeps the file's own.
    stated_crs
        The file's system where the file itself is silent or wrong.
    vertical_factor
        Metres in a unit of the values.
    categorical
        Whether values are classes; None takes bytes for classes and everything else for heights.

    Raises
    ------
    TerrainError
        When the file is no raster, is rotated, or is a picture.
    ReferenceSystemError
        When it states no system and ``stated_crs`` is None, or cannot be brought into ``crs``.
    """
    path = Path(path)
    try:
        with rasterio.open(path) as dataset:
            source = _file_source(path, dataset, stated_crs, vertical_factor, categorical)
    except (RasterioError, OSError) as error:
        raise _unreadable(path, error) from error
    if crs is None or source.crs == crs:
        return source
    return _moved(source, crs)


def _unreadable(path: Path, error: Exception) -> TerrainError:
    reason = str(error).splitlines()[0].replace(str(path), path.name)
    return TerrainError(
        f"cannot be read as a raster: {reason}",
        where=str(path),
        mend="give a GeoTIFF; open the file in a map program and save it anew",
    )


def _file_source(
    path: Path, dataset: Any, stated_crs: CRS | None, factor: float, categorical: bool | None
) -> FileSource:
    t = dataset.transform
    if t.b or t.d or t.a <= 0 or t.e == 0:
        raise TerrainError(
            "the raster is rotated or mirrored",
            where=str(path),
            mend="warp it to north-up with a map program",
        )
    if dataset.count >= 3 and dataset.dtypes[0] == "uint8":
        raise TerrainError(
            f"the raster is a picture of {dataset.count} bands, not heights or classes",
            where=str(path),
            mend="give the raster the picture was made from",
        )
    is_south_up = t.e > 0
    if is_south_up:
        t = Affine(t.a, 0.0, t.c, 0.0, -t.e, t.f + dataset.height * t.e)
    crs = stated_crs if stated_crs is not None else _own_crs(path, dataset)
    dtype = np.dtype(dataset.dtypes[0])
    return FileSource(
        path,
        (dataset.height, dataset.width),
        t,
        crs,
        dtype,
        dtype == np.uint8 if categorical is None else categorical,
        factor,
        is_south_up,
    )


def _own_crs(path: Path, dataset: Any) -> CRS:
    if dataset.crs is None:
        raise missing_system(dataset.bounds, where=str(path))
    epsg = dataset.crs.to_epsg(confidence_threshold=100)
    try:
        return CRS.from_user_input(epsg or dataset.crs.to_wkt())
    except CRSError as error:
        raise ReferenceSystemError(
            "the raster's reference system cannot be understood",
            where=str(path),
            mend='name it in the county file, e.g. crs = "EPSG:32616"',
        ) from error


def _moved(source: FileSource, crs: CRS) -> FileSource | MovedSource:
    near = source_lonlat_bounds(source)
    forth = Mover(source.crs, crs, near=near)
    if _is_same_place(source, forth):
        return replace(source, crs=crs)
    x, y = forth(*_edge(source))
    if not np.isfinite(x).all() or not np.isfinite(y).all():
        raise ReferenceSystemError(
            f"the raster cannot be brought from {source.crs.name} into {crs.name}",
            where=str(source.path),
            mend="check the raster's reference system",
        )
    cell = _cell_size(source, forth)
    west, north = np.floor(x.min() / cell) * cell, np.ceil(y.max() / cell) * cell
    rows, cols = int(np.ceil((north - y.min()) / cell)), int(np.ceil((x.max() - west) / cell))
    transform = Affine(cell, 0.0, float(west), 0.0, -cell, float(north))
    row, col = _lattice(source, (rows, cols), transform, Mover(crs, source.crs, near=near))
    return MovedSource(source, (rows, cols), transform, crs, row, col)


def _edge(source: FileSource, count: int = 21) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions along the outline of a raster."""
    west, south, east, north = grid_bounds(source)
    x, y = np.linspace(west, east, count), np.linspace(south, north, count)
    return (
        np.concatenate([x, x, np.full(count, west), np.full(count, east)]),
        np.concatenate([np.full(count, south), np.full(count, north), y, y]),
    )


def source_lonlat_bounds(source: GridSource) -> LonLatBounds:
    """(west, south, east, north) of a raster in degrees of its own datum."""
    west, south, east, north = grid_bounds(source)
    geographic = source.crs.to_2d().geodetic_crs or WGS84
    x, y = np.meshgrid(np.linspace(west, east, 5), np.linspace(south, north, 5))
    lon, lat = Mover(source.crs, geographic)(x.ravel(), y.ravel())
    if not np.isfinite(lon).all():
        raise ReferenceSystemError(
            "the raster lies outside the area its reference system can describe",
            where="the raster",
            mend="check its reference system",
        )
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def _is_same_place(source: FileSource, forth: Mover) -> bool:
    """Whether moving changes nothing: the same system under another name."""
    x, y = _edge(source, 5)
    x2, y2 = forth(x, y)
    if not np.isfinite(x2).all():
        return False
    tolerance = 1e-3 * min(source.transform.a, -source.transform.e)
    return bool(np.abs(np.concatenate([x2 - x, y2 - y])).max() < tolerance)


def _cell_size(source: FileSource, forth: Mover) -> float:
    """Side of a square cell with the ground area of a source cell, to three figures."""
    west, south, east, north = grid_bounds(source)
    x, y = (west + east) / 2, (south + north) / 2
    dx, dy = source.transform.a, -source.transform.e
    xs, ys = forth(np.array([x, x + dx, x]), np.array([y, y, y + dy]))
    width = float(np.hypot(xs[1] - xs[0], ys[1] - ys[0]))
    height = float(np.hypot(xs[2] - xs[0], ys[2] - ys[0]))
    return float(f"{np.sqrt(width * height):.3g}")


def _lattice(
    source: FileSource, shape: tuple[int, int], transform: Affine, back: Mover
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fractional source rows and columns under every `LATTICE`-th cell centre of the new grid."""
    rows = np.arange((shape[0] - 1) // LATTICE + 2) * LATTICE
    cols = np.arange((shape[1] - 1) // LATTICE + 2) * LATTICE
    x, y = np.meshgrid(
        transform.c + (cols + 0.5) * transform.a, transform.f + (rows + 0.5) * transform.e
    )
    sx, sy = back(x.ravel(), y.ravel())
    col = (sx - source.transform.c) / source.transform.a
    row = (sy - source.transform.f) / source.transform.e
    return row.reshape(x.shape), col.reshape(x.shape)


def vertical_unit(path: str | Path) -> str | None:
    """The unit of heights a raster file itself states: "m", "ft", "us-ft", or None.

    Read from the band's unit, else from the vertical part of its reference system.
    """
    with rasterio.open(Path(path)) as dataset:
        stated = [dataset.units[0] or ""]
        if dataset.crs is not None:
            try:
                axes = CRS.from_wkt(dataset.crs.to_wkt()).axis_info
            except CRSError:
                axes = []
            for axis in axes[2:]:
                stated.append(axis.unit_name or "")
                factor = axis.unit_conversion_factor
                known = {1.0: "m", FT_M: "ft", US_SURVEY_FT_M: "us-ft"}
                stated += [name for size, name in known.items() if abs(factor - size) < 1e-9]
    for text in stated:
        unit = _VERTICAL_UNITS.get(" ".join(text.lower().replace("_", " ").split()))
        if unit is not None:
            return unit
    return None


_VERTICAL_UNITS: Final = {
    "m": "m",
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "ft": "ft",
    "foot": "ft",
    "feet": "ft",
    "international foot": "ft",
    "us-ft": "us-ft",
    "us survey foot": "us-ft",
    "us survey feet": "us-ft",
    "foot us": "us-ft",
}


# ------------------------------------------------------------------------------------------ write


def write_raster(source: GridSource, path: str | Path) -> None:
    """Write a raster by window as a cloud-optimised GeoTIFF; same values, same bytes.

    Floats are stored as float32 with NaN for no data, bytes with 0 for no data, other whole
    numbers as they are.

    Raises
    ------
    TerrainError
        When the file cannot be written.
    """
    path = Path(path)
    first = source.read(Window(0, 0, min(1, source.shape[0]), min(1, source.shape[1])))
    dtype = _stored_dtype(first.values.dtype)
    nodata = {"float32": np.nan, "uint8": 0}.get(dtype.name)
    try:
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=f".{path.stem}.") as folder:
            tiled = Path(folder) / "tiled.tif"
            profile = {
                "driver": "GTiff",
                "width": source.shape[1],
                "height": source.shape[0],
                "count": 1,
                "dtype": dtype.name,
                "crs": rasterio.crs.CRS.from_user_input(source.crs),
                "transform": source.transform,
                "nodata": nodata,
                "tiled": True,
                "blockxsize": _BLOCK,
                "blockysize": _BLOCK,
                "BIGTIFF": "IF_SAFER",
            }
            with rasterio.open(tiled, "w", **profile) as dataset:
                for window in windows(source.shape, 2 * _BLOCK):
                    place = rasterio.windows.Window(
                        window.col, window.row, window.cols, window.rows
                    )
                    dataset.write(source.read(window).values.astype(dtype), 1, window=place)
            rasterio.shutil.copy(
                tiled,
                path,
                driver="COG",
                COMPRESS="DEFLATE",
                PREDICTOR="YES",
                BLOCKSIZE=_BLOCK,
                OVERVIEW_RESAMPLING="AVERAGE" if dtype.kind == "f" else "NEAREST",
                BIGTIFF="IF_SAFER",
            )
    except (RasterioError, OSError) as error:
        raise TerrainError(
            f"cannot write the raster: {error}",
            where=str(path),
            mend="free the disk, or name another place",
        ) from error


def _stored_dtype(dtype: np.dtype) -> np.dtype:
    if dtype.kind == "f":
        return np.dtype(np.float32)
    if dtype.kind == "b":
        return np.dtype(np.uint8)
    return dtype


def burn(
    geometries: Sequence[Any] | NDArray[np.object_],
    shape: tuple[int, int],
    transform: Affine,
    *,
    all_touched: bool = False,
) -> NDArray[np.bool_]:
    """Where shapes cover a grid: a mask of ``shape``.

    A cell is covered by an area when its centre is inside, by a line along its Bresenham path;
    with ``all_touched`` when the shape touches it at all. Missing and empty shapes cover nothing.
    """
    present = [g for g in geometries if g is not None and not g.is_empty]
    if not present:
        return np.zeros(shape, bool)
    mask = rasterio.features.rasterize(
        present,
        out_shape=shape,
        transform=transform,
        fill=0,
        default_value=1,
        all_touched=all_touched,
        dtype="uint8",
    )
    return mask.astype(bool)
