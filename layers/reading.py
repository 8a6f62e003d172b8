"""From a county file to a checked and linked county."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from layers.check import Ground, check_layer, set_aside_unknown_units
from layers.columns import ColumnMissingError
from layers.completeness import completeness
from layers.county import County, CountyFile, LayerSection
from layers.cross_checks import check_terrain_unit, cross_check
from layers.crs import LonLatBounds, Mover, choose_working_system, describe, parse_crs
from layers.datums import vertical_datum
from layers.drafts import Draft, draft_layer, reconcile_ids
from layers.errors import CountyFileError, LayerError, ReferenceSystemError, TerrainError
from layers.fault_report import places_set_aside
from layers.floods import settle_elevations
from layers.grid import GridSource
from layers.heights import Rises, rises
from layers.link import link_units
from layers.measures import LENGTH_M
from layers.moved import lonlat_bounds
from layers.places import county_extent, rough_lonlat
from layers.problems import ProblemLog
from layers.public.hydrography import set_aside_centrelines
from layers.public.land_cover import say_unknown, unknown_classes
from layers.raster import open_source, stated_vertical_datum, vertical_unit
from layers.raw import RawLayer
from layers.rulebook import Priorities, Setbacks, load_model, load_priorities, load_setbacks
from layers.schemas import SCHEMAS
from layers.store import file_sha256
from layers.storms import storms_from_table
from layers.tables import TABLE_SUFFIXES, read_table
from layers.vector import read_vector

COUNT_COLUMNS: Final = ["layer", "rows_read", "used", "corrected", "set_aside"]
_SHAPEFILE_PARTS: Final = (".shp", ".shx", ".dbf", ".prj", ".cpg")
_RASTERS: Final = ("terrain", "land_cover")


@dataclass
class _Reading:
    """What is gathered while a county is read."""

    file: CountyFile
    path: Path
    as_of: dt.date
    log: ProblemLog = field(default_factory=ProblemLog)
    notes: list[str] = field(default_factory=list)
    inputs: dict[str, str] = field(default_factory=dict)
    near: LonLatBounds | None = None
    raster_moves: list[tuple[str, CRS, float | None]] = field(default_factory=list)

    def place(self, path: str) -> Path:
        return self.path.parent / path

    def named(self, section: str, path: str) -> Path:
        """The file a section names, noted among the inputs."""
        place = self.place(path)
        if not place.is_file():
            raise CountyFileError(
                f"there is no file {path!r}, which [{section}] path asks for",
                where=str(self.path),
                mend="check the path; it is taken from the folder of the county file; 'rillmark"
                f" new DIR' writes a fresh {section} file; or leave [{section}] out",
            )
        self.add_input(place)
        return place

    def said(self, path: Path) -> str:
        """A path as it is said in messages and kept in records: relative to the county file."""
        return Path(os.path.relpath(path, self.path.parent)).as_posix()

    def add_input(self, path: Path) -> None:
        if path.exists():
            self.inputs[self.said(path)] = input_sha256(path)


def read_county_file(path: str | Path, *, as_of: dt.date | str | None = None) -> County:
    """Read, check and link a county: see `layers.county.read_county`."""
    path = Path(path)
    file = load_model(path, CountyFile)
    reading = _Reading(file, path, _day(as_of, file))
    reading.add_input(path)
    setbacks, priorities = _rulebook(reading)
    terrain_bounds = reading.near = _terrain_bounds(reading)
    drafts = _drafts(reading)
    crs, ground = _ground(reading, drafts, terrain_bounds)
    layers = _checked(reading, drafts, ground)
    units = layers["units"]
    assert isinstance(units, gpd.GeoDataFrame)
    terrain = _raster(reading, "terrain", crs)
    points = _spatial(layers, "discharge_points")
    terrain, heights = _heights(reading, terrain, layers, units, points)
    links = link_units(
        units, points, _spatial(layers, "parcels"), file.link, crs, reading.log, rises=heights
    )
    if terrain is not None:
        _settle_floods(reading, layers)
    cross_check(layers, links, heights, crs, reading.log)
    land_cover = _raster(reading, "land_cover", crs)
    file = _with_storms(reading)
    if not any(table.adopted_by.strip() for table in setbacks.tables):
        message = "no table of setbacks names who adopted it"
        reading.log.add("rules", "rules_not_adopted", message, action="kept")
    counts = [drafts[name].ledger.counts() for name in SCHEMAS if name in drafts]
    return County(
        file=file,
        path=path,
        crs=crs,
        as_of=reading.as_of,
        layers=layers,
        links=links,
        terrain=terrain,
        land_cover=land_cover,
        setbacks=setbacks,
        priorities=priorities,
        counts=pd.DataFrame(counts, columns=COUNT_COLUMNS),
        problems=reading.log.frame(),
        inputs=dict(sorted(reading.inputs.items())),
        transforms=_transforms(reading, drafts, crs),
        notes=tuple(reading.notes),
        completeness=completeness(layers),
        set_aside=places_set_aside(drafts, crs),
    )


def _day(as_of: dt.date | str | None, file: CountyFile) -> dt.date:
    if as_of is None:
        return file.county.as_of or dt.datetime.now().astimezone().date()
    if isinstance(as_of, dt.datetime):
        return as_of.date()
    if isinstance(as_of, dt.date):
        return as_of
    try:
        return dt.date.fromisoformat(as_of)
    except ValueError as error:
        raise CountyFileError(
            f"{as_of!r} is no day", where="as_of", mend="write it as 2026-04-01"
        ) from error


def _rulebook(reading: _Reading) -> tuple[Setbacks, Priorities]:
    file = reading.file
    with resources.as_file(resources.files("layers.templates")) as templates:
        setbacks_at, priorities_at = templates / "setbacks.toml", templates / "priorities.toml"
        if file.rules is None:
            reading.notes.append("No table of setbacks is named: the example table is used.")
        else:
            setbacks_at = reading.named("rules", file.rules.path)
        if file.priorities is None:
            reading.notes.append("No priorities are named: the example ones are used.")
        else:
            priorities_at = reading.named("priorities", file.priorities.path)
        return load_setbacks(setbacks_at), load_priorities(priorities_at)


# ------------------------------------------------------------------------------- vectors and tables


def _drafts(reading: _Reading) -> dict[str, Draft]:
    """Every layer's first look, by name, in the order of the schemas; units are required."""
    drafts: dict[str, Draft] = {}
    for name, schema in SCHEMAS.items():
        if schema.shape == "raster":
            continue
        section = reading.file.layers.get(name)
        if section is None:
            _note_missing(reading, name)
            continue
        where = f"[layers.{name}] {section.path}"
        try:
            draft = _first_look(reading, name, section, where)
        except (LayerError, ReferenceSystemError) as error:
            if name == "units":
                raise type(error)(error.what, where=where, mend=error.mend) from error
            _leave_out(reading, name, error)
        else:
            if draft is not None:
                drafts[name] = draft
    reconcile_ids(drafts)
    return drafts


