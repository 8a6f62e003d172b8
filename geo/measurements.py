"""What is measured of a county: terrain, discharge points, lids, storms, what lies near."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.outlets.search import OutletSearch, search_outlets
from geo.ponds.lid_chances import LidChances, lid_chances
from geo.ponds.pond_list import pond_table
from geo.ponds.ponding import (
    WET_M,
    ground_columns,
    is_wet_nearby,
    least_depth_m,
    storm_columns,
)
from geo.ponds.swales import swale_columns, upslope_area_m2
from geo.programme.history import unit_days
from geo.receptors import flood_columns, nearest_columns, water_areas
from geo.runoff.storms import StormPonds, curve_numbers_on, ponds_open_and_blocked
from geo.setbacks.checks import setback_checks
from geo.setbacks.inputs import SetbackInputs
from geo.setbacks.well_sides import well_sides
from geo.steps import Steps
from geo.terrain import Terrain
from geo.terrain.county_terrain import CountyTerrain, county_terrain
from geo.uncertainty import LINE_95, MAP_LINE_SD_M, POINT_95
from geo.waters.outlet_measures import MeasuredOutlets, log_off_terrain, measure_outlets
from geo.waters.way_chances import WayChances, way_chances
from geo.waters.well_heights import wells_by_ways
from layers.county import County
from layers.crs import COARSE_SHIFT_M
from layers.fields.schemas import SCHEMAS
from layers.outputs import PONDS, UNITS
from layers.problems import ProblemLog
from layers.settings.county_file import StormSection
from layers.settings.setback_tables import Setbacks


@dataclass(frozen=True)
class Measured:
    """What `measure` found of a county, before its records are looked at and its units ranked.

    Attributes
    ----------
    features, line95_m
        The county's layers by name, None where one is missing or empty; the accuracy of each
        layer's lines and outlines, 95 %.
    ground
        The terrain made ready for water; None where none is given.
    lids
        On the units' index: ground, floodplain, when storms wet each lid and outlet, swales.
    near
        On the units' index: the nearest well, stream and protected place.
    problems, check_problems
        What could not be used, or is not known, of rows: of all measured, of setbacks alone.
    """

    county: County
    features: Mapping[str, gpd.GeoDataFrame | None]
    line95_m: Mapping[str, float]
    ground: CountyTerrain | None
    outlets: MeasuredOutlets
    search: OutletSearch
    lids: pd.DataFrame
    storms: CountyStorms | None
    ponds: gpd.GeoDataFrame
    lid_chances: LidChances
    way_chances: WayChances
    near: pd.DataFrame
    way_wells: pd.DataFrame
    checks: gpd.GeoDataFrame
    problems: pd.DataFrame
    check_problems: pd.DataFrame

    @property
    def terrain(self) -> Terrain | None:
        """The terrain's surfaces."""
        return None if self.ground is None else self.ground.model

    @property
    def columns(self) -> pd.DataFrame:
        """One row per unit: its own columns, its link, and all that was measured of it."""
        units = self.county.layers["units"]
        links = self.county.links.drop(columns="unit_id").set_axis(units.index)
        parts = [units, links, self.outlets.columns, self.lids, self.lid_chances.columns, self.near]
        table = pd.concat(parts, axis=1)
        if self.county.layer("discharge_points") is not None:
            table["pipe_drop_m"] = table["ground_m"] - table["outlet_m"]
        return table

    def under(self, setbacks: Setbacks) -> Measured:
        """The same with every setback checked against other tables."""
        county, log = replace(self.county, setbacks=setbacks), ProblemLog()
        checks = check_setbacks(county, self.features, self.terrain, self.line95_m, log)
        return replace(self, county=county, checks=checks, check_problems=log.frame())


@dataclass(frozen=True)
class CountyStorms:
    """The ponds of the storms with every way under a road open, and blocked; what was assumed."""

    opened: StormPonds
    blocked: StormPonds | None
    notes: list[str]


