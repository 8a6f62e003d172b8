"""What is measured of each unit: its terrain, its discharge point, its lid, what lies near."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.ponds.pond_list import pond_table
from geo.ponds.ponding import (
    WET_M,
    ground_columns,
    is_wet_nearby,
    least_depth_m,
    storm_columns,
)
from geo.ponds.swales import swale_columns, upslope_area_m2
from geo.receptors import flood_columns, nearest_columns, water_areas
from geo.runoff.storms import StormPonds, curve_numbers_on, ponds_open_and_blocked
from geo.terrain import TerrainModel
from geo.uncertainty import LINE_95, MAP_LINE_SD_M, POINT_95
from geo.waters.downstream import places_downstream
from geo.waters.paths import flood_areas_crossed, outlet_paths, parcels_crossed, wells_downhill
from geo.waters.waterways import Waterways, find_waterways, no_waterways
from layers.county import County
from layers.crs import COARSE_SHIFT_M, bearing_deg, ground_length_m
from layers.fields.schemas import SCHEMAS
from layers.measures import IN_M
from layers.outputs import FLOW_PATHS, PONDS, UNITS
from layers.problems import ProblemLog
from layers.settings.county_file import StormSection


@dataclass(frozen=True)
class Outlets:
    """What the linked discharge points add to the units, and their paths as a layer.

    ``ways`` are the mapped water that the paths come into. ``points`` and ``accuracy95_m`` have
    one entry per unit, None and NaN where no discharge point
    is known.
    """

    columns: pd.DataFrame
    points: np.ndarray
    accuracy95_m: np.ndarray
    paths: gpd.GeoDataFrame
    ways: Waterways


@dataclass(frozen=True)
class Storms:
    """The ponds of the storms with every way under a road open, and blocked; what was assumed."""

    opened: StormPonds
    blocked: StormPonds | None
    notes: list[str]


def line_accuracy95_m(county: County, name: str) -> float:
    """Accuracy of a layer's lines and outlines at 95 %, in metres.

    Its own, else that of a 1:24,000 map; with the move between datums where that is coarse.
    """
    section = county.file.layers.get(name)
    stated = None if section is None else section.accuracy_m
    own = LINE_95 * MAP_LINE_SD_M if stated is None else stated
    moved = county.transforms.loc[county.transforms["layer"] == name, "accuracy_m"]
    moved = moved[moved > COARSE_SHIFT_M]
    return float(np.hypot(own, moved.iloc[0])) if len(moved) else own


def storms_on(
    county: County,
    terrain: TerrainModel | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
) -> Storms | None:
    """The ponds of the county's storms; None without a terrain or storms."""
    section = county.file.storms
    if terrain is None or section is None or not section.depths_in:
        return None
    numbers, notes = curve_numbers_on(
        terrain.ground,
        features.get("soils"),
        county.land_cover,
        antecedent=section.antecedent,
    )
    opened, blocked = ponds_open_and_blocked(
        terrain, numbers, section.depths_in, ratio=section.initial_abstraction
    )
    return Storms(opened, blocked, [_how_rain_runs_off(section), *notes])


def _how_rain_runs_off(section: StormSection) -> str:
    before = {
        "dry": "dry ground (condition I)",
        "average": "ground neither dry nor wet (condition II)",
        "wet": "wet ground (condition III)",
    }[section.antecedent]
    series = {
        "partial_duration": "the average time between storms that large (partial-duration series)",
        "annual_maximum": "1 over the chance of a year (annual-maximum series)",
    }[section.series]
    return (
        f"Runoff is that of rain on {before}, by curve number, with"
        f" {section.initial_abstraction:g} of the storage filled before any water runs; a return"
        f" period is {series}."
    )


def ponds_of(
    storms: Storms | None,
    units: gpd.GeoDataFrame,
    discharge_points: gpd.GeoDataFrame | None,
) -> gpd.GeoDataFrame:
    """The table of ponds, every way under a road open; without rows where there are no storms."""
    if storms is None:
        return PONDS.empty_layer(units.crs)
    outlets = [] if discharge_points is None else discharge_points.geometry.to_numpy()
    return pond_table(
        storms.opened, units.geometry.to_numpy(), np.asarray(outlets, object), wet_m=WET_M
    )


