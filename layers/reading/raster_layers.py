"""The rasters of a county: terrain and land cover, with what is said of them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from layers.crs import LonLatBounds, Mover, parse_crs
from layers.errors import ReferenceSystemError, TerrainError
from layers.fields.datums import vertical_datum
from layers.fields.schemas import SCHEMAS
from layers.files.moved import lonlat_bounds
from layers.files.raster import open_source, stated_vertical_datum, vertical_unit
from layers.grid import GridSource, grid_bounds
from layers.measures import LENGTH_M, ShowUnits, format_length
from layers.public.land_cover import describe_unknown, unknown_classes
from layers.reading.cross_checks import check_terrain_unit
from layers.reading.floods import settle_elevations
from layers.reading.heights import Rises, rises
from layers.reading.reading_state import Reading, note_missing, spatial, words_of
from layers.settings.county_file import LayerSection


def terrain_bounds_of(reading: Reading) -> LonLatBounds | None:
    """Where the terrain lies, in degrees; None where there is none that can be read."""
    section = reading.file.layers.get("terrain")
    if section is None:
        return None
    try:
        stated = parse_crs(section.crs, where="layers.terrain.crs") if section.crs else None
        return lonlat_bounds(
            open_source(reading.place(section.path), stated_crs=stated, limits=reading.file.limits)
        )
    except (TerrainError, ReferenceSystemError):
        return None  # said when the terrain itself is opened


def read_raster(reading: Reading, name: str, crs: CRS) -> GridSource | None:
    """Terrain or land cover in the working system; None, and said so, where it cannot be had."""
    section = reading.file.layers.get(name)
    if section is None:
        note_missing(reading, name)
        return None
    path = reading.place(section.path)
    try:
        stated = parse_crs(section.crs, where=f"layers.{name}.crs") if section.crs else None
        factor = 1.0
        if name == "terrain":
            factor = LENGTH_M[_terrain_unit(reading, section, path)]
        source = open_source(
            path,
            crs=crs,
            stated_crs=stated,
            vertical_factor=factor,
            categorical=name == "land_cover",
            allow_coarse=section.allow_coarse_shift,
            limits=reading.file.limits,
        )
        own = open_source(path, stated_crs=stated, limits=reading.file.limits)
        reading.raster_moves.append((name, *_raster_move(own, crs, section)))
    except (TerrainError, ReferenceSystemError) as error:
        _raster_left_out(reading, name, error)
        return None
    reading.add_input(path)
    if name == "land_cover":
        classes = open_source(path, stated_crs=stated, categorical=True, limits=reading.file.limits)
        unknown, total = unknown_classes(classes)
        reading.notes.append("The land cover was read as NLCD classes.")
        if unknown:
            reading.log.add(
                name, "land_cover_unknown", describe_unknown(unknown, total), action="kept"
            )
    if name == "terrain" and section.accuracy_m is None:
        message = "the terrain has no accuracy. Fix: set accuracy_m in [layers.terrain]"
        reading.log.add(name, "terrain_accuracy_unstated", message, action="kept")
    return source


def _raster_move(own: GridSource, crs: CRS, section: LayerSection) -> tuple[CRS, float | None]:
    """A raster's own system, and how exactly it can be brought into the working one."""
    near = lonlat_bounds(own)
    allow = section.allow_coarse_shift
    return own.crs, Mover(own.crs, crs, near=near, allow_coarse=allow).accuracy_m


def heights_of(
    reading: Reading,
    terrain: GridSource | None,
    layers: Mapping[str, gpd.GeoDataFrame | pd.DataFrame],
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame | None,
) -> tuple[GridSource | None, Rises | None]:
    """The terrain where it can be read, its unit doubted, and heights of units and outlets."""
    if terrain is None:
        return None, None
    section = reading.file.layers["terrain"]
    try:
        reading.notes.append(_reach_beyond(terrain, units, reading.file.county.show_units))
        check_terrain_unit(terrain, spatial(layers, "floodplain"), reading.log)
        if points is None:
            return terrain, None
        return terrain, rises(terrain, units, points, accuracy_m=section.accuracy_m)
    except TerrainError as error:
        _raster_left_out(reading, "terrain", error)
        return None, None


def _reach_beyond(terrain: GridSource, units: gpd.GeoDataFrame, show_units: ShowUnits) -> str:
    """How far the terrain reaches beyond the outermost unit: water beyond its edge is not known."""
    west, south, east, north = grid_bounds(terrain)
    x, y = shapely.get_x(units.geometry.to_numpy()), shapely.get_y(units.geometry.to_numpy())
    inside_m = np.min([x - west, east - x, y - south, north - y], axis=0)
    outside = int((inside_m < 0).sum())
    text = f"Units outside the terrain: {outside:,}. " if outside else ""
    inside_m[~(inside_m >= 0)] = np.inf
    if not np.isfinite(inside_m).any():
        return f"{text}No unit is on the terrain."
    k = int(inside_m.argmin())
    return (
        f"{text}The terrain ends {format_length(float(inside_m[k]), show_units)} beyond the"
        f" outermost unit on it ({units['unit_id'].iloc[k]}). Water from beyond its edge is not"
        " known."
    )


def settle_floods(reading: Reading, layers: dict[str, gpd.GeoDataFrame | pd.DataFrame]) -> None:
    """Flood levels in the terrain's vertical datum, or unknown."""
    floodplain = spatial(layers, "floodplain")
    if floodplain is None:
        return
    section = reading.file.layers["terrain"]
    stated = section.vertical_datum or stated_vertical_datum(reading.place(section.path))
    layers["floodplain"] = settle_elevations(
        floodplain, reading.file.layers["floodplain"], vertical_datum(stated), reading.log
    )


def _raster_left_out(
    reading: Reading, name: str, error: TerrainError | ReferenceSystemError
) -> None:
    code = "terrain_unreadable" if name == "terrain" else "layer_unreadable"
    message = f"{error.what}. Fix: {error.hint}"
    reading.log.add(name, code, message, action="layer_left_out")
    serves = SCHEMAS[name].serves
    reading.notes.append(f"The {words_of(name)} layer cannot be used. Not calculated: {serves}.")


def _terrain_unit(reading: Reading, section: LayerSection, path: Path) -> str:
    own = vertical_unit(path)
    if section.vertical_unit is not None:
        if own is not None and own != section.vertical_unit:
            reading.notes.append(
                f"Terrain heights: the raster says {own} but the county file says"
                f" {section.vertical_unit}. The county file was used."
            )
        return section.vertical_unit
    if own is not None:
        reading.notes.append(f"Terrain heights are in {own}, from the raster.")
        return own
    stated = parse_crs(section.crs, where="layers.terrain.crs") if section.crs else None
    own_crs = open_source(path, stated_crs=stated, limits=reading.file.limits).crs
    if any("foot" in axis.unit_name for axis in own_crs.axis_info):
        raise TerrainError(
            "the unit of its heights is not given, and its coordinate system"
            f" ({own_crs.name}) is in feet",
            where="[layers.terrain]",
            hint='set vertical_unit = "ft", "us-ft" or "m" in [layers.terrain]',
        )
    message = "the unit of heights is not given; meters are assumed. Fix: set vertical_unit"
    reading.log.add("terrain", "terrain_unit_unstated", message, action="kept")
    reading.notes.append("The unit of the terrain's heights is not given. Meters are assumed.")
    return "m"