def measure(
    county: County, *, seed: int = 0, draws: int | None = None, steps: Steps | None = None
) -> Measured:
    """Measure all that hangs on the land and the maps, not on what was found at visits.

    Parameters
    ----------
    county
        As `layers.read_county` gives it.
    seed
        Of everything drawn.
    draws
        Of the terrain's error, in place of the county file's number; 0: none.

    Raises
    ------
    TerrainError
        When the terrain is too large for the memory at hand.
    """
    steps, log, check_log = steps or Steps(), ProblemLog(), ProblemLog()
    units, points = county.layers["units"], county.layer("discharge_points")
    features = {name: county.layer(name) for name in SCHEMAS if SCHEMAS[name].shape != "raster"}
    line95_m = {name: line_accuracy95_m(county, name) for name in SCHEMAS}

    with steps("terrain: voids, lakes, culverts, low spots, flow"):
        ground = county_terrain(county, features, log, stream_accuracy95_m=line95_m["streams"])
        terrain = None if ground is None else ground.model
    with steps("discharge points: matches, ground, flow paths"):
        outlets = measure_outlets(county, units, terrain, features, line95_m, log)
    with steps("unrecorded discharge points: where to look"):
        search = search_outlets(
            units, county.links, points, terrain, features, county.file.outlets,
            show_units=county.file.county.show_units, seed=seed,
        )  # fmt: skip
    with steps("lids: ground, low spots, flood zones"):
        lids = at_lids(county, units, terrain, features, log)
    with steps("storms: runoff, ponds over lids and discharge points"):
        storms = storms_on(county, terrain, features)
        wet = in_storms(
            units, outlets.points, lids.join(outlets.columns), storms, log,
            are_zones_given=features.get("floodplain") is not None,
        )  # fmt: skip
        swales = in_swales(county, units, outlets.points, terrain, storms)
        ponds = ponds_of(storms, units, points)
    with steps("terrain error: chances of ponds over lids"):
        opened = None if storms is None else storms.opened
        shown = ~UNITS.values(wet, "lid_wet_state").isin(["edge", "unknown"]).to_numpy()
        chances = lid_chances(county, units, terrain, opened, shown, seed=seed, draws=draws)
    with steps("flow path chances: terrain error"):
        drawn = way_chances(
            county, outlets.paths, outlets.ways.legs, terrain, features,
            line95_m=line95_m, places=outlets.ways.places, seed=seed, draws=draws,
        )  # fmt: skip
    with steps("wells, streams and protected places"):
        near = nearby(county, units, outlets, features)
        way_wells = wells_by_ways(outlets.paths, outlets.ways.legs, features["wells"], terrain)
    with steps("setbacks"):
        checks = check_setbacks(county, features, terrain, line95_m, check_log)
    return Measured(
        county=county,
        features=features,
        line95_m=line95_m,
        ground=ground,
        outlets=outlets,
        search=search,
        lids=pd.concat([lids, wet, swales], axis=1),
        storms=storms,
        ponds=ponds,
        lid_chances=chances,
        way_chances=drawn,
        near=near,
        way_wells=way_wells,
        checks=checks,
        problems=log.frame(),
        check_problems=check_log.frame(),
    )


def check_setbacks(
    county: County,
    features: Mapping[str, gpd.GeoDataFrame | None],
    terrain: Terrain | None,
    line95_m: Mapping[str, float],
    log: ProblemLog,
) -> gpd.GeoDataFrame:
    """Every setback of the county's tables, with who drinks from a well and how it lies."""
    units, permits = county.layers["units"], county.layers.get("permits")
    ground_at = None if terrain is None else partial(terrain.at, "ground")
    given = SetbackInputs(
        units=units,
        discharge_points=county.layer("discharge_points"),
        links=county.links,
        features={name: county.layers.get(name) for name in features},
        days=unit_days(
            units,
            permits,
            as_of=county.as_of,
            is_renamed=county.is_renamed("units"),
            strays=county.strays.get("permits"),
            are_lost="permits" in county.file.layers and county.is_empty("permits"),
        ),
        line_sd_m={name: a95 / LINE_95 for name, a95 in line95_m.items()},
        ground_at=ground_at,
        variances=county.layers.get("variances"),
        taped_distances=county.layers.get("taped_distances"),
        completeness=county.completeness,
        without_place=county.without_place,
        log=log,
    )
    checks = setback_checks(given, county.setbacks)
    return checks.join(well_sides(checks, features["wells"], ground_at))


