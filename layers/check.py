"""The rules for bad input: a layer becomes rows in our columns, and a ledger of the rest."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from layers.columns import missing_column, recognise
from layers.crs import WGS84, describe, looks_like_degrees, missing_system, parse_crs
from layers.errors import LayerError, ReferenceSystemError
from layers.ledger import Ledger
from layers.measures import LENGTH_M
from layers.places import (
    Extent,
    Shapes,
    coordinate_columns,
    placed,
    points_from_columns,
    usable_shapes,
)
from layers.problems import Action, ProblemLog
from layers.public.flood_zones import is_minimal, is_sfha
from layers.raw import RawLayer
from layers.schemas import ACCURACY95_M, LayerSchema
from layers.values import clean_column, clean_text, text_series

if TYPE_CHECKING:
    from layers.county import LayerSection

# a phone states a 68 % radius; circular normal error, FGDC-STD-007.3-1998 app. 3-A
PHONE_TO_95: Final = 2.4477 / 1.5152
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

    @property
    def own_ids(self) -> pd.Series:
        """The rows' own ids."""
        return self.ids[self.schema.id]


# --------------------------------------------------------------------------- first look at a layer


def draft_layer(
    raw: RawLayer, schema: LayerSchema, section: LayerSection, *, where: str, log: ProblemLog
) -> Draft:
    """Find a layer's columns, ids, coordinates and reference system.

    Raises
    ------
    LayerError
        When a column it needs is not there, or it has no shapes.
    ReferenceSystemError
        When its reference system is missing or cannot be right.
    """
    columns = recognise(raw.columns, schema, section.columns, where=where)
    is_background = schema.shape in ("line", "polygon")
    ledger = Ledger(schema.name, raw.rows, is_background=is_background)
    draft = Draft(schema, section, raw, columns, ledger)
    if schema.id not in columns and schema.name in _NEEDS_OWN_ID:
        names = list(raw.columns)
        raise missing_column(f"no column is known as {schema.id!r}", names, schema.id, where=where)
    for column in schema.columns:
        if column.kind == "id":
            draft.ids[column.name] = _clean_ids(draft, column.name)
    if schema.id not in columns:
        draft.ids[schema.id] = text_series([f"row-{row}" for row in raw.rows.tolist()])
        log.add(
            schema.name,
            "column_missing",
            f"there is no {schema.id}; rows are called by their number, e.g. row-{1}",
            action="kept",
        )
    if schema.shape != "table":
        _find_shapes(draft, where, log)
    return draft


def _clean_ids(draft: Draft, name: str) -> pd.Series:
    if name not in draft.columns:
        return text_series([None] * len(draft.raw))
    cells, faults = clean_text(draft.raw.texts(draft.columns[name]), name)
    for fault in faults:
        draft.ledger.met_at(fault.position, fault.code, fault.message, "corrected")
    return cells


def _find_shapes(draft: Draft, where: str, log: ProblemLog) -> None:
    raw, section = draft.raw, draft.section
    stated = (
        parse_crs(section.crs, where=f"layers.{draft.schema.name}.crs") if section.crs else None
    )
    draft.shapes, draft.whys = raw.shapes, [None] * len(raw)
    pair = None
    if raw.shapes is None:
        pair = coordinate_columns(draft.columns, stated) if draft.schema.shape == "point" else None
        if pair is not None:
            draft.shapes, draft.whys = points_from_columns(raw, pair)
        elif draft.schema.name == "units" and "parcel_id" in draft.columns:
            draft.shapes = np.full(len(raw), None, dtype=object)
            draft.whys = ["there are no columns of coordinates"] * len(raw)
        else:
            _refuse_no_shapes(draft, where)
    if draft.shapes is None or shapely.is_missing(draft.shapes).all():
        return
    draft.crs = _system(draft, stated, pair, where, log)
    _refuse_unbelievable(draft.shapes, draft.crs, where)


