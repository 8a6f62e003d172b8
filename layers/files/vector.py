"""Vector files: read every feature that can be read; write a GeoPackage with repeatable bytes."""

from __future__ import annotations

import json
import re
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import unescape

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyogrio.errors
import pyogrio.raw
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from layers.errors import AssessmentFolderError, LayerError
from layers.fields.raw import RawLayer
from layers.files.geopackage import ColumnText, beside, closed, describe_columns
from layers.files.opening import VECTOR_DRIVERS, vector_name
from layers.settings.limits import UNASKED, Limits

_DTYPES: Final = "dtypes"
_SOURCE_LINE: Final = re.compile(r"\.(cpp|c|h),? at line \d+")
_REMARK: Final = 160  # letters
_PART: Final = 16_384  # rows read at a time
_MANY: Final = 100_000  # rows
_KINDS: Final = re.compile(rf'<MDI key="{_DTYPES}">(.*?)</MDI>', re.DOTALL)
_COUNTS: Final = "gpkg_ogr_contents"
_METADATA: Final = (
    "gpkg_metadata m JOIN gpkg_metadata_reference r ON m.id = r.md_file_id"
    " WHERE r.table_name IS NOT NULL"
)
_UNREADABLE: Final = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    ValueError,
    LayerError,
)


def read_vector(
    path: str | Path, *, layer: str | None = None, like: str = "", limits: Limits = UNASKED
) -> RawLayer:
    """Read a GeoPackage, GeoJSON, Shapefile (zipped too), FlatGeobuf or File Geodatabase layer.

    A feature whose shape cannot be read keeps its row, with no shape and ``is_unreadable`` set;
    a row without a shape keeps its row too. Curves become lines.

    Parameters
    ----------
    layer
        Which layer of the file; may be left out where there is one, or one called ``like``.
    limits
        What is refused for its size, before any row is read.

    Raises
    ------
    LayerError
        When the file cannot be opened, is not of the kind its ending says, leads elsewhere, or
        holds several layers and none is named.
    """
    path = Path(path)
    if not path.exists():
        raise LayerError(
            "the file does not exist", where=str(path), hint="check the path in the county file"
        )
    try:
        with _file_remarks(path) as remarks:
            place, size = vector_name(path, limits)
            name, names = _layer_within(place, path, layer, like, size, limits)
            meta, _, wkb, fields = pyogrio.raw.read(place, layer=name)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError) as error:
        raise LayerError(
            f"cannot be read as a vector layer: {_reason(error, path)}",
            where=str(path),
            hint="open it in a map program and save it again as a GeoPackage",
        ) from error
    count = len(fields[0]) if len(fields) else (len(wkb) if wkb is not None else 0)
    shapes, is_unreadable = None, np.zeros(count, bool)
    if wkb is not None:
        with np.errstate(invalid="ignore"):  # not-a-number coordinates are met later, row by row
            shapes = shapely.from_wkb(wkb, on_invalid="ignore")
        is_stored = np.array([item is not None for item in wkb], bool)
        is_unreadable = is_stored & shapely.is_missing(shapes)
    return RawLayer(
        dict(zip([str(name) for name in meta["fields"]], fields, strict=True)),
        np.arange(1, count + 1, dtype=np.int64),
        shapes,
        is_unreadable,
        _crs(meta["crs"], path),
        tuple(remarks),
        taken=f"of its {len(names)} layers, {name!r} was read, because its name matches"
        if layer is None and len(names) > 1
        else "",
    )


@contextmanager
def _file_remarks(path: Path) -> Iterator[list[str]]:
    """What the reader of files warns of inside the block, in a few words each, at most three."""
    remarks: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield remarks
    for warning in caught:
        words = " ".join(str(warning.message).split()).replace(str(path), path.name)
        remark = words if len(words) <= _REMARK else words[:_REMARK] + "…"
        if remark not in remarks and len(remarks) < 3:
            remarks.append(remark)


def _layer_within(
    place: str, path: Path, layer: str | None, like: str, size: int, limits: Limits
) -> tuple[str, list[str]]:
    """The name of the layer to read, its own figures within the limits, and those of all."""
    is_text = path.suffix.lower() in (".geojson", ".json")  # of one layer: opening it is costly
    info = pyogrio.read_info(place) if is_text else None
    names = [str(info["layer_name"])] if info is not None else _layers_of(place)
    name = _layer_name(names, path, layer, like)
    if info is None:
        info = pyogrio.read_info(place, layer=name)
    if info["driver"] not in VECTOR_DRIVERS[path.suffix.lower()]:
        raise LayerError(
            f"cannot be read as a vector layer: its format is {info['driver']}",
            where=str(path),
            hint="open it in a map program and save it again as a GeoPackage",
        )
    rows, columns = int(info["features"]), len(info["fields"])
    limits.check("rows", rows, path)
    limits.check("columns", columns, path)
    limits.check("table_cells", rows * columns, path)
    if rows > size or rows < -1:  # -1: not known before all is read
        raise LayerError(
            f"it is damaged: it claims {rows:,} rows, more than its {size:,} bytes can hold"
            if rows > size
            else "it is damaged: it claims more rows than a layer can have",
            where=str(path),
            hint="open it in a map program and save it again as a GeoPackage",
        )
    return name, names