def _first_look(reading: _Reading, name: str, section: LayerSection, where: str) -> Draft | None:
    """A layer as read, or None when it is empty."""
    path = reading.place(section.path)
    raw = _read_raw(path, section, name)
    reading.add_input(path)
    for remark in raw.remarks:
        reading.log.add(name, "file_remark", f"{section.path}: {remark}", action="kept")
    if len(raw):
        draft = draft_layer(
            raw, SCHEMAS[name], section, where=where, log=reading.log, near=reading.near
        )
        reading.near = reading.near or _whereabouts(draft)
        reading.notes += draft.notes
        return draft
    if name == "units":
        raise LayerError(
            "the list of units has no rows", where=where, mend="give a file with units"
        )
    message = f"{section.path} has no rows"
    reading.log.add(name, "layer_empty", message, action="layer_left_out")
    reading.notes.append(f"The {_words(name)} layer is empty: {SCHEMAS[name].serves} are left out.")
    return None


def _whereabouts(draft: Draft) -> LonLatBounds | None:
    """Where most of a layer lies, in degrees."""
    if draft.shapes is None or draft.crs is None:
        return None
    lon, lat = rough_lonlat(draft.shapes, draft.crs)
    if not len(lon):
        return None
    west, east = np.quantile(lon, [0.1, 0.9])
    south, north = np.quantile(lat, [0.1, 0.9])
    return float(west), float(south), float(east), float(north)


