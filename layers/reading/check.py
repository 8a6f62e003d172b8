"""The rules for bad input: a layer becomes rows in our columns, and a ledger of the rest."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from layers.crs import COARSE_SHIFT_M, Mover, describe, too_coarse
from layers.fields.schemas import ACCURACY95_M, HALF_STEP_TO_95, SCHEMAS
from layers.fields.values import Fault, bare_id, clean_column, hint_at_id, plain_value, text_series
from layers.measures import LENGTH_M
from layers.problems import Action, ProblemLog
from layers.public.flood_zones import add_hazard_columns, is_known_zone
from layers.public.soil_survey import GROUPS, soil_group
from layers.reading.drafts import Draft
from layers.reading.places import (
    Extent,
    Shapes,
    middles_of_outlines,
    placed,
    usable_shapes,
    xy_of,
)
from layers.reading.positions import coarse_accuracy95_m

# a phone states a 68 % radius; circular normal error, FGDC-STD-007.3-1998 app. 3-A
PHONE_TO_95: Final = 2.4477 / 1.5152
PLACE_TAKEN: Final = ("surveyed", "gps", "phone", "digitised")  # of the thing itself
SHARED_BY: Final = 3  # two wells may stand side by side; common practice, no source


@dataclass(frozen=True)
class Ground:
    """What rows are checked against: the working system, the county's extent, the latest day.

    No record can be of a day after ``latest``.
    """

    working: CRS
    extent: Extent
    latest: dt.date
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
    shapes: Shapes | None = None
    at_parcel: dict[int, float] = {}
    if schema.shape != "table":
        assert draft.shapes is not None
        shapes = draft.shapes
        if schema.name == "units" and parcels is not None:
            at_parcel = _place_at_parcels(draft, ground, parcels)
            shapes = draft.shapes
        shapes = _check_shapes(draft, shapes, ground, log)
    frame = _check_values(draft, ground.latest)
    _give_each_row_an_id(draft, frame, shapes)
    frame["source_row"] = draft.raw.rows
    if schema.shape == "point":
        _add_accuracy(draft, frame, ground, at_parcel)
        if draft.least95_m is not None:
            frame["accuracy95_m"] = np.fmax(frame["accuracy95_m"], draft.least95_m)
        if draft.shift_m is not None and draft.shift_m > COARSE_SHIFT_M:
            frame["accuracy95_m"] = np.hypot(frame["accuracy95_m"], draft.shift_m)
    if schema.name == "wells" and shapes is not None:
        _doubt_shared_points(draft, shapes, frame, ground)
    if schema.name == "floodplain":
        add_hazard_columns(frame)
    used = np.flatnonzero(ledger.is_used)
    frame = frame.iloc[used].reset_index(drop=True)
    if shapes is None:
        return frame
    return gpd.GeoDataFrame(frame, geometry=shapes[used], crs=ground.working)


def check_rows(draft: Draft, *, as_of: dt.date, units: pd.Series) -> pd.DataFrame:
    """The rows of a table without places that can be used and whose unit is known.

    Every fault is in the draft's ledger afterwards.
    """
    frame = _check_values(draft, as_of)
    _give_each_row_an_id(draft, frame, None)
    frame["source_row"] = draft.raw.rows
    frame = frame.iloc[np.flatnonzero(draft.ledger.is_used)].reset_index(drop=True)
    return set_aside_unknown_units(draft, frame, units, units)[0]


def _check_shapes(draft: Draft, shapes: Shapes, ground: Ground, log: ProblemLog) -> Shapes:
    ledger, kind = draft.ledger, draft.schema.shape
    if draft.raw.shapes is None:
        is_missing = shapely.is_missing(shapes)
        ledger.flag(
            is_missing,
            "coordinates_missing",
            lambda position: draft.whys[position] or "the row has no coordinates",
            "set_aside",
        )
    if draft.schema.name == "units" and draft.crs is not None:
        shapes, reach_m = middles_of_outlines(shapes, draft.crs)
        message = "the unit is placed in the middle of its outline"
        ledger.flag(~np.isnan(reach_m), "outline_middle", message, "kept")
        draft.least95_m = reach_m if draft.least95_m is None else np.fmax(draft.least95_m, reach_m)
    unreadable = draft.raw.is_unreadable & shapely.is_missing(shapes)
    shapes = usable_shapes(shapes, unreadable, kind, ledger)
    if draft.crs is None:
        return shapes
    mover = _mover(draft, ground)
    shapes = placed(shapes, kind, ledger, mover, ground.extent, draft.crs)
    if mover.is_coarse:
        ways = f"from {describe(draft.crs)} to {describe(ground.working)}"
        promise = (
            f"accurate to {mover.accuracy_m:g} m" if mover.accuracy_m else "accuracy not known"
        )
        message = f"moved {ways} without a shift grid ({promise})"
        log.add(draft.schema.name, "crs_transform_coarse", message, action="kept")
    return shapes


def _mover(draft: Draft, ground: Ground) -> Mover:
    """From the layer's system to the working one; refused where it is coarse and not allowed."""
    assert draft.crs is not None
    allow = draft.section.allow_coarse_shift
    mover = Mover(draft.crs, ground.working, near=ground.extent.bounds, allow_coarse=allow)
    if mover.is_coarse and mover.accuracy_m is not None and not allow:
        raise too_coarse(draft.crs, ground.working, mover.accuracy_m)
    draft.shift_m = mover.accuracy_m
    return mover


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
            factor=LENGTH_M[draft.units.get(column.name, "m")],
            theirs=section.values.get(column.name, {}),
        )
        if (draft.schema.name, column.name) == ("soils", "hydrologic_group"):
            data[column.name] = _as_soil_groups(data[column.name], faults)
        for fault in faults:
            action: Action = "corrected" if fault.is_corrected else "kept"
            draft.ledger.flag_row(fault.position, fault.code, fault.message, action)
        if column.name == "outlet_kind":
            _note_blank_kinds(draft, data[column.name], faults)
        if column.decides and theirs is not None:
            _check_codes(draft, column.name, raw.texts(theirs), data[column.name], faults)
    return pd.DataFrame(data)


