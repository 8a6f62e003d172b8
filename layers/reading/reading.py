"""From a county file to a checked and linked county."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Collection, Mapping
from importlib.resources import as_file, files
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from layers.county import County
from layers.crs import LonLatBounds, area_of, choose_working_system, code_and_name, describe
from layers.errors import CountyFileError, LayerError, ReferenceSystemError
from layers.fields.column_names import ColumnMissingError, recognize
from layers.fields.days import format_day
from layers.fields.raw import RawLayer
from layers.fields.schemas import SCHEMAS
from layers.files.tables import TABLE_SUFFIXES, read_table
from layers.files.vector import read_vector
from layers.measures import count_of
from layers.outputs import UNITS, UnknownFieldError
from layers.problems import ProblemLog
from layers.public.hydrography import set_aside_centerlines
from layers.reading.asking import ask, layer_columns, not_found, silent_codes
from layers.reading.check import (
    Ground,
    check_feature_codes,
    check_layer,
    check_rules_codes,
    set_aside_unknown_units,
)
from layers.reading.completeness import completeness
from layers.reading.cross_checks import cross_check
from layers.reading.drafts import Draft, draft_layer, reconcile_ids
from layers.reading.fault_report import places_set_aside
from layers.reading.joining import with_records
from layers.reading.link import link_units
from layers.reading.places import county_extent, refuse_lost_signs, rough_lonlat
from layers.reading.raster_layers import heights_of, read_raster, settle_floods, terrain_bounds_of
from layers.reading.reading_state import Reading, note_missing, spatial, words_of
from layers.reading.storms import storms_from_table
from layers.records.model import Visit
from layers.records.standing import Standing, standing
from layers.records.stores import ADDRESS_IN, FolderStore, open_store
from layers.settings.county_file import CountyFile, LayerSection
from layers.settings.limits import Limits
from layers.settings.priority_settings import Priorities, load_priorities
from layers.settings.setback_tables import Setbacks, load_setbacks
from layers.settings.settings_file import load_model

# Layers that what is owed and what was found hang on: lists, and where units and outlets are.
_FOR_RECORDS: Final = (
    "units", "parcels", "discharge_points",
    *(name for name, schema in SCHEMAS.items() if schema.shape == "table"),
)  # fmt: skip
COUNT_COLUMNS: Final = ["layer", "rows_read", "used", "corrected", "set_aside"]


def sample_county(*, as_of: dt.date | str | None = None) -> County:
    """Larkmoor County: invented, in open water, with faults planted in its files."""
    with as_file(files("layers.sample_layers")) as folder:
        return read_county(folder / "county.toml", as_of=as_of)


def read_county(
    path: str | Path, *, as_of: dt.date | str | None = None, only_records: bool = False
) -> County:
    """Read, check and link a county.

    Parameters
    ----------
    as_of
        The day the county is looked at; left out: the county file's, else today.
    only_records
        For those that ask what is owed and what was found: layers that answer neither (waters,
        wells, roads, soils ...) stay unread, as if not given, and nothing is said of them.

    Raises
    ------
    CountyFileError
        When `county.toml` or a file it names breaks its model.
    LayerError, ReferenceSystemError
        When the units cannot be read or placed; any other layer that cannot be read is left out
        with a problem row.
    """
    path = Path(path)
    file = load_model(path, CountyFile)
    reading = Reading(file, path, _day(as_of, file))
    reading.add_input(path)
    setbacks, priorities = _rulebook(reading)
    terrain_bounds = reading.near = terrain_bounds_of(reading)
    drafts = _drafts(reading, _FOR_RECORDS if only_records else SCHEMAS)
    if file.rules is not None:  # the example asks nobody
        _list_what_rules_ask(drafts, setbacks)
    crs, ground = _ground(reading, drafts, terrain_bounds)
    checked = _checked(reading, drafts, ground, setbacks)
    layers, stands = _with_records(reading, checked, crs)
    units = layers["units"]
    assert isinstance(units, gpd.GeoDataFrame)
    terrain = read_raster(reading, "terrain", crs)
    points = spatial(layers, "discharge_points")
    terrain, heights = heights_of(reading, terrain, layers, units, points)
    links = link_units(
        units, points, spatial(layers, "parcels"), file.link, crs, reading.log, rises=heights
    )
    land_cover = None
    if not only_records:
        if terrain is not None:
            settle_floods(reading, layers)
        cross_check(layers, links, heights, crs, reading.log)
        land_cover = read_raster(reading, "land_cover", crs)
        file = _with_storms(reading)
    if not any(table.adopted_by.strip() for table in setbacks.tables):
        message = (
            "no setback table says who adopted it. Fix: fill in 'adopted_by' once it is adopted"
        )
        reading.log.add("rules", "rules_not_adopted", message, action="kept")
    reading.notes += silent_codes(drafts, layers, file.programme)
    if not only_records:
        reading.notes += not_found(reading.log)
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
        columns={name: layer_columns(draft, file.programme) for name, draft in drafts.items()},
        strays=reading.strays,
        records=stands,
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
            f"{as_of!r} is not a date", where="as_of", hint="write it as 2026-04-01"
        ) from error


def _list_what_rules_ask(drafts: Mapping[str, Draft], setbacks: Setbacks) -> None:
    """Columns the county's own rules need: to tell features apart, and which table applies."""
    for rule in (rule for table in setbacks.tables for rule in table.rules):
        if rule.feature in drafts:
            drafts[rule.feature].ruled |= frozenset(rule.where)
    dated = any(table.effective_from or table.effective_to for table in setbacks.tables)
    if dated and "permits" in drafts:
        drafts["permits"].ruled |= {"issued"}