def in_storms(
    units: gpd.GeoDataFrame,
    outlet_points: NDArray[np.object_],
    flood: pd.DataFrame,
    storms: Storms | None,
    log: ProblemLog,
    *,
    are_zones_given: bool,
) -> pd.DataFrame:
    """When storms put each lid and each discharge point under water.

    Where flood zones are not on record, or of undetermined hazard, what the storms leave dry is
    ``dry_so_far``.
    A place that the storms leave dry and the mapped base flood (``flood_hazard``, ``flood_depth_m``
    and those of the outlet, of ``flood``) does not is ``base_flood``. Where the terrain's edge
    leaves it open, a problem is logged. A lid whose place is rough is ``uncertain`` where it is dry
    and ground within its accuracy is not.

    With every mapped culvert and every cut through a road open, which is the state that scores;
    ``lid_wet_state_blocked`` and ``lid_wet_return_blocked_yr`` tell of the same lids with all of
    them blocked.
    """
    out = pd.DataFrame(index=units.index)
    if storms is None:
        return out
    lids, riser = units.geometry.to_numpy(), units["riser_height_m"].to_numpy(float)
    ground = np.full(len(units), np.nan)
    lid = storm_columns(lids, riser, storms.opened, prefix="lid", index=units.index)
    outlet = storm_columns(outlet_points, ground, storms.opened, prefix="outlet", index=units.index)
    out = pd.concat([lid, outlet[["outlet_wet_state", "outlet_wet_return_yr"]]], axis=1)
    if storms.blocked is not None:
        shut = storm_columns(lids, riser, storms.blocked, prefix="lid", index=units.index)
        out["lid_wet_state_blocked"] = shut["lid_wet_state"]
        out["lid_wet_return_blocked_yr"] = shut["lid_wet_return_yr"]
    accuracy95_m = units["accuracy95_m"].to_numpy(float)
    for ponds, state in (
        (storms.opened, "lid_wet_state"), (storms.blocked, "lid_wet_state_blocked"),
    ):  # fmt: skip
        if ponds is not None:
            near = is_wet_nearby(lids, accuracy95_m, riser, ponds)
            out.loc[near & out[state].isin(_DRY).to_numpy(), state] = "uncertain"
    for state in [name for name in out if "_wet_state" in name]:
        place = "outlet_" if state.startswith("outlet") else ""
        hazard = UNITS.equals(flood, f"{place}flood_hazard", "special")
        depth_m = UNITS.numbers(flood, f"{place}flood_depth_m")
        flooded = (depth_m > 0) | (hazard & np.isnan(depth_m))
        dry = out[state].isin([*_DRY, "uncertain"]).to_numpy()
        out.loc[flooded & dry, state] = "base_flood"
        is_open = UNITS.equals(flood, f"{place}flood_hazard", "undetermined")
        is_open = is_open | (not are_zones_given)
        out.loc[is_open & (out[state] == "dry_in_all").to_numpy(), state] = "dry_so_far"
    nowhere = shapely.is_missing(outlet_points) | shapely.is_empty(outlet_points)
    out["outlet_wet_state"] = out["outlet_wet_state"].mask(nowhere, None)
    _log_edge(units, out, log)
    return out


# States of places that no storm computed reaches.
_DRY: Final = ("dry_in_all", "dry_so_far")


def _log_edge(units: gpd.GeoDataFrame, states: pd.DataFrame, log: ProblemLog) -> None:
    """A problem for each unit of which the terrain's edge or holes leave open if water stands."""
    lid, outlet = (UNITS.equals(states, f"{p}_wet_state", "edge") for p in ("lid", "outlet"))
    for row in np.flatnonzero(lid | outlet):
        what = "lid and discharge point" if lid[row] and outlet[row] else "lid"
        what = what if lid[row] else "discharge point"
        log.add(
            "units",
            "terrain_edge",
            f"whether water stands over its {what} is not known: the terrain ends, or has a hole,"
            " where water may be held or come in; give a terrain that reaches farther",
            action="kept",
            row=int(units["source_row"].iloc[row]),
            feature_id=units["unit_id"].iloc[row],
        )


def in_swales(
    county: County,
    units: gpd.GeoDataFrame,
    outlet_points: NDArray[np.object_],
    terrain: TerrainModel | None,
    storms: Storms | None,
) -> pd.DataFrame:
    """How much land drains past each lid and discharge point; how deep its water runs at the lid.

    Every way under a road is open.
    """
    if terrain is None:
        return pd.DataFrame(index=units.index)
    section = county.file.storms
    lids = swale_columns(
        units.geometry.to_numpy(),
        least_depth_m(units["riser_height_m"].to_numpy(float)),
        terrain,
        None if storms is None else storms.opened,
        rain_in={} if section is None else section.depths_in,
        rainfall_type="II" if section is None else section.rainfall_type,
        prefix="lid",
        index=units.index,
    )
    area, _ = upslope_area_m2(outlet_points, terrain)
    return lids.assign(outlet_upslope_area_m2=area)