def _note_blank_kinds(draft: Draft, kinds: pd.Series, faults: Sequence[Fault]) -> None:
    """Note discharge points of unknown kind, where others have one and no fault says it already."""
    is_unknown = (kinds == "unknown").to_numpy(bool, copy=True)
    if is_unknown[draft.ledger.is_used].all():
        return
    is_unknown[[fault.position for fault in faults]] = False
    message = "not on record: whether it discharges to the ground, a drain or the soil"
    draft.ledger.flag(is_unknown, "outlet_kind_unknown", message, "kept")


def _as_soil_groups(cells: pd.Series, faults: list[Fault]) -> pd.Series:
    """Hydrologic groups as the soil survey calls them, null where a word is none of them."""
    groups = [None if pd.isna(cell) else soil_group(cell) for cell in cells]
    known = ", ".join(GROUPS)
    faults += [
        Fault(k, "code_unknown", f"hydrologic_group {plain_value(cell)} is not one of {known}")
        for k, (cell, group) in enumerate(zip(cells, groups, strict=True))
        if group is None and not pd.isna(cell)
    ]
    return text_series(groups)


def check_rules_codes(draft: Draft, variances: pd.DataFrame, rule_ids: set[str]) -> None:
    """Note the rules that variances name and no table of setbacks has."""
    _check_strange_codes(draft, variances, "rule_id", rule_ids, "not a rule of the setback tables")


def check_feature_codes(draft: Draft, tapes: pd.DataFrame) -> None:
    """Note the layers that taped distances name and no county has."""
    _check_strange_codes(draft, tapes, "feature", set(SCHEMAS), f"not one of {', '.join(SCHEMAS)}")


def _check_strange_codes(
    draft: Draft, table: pd.DataFrame, name: str, known: set[str], what: str
) -> None:
    words = table[name]
    strange = words[words.notna() & ~words.isin(known)]
    for row, word in zip(table.loc[strange.index, "source_row"], strange, strict=True):
        position = int(np.flatnonzero(draft.raw.rows == row)[0])
        message = f"{name} {plain_value(word)} is {what}"
        draft.ledger.flag_row(position, "code_unknown", message, "kept")
    if len(strange):
        draft.unexplained[name] = Counter(strange)


def _check_codes(
    draft: Draft, name: str, cells: pd.Series, values: pd.Series, faults: Sequence[Fault]
) -> None:
    """Note the words of rows in use that a column which decides does not know."""
    if (draft.schema.name, name) == ("floodplain", "zone"):
        positions = [
            k for k, zone in enumerate(values) if not (pd.isna(zone) or is_known_zone(zone))
        ]
    else:
        positions = [fault.position for fault in faults if fault.code == "code_unknown"]
    used = [k for k in positions if draft.ledger.is_used[k]]
    if used:
        draft.unexplained[name] = Counter(" ".join(str(cells[k]).split()) for k in used)