def _rulebook(reading: Reading) -> tuple[Setbacks, Priorities]:
    file = reading.file
    with as_file(files("layers.settings.templates")) as templates:
        setbacks_at, priorities_at = templates / "setbacks.toml", templates / "priorities.toml"
        if file.rules is None:
            reading.notes.append("No setback table is named. The example table is used.")
        else:
            setbacks_at = reading.named("rules", file.rules.path)
        if file.priorities is None:
            reading.notes.append("No priorities are named. The example priorities are used.")
        else:
            priorities_at = reading.named("priorities", file.priorities.path)
        priorities = load_priorities(priorities_at)
        _must_be_fields(priorities, where=str(priorities_at))
        return load_setbacks(setbacks_at), priorities


def _must_be_fields(priorities: Priorities, *, where: str) -> None:
    """Every column the priorities name is one an assessment has, every word one of its codes."""
    asked = [(name, item) for name, part in priorities.parts.items() for item in part.inputs]
    named: list[tuple[str, str, Mapping[str, object]]]
    named = [(f"parts.{name}", item.column, item.ratings) for name, item in asked]
    named += [(f"parts.{name}", item.unless, {}) for name, item in asked if item.unless]
    named += [("not_scored", name, dict.fromkeys(v)) for name, v in priorities.not_scored.items()]
    for at, column, codes in named:
        try:
            field = UNITS.field(column)
        except UnknownFieldError as error:
            hint = "name a column of units (layers/outputs/README.md lists them)"
            raise CountyFileError(str(error), where=f"{where}, {at}", hint=hint) from error
        if codes and field.codes and (other := sorted(set(codes) - set(field.codes))):
            raise CountyFileError(
                f"{column} never has the value {other[0]!r}",
                where=f"{where}, {at}",
                hint=f"use one of its values: {', '.join(field.codes)}",
            )


# ------------------------------------------------------------------------------- vectors and tables


def _drafts(reading: Reading, wanted: Collection[str]) -> dict[str, Draft]:
    """A first look at each layer, by name, in the order of the schemas; units are required."""
    drafts: dict[str, Draft] = {}
    for name, schema in SCHEMAS.items():
        if schema.shape == "raster" or name not in wanted:
            continue
        section = reading.file.layers.get(name)
        if section is None:
            note_missing(reading, name)
            continue
        where = f"[layers.{name}] {section.path}"
        try:
            draft = _first_look(reading, name, section, where)
        except (LayerError, ReferenceSystemError) as error:
            if name == "units":
                raise type(error)(error.what, where=where, hint=error.hint) from error
            _leave_out(reading, name, error)
        else:
            if draft is not None:
                drafts[name] = draft
    reconcile_ids(drafts)
    return drafts