def at_outlets(
    county: County,
    units: gpd.GeoDataFrame,
    terrain: TerrainModel | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    log: ProblemLog,
) -> Outlets:
    """Everything measured at the discharge points, brought to the units they are linked to."""
    lids = units.geometry.to_numpy()
    discharge_points = county.layer("discharge_points")
    if discharge_points is None:
        empty = FLOW_PATHS.empty_layer(county.crs)
        nowhere = np.full(len(units), None, object)
        columns = pd.DataFrame(index=units.index)
        unknown = np.full(len(units), np.nan)
        return Outlets(columns, nowhere, unknown, empty, no_waterways(county.crs))
    known = pd.Index(discharge_points["discharge_point_id"])
    at = known.get_indexer(county.links["discharge_point_id"])
    linked = at >= 0

    paths = _ways_of_water(county, discharge_points, terrain, features, line95_m, log)
    ground = ground_columns(
        discharge_points.geometry.to_numpy(), terrain, index=discharge_points.index
    )
    if terrain is not None:
        _log_off_terrain("discharge_points", discharge_points, ground["ground_m"], log)
    invert = discharge_points["invert_height_m"].to_numpy(float)
    per_point = pd.DataFrame(paths.drop(columns=["wells_downhill_ids", "geometry"]))
    per_point["outlet_pond_depth_brim_m"] = ground["pond_depth_brim_m"]
    per_point["outlet_m"] = np.where(np.isnan(invert), ground["ground_m"], invert)
    flood = flood_columns(
        discharge_points.geometry.to_numpy(),
        per_point["outlet_m"].to_numpy(float),
        features.get("floodplain"),
        county.crs,
        index=discharge_points.index,
    )
    for name in ("flood_zone", "flood_hazard", "flood_depth_m"):
        per_point[f"outlet_{name}"] = flood[name]
    columns = per_point.iloc[at].set_axis(units.index).where(pd.Series(linked, units.index), None)

    points: NDArray[np.object_] = np.full(len(units), None, object)
    points[linked] = discharge_points.geometry.to_numpy()[at[linked]]
    pair = np.full((len(units), 4), np.nan)
    pair[:, :2] = shapely.get_coordinates(lids)
    pair[linked, 2:] = shapely.get_coordinates(points[linked])
    x1, y1, x2, y2 = pair.T
    columns["pipe_length_m"] = ground_length_m(x1, y1, x2, y2, county.crs)
    columns["pipe_bearing_deg"] = bearing_deg(x1, y1, x2, y2, county.crs)

    lines = _one_per_unit(discharge_points, paths, units, at)
    homes = np.where(
        lines["unit_row"] >= 0,
        lids[lines["unit_row"]],
        discharge_points.geometry.to_numpy()[lines["point_row"]],
    )
    lines = lines.join(
        [
            parcels_crossed(lines, homes, features.get("parcels")),
            flood_areas_crossed(lines, features.get("floodplain")),
        ]
    )
    of_units = lines[lines["unit_row"] >= 0]
    columns["parcels_crossed"] = pd.Series(
        of_units["parcels_crossed"].to_numpy(), units.index[of_units["unit_row"]]
    )
    mouths = discharge_points.geometry.to_numpy()[lines["point_row"]]
    ways = find_waterways(lines, mouths, terrain, features, line95_m=line95_m)
    lines = lines.drop(columns=["unit_row", "point_row"]).rename(
        columns={"path_length_m": "length_m", "path_drop_m": "drop_m"}
    )
    accuracy = np.where(linked, discharge_points["accuracy95_m"].to_numpy(float)[at], np.nan)
    paths = lines[lines.geometry.notna()].reset_index(drop=True)
    return Outlets(columns, points, accuracy, paths, ways)


def _ways_of_water(
    county: County,
    discharge_points: gpd.GeoDataFrame,
    terrain: TerrainModel | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
    log: ProblemLog,
) -> gpd.GeoDataFrame:
    """The path of each discharge point, the wells along it and what lies down the water."""
    rain_in = county.file.storms.depths_in.get(2) if county.file.storms else None
    rain_m = None if rain_in is None else rain_in * IN_M
    paths = outlet_paths(discharge_points, terrain, features, line95_m=line95_m, rain_2yr_m=rain_m)
    wells = wells_downhill(paths, discharge_points, features.get("wells"), terrain)
    down = places_downstream(discharge_points, paths, terrain, features, line95_m=line95_m)
    streams = features.get("streams")
    if streams is not None:
        for row in streams.iloc[down.turned_streams].to_dict("records"):
            log.add(
                "streams",
                "drawn_uphill",
                "the ground rises along it in the direction in which it is drawn",
                action="corrected",
                row=int(row["source_row"]),
                feature_id=row["stream_id"],
            )
    return paths.join([wells, down.columns])