def _give_each_row_an_id(draft: Draft, frame: pd.DataFrame, shapes: Shapes | None) -> None:
    """Rows without an id, or under one that another row has, get a numbered one.

    Only a row that says the same as an earlier one of its id is set aside, and areas of one parcel
    id are joined: any other left out might have been what a distance is measured to, or a danger.
    """
    ledger, name = draft.ledger, draft.schema.id
    ids: list[str | None] = [None if pd.isna(cell) else cell for cell in draft.own_ids]
    taken = {cell for cell in ids if cell is not None}
    first: dict[str, int] = {}
    contents: dict[str, set[tuple[object, ...]]] = {}
    content_of = _contents(draft, frame, shapes, ids)
    for position in np.flatnonzero(ledger.is_used).tolist():
        cell = ids[position]
        if cell is None:
            ids[position] = _numbered("row", int(ledger.rows[position]), taken)
            message = f"{name} is blank. The row is called {ids[position]!r}"
            ledger.flag_row(position, "id_missing", message, "corrected")
            continue
        seen = first.setdefault(cell, position)
        content = content_of(position)
        if seen == position:
            contents[cell] = {content}
            continue
        message = f"{name} {cell!r} repeats row {ledger.rows[seen]}"
        if draft.schema.name == "parcels" and shapes is not None:
            shapes[seen] = shapely.union(shapes[seen], shapes[position])
            message += ". Its area was added to that row"
        elif content in contents[cell]:
            message += ", with the same content"
        else:
            contents[cell].add(content)
            ids[position] = _numbered(cell, len(contents[cell]), taken, mark="#")
            message += f", but other cells differ. This row is called {ids[position]!r}"
            ledger.flag_row(position, "id_duplicate", message, "corrected")
            continue
        ledger.flag_row(position, "id_duplicate", message, "set_aside")
    frame[name] = draft.ids[name] = text_series(ids)
    ledger.ids = ids


def _contents(
    draft: Draft, frame: pd.DataFrame, shapes: Shapes | None, ids: Sequence[str | None]
) -> Callable[[int], tuple[object, ...]]:
    """What a row says, but for rows whose id no other has, of which nobody asks."""
    flag = Counter(cell for cell in ids if cell is not None)
    some = [position for position, cell in enumerate(ids) if cell and flag[cell] > 1]
    values = frame.drop(columns=draft.schema.id).iloc[some].astype(object)
    plain_value = values.where(values.notna(), None).itertuples(index=False, name=None)
    stored = [b""] * len(some) if shapes is None else shapely.to_wkb(shapes[some]).tolist()
    content = {
        position: (*row, shape)
        for position, row, shape in zip(some, plain_value, stored, strict=True)
    }
    return lambda position: content.get(position, ())


def _numbered(cell: str, number: int, taken: set[str], *, mark: str = "-") -> str:
    while f"{cell}{mark}{number}" in taken:
        number += 1
    taken.add(f"{cell}{mark}{number}")
    return f"{cell}{mark}{number}"