def _transforms(reading: _Reading, drafts: Mapping[str, Draft], working: CRS) -> pd.DataFrame:
    """How each layer was brought into the working system."""
    moves = [
        (name, draft.crs, draft.shift_m) for name, draft in drafts.items() if draft.crs is not None
    ]
    moves += reading.raster_moves
    rows = [
        {
            "layer": name,
            "from_system": describe(own),
            "to_system": describe(working),
            "accuracy_m": np.nan if accuracy is None else accuracy,
        }
        for name, own, accuracy in moves
    ]
    return pd.DataFrame(rows, columns=["layer", "from_system", "to_system", "accuracy_m"])


def _words(name: str) -> str:
    return name.replace("_", " ")


def _note_missing(reading: _Reading, name: str) -> None:
    code = "terrain_missing" if name == "terrain" else "layer_missing"
    message = f"No {_words(name)} layer: {SCHEMAS[name].serves} are left out."
    reading.notes.append(message)
    reading.log.add(name, code, message, action="layer_left_out")


def _leave_out(reading: _Reading, name: str, error: LayerError | ReferenceSystemError) -> None:
    if isinstance(error, ColumnMissingError):
        code = "layer_columns_missing"
    elif isinstance(error, ReferenceSystemError):
        code = "crs_missing"
    else:
        code = "layer_unreadable"
    message = f"{error.what}; to mend: {error.mend}"
    reading.log.add(name, code, message, action="layer_left_out")
    serves = SCHEMAS[name].serves
    reading.notes.append(f"The {_words(name)} layer cannot be used: {serves} are left out.")


def _read_raw(path: Path, section: LayerSection, name: str) -> RawLayer:
    if not path.exists():
        raise LayerError(
            f"there is no file {section.path!r}",
            where=section.path,
            mend="check the path; it is taken from the folder of the county file",
        )
    if path.suffix.lower() in TABLE_SUFFIXES:
        return read_table(path, sheet=section.layer)
    return read_vector(path, layer=section.layer, like=name)


def _checked(
    reading: _Reading, drafts: Mapping[str, Draft], ground: Ground
) -> dict[str, gpd.GeoDataFrame | pd.DataFrame]:
    layers: dict[str, gpd.GeoDataFrame | pd.DataFrame] = {}
    first = [name for name in ("parcels", "units") if name in drafts]
    for name in [*first, *(name for name in drafts if name not in first)]:
        try:
            layers[name] = check_layer(
                drafts[name], ground, log=reading.log, parcels=_spatial(layers, "parcels")
            )
        except ReferenceSystemError as error:
            if name == "units":
                raise
            _leave_out(reading, name, error)
            drafts[name].ledger.met(
                np.ones(len(drafts[name].ledger), bool), "crs_missing", error.what, "set_aside"
            )
            continue
        if name == "units" and not len(layers[name]):
            raise _no_units(drafts[name])
    streams = _spatial(layers, "streams")
    if streams is not None:
        layers["streams"] = set_aside_centrelines(
            drafts["streams"].ledger, streams, _spatial(layers, "water_bodies")
        )
    listed = drafts["units"].own_ids
    if "permits" in layers:
        layers["permits"] = _with_permit_holders(layers["permits"], layers["units"])
    for name in layers:
        if SCHEMAS[name].shape == "table":
            layers[name] = set_aside_unknown_units(
                drafts[name], layers[name], layers["units"]["unit_id"], listed
            )
    for name in drafts:
        drafts[name].ledger.write(reading.log)
    return {name: layers[name] for name in SCHEMAS if name in layers}


