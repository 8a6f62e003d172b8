"""Raster files: read lazily by window, in the system wanted; written by window."""

from __future__ import annotations

import tempfile
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
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
from rasterio.enums import MaskFlags
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from layers.crs.systems import identified, missing_system
from layers.errors import ReferenceSystemError, TerrainError
from layers.files.mosaic import MosaicSource, mosaic, tile_paths
from layers.files.moved import MovedSource, brought_into
from layers.files.opening import raster_name
from layers.grid import Grid, GridSource, Window, checked_window, moved_to, windows
from layers.measures import FT_M, US_SURVEY_FT_M
from layers.settings.limits import MB, UNASKED, Limits

# what no land can be, in meters or in feet, stands for no data: -999, -9999, 32767, 3.4e38 ...
LOWEST_VALUE: Final = -998.0
HIGHEST_VALUE: Final = 32_000.0
_BLOCK: Final = 512


@dataclass(frozen=True)
class FileSource:
    """A raster file as it stands, read by window; see `open_source`.

    Attributes
    ----------
    place, driver
        What GDAL opens, and by which driver alone.
    is_categorical
        Values are classes: kept as stored, 0 or the file's own nodata for none.
    vertical_factor
        Values are multiplied by it.
    is_south_up
        The file's first row is its southernmost.
    """

    path: Path
    place: str
    driver: str
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
        window = checked_window(window, self.shape)
        row = self.shape[0] - window.row - window.rows if self.is_south_up else window.row
        place = rasterio.windows.Window(window.col, row, window.cols, window.rows)
        try:
            # one dataset for each read: a dataset must not be shared between threads
            with rasterio.open(self.place, driver=self.driver) as dataset:
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
    nodata = dataset.nodata
    is_nan = nodata is not None and np.isnan(nodata)
    if is_nan and dataset.mask_flag_enums[0] == [MaskFlags.nodata]:
        return np.isnan(stored)  # what the mask says, without a second reading
    is_void = dataset.read_masks(1, window=place) == 0
    if nodata is not None and not is_nan:
        is_void |= stored == np.asarray(nodata).astype(stored.dtype)
    return is_void


def _heights(
    stored: NDArray, is_void: NDArray[np.bool_], scale: float, offset: float, factor: float
) -> NDArray[np.float32]:
    values = stored
    if scale == 1 and offset == 0:
        is_height = (stored > LOWEST_VALUE) & (stored < HIGHEST_VALUE)
    else:  # a scaled sentinel may look like a height
        values = stored.astype(np.float64)
        edges = _edges_of(stored.dtype)
        is_height = ~np.isin(values, [-9999, -99999, *edges]) & (np.abs(values) < 1e15)
        with np.errstate(over="ignore"):  # a sentinel's, which is left out below
            values = values * scale + offset
    if factor != 1:
        with np.errstate(over="ignore"):
            values = values * np.float64(factor)
    return np.where(is_height & ~is_void, values, np.nan).astype(np.float32, copy=False)


def _edges_of(dtype: np.dtype) -> list[float]:
    """The least and largest values of a type of whole numbers; 0 is not one of them."""
    if dtype.kind not in "iu":
        return []
    return [float(v) for v in (np.iinfo(dtype).min, np.iinfo(dtype).max) if v != 0]


# ------------------------------------------------------------------------------------------- open


def open_source(
    path: str | Path,
    *,
    crs: CRS | None = None,
    stated_crs: CRS | None = None,
    vertical_factor: float = 1.0,
    categorical: bool | None = None,
    allow_coarse: bool = False,
    limits: Limits = UNASKED,
) -> FileSource | MosaicSource | MovedSource:
    """Open a raster, or a folder of tiles, to be read by window; only headers are read now.

    Heights come as float32 with NaN where there is no data, whether the file declares it or only
    holds a number nothing on land can be (at most -998, or 32,000 and more). Classes come as
    stored, 0 where there is no data. Scale and offset of the file are applied to heights.

    Parameters
    ----------
    crs
        The system wanted; None keeps the file's own.
    stated_crs
        The file's system where the file itself is silent or wrong.
    vertical_factor
        Meters in a unit of the values.
    categorical
        Whether values are classes; None takes bytes for classes and everything else for heights.
    allow_coarse
        Whether it may be moved between datums without a shift grid.
    limits
        What is refused for its size.

    Raises
    ------
    TerrainError
        When the file is no raster, leads elsewhere, is too large, is rotated, or is a picture.
    ReferenceSystemError
        When it states no system and ``stated_crs`` is None, or cannot be brought into ``crs``.
    """
    path = Path(path)
    source: FileSource | MosaicSource
    if path.is_dir():
        tiles = [
            _one(p, stated_crs, vertical_factor, categorical, limits) for p in tile_paths(path)
        ]
        source = mosaic(tiles, path)
        limits.check("raster_cells", source.shape[0] * source.shape[1], path, error=TerrainError)
    else:
        source = _one(path, stated_crs, vertical_factor, categorical, limits)
    if crs is None or source.crs == crs:
        return source
    moved = brought_into(
        source,
        crs,
        is_categorical=source.is_categorical,
        dtype=source.dtype,
        allow_coarse=allow_coarse,
    )
    return replace(source, crs=crs) if moved is None else moved


def _one(
    path: Path, stated_crs: CRS | None, factor: float, categorical: bool | None, limits: Limits
) -> FileSource:
    place, driver = raster_name(path)
    try:
        with _open(place, driver) as dataset:
            _check_size(path, dataset, limits)
            return _file_source(path, place, dataset, stated_crs, factor, categorical)
    except (RasterioError, OSError) as error:
        raise _unreadable(path, error) from error


