"""A first look at a layer: its columns, ids, coordinates and reference system."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from layers.crs import WGS84, LonLatBounds, code_and_name, describe, parse_crs
from layers.crs.systems import identified, missing_system
from layers.errors import LayerError, ReferenceSystemError
from layers.fields.column_names import (
    column_names,
    headed_unit,
    missing_column,
    place_names,
    recognize,
)
from layers.fields.ledger import Ledger
from layers.fields.raw import RawLayer
from layers.fields.schemas import LayerSchema
from layers.fields.values import clean_text, text_series
from layers.problems import ProblemLog
from layers.public.published import Published
from layers.public.recognition import read_published
from layers.reading.places import Shapes, coordinate_columns, points_from_columns, points_from_grid
from layers.reading.positions import is_sexagesimal, square_accuracy95_m

if TYPE_CHECKING:
    from layers.settings.county_file import LayerSection

_NEEDS_OWN_ID: Final = ("units", "parcels")
_SPREADSHEET_NUMBER: Final = re.compile(r"(\d+)\.0+")


@dataclass
class Draft:
    """A layer on its way from its file to our columns.

    Attributes
    ----------
    columns
        The file's name of each of our columns it has.
    ids
        Cleaned id columns, by our name.
    shapes, crs
        As read, in the layer's own system; None for a table, or where no row has a place.
    whys
        Why a row of coordinates in columns has no point.
    notes
        What was recognized, in words.
    shift_m
        Accuracy of the move to the working system once it is done, None where none is promised.
    published
        Names of our columns that a published schema gave, and of the file's that it read.
    units
        The length unit of a column that is not in meters, by our name.
    ruled
        Our columns by which a rule on setbacks tells this layer's features apart.
    unexplained
        By our column that decides: words of rows in use that nobody has heard of, with counts.
    least95_m
        Accuracy no row can be better than, by the way its place was written; NaN where none.
    """

    schema: LayerSchema
    section: LayerSection
    raw: RawLayer
    columns: dict[str, str]
    ledger: Ledger
    ids: dict[str, pd.Series] = field(default_factory=dict)
    shapes: Shapes | None = None
    whys: list[str | None] = field(default_factory=list)
    crs: CRS | None = None
    notes: list[str] = field(default_factory=list)
    shift_m: float | None = None
    least95_m: NDArray[np.float64] | None = None
    published: frozenset[str] = frozenset()
    units: dict[str, str] = field(default_factory=dict)
    ruled: frozenset[str] = frozenset()
    unexplained: dict[str, Counter[str]] = field(default_factory=dict)

    @property
    def own_ids(self) -> pd.Series:
        """The rows' own ids."""
        return self.ids[self.schema.id]


def draft_layer(
    raw: RawLayer,
    schema: LayerSchema,
    section: LayerSection,
    *,
    where: str,
    log: ProblemLog,
    near: LonLatBounds | None = None,
) -> Draft:
    """Find a layer's columns, ids, coordinates and reference system.

    Parameters
    ----------
    near
        Where the county is, in degrees, as far as known: it tells likely systems apart.

    Raises
    ------
    LayerError
        When a column it needs is not there, or it has no shapes.
    ReferenceSystemError
        When its reference system is missing or cannot be right.
    """
    published = read_published(raw, schema.name)
    if published is not None:
        raw = _translated(raw, published, section)
    columns = recognize(raw.columns, schema, section.columns, where=where)
    raw = _with_constants(raw, section, columns, where)
    is_background = schema.shape in ("line", "polygon")
    ledger = Ledger(schema.name, raw.rows, is_background=is_background)
    draft = Draft(schema, section, raw, columns, ledger)
    _length_units(draft, log)
    if published is not None:
        draft.published = published.read | set(published.columns) - set(section.columns)
    if schema.id not in columns and schema.name in _NEEDS_OWN_ID:
        raise _no_id(raw, schema, columns, where)
    if raw.blank_rows:
        name = schema.name.replace("_", " ")
        draft.notes.append(f"Blank rows skipped in the {name} layer: {raw.blank_rows:,}.")
    for column in schema.columns:
        if column.kind == "id":
            draft.ids[column.name] = _clean_ids(draft, column.name)
    if schema.id not in columns:
        draft.ids[schema.id] = text_series([f"row-{row}" for row in raw.rows.tolist()])
        log.add(
            schema.name,
            "column_missing",
            f"there is no {schema.id} column. Rows go by number, such as row-{raw.rows[0]}",
            action="kept",
        )
    if schema.shape != "table":
        _find_shapes(draft, where, log, near)
    if published is not None:
        _describe_published(draft, published)
    return draft


def _translated(raw: RawLayer, published: Published, section: LayerSection) -> RawLayer:
    """A layer with what its published schema says under our names, but for the file's own map."""
    ours = {name: cells for name, cells in published.columns.items() if name not in section.columns}
    return replace(raw, columns={**ours, **{k: v for k, v in raw.columns.items() if k not in ours}})