def _no_units(draft: Draft) -> LayerError:
    log = ProblemLog()
    draft.ledger.write(log)
    codes = sorted({problem.code for problem in log.problems if problem.action == "set_aside"})
    return LayerError(
        f"none of the {len(draft.ledger)} rows is a unit that can be used ({', '.join(codes)});"
        f" the first: {log.problems[0].message}",
        where=f"[layers.units] {draft.section.path}",
        mend="check ids and coordinates, and the layer's crs",
    )


def _with_permit_holders(permits: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """Permits that name no unit get the one that names them."""
    held = units.dropna(subset=["permit_id"]).drop_duplicates("permit_id")
    holder = permits["permit_id"].map(dict(zip(held["permit_id"], held["unit_id"], strict=True)))
    return permits.assign(unit_id=permits["unit_id"].where(permits["unit_id"].notna(), holder))


def _spatial(
    layers: Mapping[str, gpd.GeoDataFrame | pd.DataFrame], name: str
) -> gpd.GeoDataFrame | None:
    frame = layers.get(name)
    return frame if isinstance(frame, gpd.GeoDataFrame) and len(frame) else None


# ---------------------------------------------------------------------------- where the county is


def _ground(
    reading: _Reading, drafts: Mapping[str, Draft], terrain: LonLatBounds | None
) -> tuple[CRS, Ground]:
    """The working system and the extent, from the first layer that says where the county is."""
    for name in ("units", "parcels", "discharge_points"):
        draft = drafts.get(name)
        if draft is None or draft.shapes is None or draft.crs is None:
            continue
        lon, lat = rough_lonlat(draft.shapes, draft.crs)
        if len(lon):
            break
    else:
        draft = drafts["units"]
        found = (
            f"{why} in row {row}"
            for why, row in zip(draft.whys, draft.raw.rows, strict=True)
            if why
        )
        raise LayerError(
            f"no unit has a place: {next(found, 'there are no coordinates')}",
            where="[layers.units]",
            mend="give coordinates, or parcel_id and a layer of parcels",
        )
    extent, bounds = county_extent(lon, lat, terrain)
    wanted = reading.file.county.crs
    crs = choose_working_system(bounds, wanted)
    if wanted is None:
        reading.notes.append(f"The working system was chosen: {describe(crs)} ({crs.name}).")
    return crs, Ground(crs, extent, reading.as_of, reading.file.accuracy_m)


def _terrain_bounds(reading: _Reading) -> LonLatBounds | None:
    section = reading.file.layers.get("terrain")
    if section is None:
        return None
    try:
        stated = parse_crs(section.crs, where="layers.terrain.crs") if section.crs else None
        return lonlat_bounds(open_source(reading.place(section.path), stated_crs=stated))
    except (TerrainError, ReferenceSystemError):
        return None  # said when the terrain itself is opened


# ---------------------------------------------------------------------------------------- rasters


def _raster(reading: _Reading, name: str, crs: CRS) -> GridSource | None:
    section = reading.file.layers.get(name)
    if section is None:
        _note_missing(reading, name)
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
        )
        reading.raster_moves.append((name, *_raster_move(path, stated, crs, section)))
    except (TerrainError, ReferenceSystemError) as error:
        _raster_left_out(reading, name, error)
        return None
    reading.add_input(path)
    if name == "land_cover":
        unknown, total = unknown_classes(open_source(path, stated_crs=stated, categorical=True))
        reading.notes.append("The land cover was read as classes of the NLCD.")
        if unknown:
            reading.log.add(name, "land_cover_unknown", say_unknown(unknown, total), action="kept")
    if name == "terrain" and section.accuracy_m is None:
        message = "accuracy_m is not given in [layers.terrain]: chances of ponding are left out"
        reading.log.add(name, "terrain_accuracy_unstated", message, action="kept")
    return source


def _raster_move(
    path: Path, stated: CRS | None, crs: CRS, section: LayerSection
) -> tuple[CRS, float | None]:
    """A raster's own system, and how exactly it can be brought into the working one."""
    own = open_source(path, stated_crs=stated)
    near = lonlat_bounds(own)
    allow = section.allow_coarse_shift
    return own.crs, Mover(own.crs, crs, near=near, allow_coarse=allow).accuracy_m