def _first_look(reading: Reading, name: str, section: LayerSection, where: str) -> Draft | None:
    """A layer as read, or None when it is empty."""
    path = reading.place(section.path)
    raw = _read_raw(path, section, name, reading.file.limits)
    reading.add_input(path)
    for remark in raw.remarks:
        reading.log.add(name, "file_remark", f"{section.path}: {remark}", action="kept")
    if raw.taken:
        reading.notes.append(
            f"{section.path}: {raw.taken}. To use another, set 'layer' in [layers.{name}]."
        )
    if len(raw):
        draft = draft_layer(
            raw, SCHEMAS[name], section, where=where, log=reading.log, near=reading.near
        )
        reading.near = reading.near or _whereabouts(draft)
        reading.notes += draft.notes
        return draft
    if raw.shapes is None and not recognize(
        raw.columns, SCHEMAS[name], section.columns, where=where
    ):
        raise LayerError(
            f"{section.path} is not a table of {words_of(name)}: no rows and no known column",
            where=where,
            hint="check that it is the right file, and that its first row has the column names",
        )
    if name == "units":
        raise LayerError(
            "the list of units has no rows", where=where, hint="name a file with units"
        )
    message = f"{section.path} has no rows"
    reading.log.add(name, "layer_empty", message, action="layer_left_out")
    reading.notes.append(
        f"The {words_of(name)} layer is empty. Not calculated: {SCHEMAS[name].serves}."
    )
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


def _transforms(reading: Reading, drafts: Mapping[str, Draft], working: CRS) -> pd.DataFrame:
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


def _leave_out(reading: Reading, name: str, error: LayerError | ReferenceSystemError) -> None:
    if isinstance(error, ColumnMissingError):
        code = "layer_columns_missing"
    elif isinstance(error, ReferenceSystemError):
        code = "crs_missing"
    else:
        code = "layer_unreadable"
    message = f"{error.what}. Fix: {error.hint}"
    reading.log.add(name, code, message, action="layer_left_out")
    serves = SCHEMAS[name].serves
    reading.notes.append(f"The {words_of(name)} layer cannot be used. Not calculated: {serves}.")


def _read_raw(path: Path, section: LayerSection, name: str, limits: Limits) -> RawLayer:
    if not path.exists():
        raise LayerError(
            f"the file {section.path!r} does not exist",
            where=section.path,
            hint="check the path; it starts at the folder of the county file",
        )
    if path.suffix.lower() in TABLE_SUFFIXES:
        return read_table(path, sheet=section.layer, limits=limits)
    return read_vector(path, layer=section.layer, like=name, limits=limits)


def _checked(
    reading: Reading, drafts: Mapping[str, Draft], ground: Ground, setbacks: Setbacks
) -> dict[str, gpd.GeoDataFrame | pd.DataFrame]:
    layers: dict[str, gpd.GeoDataFrame | pd.DataFrame] = {}
    first = [name for name in ("parcels", "units") if name in drafts]
    for name in [*first, *(name for name in drafts if name not in first)]:
        try:
            layers[name] = check_layer(
                drafts[name], ground, log=reading.log, parcels=spatial(layers, "parcels")
            )
        except ReferenceSystemError as error:
            if name == "units":
                raise
            _leave_out(reading, name, error)
            drafts[name].ledger.flag(
                np.ones(len(drafts[name].ledger), bool), "crs_missing", error.what, "set_aside"
            )
            continue
        if name == "units" and not len(layers[name]):
            raise _no_units(drafts[name])
    streams = spatial(layers, "streams")
    if streams is not None:
        layers["streams"] = set_aside_centerlines(
            drafts["streams"].ledger, streams, spatial(layers, "water_bodies")
        )
    listed = drafts["units"].own_ids
    if "permits" in layers:
        layers["permits"] = _with_permit_holders(layers["permits"], layers["units"])
    for name in layers:
        if SCHEMAS[name].shape == "table":
            layers[name], reading.strays[name] = set_aside_unknown_units(
                drafts[name], layers[name], layers["units"]["unit_id"], listed
            )
    if "variances" in layers:
        ids = {rule.id for table in setbacks.tables for rule in table.rules}
        check_rules_codes(drafts["variances"], layers["variances"], ids)
    if "taped_distances" in layers:
        check_feature_codes(drafts["taped_distances"], layers["taped_distances"])
    for name in drafts:
        drafts[name].ledger.write(reading.log)
    ask(drafts, reading.file.programme, reading.log)
    return {name: layers[name] for name in SCHEMAS if name in layers}


def _no_units(draft: Draft) -> LayerError:
    log = ProblemLog()
    draft.ledger.write(log)
    codes = sorted({problem.code for problem in log.problems if problem.action == "set_aside"})
    return LayerError(
        f"none of the {len(draft.ledger)} rows of units can be used ({', '.join(codes)})."
        f" The first: {log.problems[0].message}",
        where=f"[layers.units] {draft.section.path}",
        hint="check the ids, the coordinates and the layer's crs",
    )