def _with_constants(
    raw: RawLayer, section: LayerSection, columns: dict[str, str], where: str
) -> RawLayer:
    """A layer with the columns that the county file gives one value for, named in ``columns``."""
    made = dict(raw.columns)
    for ours, value in section.constants.items():
        if ours in columns:
            raise LayerError(
                f"{ours} is a constant in the county file, but the file has {columns[ours]!r}",
                where=where,
                hint=f"remove {ours} from 'constants' in the county file, or rename the column",
            )
        columns[ours] = f"{ours} = {value}"
        made[columns[ours]] = np.full(len(raw), value, dtype=object)
    return replace(raw, columns=made)


def _length_units(draft: Draft, log: ProblemLog) -> None:
    """The unit of each length: as the county file says, else as the column's heading does."""
    draft.units = dict(draft.section.measures)
    for column in draft.schema.columns:
        theirs = draft.columns.get(column.name)
        headed = headed_unit(theirs) if theirs and column.name.endswith("_m") else None
        stated = draft.section.measures.get(column.name)
        if headed is None or headed == (stated or "m").removeprefix("us-"):
            continue
        if stated is None:
            draft.units[column.name] = headed
            message = f"{column.name} is read in {headed}, from its heading {theirs!r}"
        else:
            message = (
                f"for {column.name}, the heading {theirs!r} says {headed} but the county file says"
                f" {stated}. The county file was used"
            )
        code = "unit_from_heading" if stated is None else "unit_contradicts_heading"
        log.add(draft.schema.name, code, message, action="kept", column=column.name)


def _describe_published(draft: Draft, published: Published) -> None:
    for remark in published.remarks:
        draft.ledger.flag(remark.where, remark.code, remark.message, remark.action)
    name = draft.schema.name.replace("_", " ")
    draft.notes.append(f"The {name} layer was read as {published.schema}.")
    draft.notes += [f"In the {name} layer, {note}." for note in published.notes]


def _clean_ids(draft: Draft, name: str) -> pd.Series:
    if name not in draft.columns:
        return text_series([None] * len(draft.raw))
    cells, faults = clean_text(draft.raw.texts(draft.columns[name]), name)
    for fault in faults:
        draft.ledger.flag_row(fault.position, fault.code, fault.message, "corrected")
    return cells


def _find_shapes(draft: Draft, where: str, log: ProblemLog, near: LonLatBounds | None) -> None:
    raw, section = draft.raw, draft.section
    stated = (
        parse_crs(section.crs, where=f"layers.{draft.schema.name}.crs") if section.crs else None
    )
    draft.shapes, draft.whys = raw.shapes, [None] * len(raw)
    pair = None
    if raw.shapes is None:
        pair = coordinate_columns(draft.columns, stated) if draft.schema.shape == "point" else None
        if pair is not None:
            _from_columns(draft, pair, stated)
        elif draft.schema.shape == "point" and "usng" in draft.columns:
            draft.shapes, draft.whys, side_m = points_from_grid(raw, draft.columns["usng"])
            draft.least95_m = square_accuracy95_m(side_m)
            draft.crs = WGS84
            return
        elif draft.schema.name == "units" and "parcel_id" in draft.columns:
            draft.shapes = np.full(len(raw), None, dtype=object)
            draft.whys = ["there are no coordinate columns"] * len(raw)
        else:
            _refuse_no_shapes(draft, where)
    if draft.shapes is None or shapely.is_missing(draft.shapes).all():
        return
    draft.crs = _system(draft, stated, pair, where, log, near)
    _refuse_unbelievable(draft.shapes, draft.crs, where)


def _from_columns(draft: Draft, pair: tuple[str, str], stated: CRS | None) -> None:
    """Points from two columns, degrees with their minutes and seconds among them."""
    in_degrees = stated.is_geographic if stated is not None else pair[0] == draft.columns.get("lon")
    draft.shapes, draft.whys = points_from_columns(draft.raw, pair, in_degrees=in_degrees)
    if in_degrees:
        cells = draft.raw.texts(pair[1]).dropna()
        count = sum(is_sexagesimal(cell) for cell in cells)
        if count:
            name = draft.schema.name.replace("_", " ")
            draft.notes.append(
                f"{count:,} of {len(draft.raw):,} rows of {name} are in degrees and minutes,"
                f" such as {next(cell for cell in cells if is_sexagesimal(cell))!r}."
            )


def _no_id(
    raw: RawLayer, schema: LayerSchema, columns: Mapping[str, str], where: str
) -> LayerError:
    """The error for a layer without its id, and without its coordinates where they lack too."""
    wanted = {schema.id: column_names(schema.column(schema.id))}
    if schema.shape == "point" and raw.shapes is None:
        wanted |= {ours: place_names(ours) for ours in ("lat", "lon") if ours not in columns}
    if "x" in columns and "y" in columns:
        wanted = {schema.id: wanted[schema.id]}
    free = [name for name in raw.columns if name not in columns.values()]
    return missing_column(f"no column is recognized as {schema.id!r}", free, wanted, where=where)


