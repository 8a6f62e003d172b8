"""A small made-up county on disk, that each test spoils in its own way."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from pyproj import CRS

from layers import read_county
from layers.files.raster import write_raster
from layers.files.tables import write_csv
from layers.grid import Grid

UTM16 = CRS.from_epsg(32616)
ORIGIN = (600_000.0, 4_400_000.0)  # in Indiana; nothing there is real


def unit_rows(count=6):
    """Well-formed units, 100 m apart, in the working system."""
    k = np.arange(count)
    return gpd.GeoDataFrame(
        {
            "unit_id": [f"{i + 1:03d}" for i in k],
            "location_basis": ["gps"] * count,
            "kind": ["surface_discharge"] * count,
            "status": ["active"] * count,
            "parcel_id": [f"P{i + 1}" for i in k],
        },
        geometry=shapely.points(ORIGIN[0] + 100.0 * k, np.full(count, ORIGIN[1])),
        crs=UTM16,
    )


def outlet_rows(count=6):
    """A discharge point 20 m north of each unit, naming it."""
    k = np.arange(count)
    return gpd.GeoDataFrame(
        {
            "discharge_point_id": [f"D{i + 1}" for i in k],
            "unit_id": [f"{i + 1:03d}" for i in k],
            "outlet_kind": ["ditch"] * count,
            "location_basis": ["gps"] * count,
        },
        geometry=shapely.points(ORIGIN[0] + 100.0 * k, np.full(count, ORIGIN[1] + 20)),
        crs=UTM16,
    )


def parcel_rows(count=6):
    """A square of 80 m around each unit and its discharge point."""
    x, y = ORIGIN
    boxes = [shapely.box(x + 100 * i - 40, y - 40, x + 100 * i + 40, y + 40) for i in range(count)]
    return gpd.GeoDataFrame(
        {"parcel_id": [f"P{i + 1}" for i in range(count)]}, geometry=boxes, crs=UTM16
    )


def lonlat_table(frame):
    """Points as a plain table with longitude and latitude."""
    degrees = frame.to_crs(4326).geometry
    table = pd.DataFrame(frame.drop(columns="geometry"))
    return table.assign(longitude=degrees.x, latitude=degrees.y)


def flat_terrain():
    """A flat raster around the units, 10 m cells, at 200 m."""
    values = np.full((60, 120), 200.0, np.float32)
    return Grid(values, Affine(10, 0, ORIGIN[0] - 200, 0, -10, ORIGIN[1] + 300), UTM16)


class CountyFolder:
    """Writes layers and a county file; `read` reads it."""

    def __init__(self, folder):
        self.folder = Path(folder)
        self.sections = {}
        self.more = ""

    def add(self, name, table, file, **options):
        path = self.folder / file
        if isinstance(table, gpd.GeoDataFrame):
            table.to_file(path)
        elif isinstance(table, Grid):
            write_raster(table, path)
        elif isinstance(table, pd.DataFrame) and path.suffix == ".xlsx":
            table.to_excel(path, index=False)
        elif isinstance(table, pd.DataFrame):
            write_csv(table, path)
        elif isinstance(table, bytes):
            path.write_bytes(table)
        elif table is not None:
            path.write_text(table, "utf-8")
        return self.name(name, file, **options)

    def name(self, name, file, **options):
        lines = [f"[layers.{name}]", f'path = "{file}"']
        lines += [f"{key} = {value}" for key, value in options.items()]
        self.sections[name] = "\n".join(lines)
        return self

    def write(self, county='name = "Test County"\nas_of = 2026-04-01\n'):
        parts = [f"[county]\n{county}", *self.sections.values(), self.more]
        path = self.folder / "county.toml"
        path.write_text("\n\n".join(parts), "utf-8")
        return path

    def read(self, **options):
        return read_county(self.write(), **options)


def found(county, layer=None):
    """(code, row, action) of a county's problems that belong to rows."""
    problems = county.problems
    if layer is not None:
        problems = problems[problems["layer"] == layer]
    return {
        (p.code, None if pd.isna(p.row) else int(p.row), p.action) for p in problems.itertuples()
    }