def _heights(
    reading: _Reading,
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
        check_terrain_unit(terrain, _spatial(layers, "floodplain"), reading.log)
        if points is None:
            return terrain, None
        return terrain, rises(terrain, units, points, accuracy_m=section.accuracy_m)
    except TerrainError as error:
        _raster_left_out(reading, "terrain", error)
        return None, None


def _settle_floods(reading: _Reading, layers: dict[str, gpd.GeoDataFrame | pd.DataFrame]) -> None:
    """Flood levels in the terrain's vertical datum, or unknown."""
    floodplain = _spatial(layers, "floodplain")
    if floodplain is None:
        return
    section = reading.file.layers["terrain"]
    stated = section.vertical_datum or stated_vertical_datum(reading.place(section.path))
    layers["floodplain"] = settle_elevations(
        floodplain, reading.file.layers["floodplain"], vertical_datum(stated), reading.log
    )


def _raster_left_out(
    reading: _Reading, name: str, error: TerrainError | ReferenceSystemError
) -> None:
    code = "terrain_unreadable" if name == "terrain" else "layer_unreadable"
    message = f"{error.what}; to mend: {error.mend}"
    reading.log.add(name, code, message, action="layer_left_out")
    serves = SCHEMAS[name].serves
    reading.notes.append(f"The {_words(name)} cannot be used: {serves} are left out.")


def _terrain_unit(reading: _Reading, section: LayerSection, path: Path) -> str:
    own = vertical_unit(path)
    if section.vertical_unit is not None:
        if own is not None and own != section.vertical_unit:
            reading.notes.append(
                f"Heights of the terrain: the county file says {section.vertical_unit}, the raster"
                f" itself {own}; the county file was believed."
            )
        return section.vertical_unit
    if own is not None:
        reading.notes.append(f"Heights of the terrain are in {own}, as the raster says.")
        return own
    message = "neither the county file nor the raster says the unit of heights; metres were taken"
    reading.log.add("terrain", "terrain_unit_unstated", message, action="kept")
    reading.notes.append("The unit of the terrain's heights is not stated: metres were taken.")
    return "m"


# ----------------------------------------------------------------------------------------- storms


def _with_storms(reading: _Reading) -> CountyFile:
    """The county file with the 24-hour depths of its point table of rain, where it names one."""
    storms = reading.file.storms
    if storms is None or storms.path is None:
        return reading.file
    path = reading.place(storms.path)
    try:
        read = storms_from_table(storms, path)
    except LayerError as error:
        message = f"{error.what}; to mend: {error.mend}"
        reading.log.add("storms", "storms_unreadable", message, action="layer_left_out")
        reading.notes.append("The table of storms cannot be used: ponding after one is left out.")
        return reading.file
    reading.add_input(path)
    words = read.series.replace("_", " ")
    reading.notes.append(f"The storms were read from a NOAA Atlas 14 table ({words}, 24-hr).")
    return reading.file.model_copy(update={"storms": read})


# ----------------------------------------------------------------------------------------- inputs


def input_sha256(path: Path) -> str:
    """The SHA-256 of an input: of a file, of a shapefile's parts, or of all files of a folder."""
    parts = list(_parts(path))
    if parts == [path]:
        return file_sha256(path)
    total = hashlib.sha256()
    for part in parts:
        total.update(part.name.encode() + b"\0" + file_sha256(part).encode() + b"\n")
    return total.hexdigest()


def _parts(path: Path) -> Iterator[Path]:
    if path.is_dir():
        yield from sorted(p for p in path.rglob("*") if p.is_file() and p.suffix != ".lock")
    elif path.suffix.lower() == ".shp":
        for suffix in _SHAPEFILE_PARTS:
            for part in (path.with_suffix(suffix), path.with_suffix(suffix.upper())):
                if part.exists():
                    yield part
                    break
    else:
        yield path