def _refuse_no_shapes(draft: Draft, where: str) -> None:
    if draft.schema.shape == "point":
        raise missing_column(
            "no columns of coordinates are known",
            list(draft.raw.columns),
            "longitude",
            where=where,
        )
    raise LayerError(
        f"a table of rows holds no {draft.schema.shape}s",
        where=where,
        mend="give a map layer, e.g. a GeoPackage or a Shapefile",
    )


def _system(
    draft: Draft, stated: CRS | None, pair: tuple[str, str] | None, where: str, log: ProblemLog
) -> CRS:
    name, own = draft.schema.name, draft.raw.crs
    if stated is not None:
        if own is not None and own != stated:
            message = (
                f"the file says {describe(own)}, the county file {describe(stated)};"
                " the county file was believed"
            )
            log.add(name, "crs_inferred", message, action="kept")
        return stated
    if own is not None:
        return own
    bounds = shapely.total_bounds(draft.shapes)
    is_lonlat = pair is not None and pair[0] == draft.columns.get("lon")
    if is_lonlat and looks_like_degrees(bounds):
        message = "no reference system is stated; longitude and latitude were taken as WGS 84"
        log.add(name, "crs_inferred", message, action="kept")
        return WGS84
    raise missing_system(bounds, where=where)


def _refuse_unbelievable(shapes: Shapes, crs: CRS, where: str) -> None:
    bounds = shapely.bounds(shapes)
    x, y = np.abs(bounds[:, 0]), np.abs(bounds[:, 1])
    known = np.isfinite(x) & np.isfinite(y) & (x > 0) & (y > 0)
    if not known.any():
        return
    is_degrees = float(np.median(x[known])) <= 180 and float(np.median(y[known])) <= 180
    if crs.is_geographic == is_degrees:
        return
    look = "degrees" if is_degrees else "metres or feet"
    raise ReferenceSystemError(
        f"the layer is said to be in {describe(crs)} ({crs.name}), but its coordinates look like"
        f" {look}: {bounds[known][0, 0]:.6g}, {bounds[known][0, 1]:.6g}",
        where=where,
        mend="set the layer's 'crs' in the county file to the system it really is in",
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
            draft.ledger.met_at(position, "id_spreadsheet_number", message, "corrected")
    draft.ids[name] = text_series([None if pd.isna(cell) else cell for cell in cells])


# ------------------------------------------------------------------------------------ row by row


@dataclass(frozen=True)
class Ground:
    """What rows are checked against: the working system, the county's extent, the day."""

    working: CRS
    extent: Extent
    as_of: dt.date
    accuracy_m: Mapping[str, float]


def check_layer(
    draft: Draft, ground: Ground, *, log: ProblemLog, parcels: gpd.GeoDataFrame | None = None
) -> gpd.GeoDataFrame | pd.DataFrame:
    """The rows of a layer that can be used, in our columns and the working system.

    Every fault is in the draft's ledger afterwards.

    Parameters
    ----------
    parcels
        For units: where a unit without coordinates may be placed.
    """
    ledger, schema = draft.ledger, draft.schema
    is_background = ledger.is_background and schema.name != "parcels"
    if not is_background:
        ledger.met(draft.own_ids.isna(), "id_missing", f"{schema.id} is blank", "set_aside")
    shapes: Shapes | None = None
    at_parcel: dict[int, float] = {}
    if schema.shape != "table":
        assert draft.shapes is not None
        shapes = draft.shapes
        if schema.name == "units" and parcels is not None:
            at_parcel = _place_at_parcels(draft, ground, parcels)
            shapes = draft.shapes
        shapes = _check_shapes(draft, shapes, ground, log)
    frame = _check_values(draft, ground.as_of)
    if shapes is not None:
        _set_aside_duplicates(draft, shapes, is_background=is_background)
        frame[schema.id] = draft.own_ids
    else:
        _set_aside_duplicates(draft, None, is_background=False)
    frame["source_row"] = draft.raw.rows
    if schema.shape == "point":
        _add_accuracy(draft, frame, ground, at_parcel)
    if schema.name == "floodplain":
        frame["is_sfha"] = frame["zone"].map(is_sfha).astype(bool)
        frame["is_minimal"] = [
            is_minimal(zone, subtype)
            for zone, subtype in zip(frame["zone"], frame["zone_subtype"], strict=True)
        ]
    used = np.flatnonzero(ledger.is_used)
    frame = frame.iloc[used].reset_index(drop=True)
    if shapes is None:
        return frame
    return gpd.GeoDataFrame(frame, geometry=shapes[used], crs=ground.working)


def _check_shapes(draft: Draft, shapes: Shapes, ground: Ground, log: ProblemLog) -> Shapes:
    ledger, kind = draft.ledger, draft.schema.shape
    if draft.raw.shapes is None:
        is_missing = shapely.is_missing(shapes)
        ledger.met(
            is_missing,
            "coordinates_missing",
            lambda position: draft.whys[position] or "the row has no coordinates",
            "set_aside",
        )
    unreadable = draft.raw.is_unreadable & shapely.is_missing(shapes)
    shapes = usable_shapes(shapes, unreadable, kind, ledger)
    if draft.crs is None:
        return shapes
    shapes, is_coarse = placed(shapes, draft.crs, ground.working, ground.extent, kind, ledger)
    if is_coarse and draft.crs != ground.working:
        message = f"moved from {describe(draft.crs)} to {describe(ground.working)} without a grid"
        log.add(draft.schema.name, "crs_transform_coarse", message, action="kept")
    return shapes


def _check_values(draft: Draft, as_of: dt.date) -> pd.DataFrame:
    """All columns of the schema for all rows; faults of rows in use go to the ledger."""
    raw, section = draft.raw, draft.section
    blank = pd.Series([None] * len(raw), dtype=object)
    data: dict[str, pd.Series] = {}
    for column in draft.schema.columns:
        if column.kind == "id":
            data[column.name] = draft.ids[column.name]
            continue
        theirs = draft.columns.get(column.name)
        data[column.name], faults = clean_column(
            blank if theirs is None else raw.texts(theirs),
            column,
            as_of=as_of,
            factor=LENGTH_M[section.measures.get(column.name, "m")],
            theirs=section.values.get(column.name, {}),
        )
        for fault in faults:
            action: Action = "corrected" if fault.is_corrected else "kept"
            draft.ledger.met_at(fault.position, fault.code, fault.message, action)
    return pd.DataFrame(data)


def _set_aside_duplicates(draft: Draft, shapes: Shapes | None, *, is_background: bool) -> None:
    """Only the first usable row of an id is used.

    A line or area of the country keeps its row under a numbered id when its shape is another, for
    a stream left out would be a stream not measured to; areas of one parcel id are joined.
    """
    ledger, name = draft.ledger, draft.schema.id
    ids: list[str | None] = [None if pd.isna(cell) else cell for cell in draft.own_ids]
    first: dict[str, int] = {}
    shapes_of: dict[str, set[bytes]] = {}
    taken = {cell for cell in ids if cell is not None}
    for position in np.flatnonzero(ledger.is_used).tolist():
        cell = ids[position]
        if cell is None:
            ids[position] = _numbered("row", int(ledger.rows[position]), taken)
            message = f"{name} is blank; the row is called {ids[position]!r}"
            ledger.met_at(position, "id_missing", message, "corrected")
            continue
        seen = first.setdefault(cell, position)
        wkb = shapely.to_wkb(shapes[position]) if shapes is not None else b""
        if seen == position:
            shapes_of[cell] = {wkb}
            continue
        message = f"{name} {cell!r} stands on row {ledger.rows[seen]} already"
        if is_background and wkb not in shapes_of[cell]:
            shapes_of[cell].add(wkb)
            ids[position] = _numbered(cell, len(shapes_of[cell]), taken, mark="#")
            message += f"; this shape is another and is called {ids[position]!r}"
            ledger.met_at(position, "id_duplicate", message, "corrected")
            continue
        if draft.schema.name == "parcels" and shapes is not None:
            shapes[seen] = shapely.union(shapes[seen], shapes[position])
            message += "; its area was joined to that one"
        ledger.met_at(position, "id_duplicate", message, "set_aside")
    draft.ids[name] = text_series(ids)
    ledger.ids = ids


def _numbered(cell: str, number: int, taken: set[str], *, mark: str = "-") -> str:
    while f"{cell}{mark}{number}" in taken:
        number += 1
    taken.add(f"{cell}{mark}{number}")
    return f"{cell}{mark}{number}"


# --------------------------------------------------------------------------------- positions


def _place_at_parcels(draft: Draft, ground: Ground, parcels: gpd.GeoDataFrame) -> dict[int, float]:
    """Give units without coordinates the point of their parcel; how far off each may be, in m."""
    from layers.crs import Mover

    assert draft.shapes is not None
    shapes = draft.shapes.copy()
    is_lost = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    is_zero = (shapely.get_x(shapes) == 0) | (shapely.get_y(shapes) == 0)
    area_of = dict(zip(parcels["parcel_id"], parcels.geometry, strict=True))
    wanted = [
        position
        for position in np.flatnonzero((is_lost | is_zero) & draft.ledger.is_used).tolist()
        if draft.ids["parcel_id"].iloc[position] in area_of
    ]
    if not wanted:
        return {}
    areas = [area_of[draft.ids["parcel_id"].iloc[position]] for position in wanted]
    points = shapely.point_on_surface(np.array(areas, dtype=object))
    reach = {
        position: float(shapely.hausdorff_distance(point, area.boundary))
        for position, point, area in zip(wanted, points, areas, strict=True)
    }
    if draft.crs is None:
        draft.crs = ground.working
    shapes[wanted] = Mover(ground.working, draft.crs, near=ground.extent.bounds).shapes(points)
    draft.shapes = shapes
    where = np.zeros(len(shapes), bool)
    where[wanted] = True
    draft.ledger.met(where & is_zero, "coordinates_zero", "a coordinate is 0", "corrected")
    draft.ledger.met(
        where,
        "placed_at_parcel",
        lambda position: f"placed on parcel {draft.ids['parcel_id'].iloc[position]!r}",
        "corrected",
    )
    return reach


def _add_accuracy(
    draft: Draft, frame: pd.DataFrame, ground: Ground, at_parcel: Mapping[int, float]
) -> None:
    """``accuracy95_m``: as stated (a phone's 68 % radius turned into 95 %), else by basis."""
    table = {**ACCURACY95_M, **ground.accuracy_m}
    if "location_basis" not in frame:
        frame["accuracy95_m"] = table["unknown"]
        return
    rows = list(at_parcel)
    frame.loc[rows, "location_basis"] = "parcel"
    frame.loc[rows, "accuracy_m"] = np.nan
    basis = frame["location_basis"]
    stated = frame["accuracy_m"].where(basis != "phone", frame["accuracy_m"] * PHONE_TO_95)
    by_basis = basis.map(table).astype("float64")
    by_basis.loc[rows] = np.maximum(by_basis.loc[rows], list(at_parcel.values()))
    frame["accuracy95_m"] = stated.fillna(by_basis)
    message = f"neither accuracy nor location basis is stated; {table['unknown']:g} m is taken"
    draft.ledger.met((basis == "unknown") & stated.isna(), "accuracy_unstated", message, "kept")


def set_aside_unknown_units(
    draft: Draft, frame: pd.DataFrame, units: pd.Series, all_units: pd.Series
) -> pd.DataFrame:
    """Rows of a table whose unit is known; the rest is set aside."""
    known, listed = set(units), set(all_units.dropna())
    named = frame["unit_id"]

    def message(position: int) -> str:
        cell = draft.ids["unit_id"].iloc[position]
        if pd.isna(cell):
            return "the row names no unit"
        if cell in listed:
            return f"unit {cell!r} was itself set aside"
        return f"unit {cell!r} is not in the list of units"

    positions = np.flatnonzero(draft.ledger.is_used)
    is_unknown: NDArray[np.bool_] = ~named.isin(known).to_numpy(bool)
    where = np.zeros(len(draft.ledger), bool)
    where[positions[is_unknown]] = True
    draft.ledger.met(where, "unit_unknown", message, "set_aside")
    return frame.loc[~is_unknown].reset_index(drop=True)