def _check_size(path: Path, dataset: Any, limits: Limits) -> None:
    """Refuse what its header says is too large, before any value is read."""
    rows, cols = dataset.block_shapes[0]
    block = rows * cols * np.dtype(dataset.dtypes[0]).itemsize
    for name, count in (
        ("raster_cells", dataset.height * dataset.width),
        ("raster_bands", dataset.count),
        ("block_mb", -(-block // MB)),
    ):
        limits.check(name, count, path, error=TerrainError)


def _open(place: str, driver: str) -> Any:
    with warnings.catch_warnings():  # what it warns of is refused in `_file_source`
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        return rasterio.open(place, driver=driver)


def _unreadable(path: Path, error: Exception) -> TerrainError:
    reason = str(error).splitlines()[0].replace(str(path), path.name)
    return TerrainError(
        f"cannot be read as a raster: {reason}",
        where=str(path),
        hint="open it in a map program and save it again as a GeoTIFF",
    )


def _file_source(
    path: Path,
    place: str,
    dataset: Any,
    stated_crs: CRS | None,
    factor: float,
    categorical: bool | None,
) -> FileSource:
    t = dataset.transform
    if t == Affine.identity():
        raise TerrainError(
            "the raster has no georeference, so its position is not known",
            where=str(path),
            hint="export it again as a GeoTIFF, or put its world file next to it",
        )
    if t.b or t.d or t.a <= 0 or t.e == 0:
        raise TerrainError(
            "the raster is rotated or mirrored",
            where=str(path),
            hint="warp it to north-up in a map program",
        )
    if dataset.count >= 3 and dataset.dtypes[0] == "uint8":
        raise TerrainError(
            f"the raster is a picture with {dataset.count} bands, not heights or classes",
            where=str(path),
            hint="name the raster that the picture was made from",
        )
    is_south_up = t.e > 0
    if is_south_up:
        t = Affine(t.a, 0.0, t.c, 0.0, -t.e, t.f + dataset.height * t.e)
    crs = stated_crs if stated_crs is not None else _own_crs(path, dataset)
    dtype = np.dtype(dataset.dtypes[0])
    return FileSource(
        path,
        place,
        dataset.driver,
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
        crs = CRS.from_user_input(epsg or dataset.crs.to_wkt())
        west, south, east, north = dataset.bounds
        return identified(crs, (west + east) / 2, (south + north) / 2) or crs
    except CRSError as error:
        raise ReferenceSystemError(
            "the raster's coordinate system cannot be read",
            where=str(path),
            hint='name it in the county file, such as crs = "EPSG:32616"',
        ) from error


def _first_file(path: Path) -> Path:
    """The raster itself, or the first of a folder of tiles."""
    return tile_paths(path)[0] if path.is_dir() else path


def vertical_unit(path: str | Path) -> str | None:
    """The unit of heights a raster file itself states: "m", "ft", "us-ft", or None.

    Read from the band's unit, else from the vertical part of its reference system.

    Raises
    ------
    TerrainError
        When the file is no raster.
    """
    path = _first_file(Path(path))
    place = raster_name(path)
    try:
        with _open(*place) as dataset:
            stated = [dataset.units[0] or ""]
            wkt = dataset.crs.to_wkt() if dataset.crs is not None else None
    except (RasterioError, OSError) as error:
        raise _unreadable(path, error) from error
    for axis in _vertical_axes(wkt):
        stated.append(axis.unit_name or "")
        factor = axis.unit_conversion_factor
        known = {1.0: "m", FT_M: "ft", US_SURVEY_FT_M: "us-ft"}
        stated += [name for size, name in known.items() if abs(factor - size) < 1e-9]
    for text in stated:
        unit = _VERTICAL_UNITS.get(" ".join(text.lower().replace("_", " ").split()))
        if unit is not None:
            return unit
    return None


def stated_vertical_datum(path: str | Path) -> str | None:
    """The name of the vertical datum in a raster's compound reference system, or None.

    Raises
    ------
    TerrainError
        When the file is no raster.
    """
    path = _first_file(Path(path))
    place = raster_name(path)
    try:
        with _open(*place) as dataset:
            wkt = dataset.crs.to_wkt() if dataset.crs is not None else None
        parts = CRS.from_wkt(wkt).sub_crs_list if wkt else []
    except (RasterioError, OSError) as error:
        raise _unreadable(path, error) from error
    except CRSError:
        return None
    return next((part.datum.name for part in parts if part.is_vertical and part.datum), None)


def _vertical_axes(wkt: str | None) -> list[Any]:
    try:
        return CRS.from_wkt(wkt).axis_info[2:] if wkt else []
    except CRSError:
        return []


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
    """Write a raster by window as a cloud-optimized GeoTIFF; same values, same bytes.

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
            hint="free disk space, or name another place",
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

    A cell is covered by an area when its center is inside, by a line along its Bresenham path;
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


def burn_numbers(
    areas: Sequence[Any] | NDArray[np.object_], shape: tuple[int, int], transform: Affine
) -> NDArray[np.int32]:
    """Which area covers the center of each cell: its place from 1, 0 outside all.

    Where areas overlap the first one counts. Missing and empty ones cover nothing.
    """
    numbered = [(g, k) for k, g in enumerate(areas, 1) if g is not None and not g.is_empty]
    if not numbered:
        return np.zeros(shape, np.int32)
    numbers: NDArray[np.int32] = rasterio.features.rasterize(
        numbered[::-1], out_shape=shape, transform=transform, fill=0, dtype="int32"
    )
    return numbers