def _refuse_no_shapes(draft: Draft, where: str) -> None:
    if draft.schema.shape == "point":
        free = [name for name in draft.raw.columns if name not in draft.columns.values()]
        raise missing_column(
            "no coordinate columns are recognized",
            free,
            {ours: place_names(ours) for ours in ("lat", "lon")},
            where=where,
        )
    raise LayerError(
        f"a table has no {draft.schema.shape}s",
        where=where,
        hint="name a map layer, such as a GeoPackage or a Shapefile",
    )


def _system(
    draft: Draft,
    stated: CRS | None,
    pair: tuple[str, str] | None,
    where: str,
    log: ProblemLog,
    near: LonLatBounds | None,
) -> CRS:
    name, own = draft.schema.name, _own_system(draft)
    if stated is not None:
        if own is not None and own != stated:
            message = (
                f"the file says {describe(own)} but the county file says {describe(stated)}."
                " The county file was used"
            )
            log.add(name, "crs_inferred", message, action="kept")
        return stated
    if own is not None:
        return own
    x, y = _known_places(draft.shapes)
    is_lonlat = pair is not None and pair[0] == draft.columns.get("lon")
    if is_lonlat and _in_degrees(x, y).any():
        message = "no coordinate system is given. WGS 84 is assumed for longitude and latitude"
        log.add(name, "crs_inferred", message, action="kept")
        return WGS84
    most = [float(np.quantile(side, share)) for share in (0.1, 0.9) for side in (x, y)]
    raise missing_system(most, where=where, near=near)


def _own_system(draft: Draft) -> CRS | None:
    """The system the file states, under its code where it is equal to one that has a code."""
    own = draft.raw.crs
    if own is None:
        return None
    x, y = _known_places(draft.shapes)
    known = identified(own, float(np.median(x)), float(np.median(y)))
    if known is None:
        return own
    layer = draft.schema.name.replace("_", " ")
    draft.notes.append(
        f"The coordinate system of the {layer} layer ({own.name!r}) is read as"
        f" {code_and_name(known)}."
    )
    return known


def _known_places(shapes: Shapes | None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The west and south of shapes that have a place other than zero; of all when none has."""
    bounds = shapely.bounds(shapes)[~shapely.is_missing(shapes)]
    x, y = bounds[:, 0], bounds[:, 1]
    known = np.isfinite(x) & np.isfinite(y) & (x != 0) & (y != 0)
    return (x[known], y[known]) if known.any() else (np.zeros(1), np.zeros(1))


def _in_degrees(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    return (np.abs(x) <= 180) & (np.abs(y) <= 180)


def _refuse_unbelievable(shapes: Shapes, crs: CRS, where: str) -> None:
    x, y = _known_places(shapes)
    in_degrees = _in_degrees(x, y)
    # rows that are only mistyped are set aside one by one; this is about the layer as a whole
    is_believable = in_degrees.any() if crs.is_geographic else in_degrees.mean() < 0.5
    if is_believable or (x == 0).all():
        return
    look = "meters or feet" if crs.is_geographic else "degrees"
    raise ReferenceSystemError(
        f"the layer should be in {code_and_name(crs)}, but its coordinates look like"
        f" {look}: {x[0]:.6g}, {y[0]:.6g}",
        where=where,
        hint="set the layer's 'crs' in the county file to its real coordinate system",
    )


# ----------------------------------------------------------------------------- ids across layers


def reconcile_ids(drafts: Mapping[str, Draft]) -> None:
    """Match ids a spreadsheet turned into decimals ("12.0") to the ids other rows use ("12")."""
    for name in ("unit_id", "parcel_id", "permit_id"):
        holders = [draft for draft in drafts.values() if name in draft.ids]
        known = {cell for draft in holders for cell in draft.ids[name].dropna()}
        for draft in holders:
            _match_numbers(draft, name, known)
    for draft in drafts.values():
        if draft.schema.id not in ("unit_id", "parcel_id", "permit_id"):
            _match_numbers(draft, draft.schema.id, set(draft.own_ids.dropna()))
        draft.ledger.ids = [None if pd.isna(cell) else cell for cell in draft.own_ids]


def _match_numbers(draft: Draft, name: str, known: set[str]) -> None:
    cells = draft.ids[name].tolist()
    for position, cell in enumerate(cells):
        match = _SPREADSHEET_NUMBER.fullmatch(cell) if isinstance(cell, str) else None
        if match and match.group(1) in known:
            cells[position] = match.group(1)
            message = f"{name} {cell!r} was matched to {match.group(1)!r}"
            draft.ledger.flag_row(position, "id_spreadsheet_number", message, "corrected")
    draft.ids[name] = text_series([None if pd.isna(cell) else cell for cell in cells])
