"""What was found on site as part of the county's layers: visits, positions, taped distances."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from layers.crs import WGS84, Mover, ground_length_m
from layers.fields.lookups import looked_up
from layers.fields.schemas import ACCURACY95_M, SCHEMAS
from layers.measures import LENGTH_M
from layers.problems import ProblemLog
from layers.reading.check import PHONE_TO_95
from layers.records.standing import Standing

Layers = Mapping[str, gpd.GeoDataFrame | pd.DataFrame]
NO_ROW: Final = 0  # of a row that comes from a record and stands in no list
# what the visit list calls it, and what a person may
_RISERS: Final = ("risers", "riser", "riser height", "riser_height")
RISER_MOST_M: Final = float(SCHEMAS["units"].column("riser_height_m").high or 0)
_ACCURACY: Final = SCHEMAS["units"].column("accuracy_m")
# From the place on record to where a visit says a lid or a well is. Common practice, no source.
MOVED_MOST_M: Final = 5_000.0
_PART_WORDS: Final = {"lid": "lid", "outlet": "discharge point", "well": "well"}
_LAYER_OF: Final = {"lid": "units", "outlet": "discharge_points", "well": "wells"}


def with_records(
    layers: Layers,
    stands: Standing,
    *,
    crs: CRS,
    accuracy_m: Mapping[str, float],
    pipe_longer_than_m: float,
    log: ProblemLog,
) -> dict[str, gpd.GeoDataFrame | pd.DataFrame]:
    """The layers with what the records add; what cannot be used of them goes to the log.

    A visit becomes a row of inspections (once, where the list has it too); a position taken on
    site takes the place of the one on record, a new outlet becomes a discharge point of its unit
    and is confirmed by that, a new well one of unknown use; a taped distance becomes a row of taped
    distances; the height of risers is the one measured last.

    Parameters
    ----------
    layers
        Checked layers in the working system ``crs``.
    accuracy_m
        Accuracy by location basis where the county file gives its own.
    pipe_longer_than_m
        A lid and an outlet farther apart than this are not believed to belong together.
    """
    joined = dict(layers)
    known = set(joined["units"]["unit_id"])
    joined["inspections"] = _with_visits(joined.get("inspections"), stands.visits, known, log)
    joined["taped_distances"] = _with_taped(joined.get("taped_distances"), stands.taped, known)
    joined["units"] = _with_risers(joined["units"], stands.measured)
    for position in stands.positions.to_dict("records"):
        if position["unit_id"] not in known:
            continue  # said with its visit
        _place(joined, position, crs, accuracy_m, pipe_longer_than_m, log)
    return {
        name: joined[name]
        for name in SCHEMAS
        if name in layers or (name in joined and len(joined[name]))
    }


def _with_visits(
    listed: pd.DataFrame | None, visits: pd.DataFrame, known: set[str], log: ProblemLog
) -> pd.DataFrame:
    for row in visits[~visits["unit_id"].isin(known)].to_dict("records"):
        log.add(
            "records", "unit_unknown",
            f"the visit of {row['date'].date()} is to unit {row['unit_id']!r}, which is not in the"
            " list of units",
            action="set_aside", feature_id=row["inspection_id"],
        )  # fmt: skip
    new = visits[visits["unit_id"].isin(known)].drop(columns="by").assign(source_row=NO_ROW)
    if listed is None or not len(listed):
        return new.reset_index(drop=True)
    same = ["unit_id", "date", "outcome", "result"]
    there = pd.MultiIndex.from_frame(listed[same].astype(object))
    again = pd.MultiIndex.from_frame(new[same].astype(object)).isin(there)
    return _stacked(listed, new[~again])


def _with_taped(
    listed: pd.DataFrame | None, taped: pd.DataFrame, known: set[str]
) -> pd.DataFrame | gpd.GeoDataFrame:
    new = taped[taped["unit_id"].isin(known)]
    new = new.rename(columns={"record_id": "taped_distance_id", "day": "date"})
    number = new.groupby("taped_distance_id").cumcount() + 1
    new = new.assign(
        taped_distance_id=new["taped_distance_id"] + "/" + number.astype(str),
        feature_id=new["feature_id"].replace("", None),
        accuracy_m=np.nan,
        source_row=NO_ROW,
    )
    return new.reset_index(drop=True) if listed is None else _stacked(listed, new)


def _with_risers(
    units: pd.DataFrame | gpd.GeoDataFrame, measured: pd.DataFrame
) -> pd.DataFrame | gpd.GeoDataFrame:
    """Units with the height of their risers as measured last."""
    risers = measured[
        measured["what"].str.casefold().isin(_RISERS)
        & measured["unit"].isin(LENGTH_M)
        & (measured["qualifier"] == "")
    ]
    unit_m = np.array([LENGTH_M[unit] for unit in risers["unit"]], float)
    with np.errstate(over="ignore"):  # what is too much for a number is too much for a riser
        height_m = pd.Series(risers["value"].to_numpy(float) * unit_m, risers.index)
    last = height_m.groupby(risers["unit_id"]).last()
    found = looked_up(units["unit_id"], last[last.between(0, RISER_MOST_M)])
    return units.assign(riser_height_m=found.fillna(units["riser_height_m"]))


def _stacked(listed: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """Rows under rows, in the columns and kinds of the first."""
    if not len(new):
        return listed
    more = new.reindex(columns=listed.columns).astype(listed.dtypes.to_dict())
    return pd.concat([listed, more], ignore_index=True)


def _place(
    layers: dict[str, gpd.GeoDataFrame | pd.DataFrame],
    position: dict[str, object],
    crs: CRS,
    accuracy_m: Mapping[str, float],
    pipe_longer_than_m: float,
    log: ProblemLog,
) -> None:
    """Put one position taken on site in the place of the one on record."""
    part, unit_id = str(position["part"]), str(position["unit_id"])
    name = _LAYER_OF[part]
    x, y = Mover(WGS84, crs)(np.array([position["lon"]], float), np.array([position["lat"]], float))
    point, a95 = shapely.Point(x[0], y[0]), _accuracy95_m(position, accuracy_m)
    units = layers["units"]
    unit = units.index[units["unit_id"] == unit_id][0]
    wells, well = layers.get("wells"), None
    well_id = str(position["feature_id"] or f"{unit_id}-well")
    if part == "well" and wells is not None:
        rows = wells.index[wells["well_id"] == well_id]
        well = rows[0] if len(rows) else None
    if part == "well" and wells is None:
        why = f"the well {well_id!r} is not used, because there is no wells layer"
    else:
        on_record = units.loc[unit] if wells is None or well is None else wells.loc[well]
        why = _unbelievable(part, point, a95, on_record, layers.get("parcels"), crs,
                            pipe_longer_than_m)  # fmt: skip
    if why:
        log.add(
            "units", "record_position_doubtful", f"{why} (record {position['record_id']})",
            action="kept", feature_id=unit_id,
        )  # fmt: skip
        return
    stated = position["accuracy_m"]
    if not pd.isna(stated) and not _can_be_true(float(str(stated))):
        log.add(
            "records", "number_impossible",
            f"unit {unit_id}: an accuracy of {stated:g} m is not possible; the usual one is used",
            action="corrected", feature_id=str(position["record_id"]),
        )  # fmt: skip
    if part == "lid":
        _move(units, unit, point, a95, position)
    elif wells is not None and well is not None:
        _move(wells, well, point, a95, position)
    elif part == "well":
        _add_point(layers, "wells", well_id, {}, point, a95, position, crs)
    else:
        _move_outlet(layers, unit_id, point, a95, position, crs)
    log.add(
        name, "record_position_taken",
        f"its position is from the visit of {pd.Timestamp(str(position['day'])).date()}",
        action="corrected", feature_id=unit_id if part != "well" else well_id,
    )  # fmt: skip


def _accuracy95_m(position: Mapping[str, object], accuracy_m: Mapping[str, float]) -> float:
    basis, stated = str(position["basis"]), position["accuracy_m"]
    if stated is None or pd.isna(stated):
        return {**ACCURACY95_M, **accuracy_m}[basis]
    own = float(str(stated))
    if not _can_be_true(own):  # as of a row of a layer
        return {**ACCURACY95_M, **accuracy_m}[basis]
    return own * PHONE_TO_95 if basis == "phone" else own


def _can_be_true(accuracy_m: float) -> bool:
    return (_ACCURACY.low or 0) <= accuracy_m <= (_ACCURACY.high or np.inf)


def _unbelievable(
    part: str,
    point: shapely.Point,
    a95: float,
    on_record: pd.Series,
    parcels: gpd.GeoDataFrame | pd.DataFrame | None,
    crs: CRS,
    pipe_longer_than_m: float,
) -> str:
    """Why a position is not believed; empty where nothing speaks against it.

    ``on_record`` is the unit, or the well that the position is of.
    """
    if not (np.isfinite(point.x) and np.isfinite(point.y)):
        return "the position measured on site is outside the county's coordinate system"
    there = on_record.geometry
    far = float(ground_length_m(point.x, point.y, there.x, there.y, crs))
    if part == "outlet" and not far <= pipe_longer_than_m + a95:
        return f"the discharge point measured on site is {far:.0f} m from the lid"
    if not far <= MOVED_MOST_M + a95:
        return (
            f"the {_PART_WORDS[part]} measured on site is {far:.0f} m from its position on record"
        )
    if part == "lid" and isinstance(parcels, gpd.GeoDataFrame):
        own = parcels.geometry[parcels["parcel_id"] == on_record["parcel_id"]]
        if len(own):
            off = float(own.iloc[0].distance(point))
            if off > a95:
                return (
                    f"the lid measured on site is {off:.0f} m outside parcel"
                    f" {on_record['parcel_id']!r}, more than its accuracy of {a95:.0f} m"
                )
    return ""


def _move(
    frame: gpd.GeoDataFrame | pd.DataFrame,
    row: int,
    point: shapely.Point,
    a95: float,
    position: Mapping[str, object],
) -> None:
    frame.loc[row, "geometry"] = point
    frame.loc[row, "location_basis"] = position["basis"]
    frame.loc[row, "accuracy95_m"] = a95


def _move_outlet(
    layers: dict[str, gpd.GeoDataFrame | pd.DataFrame],
    unit_id: str,
    point: shapely.Point,
    a95: float,
    position: Mapping[str, object],
    crs: CRS,
) -> None:
    points = layers.get("discharge_points")
    named = position["feature_id"] or None
    if points is not None:
        mine = points["unit_id"] == unit_id
        if named is not None:
            mine = points["discharge_point_id"] == named
        rows = points[mine].sort_values("discharge_point_id").index
        if len(rows):
            _move(points, rows[0], point, a95, position)
            points.loc[rows[0], "unit_id"] = unit_id
            return
    name = str(named or f"{unit_id}-outlet")
    _add_point(layers, "discharge_points", name, {"unit_id": unit_id}, point, a95, position, crs)


def _add_point(
    layers: dict[str, gpd.GeoDataFrame | pd.DataFrame],
    layer: str,
    name: str,
    shown: Mapping[str, object],
    point: shapely.Point,
    a95: float,
    position: Mapping[str, object],
    crs: CRS,
) -> None:
    """A point nobody had on record: what the visit does not tell of it is unknown."""
    points, own = layers.get(layer), SCHEMAS[layer].id
    while points is not None and name in set(points[own]):
        name += "-new"
    row: dict[str, object] = {
        column.name: {"number": np.nan, "code": "unknown"}.get(column.kind)
        for column in SCHEMAS[layer].columns
    }
    row |= {own: name, "source_row": NO_ROW, **shown}
    row |= {"location_basis": position["basis"], "accuracy95_m": a95}
    new = gpd.GeoDataFrame([row], geometry=[point], crs=crs)
    if points is not None:
        stacked = _stacked(points, pd.DataFrame(new))
        new = gpd.GeoDataFrame(stacked, geometry="geometry", crs=crs)
    layers[layer] = new