def _layers_of(place: str) -> list[str]:
    return [str(name) for name in pyogrio.list_layers(place)[:, 0]]


def _layer_name(names: list[str], path: Path, layer: str | None, like: str) -> str:
    if layer is not None:
        if layer in names:
            return layer
        raise LayerError(
            f"the file has no layer {layer!r}",
            where=str(path),
            hint=f"set 'layer' to one of: {', '.join(names)}",
        )
    if len(names) == 1:
        return names[0]
    if not names:
        raise LayerError("the file has no layer", where=str(path), hint="check the file")
    alike = [name for name in names if name.lower() == like.lower()]
    if len(alike) == 1:
        return alike[0]
    raise LayerError(
        f"the file has {len(names)} layers; the county file must name one",
        where=str(path),
        hint=f"set 'layer' to one of: {', '.join(names)}",
    )


def _crs(stated: str | None, path: Path) -> CRS | None:
    if not stated:
        return None
    try:
        crs = CRS.from_user_input(stated)
    except CRSError as error:
        raise LayerError(
            f"its coordinate system cannot be read: {_first_line(error)}",
            where=str(path),
            hint='name the system in the county file, such as crs = "EPSG:4326"',
        ) from error
    # a GeoPackage's "undefined" systems are engineering systems without a place on the earth
    return None if crs.type_name == "Engineering CRS" else crs


def _reason(error: Exception, path: Path) -> str:
    """Why a file could not be read, without the paths of this and of another machine."""
    line = _first_line(error).replace(str(path), path.name)
    if "not recognized" in line:
        return "its format is not known; it is damaged or has the wrong ending"
    if _SOURCE_LINE.search(line):
        return "it is damaged inside"
    return line


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__


# ------------------------------------------------------------------------------------- GeoPackage


def write_geopackage(
    path: str | Path,
    tables: Mapping[str, pd.DataFrame],
    *,
    stamp: str,
    columns: Mapping[str, Mapping[str, ColumnText]] | None = None,
) -> None:
    """Write tables, with or without shapes, into a new GeoPackage.

    The same tables and stamp give the same bytes. Column order and types survive a way back
    through `read_geopackage_layer`, nullable integers and flags included. When this returns, all of
    it lies in the one file and nothing holds it open.

    Parameters
    ----------
    tables
        By layer name, in the order they are written.
    stamp
        The ISO date the file says it was changed on.
    columns
        What columns are called and mean, by table and column.

    Raises
    ------
    AssessmentFolderError
        When the file cannot be written.
    """
    path = Path(path)
    for old in (path, *beside(path)):  # what lay beside the old file would be read into the new one
        old.unlink(missing_ok=True)
    with _current_date(stamp):
        for position, (name, table) in enumerate(tables.items()):
            try:
                _write_layer(path, name, table, append=position > 0)
            except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
                raise AssessmentFolderError(
                    f"cannot write layer {name!r}: {_first_line(error)}",
                    where=str(path),
                    hint="free disk space, or close programs that have the file open",
                ) from error
    if tables:
        if columns:
            describe_columns(path, columns)
        closed(path)


def _write_layer(path: Path, name: str, table: pd.DataFrame, *, append: bool) -> None:
    is_spatial = isinstance(table, gpd.GeoDataFrame)
    plain = pd.DataFrame(table.drop(columns=table.geometry.name) if is_spatial else table)
    names = {str(column).lower() for column in plain.columns}
    options: dict[str, Any] = {"FID": _free_name("fid", names)}
    kinds = {str(column): str(plain[column].dtype) for column in plain.columns}
    plain = plain.copy().set_axis([str(column) for column in plain.columns], axis=1)
    for column in plain.columns:
        plain[column] = _storable(plain[column])
    frame = plain.reset_index(drop=True)
    if is_spatial:
        shapes = table.geometry.to_numpy()
        frame = gpd.GeoDataFrame(frame, geometry=shapes, crs=table.crs)
        options["GEOMETRY_NAME"] = _free_name("geom", names)
        options["geometry_type"] = _geometry_type(shapes)
    pyogrio.write_dataframe(
        frame,
        path,
        layer=name,
        driver="GPKG",
        append=append,
        layer_metadata={_DTYPES: json.dumps(kinds)},
        **options,
    )


def _storable(column: pd.Series) -> pd.Series:
    kind = getattr(column.dtype, "kind", "O")
    if kind == "M":
        return column.astype("datetime64[ms]")
    if kind in "iufb" or isinstance(column.dtype, pd.StringDtype):
        return column
    return column.map(str, na_action="ignore").astype(object)


def _free_name(wanted: str, taken: set[str]) -> str:
    while wanted in taken:
        wanted = f"{wanted}_"
    return wanted