def set_aside_unknown_units(
    draft: Draft, frame: pd.DataFrame, units: pd.Series, all_units: pd.Series
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of a table whose unit is known, and those it sets aside because theirs is not."""
    known, listed = set(units), set(all_units.dropna())
    bare = {bare_id(unit): unit for unit in units}
    named = frame["unit_id"]

    def message(position: int) -> str:
        cell = draft.ids["unit_id"].iloc[position]
        if pd.isna(cell):
            return "the row names no unit"
        if cell in listed:
            return f"the row of unit {cell!r} was not used"
        return f"unit {cell!r} is not in the list of units{hint_at_id(cell, bare)}"

    positions = np.flatnonzero(draft.ledger.is_used)
    is_unknown: NDArray[np.bool_] = ~named.isin(known).to_numpy(bool)
    where = np.zeros(len(draft.ledger), bool)
    where[positions[is_unknown]] = True
    draft.ledger.flag(where, "unit_unknown", message, "set_aside")
    kept, strays = frame.loc[~is_unknown], frame.loc[is_unknown]
    return kept.reset_index(drop=True), strays.reset_index(drop=True)


# --------------------------------------------------------------------------------- positions


def _place_at_parcels(draft: Draft, ground: Ground, parcels: gpd.GeoDataFrame) -> dict[int, float]:
    """Give units without coordinates the point of their parcel; how far off each may be, in m."""
    assert draft.shapes is not None
    shapes = draft.shapes.copy()
    is_lost = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    x, y = xy_of(shapes)
    is_zero = (x == 0) | (y == 0)
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
    draft.ledger.flag(where & is_zero, "coordinates_zero", "a coordinate is 0", "corrected")
    draft.ledger.flag(
        where,
        "placed_at_parcel",
        lambda position: f"placed on parcel {draft.ids['parcel_id'].iloc[position]!r}",
        "corrected",
    )
    return reach


def _add_accuracy(
    draft: Draft, frame: pd.DataFrame, ground: Ground, at_parcel: Mapping[int, float]
) -> None:
    """``accuracy95_m``: as stated (a phone's 68 % radius turned into 95 %), else by basis.

    Where neither is known, the layer's own accuracy in the county file, else the table's.
    """
    table = {**ACCURACY95_M, **ground.accuracy_m}
    if draft.section.accuracy_m is not None:
        table["unknown"] = draft.section.accuracy_m
    if "location_basis" not in frame:
        frame["accuracy95_m"] = table["unknown"]
        _not_better_than_decimals(draft, frame, at_parcel)
        return
    rows = list(at_parcel)
    frame.loc[rows, "location_basis"] = "parcel"
    frame.loc[rows, "accuracy_m"] = np.nan
    basis = frame["location_basis"]
    stated = frame["accuracy_m"].where(basis != "phone", frame["accuracy_m"] * PHONE_TO_95)
    by_basis = basis.map(table).astype("float64")
    by_basis.loc[rows] = np.maximum(by_basis.loc[rows], list(at_parcel.values()))
    frame["accuracy95_m"] = stated.fillna(by_basis)
    _not_better_than_decimals(draft, frame, at_parcel)
    if draft.section.accuracy_m is not None:
        return
    message = f"no accuracy or location basis is given; {table['unknown']:g} m is assumed"
    draft.ledger.flag((basis == "unknown") & stated.isna(), "accuracy_unstated", message, "kept")


def _doubt_shared_points(draft: Draft, shapes: Shapes, frame: pd.DataFrame, ground: Ground) -> None:
    """Wells that share a point with others stand in the middle of something, not where they are.

    But for a nest: wells that each say their depth, all different, and that their place was taken.
    How large the something is nobody says: a section is taken.
    """
    used = np.flatnonzero(draft.ledger.is_used)
    points = pd.Series(shapely.to_wkb(shapes[used]), index=used)
    sharing = points.groupby(points).transform("size")
    sharing = sharing[sharing >= SHARED_BY]
    is_taken = frame["location_basis"].isin(PLACE_TAKEN)[sharing.index]
    group, depth_m = points[sharing.index], frame["depth_m"][sharing.index]
    is_nest = is_taken.groupby(group).transform("all") & (
        depth_m.groupby(group).transform("nunique") == sharing
    )
    nested = np.zeros(len(draft.ledger), bool)
    nested[sharing.index[is_nest]] = True
    message = "wells of different depths share this point (nested wells)"
    draft.ledger.flag(nested, "nested_wells", lambda k: f"{sharing[k]} {message}", "kept")
    sharing = sharing[~is_nest]
    where = np.zeros(len(draft.ledger), bool)
    where[sharing.index] = True
    message = "wells share this point, which is likely the middle of a section or parcel"
    draft.ledger.flag(where, "shared_position", lambda k: f"{sharing[k]} {message}", "kept")
    least = {**ACCURACY95_M, **ground.accuracy_m}["section"]
    frame.loc[where, "accuracy95_m"] = np.fmax(frame.loc[where, "accuracy95_m"], least)


def _not_better_than_decimals(
    draft: Draft, frame: pd.DataFrame, at_parcel: Mapping[int, float]
) -> None:
    """Make ``accuracy95_m`` no better than the decimals of coordinates in degrees allow."""
    if draft.crs is None or not draft.crs.is_geographic or draft.shapes is None:
        return
    lon, lat = xy_of(draft.shapes)
    lon[list(at_parcel)] = np.nan
    decimals, least_m = coarse_accuracy95_m(lon, lat)
    accuracy = frame["accuracy95_m"].to_numpy(float)

    def message(position: int) -> str:
        half_m = least_m[position] / HALF_STEP_TO_95
        return (
            f"coordinates with {decimals[position]} decimals can be wrong by {half_m:.2g} m each"
            f" way. Position accuracy: {least_m[position]:.2g} m"
        )

    is_coarse = least_m > accuracy
    draft.ledger.flag(is_coarse, "coordinates_coarse", message, "kept")
    frame["accuracy95_m"] = np.where(is_coarse, least_m, accuracy)