def _one_per_unit(
    discharge_points: gpd.GeoDataFrame,
    paths: gpd.GeoDataFrame,
    units: gpd.GeoDataFrame,
    at: np.ndarray,
) -> gpd.GeoDataFrame:
    """A path for each unit that has one, then those of discharge points nobody answers for."""
    of_unit = np.flatnonzero(at >= 0)
    orphan = np.setdiff1d(np.arange(len(discharge_points)), at)
    point_row = np.concatenate([at[of_unit], orphan])
    unit_row = np.concatenate([of_unit, np.full(len(orphan), -1)])
    lines = paths.iloc[point_row].reset_index(drop=True)
    ids = units["unit_id"].to_numpy(object)
    lines.insert(0, "unit_id", np.where(unit_row >= 0, ids[unit_row], None))
    lines.insert(
        1, "discharge_point_id", discharge_points["discharge_point_id"].to_numpy()[point_row]
    )
    lines["unit_row"], lines["point_row"] = unit_row, point_row
    return lines


def at_lids(
    county: County,
    units: gpd.GeoDataFrame,
    terrain: TerrainModel | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    log: ProblemLog,
) -> pd.DataFrame:
    """Ground, ponding to the brim, height above drainage and flood zone at each lid."""
    points = units.geometry.to_numpy()
    ground = ground_columns(points, terrain, index=units.index)
    if terrain is not None:
        _log_off_terrain("units", units, ground["ground_m"], log)
    flood = flood_columns(
        points,
        ground["ground_m"].to_numpy(),
        features.get("floodplain"),
        county.crs,
        index=units.index,
    )
    return pd.concat(
        [ground.rename(columns={"pond_depth_brim_m": "lid_pond_depth_brim_m"}), flood], axis=1
    )


def nearby(
    county: County,
    units: gpd.GeoDataFrame,
    outlets: Outlets,
    features: Mapping[str, gpd.GeoDataFrame | None],
) -> pd.DataFrame:
    """Nearest well and stream from the discharge point, nearest well and place from the lid."""
    lids, crs = units.geometry.to_numpy(), county.crs
    wells, streams = features.get("wells"), features.get("streams")
    if streams is not None:
        outlined = water_areas(streams.geometry.to_numpy())
        features = {**features, "streams": streams.set_geometry(outlined, crs=crs)}
    near = [
        nearest_columns(
            at, features.get(layer), SCHEMAS[layer].id, crs, prefix=p, index=units.index
        )
        for at, layer, p in (
            (outlets.points, "wells", "well"),
            (outlets.points, "streams", "stream"),
            (lids, "wells", "lid_well"),
            (lids, "protected_places", "place"),
        )
    ]
    table = pd.concat(near, axis=1)
    if wells is not None:
        well95 = wells.set_index("well_id")["accuracy95_m"]
        for prefix, own in (("well", outlets.accuracy95_m), ("lid_well", units["accuracy95_m"])):
            other = table[f"{prefix}_id"].map(well95)
            table[f"{prefix}_distance_u95_m"] = LINE_95 * np.hypot(own, other) / POINT_95
    places = features.get("protected_places")
    if places is not None:
        table["place_kind"] = table["place_id"].map(places.set_index("place_id")["place_kind"])
    return table


def distance_sds(
    table: pd.DataFrame,
    outlets: Outlets,
    features: Mapping[str, gpd.GeoDataFrame | None],
    line95_m: Mapping[str, float],
) -> pd.DataFrame:
    """Standard deviation of each distance a unit is rated by, under the distance's own name.

    In metres: per axis between two points, across the line to a line or an outline, from the
    stated accuracy of both ends. The way of the water is as unsure as the place it begins at;
    what the terrain's error does to it is not told.
    """
    lid, outlet = table["accuracy95_m"].to_numpy(float) / POINT_95, outlets.accuracy95_m / POINT_95
    sds = pd.DataFrame(index=table.index)
    for name in ("well_distance", "lid_well_distance"):
        sds[f"{name}_m"] = UNITS.numbers(table, f"{name}_u95_m") / LINE_95
    places = features.get("protected_places")
    if places is not None:
        place95 = places.drop_duplicates("place_id").set_index("place_id")["accuracy95_m"]
        sds["place_distance_m"] = np.hypot(lid, table["place_id"].map(place95) / POINT_95)
    sds["stream_distance_m"] = np.hypot(outlet, line95_m["streams"] / LINE_95)
    sds["flood_distance_m"] = np.hypot(lid, line95_m["floodplain"] / LINE_95)
    return sds.assign(path_length_m=outlet, downstream_m=outlet)


def _log_off_terrain(
    layer: str, rows: gpd.GeoDataFrame, ground_m: pd.Series, log: ProblemLog
) -> None:
    """A problem for each row whose place the terrain does not cover."""
    for row in rows[ground_m.isna()].to_dict("records"):
        log.add(
            layer,
            "terrain_off",
            "the place lies where the terrain has no data",
            action="kept",
            row=int(row["source_row"]),
            feature_id=row[SCHEMAS[layer].id],
        )
