"""Checks of layers against each other and against the terrain. Nothing is set aside here."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from layers.crs import ground_length_m
from layers.fields.ledger import listed
from layers.fields.schemas import SCHEMAS
from layers.grid import GridSource
from layers.measures import FT_M
from layers.problems import ProblemLog
from layers.reading.heights import Rises, heights_at

Layers = Mapping[str, gpd.GeoDataFrame | pd.DataFrame]

# Common practice, no source: below these a difference is an everyday one.
WELL_ON_UNIT_M: Final = 1.0
OFF_OWN_PARCEL_M: Final = 60.0  # a pipe may cross a road or a neighbor's edge
OFF_ALL_PARCELS_M: Final = 250.0
# What areas that overlap may contradict each other in.
_CONTESTED: Final = (
    (
        "floodplain", "zones_overlap",
        ("zone", "hazard_class", "base_flood_elevation_m", "flood_depth_ao_m"),
    ),
    ("parcels", "parcels_overlap", ("parcel_id",)),
)  # fmt: skip
_FACTOR_LEEWAY: Final = 0.12
_LOWEST_FLOOD_M: Final = 10.0  # nearer to the datum a ratio of heights says nothing
_RIM_POINTS: Final = 4_000


def cross_check(
    layers: Layers, links: pd.DataFrame, rises: Rises | None, crs: CRS, log: ProblemLog
) -> None:
    """Report rows that contradict another layer or the ground; every row is kept.

    Parameters
    ----------
    layers, links
        Checked layers in the working system ``crs``, and the units' links.
    rises
        Heights of units and discharge points; None where there is no terrain.
    """
    units, points = layers["units"], _areas(layers, "discharge_points")
    assert isinstance(units, gpd.GeoDataFrame)
    parcels = _areas(layers, "parcels")
    _units_on_water(units, _areas(layers, "water_bodies"), log)
    _wells_on_units(units, _areas(layers, "wells"), crs, log)
    for name, code, says in _CONTESTED:
        _overlaps(units, _areas(layers, name), name, code, list(says), log)
    _tapes_to_nothing(layers, log)
    _permits_not_there(units, layers.get("permits"), log)
    home = None
    if parcels is not None:
        home = _home_parcels(units, parcels)
        _units_off_parcels(units, parcels, log)
        _parcel_ids(units, parcels, home, log)
    if points is not None:
        at = pd.Index(points["discharge_point_id"]).get_indexer(links["discharge_point_id"])
        if parcels is not None and home is not None:
            sure = np.where(links["link_confirmed"].to_numpy(bool), at, -1)
            _outlets_off_parcel(units, points, sure, parcels, home, log)
        if rises is not None:
            _outlets_uphill(rises, at, log)


def _areas(layers: Layers, name: str) -> gpd.GeoDataFrame | None:
    frame = layers.get(name)
    return frame if isinstance(frame, gpd.GeoDataFrame) and len(frame) else None


def _say(
    log: ProblemLog, layer: str, frame: pd.DataFrame, position: int, code: str, message: str
) -> None:
    row = frame.iloc[position]
    log.add(
        layer,
        code,
        message,
        action="kept",
        row=int(row["source_row"]),
        feature_id=row[SCHEMAS[layer].id],
    )


# -------------------------------------------------------------------- what contradicts or is lost


def _overlaps(
    units: gpd.GeoDataFrame,
    areas: gpd.GeoDataFrame | None,
    layer: str,
    code: str,
    says: list[str],
    log: ProblemLog,
) -> None:
    """Areas of a layer that overlap over lids and say different things of them."""
    if areas is None:
        return
    # the areas are the ones prepared, so that a vast one is searched once
    area, lid = shapely.STRtree(units.geometry.to_numpy()).query(
        areas.geometry.to_numpy(), "intersects"
    )
    hits = pd.DataFrame({"lid": lid, "area": area}).sort_values(["lid", "area"])
    hits = hits[hits.duplicated("lid", keep=False)]
    content = areas[says].groupby(says, dropna=False).ngroup().to_numpy()[hits["area"]]
    hits = hits[pd.Series(content, hits.index).groupby(hits["lid"]).transform("nunique") > 1]
    lids: dict[tuple[int, ...], list[str]] = defaultdict(list)
    for place, some in hits.groupby("lid")["area"]:
        lids[tuple(some)].append(str(units["unit_id"].iloc[place]))
    for some, found in lids.items():
        own = areas[SCHEMAS[layer].id].iloc[list(some[1:])].astype(str).tolist()
        message = f"overlaps {listed(own)} at the lids of {listed(found)}"
        _say(log, layer, areas, some[0], code, message)


def _tapes_to_nothing(layers: Layers, log: ProblemLog) -> None:
    """Taped distances to something that is not in its layer."""
    tapes = layers.get("taped_distances")
    if tapes is None:
        return
    for position, (feature, name) in enumerate(
        zip(tapes["feature"], tapes["feature_id"], strict=True)
    ):
        layer = layers.get(feature)
        if pd.isna(name) or layer is None or (layer[SCHEMAS[feature].id] == name).any():
            continue
        message = f"it was measured to {name!r}, which is not in the {feature} layer"
        _say(log, "taped_distances", tapes, position, "tape_unmatched", message)


def _permits_not_there(
    units: gpd.GeoDataFrame, permits: pd.DataFrame | None, log: ProblemLog
) -> None:
    """Units that name a permit no table has, where another permit names them."""
    if permits is None:
        return
    named = units["permit_id"]
    is_lost = named.notna() & ~named.isin(permits["permit_id"])
    for position in np.flatnonzero(is_lost & units["unit_id"].isin(permits["unit_id"])).tolist():
        message = (
            f"its permit_id {named.iloc[position]!r} is not in the permits layer. Another permit"
            " there names this unit"
        )
        _say(log, "units", units, position, "permit_unknown", message)


# ------------------------------------------------------------------------------- water and wells


def _units_on_water(
    units: gpd.GeoDataFrame, water: gpd.GeoDataFrame | None, log: ProblemLog
) -> None:
    if water is None:
        return
    tree = shapely.STRtree(water.geometry.to_numpy())
    seen: set[int] = set()
    for unit, body in tree.query(units.geometry.to_numpy(), "within").T.tolist():
        if unit in seen:
            continue
        seen.add(unit)
        deep = shapely.distance(units.geometry.iloc[unit], water.geometry.iloc[body].boundary)
        known = units["accuracy95_m"].iloc[unit]
        message = (
            f"it is {deep:.0f} m inside water body {water['water_body_id'].iloc[body]!r}."
            f" Position accuracy: {known:.0f} m"
        )
        _say(log, "units", units, unit, "unit_on_water", message)


def _wells_on_units(
    units: gpd.GeoDataFrame, wells: gpd.GeoDataFrame | None, crs: CRS, log: ProblemLog
) -> None:
    if wells is None:
        return
    tree = shapely.STRtree(units.geometry.to_numpy())
    # the working system may be off by 1:1,000; the ground length decides
    pairs = tree.query(wells.geometry.to_numpy(), "dwithin", distance=WELL_ON_UNIT_M * 1.002)
    if not pairs.size:
        return
    a, b = wells.geometry.iloc[pairs[0]], units.geometry.iloc[pairs[1]]
    length = ground_length_m(a.x.to_numpy(), a.y.to_numpy(), b.x.to_numpy(), b.y.to_numpy(), crs)
    of_well: dict[int, list[str]] = defaultdict(list)
    for well, unit, meters in zip(*pairs.tolist(), length.tolist(), strict=True):
        if meters < WELL_ON_UNIT_M:
            of_well[well].append(units["unit_id"].iloc[unit])
    for well, names in of_well.items():
        where = f"{'unit' if len(names) == 1 else 'units'} {listed(sorted(names))}"
        message = f"it has the same position as {where}. Check which one is right"
        _say(log, "wells", wells, well, "well_on_unit", message)


# --------------------------------------------------------------------------------------- parcels


def _home_parcels(units: gpd.GeoDataFrame, parcels: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """The parcel each unit lies on, by position; -1 for none. Of several the first by id."""
    tree = shapely.STRtree(parcels.geometry.to_numpy())
    unit, parcel = tree.query(units.geometry.to_numpy(), "intersects")
    found = pd.DataFrame({"unit": unit, "parcel": parcel})
    found["id"] = parcels["parcel_id"].to_numpy()[parcel]
    first = found.sort_values(["unit", "id"], kind="stable").drop_duplicates("unit")
    home = np.full(len(units), -1, np.int64)
    home[first["unit"]] = first["parcel"]
    return home


def _units_off_parcels(units: gpd.GeoDataFrame, parcels: gpd.GeoDataFrame, log: ProblemLog) -> None:
    tree = shapely.STRtree(parcels.geometry.to_numpy())
    (unit, parcel), meters = tree.query_nearest(
        units.geometry.to_numpy(), all_matches=False, return_distance=True
    )
    allowed = np.maximum(OFF_ALL_PARCELS_M, units["accuracy95_m"].to_numpy(float)[unit])
    for k in np.flatnonzero(meters > allowed).tolist():
        near = parcels["parcel_id"].iloc[parcel[k]]
        message = f"it is on no parcel. The nearest, {near!r}, is {meters[k]:.0f} m away"
        _say(log, "units", units, int(unit[k]), "unit_off_parcels", message)


def _parcel_ids(
    units: gpd.GeoDataFrame,
    parcels: gpd.GeoDataFrame,
    home: NDArray[np.int64],
    log: ProblemLog,
) -> None:
    """Parcel ids that the parcels no longer have, or that another parcel than the unit's has."""
    named = units["parcel_id"]
    at = pd.Index(parcels["parcel_id"]).get_indexer(named)
    is_named = named.notna().to_numpy()
    is_unknown = is_named & (at < 0)
    if is_unknown.sum() > 5 and is_unknown.sum() > is_named.sum() / 2:
        message = (
            f"{int(is_unknown.sum())} of {int(is_named.sum())} parcel ids are not in the parcels"
            f" layer. Units have {listed(named[is_unknown].head(3).tolist())}; parcels have"
            f" {listed(parcels['parcel_id'].head(3).tolist())}. Fix: write both the same way"
        )
        log.add("units", "parcel_id_unknown", message, action="kept")
        return
    former: dict[int, set[str]] = defaultdict(set)
    for unit in np.flatnonzero(is_unknown & (home >= 0)).tolist():
        former[int(home[unit])].add(named.iloc[unit])
    for unit in np.flatnonzero(is_unknown & (home >= 0)).tolist():
        old, new = named.iloc[unit], parcels["parcel_id"].iloc[home[unit]]
        others = sorted(former[int(home[unit])] - {old})
        message = f"parcel {old!r} is not in the parcels layer. The unit is on parcel {new!r}"
        if others:
            message += f", and so are units of former parcel {listed(others)}. Check for a merger"
            _say(log, "units", units, unit, "parcels_merged", message)
        else:
            message += ". Check whether it was renumbered or split"
            _say(log, "units", units, unit, "parcel_id_unknown", message)
    for unit in np.flatnonzero((at >= 0) & (at != home)).tolist():
        meters = shapely.distance(units.geometry.iloc[unit], parcels.geometry.iloc[at[unit]])
        if meters <= max(1.0, units["accuracy95_m"].iloc[unit]):
            continue
        on = "no parcel" if home[unit] < 0 else f"parcel {parcels['parcel_id'].iloc[home[unit]]!r}"
        message = (
            f"its parcel {named.iloc[unit]!r} is {meters:.0f} m away. The unit is on {on}."
            " Check for a split parcel or a wrong position"
        )
        _say(log, "units", units, unit, "unit_off_its_parcel", message)