def _with_permit_holders(permits: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """Permits that name no unit get the one that names them."""
    held = units.dropna(subset=["permit_id"]).drop_duplicates("permit_id")
    holder = permits["permit_id"].map(dict(zip(held["permit_id"], held["unit_id"], strict=True)))
    return permits.assign(unit_id=permits["unit_id"].where(permits["unit_id"].notna(), holder))


def _with_records(
    reading: Reading, layers: dict[str, gpd.GeoDataFrame | pd.DataFrame], crs: CRS
) -> tuple[dict[str, gpd.GeoDataFrame | pd.DataFrame], Standing | None]:
    """The layers with what was found on site, and what stands of the records."""
    file = reading.file
    if file.records is None and ADDRESS_IN not in os.environ:
        return layers, None
    store = open_store(file.records, reading.path.parent)
    found = store.read()
    reading.inputs |= {f"records: {name}": sha for name, sha in found.hashes.items()}
    place = None if file.records is None else file.records.path
    if place is not None and isinstance(store, FolderStore) and not store.folder.is_dir():
        reading.notes.append(
            f"The records folder {place!r} does not exist yet. No visits are on record in it."
        )
    force = found.in_force()
    stands = standing(force, follow_up_days=file.programme.reinspection_days, as_of=reading.as_of)
    later = sum(isinstance(r, Visit) and r.day > reading.as_of for r in force.records)
    if later:
        reading.notes.append(
            f"Not counted: {count_of(later, 'visit')} on record after {format_day(reading.as_of)}."
            " To count later visits, change 'as_of' in the county file or use --as-of."
        )
    for aside in found.set_aside:
        message = f"{aside.file}: {aside.reason}"
        reading.log.add("records", aside.code, message, action="set_aside")
    for record_id, some in stands.disputed.groupby("record_id", sort=False):
        reading.log.add(
            "records", "record_two_contents",
            f"the id {record_id} has {len(some)} different contents:"
            f" {'; '.join(some['says'])}",
            action="kept", feature_id=str(record_id),
        )  # fmt: skip
    for row in stands.conflicts.to_dict("records"):
        message = f"two visits on {row['day'].date()} disagree: {row['differs']}"
        reading.log.add(
            "records", "record_conflict", message, action="kept", feature_id=row["unit_id"]
        )
    for row in stands.loose.to_dict("records"):
        message = f"record {row['record_id']} is about {row['of']}: {row['reason']}"
        reading.log.add("records", "record_loose", message, action="kept")
    joined = with_records(
        layers,
        stands,
        crs=crs,
        accuracy_m=file.accuracy_m,
        pipe_longer_than_m=file.link.pipe_longer_than_m,
        log=reading.log,
    )
    return joined, stands


# ---------------------------------------------------------------------------- where the county is


def _ground(
    reading: Reading, drafts: Mapping[str, Draft], terrain: LonLatBounds | None
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
            f"no unit has a position: {next(found, 'there are no coordinates')}",
            where="[layers.units]",
            hint="add coordinates, or parcel_id and a parcels layer",
        )
    wanted = reading.file.county.crs
    if draft.crs.is_geographic:
        others = {n: _whereabouts(other) for n, other in drafts.items() if other is not draft}
        places = others | {"terrain": terrain, "[county] crs": area_of(wanted)}
        refuse_lost_signs(draft.schema.name, lon, lat, places)
    extent, bounds = county_extent(lon, lat, terrain)
    crs = choose_working_system(bounds, wanted)
    if wanted is None:
        reading.notes.append(f"Coordinate system chosen for this county: {code_and_name(crs)}.")
    return crs, Ground(crs, extent, reading.latest, reading.file.accuracy_m)


# ----------------------------------------------------------------------------------------- storms


def _with_storms(reading: Reading) -> CountyFile:
    """The county file with the 24-hour depths of its point table of rain, where it names one."""
    storms = reading.file.storms
    if storms is None or storms.path is None:
        return reading.file
    path = reading.place(storms.path)
    try:
        read = storms_from_table(storms, path)
    except LayerError as error:
        message = f"{error.what}. Fix: {error.hint}"
        reading.log.add("storms", "storms_unreadable", message, action="layer_left_out")
        reading.notes.append(
            "The table of storms cannot be used. Not calculated: ponding after storms."
        )
        return reading.file
    reading.add_input(path)
    words = read.series.replace("_", " ")
    reading.notes.append(f"Storms are from a NOAA Atlas 14 table ({words}, 24-hr).")
    return reading.file.model_copy(update={"storms": read})