def _geometry_type(shapes: Any) -> str:
    present = shapes[~shapely.is_missing(shapes)]
    kinds = {(shape.geom_type, bool(shape.has_z)) for shape in present}
    if len(kinds) != 1:
        return "Unknown"
    kind, has_z = kinds.pop()
    return f"{kind} Z" if has_z else kind


@contextmanager
def _current_date(stamp: str) -> Iterator[None]:
    """The day GDAL takes for today, put back afterwards."""
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{stamp[:10]}T00:00:00.000Z"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


@dataclass(frozen=True)
class StoredLayer:
    """What a GeoPackage of ours says of one of its layers: its rows, and what its columns were."""

    rows: int
    kinds: Mapping[str, str]


def stored_layers(path: str | Path) -> dict[str, StoredLayer]:
    """The layers and tables of a GeoPackage that `write_geopackage` wrote.

    All in two queries: opening such a file takes longer than reading most of its layers.

    Raises
    ------
    LayerError
        When the file cannot be read.
    """
    try:
        place, _ = vector_name(Path(path), UNASKED)
        layers = {
            str(name): StoredLayer(int(rows), {})
            for name, rows in _rows_of(place, "SELECT table_name, feature_count", _COUNTS)
        }
        for name, text in _rows_of(place, "SELECT r.table_name, m.metadata", _METADATA):
            found = _KINDS.search(str(text))
            if found and name in layers:
                kinds = json.loads(unescape(found.group(1), {"&quot;": '"', "&apos;": "'"}))
                layers[name] = replace(layers[name], kinds=kinds)
    except _UNREADABLE as error:
        raise LayerError(
            f"cannot be read: {_first_line(error)}",
            where=str(path),
            hint="run 'rillmark assess' again",
        ) from error
    return layers


def _rows_of(place: str, select: str, source: str) -> Iterator[tuple[Any, ...]]:
    _, _, _, columns = pyogrio.raw.read(place, sql=f"{select} FROM {source}", read_geometry=False)
    return zip(*columns, strict=True)


def read_geopackage_layer(
    path: str | Path,
    name: str,
    *,
    stored: Mapping[str, StoredLayer] | None = None,
    shapes_where: str | None = None,
) -> pd.DataFrame | gpd.GeoDataFrame:
    """A layer that `write_geopackage` wrote, with its columns and their types.

    Parameters
    ----------
    stored
        Of `stored_layers`, for those that read several.
    shapes_where
        A condition in SQL, for a large layer that is only shown: it takes a quarter of the
        memory, its texts as categories and shapes only for the rows that meet the condition.

    Raises
    ------
    LayerError
        When the file or the layer cannot be read.
    """
    path = Path(path)
    known = (stored_layers(path) if stored is None else stored).get(name, StoredLayer(0, {}))
    try:
        place, _ = vector_name(path, UNASKED)
        if shapes_where is None or not known.rows:
            # far faster with Arrow, whose texts then keep the memory of the whole layer, though
            frame = pyogrio.read_dataframe(place, layer=name, use_arrow=known.rows > _MANY)
        else:
            frame = _in_parts(place, name, shapes_where)
    except _UNREADABLE as error:
        raise LayerError(
            f"cannot read layer {name!r}: {_first_line(error)}",
            where=str(path),
            hint="run 'rillmark assess' again",
        ) from error
    for column, kind in known.kinds.items():
        if column in frame and str(frame[column].dtype) not in (kind, "category"):
            frame[column] = _restored(frame[column], kind)
    return frame


def _in_parts(place: str, name: str, shapes_where: str) -> gpd.GeoDataFrame:
    known: dict[str, dict[str, int]] = {}
    parts = []
    with pyogrio.open_arrow(
        place, layer=name, read_geometry=False, return_fids=True, batch_size=_PART, use_pyarrow=True
    ) as (meta, batches):
        for batch in batches:
            part = batch.to_pandas(strings_to_categorical=True)
            for column in part.select_dtypes("category"):
                numbers = known.setdefault(column, {})
                texts = part[column].cat
                shown = texts.categories.to_numpy(object).tolist()
                turn = [numbers.setdefault(text, len(numbers)) for text in shown]
                part[column] = np.array([*turn, -1], np.int32)[texts.codes]
            parts.append(part.set_index(meta["fid_column"]))
    frame = pd.concat(parts)
    for column, texts in known.items():
        frame[column] = pd.Categorical.from_codes(frame[column], list(texts))
    shapes = pyogrio.read_dataframe(
        place, layer=name, columns=[], where=shapes_where, fid_as_index=True, use_arrow=True
    ).geometry.reindex(frame.index)
    return gpd.GeoDataFrame(frame, geometry=shapes).reset_index(drop=True)


def _restored(column: pd.Series, kind: str) -> pd.Series:
    if kind == "boolean" and column.dtype.kind != "b":
        return column.map(bool, na_action="ignore").astype("boolean")
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        column = column.dt.tz_localize(None)
    if kind in ("object", "category"):
        return column.astype(object).where(column.notna(), None).astype(kind)
    return column.astype(kind)