def _outlets_off_parcel(
    units: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    at: NDArray[np.int64],
    parcels: gpd.GeoDataFrame,
    home: NDArray[np.int64],
    log: ProblemLog,
) -> None:
    shared = (points["outlet_kind"] == "shared_collector").to_numpy()
    has_own = (units["kind"] != "shared_collector").to_numpy()
    linked = np.flatnonzero((at >= 0) & (home >= 0) & has_own)
    linked = linked[~shared[at[linked]]]
    if not len(linked):
        return
    meters = shapely.distance(
        points.geometry.to_numpy()[at[linked]], parcels.geometry.to_numpy()[home[linked]]
    )
    accuracy = np.hypot(
        points["accuracy95_m"].to_numpy(float)[at[linked]],
        units["accuracy95_m"].to_numpy(float)[linked],
    )
    for k in np.flatnonzero(meters > OFF_OWN_PARCEL_M + accuracy).tolist():
        unit = int(linked[k])
        message = (
            f"its discharge point {points['discharge_point_id'].iloc[at[unit]]!r} is"
            f" {meters[k]:.0f} m from the unit's parcel,"
            f" {parcels['parcel_id'].iloc[home[unit]]!r}"
        )
        _say(log, "units", units, unit, "discharge_point_off_parcel", message)