def line_accuracy95_m(county: County, name: str) -> float:
    """Accuracy of a layer's lines and outlines at 95 %, in meters.

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
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
) -> CountyStorms | None:
    """The ponds of the county's storms; None without a terrain or storms."""
    section = county.file.storms
    if terrain is None or section is None or not section.depths_in:
        return None
    numbers, notes = curve_numbers_on(
        terrain.whole("ground"),
        features.get("soils"),
        county.land_cover,
        antecedent=section.antecedent,
    )
    opened, blocked = ponds_open_and_blocked(
        terrain, numbers, section.depths_in, ratio=section.initial_abstraction
    )
    return CountyStorms(opened, blocked, [_how_rain_runs_off(section), *notes])


def _how_rain_runs_off(section: StormSection) -> str:
    before = {
        "dry": "dry ground (condition I)",
        "average": "ground neither dry nor wet (condition II)",
        "wet": "wet ground (condition III)",
    }[section.antecedent]
    series = {
        "partial_duration": "the average time between such storms (partial-duration series)",
        "annual_maximum": "1 divided by the yearly chance (annual-maximum series)",
    }[section.series]
    return (
        f"Runoff is by curve number for rain on {before}, with {section.initial_abstraction:g} of"
        f" the storage filled before any water runs. A return period is {series}."
    )


def ponds_of(
    storms: CountyStorms | None,
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
    storms: CountyStorms | None,
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
            f"whether water covers its {what} is not known: the terrain ends, or has a hole, where"
            " water may pond or come in; give terrain that reaches farther",
            action="kept",
            row=int(units["source_row"].iloc[row]),
            feature_id=units["unit_id"].iloc[row],
        )


def in_swales(
    county: County,
    units: gpd.GeoDataFrame,
    outlet_points: NDArray[np.object_],
    terrain: Terrain | None,
    storms: CountyStorms | None,
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


def at_lids(
    county: County,
    units: gpd.GeoDataFrame,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    log: ProblemLog,
) -> pd.DataFrame:
    """Ground, ponding to the brim, height above drainage and flood zone at each lid."""
    points = units.geometry.to_numpy()
    ground = ground_columns(points, terrain, index=units.index)
    if terrain is not None:
        log_off_terrain("units", units, ground["ground_m"], log)
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
    outlets: MeasuredOutlets,
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
    outlet95_m: NDArray[np.float64],
    places: pd.DataFrame | None,
    line95_m: Mapping[str, float],
) -> pd.DataFrame:
    """Standard deviation of each distance a unit is rated by, under the distance's own name.

    In meters: per axis between two points, across the line to a line or an outline, from the
    stated accuracy of both ends. The way of the water is as unsure as the place it begins at;
    what the terrain's error does to it is not told.

    Parameters
    ----------
    table
        One row per unit: ``accuracy95_m``, the distances' ``_u95_m`` and ``place_id``.
    outlet95_m
        Of the units' discharge points; NaN where none is known.
    places
        Protected places: ``place_id, accuracy95_m``; None where none are given.
    """
    lid, outlet = table["accuracy95_m"].to_numpy(float) / POINT_95, outlet95_m / POINT_95
    sds = pd.DataFrame(index=table.index)
    for name in ("well_distance", "lid_well_distance"):
        sds[f"{name}_m"] = UNITS.numbers(table, f"{name}_u95_m") / LINE_95
    if places is not None:
        place95 = places.drop_duplicates("place_id").set_index("place_id")["accuracy95_m"]
        sds["place_distance_m"] = np.hypot(lid, table["place_id"].map(place95) / POINT_95)
    sds["stream_distance_m"] = np.hypot(outlet, line95_m["streams"] / LINE_95)
    sds["flood_distance_m"] = np.hypot(lid, line95_m["floodplain"] / LINE_95)
    return sds.assign(path_length_m=outlet, downstream_m=outlet)
