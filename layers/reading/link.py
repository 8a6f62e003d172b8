"""Units to their discharge points."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from layers.crs import ground_length_m
from layers.fields.ledger import listed
from layers.fields.values import bare_id, hint_at_id
from layers.problems import ProblemLog
from layers.reading.heights import Rises

if TYPE_CHECKING:
    from layers.settings.county_file import LinkSection

LinkMethod = Literal["by_id", "same_parcel", "nearest", "none"]
LINK_COLUMNS: Final = [
    "unit_id",
    "discharge_point_id",
    "link_method",
    "link_confirmed",
    "outlet_state",
]
WITHOUT_OUTLET_KINDS: Final = ("soil_absorption", "holding_tank")
WITHOUT_OUTLET_STATUSES: Final = ("abandoned", "sewered")
_TIE_M: Final = 0.01


@dataclass(frozen=True)
class _Pair:
    """A unit and a discharge point that may belong together, as positions in their tables."""

    length_m: float
    unit: int
    point: int


def link_units(
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame | None,
    parcels: gpd.GeoDataFrame | None,
    options: LinkSection,
    crs: CRS,
    log: ProblemLog,
    *,
    rises: Rises | None = None,
) -> pd.DataFrame:
    """Each unit's discharge point: by id, else on the same parcel, else the nearest.

    Of several points that name a unit the first by id is its link. Points that name no unit are
    given out in order of ground length, then ids, each to one unit unless it is the outlet of a
    shared collector; only a link by id is confirmed, and not where the pipe would be longer than
    ``pipe_longer_than_m``. A point that lies uphill of a unit, by more than heights and positions
    can explain, is not guessed to be its outlet unless the unit is pumped. Units that discharge
    into soil or a holding tank, and those abandoned or on a sewer, are linked by id only.

    Parameters
    ----------
    units, points, parcels
        Checked layers in the working system ``crs``.
    rises
        Heights of units and points; None where there is no terrain.

    Returns
    -------
    DataFrame
        One row per unit, in their order: ``unit_id, discharge_point_id, link_method`` (by_id,
        same_parcel, nearest, none), ``link_confirmed, outlet_state`` (known, unconfirmed, unknown,
        not_expected).
    """
    method = pd.Series("none", index=units.index, dtype=object)
    link = pd.Series([None] * len(units), index=units.index, dtype=object)
    confirmed = pd.Series(False, index=units.index)
    if points is not None and len(points):
        _report_unknown_units(units, points, log)
        chosen = _by_id(units, points, log)
        taken: set[int] = set()
        free = points.index[points["unit_id"].isna()]
        if len(free):
            uphill: dict[_Pair, float] = {}
            waiting = _waiting(units, chosen)
            pairs = _on_same_parcel(units, points, parcels, waiting, free, crs)
            pairs = _not_uphill(pairs, rises, uphill)
            chosen |= _given_out(pairs, "same_parcel", units, points, taken, uphill, log)
            waiting = _waiting(units, chosen)
            pairs = _near(units, points, waiting, free, options.nearest_within_m, crs)
            pairs = _not_uphill(pairs, rises, uphill)
            chosen |= _given_out(pairs, "nearest", units, points, taken, uphill, log)
            _report_free(units, points, [p for p in free if p not in taken], uphill, log)
        for unit, (point, how) in chosen.items():
            link[unit] = points["discharge_point_id"][point]
            method[unit] = how
            confirmed[unit] = how == "by_id"
        _check_pipes(units, points, chosen, confirmed, options.pipe_longer_than_m, crs, log)
    state = _outlet_states(units, method, confirmed)
    _report_missing(units, state, log)
    return pd.DataFrame(
        {
            "unit_id": units["unit_id"],
            "discharge_point_id": link.astype("str"),
            "link_method": method.astype("str"),
            "link_confirmed": confirmed.astype(bool),
            "outlet_state": state.astype("str"),
        },
        columns=LINK_COLUMNS,
    )


Chosen = dict[int, tuple[int, LinkMethod]]


def _by_id(units: gpd.GeoDataFrame, points: gpd.GeoDataFrame, log: ProblemLog) -> Chosen:
    named = points.loc[points["unit_id"].notna(), ["unit_id", "discharge_point_id"]]
    ordered = named.sort_values("discharge_point_id", kind="stable")
    points_of: dict[str, list[int]] = {
        str(unit): list(rows) for unit, rows in ordered.groupby("unit_id").groups.items()
    }
    chosen: Chosen = {}
    for unit, name in units["unit_id"].items():
        if name not in points_of:
            continue
        chosen[unit] = (points_of[name][0], "by_id")
        if len(points_of[name]) > 1:
            ids = points["discharge_point_id"][points_of[name]].tolist()
            message = f"{len(ids)} discharge points name it ({listed(ids)}). {ids[0]!r} was used"
            row = int(units["source_row"][unit])
            log.add("units", "discharge_points_several", message, action="kept", row=row,
                    feature_id=name)  # fmt: skip
    return chosen


def expects_outlet(units: pd.DataFrame) -> pd.Series:
    """Whether a unit may have a discharge point of its own on the ground."""
    return ~units["kind"].isin(WITHOUT_OUTLET_KINDS) & ~units["status"].isin(
        WITHOUT_OUTLET_STATUSES
    )


def _waiting(units: gpd.GeoDataFrame, chosen: Chosen) -> pd.Index:
    expected = units.index[expects_outlet(units)]
    return expected[~expected.isin(list(chosen))]


def _pairs(
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    pairs: Iterable[tuple[int, int]],
    crs: CRS,
) -> list[_Pair]:
    ordered = sorted(set(pairs))
    if not ordered:
        return []
    u, p = (np.array(side) for side in zip(*ordered, strict=True))
    a, b = units.geometry[u], points.geometry[p]
    length = ground_length_m(a.x, a.y, b.x, b.y, crs)
    return [
        _Pair(float(m), int(unit), int(point)) for m, unit, point in zip(length, u, p, strict=True)
    ]


def _on_same_parcel(
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    parcels: gpd.GeoDataFrame | None,
    waiting: pd.Index,
    free: pd.Index,
    crs: CRS,
) -> list[_Pair]:
    if parcels is None or not len(parcels) or not len(waiting):
        return []
    tree = shapely.STRtree(parcels.geometry.to_numpy())
    unit_at, unit_parcel = tree.query(units.geometry[waiting].to_numpy(), "intersects")
    point_at, point_parcel = tree.query(points.geometry[free].to_numpy(), "intersects")
    left = pd.DataFrame({"unit": waiting[unit_at], "parcel": unit_parcel})
    right = pd.DataFrame({"point": free[point_at], "parcel": point_parcel})
    both = left.merge(right, on="parcel")
    return _pairs(units, points, zip(both["unit"], both["point"], strict=True), crs)


def _near(
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    waiting: pd.Index,
    free: pd.Index,
    within_m: float,
    crs: CRS,
) -> list[_Pair]:
    if not len(waiting):
        return []
    tree = shapely.STRtree(points.geometry[free].to_numpy())
    # the working system may be off by 1:1,000; the ground length decides
    unit_at, point_at = tree.query(
        units.geometry[waiting].to_numpy(), "dwithin", distance=within_m * 1.002
    )
    pairs = _pairs(
        units, points, zip(waiting[unit_at].tolist(), free[point_at].tolist(), strict=True), crs
    )
    return [pair for pair in pairs if pair.length_m <= within_m]


def _not_uphill(pairs: list[_Pair], rises: Rises | None, uphill: dict[_Pair, float]) -> list[_Pair]:
    """Pairs whose point is not plainly above its unit; others go to ``uphill`` with the rise."""
    if rises is None or not pairs:
        return pairs
    unit, point = (np.array(ends) for ends in zip(*((p.unit, p.point) for p in pairs), strict=True))
    is_uphill, rise_m = rises.is_uphill(unit, point), rises.rise_m(unit, point)
    uphill |= {pairs[k]: float(rise_m[k]) for k in np.flatnonzero(is_uphill).tolist()}
    return [pair for pair in pairs if pair not in uphill]


def _given_out(
    pairs: list[_Pair],
    how: LinkMethod,
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    taken: set[int],
    uphill: Mapping[_Pair, float],
    log: ProblemLog,
) -> Chosen:
    """Shortest pairs first, ties by id; a point goes to one unit unless it is shared."""
    unit_id, point_id = units["unit_id"], points["discharge_point_id"]
    shared = points["outlet_kind"] == "shared_collector"

    def order(pair: _Pair) -> tuple[float, str, str]:
        # lengths within a tie's width are alike, so that the id decides and not the last bit
        return round(pair.length_m / _TIE_M) * _TIE_M, unit_id[pair.unit], point_id[pair.point]

    of_unit: dict[int, list[_Pair]] = defaultdict(list)
    of_point: dict[int, list[_Pair]] = defaultdict(list)
    for pair in pairs:
        of_unit[pair.unit].append(pair)
        of_point[pair.point].append(pair)
    chosen: Chosen = {}
    for pair in sorted(pairs, key=order):
        if pair.unit in chosen or (pair.point in taken and not shared[pair.point]):
            continue
        rivals = [
            f"discharge point {point_id[other.point]!r}"
            for other in of_unit[pair.unit]
            if _tie(other, pair) and (other.point not in taken or shared[other.point])
        ]
        if not shared[pair.point]:
            rivals += [
                f"unit {unit_id[other.unit]!r}"
                for other in of_point[pair.point]
                if _tie(other, pair) and other.unit not in chosen
            ]
        chosen[pair.unit] = (pair.point, how)
        taken.add(pair.point)
        above = [
            f"{point_id[other.point]!r} ({other.length_m:.1f} m away, {rise_m:.1f} m above it)"
            for other, rise_m in uphill.items()
            if other.unit == pair.unit and other.length_m < pair.length_m
        ]
        _report_guess(pair, how, sorted(rivals), above, units, points, log)
    return chosen


def _tie(other: _Pair, pair: _Pair) -> bool:
    return other != pair and abs(other.length_m - pair.length_m) <= _TIE_M


def _report_guess(
    pair: _Pair,
    how: LinkMethod,
    rivals: list[str],
    above: list[str],
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    log: ProblemLog,
) -> None:
    row, unit = int(units["source_row"][pair.unit]), units["unit_id"][pair.unit]
    point = points["discharge_point_id"][pair.point]
    words = "on the same parcel" if how == "same_parcel" else "the nearest"
    message = f"discharge point {point!r} was used. It is {words}, {pair.length_m:.1f} m away"
    if above:
        message += f". Not used, because the unit is not pumped: {', '.join(above)}"
    log.add("units", "link_unconfirmed", message, action="kept", row=row, feature_id=unit)
    if rivals:
        message = f"discharge point {point!r} was used. Equally near: {', '.join(rivals)}"
        log.add("units", "link_tied", message, action="kept", row=row, feature_id=unit)


def _report_unknown_units(
    units: gpd.GeoDataFrame, points: gpd.GeoDataFrame, log: ProblemLog
) -> None:
    named = points["unit_id"]
    bare = {bare_id(unit): unit for unit in units["unit_id"]}
    for point in points.index[named.notna() & ~named.isin(units["unit_id"])]:
        log.add(
            "discharge_points",
            "unit_unknown",
            f"unit {named[point]!r} is not among the units used{hint_at_id(named[point], bare)}",
            action="kept",
            row=int(points["source_row"][point]),
            feature_id=points["discharge_point_id"][point],
        )


def _report_free(
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    free: list[int],
    uphill: Mapping[_Pair, float],
    log: ProblemLog,
) -> None:
    below: dict[int, list[str]] = defaultdict(list)
    for pair, rise_m in sorted(uphill.items(), key=lambda item: item[0].length_m):
        below[pair.point].append(f"{units['unit_id'][pair.unit]!r} is {rise_m:.1f} m lower")
    for point in free:
        message = "it names no unit, and no unit without one is near enough"
        if below[point]:
            message = (
                f"it names no unit, and the units near it are lower: {listed(below[point], 3)}"
            )
        log.add(
            "discharge_points",
            "discharge_point_without_unit",
            message,
            action="kept",
            row=int(points["source_row"][point]),
            feature_id=points["discharge_point_id"][point],
        )


def _check_pipes(
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    chosen: Chosen,
    confirmed: pd.Series,
    longest_m: float,
    crs: CRS,
    log: ProblemLog,
) -> None:
    links = [(unit, point) for unit, (point, _) in chosen.items()]
    for pair in _pairs(units, points, links, crs):
        if pair.length_m <= longest_m:
            continue
        confirmed[pair.unit] = False
        log.add(
            "units",
            "pipe_too_long",
            f"discharge point {points['discharge_point_id'][pair.point]!r} is"
            f" {pair.length_m:.0f} m away; more than {longest_m:g} m is unlikely",
            action="kept",
            row=int(units["source_row"][pair.unit]),
            feature_id=units["unit_id"][pair.unit],
        )


def _outlet_states(units: gpd.GeoDataFrame, method: pd.Series, confirmed: pd.Series) -> pd.Series:
    expected = expects_outlet(units) & (units["kind"] != "shared_collector")
    state = pd.Series(np.where(expected, "unknown", "not_expected"), index=units.index)
    state[method != "none"] = "unconfirmed"
    state[confirmed] = "known"
    return state


def _report_missing(units: gpd.GeoDataFrame, state: pd.Series, log: ProblemLog) -> None:
    for unit in units.index[(units["kind"] == "surface_discharge") & (state == "unknown")]:
        log.add(
            "units",
            "discharge_point_missing",
            "no discharge point is on record for this surface-discharging unit. Locate it first",
            action="kept",
            row=int(units["source_row"][unit]),
            feature_id=units["unit_id"][unit],
        )