# --------------------------------------------------------------------------------------- terrain


def _outlets_uphill(rises: Rises, at: NDArray[np.int64], log: ProblemLog) -> None:
    linked = np.flatnonzero(at >= 0)
    meters = rises.rise_m(linked, at[linked])
    for k in np.flatnonzero(rises.is_uphill(linked, at[linked])).tolist():
        point = rises.points["discharge_point_id"].iloc[at[linked[k]]]
        message = (
            f"its discharge point {point!r} is {meters[k]:.1f} m above the ground at the lid,"
            " more than map error can explain. The unit is not on record as pumped"
        )
        _say(log, "units", rises.units, int(linked[k]), "discharge_point_uphill", message)


def check_terrain_unit(
    terrain: GridSource, floodplain: gpd.GeoDataFrame | None, log: ProblemLog
) -> None:
    """Compare the terrain with base flood elevations: feet read as meters, or the reverse.

    Water of a base flood reaches the ground at the rim of its zone, so heights there and the base
    flood elevation are about the same; a median ratio near 3.2808 or 0.3048 is a unit mistaken.

    Raises
    ------
    TerrainError
        When the terrain cannot be read there.
    """
    if floodplain is None:
        return
    elevation = floodplain["base_flood_elevation_m"].to_numpy(float)
    stated = np.flatnonzero(np.abs(elevation) >= _LOWEST_FLOOD_M)
    if not len(stated):
        return
    rims, owner = shapely.get_coordinates(floodplain.geometry.to_numpy()[stated], return_index=True)
    step = max(1, len(rims) // _RIM_POINTS)
    rims, owner = rims[::step], owner[::step]
    ratio = heights_at(terrain, rims[:, 0], rims[:, 1]) / elevation[stated][owner]
    ratio = ratio[np.isfinite(ratio)]
    if not len(ratio):
        return
    middle = float(np.median(ratio))
    for factor, which in ((1 / FT_M, "feet that were read as meters"),
                          (FT_M, "meters that were read as feet")):  # fmt: skip
        if abs(middle / factor - 1) <= _FACTOR_LEEWAY:
            message = (
                f"at the edges of flood zones its heights are {middle:.2f} times the base flood"
                f" elevations ({len(ratio)} places). It may have {which}, or the elevations may be"
                " in the other unit. Fix: set vertical_unit in [layers.terrain], or measures in"
                " [layers.floodplain]"
            )
            log.add("terrain", "terrain_unit_doubtful", message, action="kept")
