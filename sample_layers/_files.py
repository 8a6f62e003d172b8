"""Writing Larkmoor County's files so that a second run gives the same bytes."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
import tempfile
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from openpyxl import Workbook
from openpyxl.styles import Font
from rasterio.transform import Affine
from shapely.geometry.base import BaseGeometry

STAMP = (2026, 4, 1, 12, 0, 0)
pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-04-01T12:00:00.000Z"})


def write_zip(path: Path, members: Mapping[str, bytes]) -> None:
    """A zip whose members carry one fixed date."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, data in members.items():
            info = zipfile.ZipInfo(name, STAMP)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            info.create_system = 3
            archive.writestr(info, data)


def write_xlsx(path: Path, sheets: Mapping[str, Sequence[Sequence[Any]]]) -> None:
    """Sheets of rows; text that looks like a formula stays text; no time of writing is kept."""
    book = Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for r, row in enumerate(rows, 1):
            for c, value in enumerate(row, 1):
                cell = sheet.cell(r, c)
                if value is not None:
                    cell.value = value
                if isinstance(value, str):
                    cell.data_type = "s"
                if isinstance(value, dt.date):
                    cell.number_format = "m/d/yyyy"
                if r == 1:
                    cell.font = Font(bold=True)
        sheet.freeze_panes = "A2"
    raw = io.BytesIO()
    book.save(raw)
    with zipfile.ZipFile(raw) as archive:
        members = {name: archive.read(name) for name in sorted(archive.namelist())}
    core = "docProps/core.xml"
    members[core] = re.sub(
        rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2026-04-01T12:00:00Z", members[core]
    )
    first = "[Content_Types].xml"
    write_zip(path, {first: members.pop(first), **members})


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Comma-separated, UTF-8, lines ended by a line feed."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows([["" if v is None else v for v in row] for row in rows])


def write_geojson(path: Path, name: str, features: Sequence[dict]) -> None:
    """A feature collection, one feature on a line."""
    lines = ",\n".join(json.dumps(f, ensure_ascii=False) for f in features)
    path.write_text(
        f'{{"type": "FeatureCollection", "name": "{name}", "features": [\n{lines}\n]}}\n',
        encoding="utf-8",
    )


def _frame(rows: Sequence[dict], columns: Mapping[str, str], crs: str) -> gpd.GeoDataFrame:
    data = {theirs: [row[ours] for row in rows] for ours, theirs in columns.items()}
    return gpd.GeoDataFrame(data, geometry=[row["geometry"] for row in rows], crs=crs)


def write_layer(
    path: Path,
    layer: str,
    rows: Sequence[dict],
    columns: Mapping[str, str],
    crs: str,
    *,
    kind: str,
) -> None:
    """One vector layer in its rows' order; ``kind`` "Unknown" lets shapes be mixed."""
    options: dict[str, Any] = {"driver": "FlatGeobuf", "SPATIAL_INDEX": "NO"}
    if path.suffix == ".gpkg":
        options = {"driver": "GPKG", "append": path.exists()}
    frame = _frame(rows, columns, crs)
    pyogrio.write_dataframe(frame, path, layer=layer, geometry_type=kind, **options)


def write_zipped_shapefile(
    path: Path, layer: str, rows: Sequence[dict], columns: Mapping[str, str], crs: str
) -> None:
    """A shapefile in one zip."""
    frame = _frame(rows, columns, crs)
    with tempfile.TemporaryDirectory() as folder:
        pyogrio.write_dataframe(
            frame,
            Path(folder) / f"{layer}.shp",
            driver="ESRI Shapefile",
            encoding="UTF-8",
            layer_options={"DBF_DATE_LAST_UPDATE": "2026-04-01"},
        )
        members = {p.name: p.read_bytes() for p in sorted(Path(folder).iterdir())}
    write_zip(path, members)


def write_raster(
    path: Path, values: np.ndarray, transform: Affine, crs: str, nodata: float, predictor: int
) -> None:
    """A tiled, deflated GeoTIFF."""
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=values.shape[1],
        height=values.shape[0],
        count=1,
        dtype=values.dtype,
        crs=crs,
        transform=transform,
        nodata=nodata,
        compress="deflate",
        zlevel=9,
        predictor=predictor,
        tiled=True,
        blockxsize=256,
        blockysize=256,
    ) as file:
        file.write(values, 1)


def rounded(geometry: BaseGeometry | None, step: float) -> BaseGeometry | None:
    """A sound shape on a grid of coordinates, still sound; others are left as they are."""
    if geometry is None or geometry.is_empty or not geometry.is_valid or geometry.has_z:
        return geometry
    return shapely.set_precision(geometry, step)


def moved(geometry: BaseGeometry | None, change: Any) -> BaseGeometry | None:
    """A shape with its x and y sent through ``change``; heights stay."""
    if geometry is None or geometry.is_empty:
        return geometry

    def each(xyz: np.ndarray) -> np.ndarray:
        out = xyz.copy()
        out[:, :2] = change(xyz[:, :2])
        return out

    return shapely.transform(geometry, each, include_z=geometry.has_z)
