"""The whole story on one page: `assess(county)`."""

from __future__ import annotations

import fnmatch
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from importlib.metadata import version
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from geo.areas import areas, first_n_curve, public_cells
from geo.ground.county_terrain import county_terrain
from geo.ground.crossings import no_cuts
from geo.history import history_columns, unit_days
from geo.measurements import (
    Storms,
    at_lids,
    at_outlets,
    distance_sds,
    in_storms,
    in_swales,
    line_accuracy95_m,
    nearby,
    ponds_of,
    storms_on,
)
from geo.order.steadiness import how_steady
from geo.outlets import search_outlets
from geo.past.past_visits import past_visits
from geo.ponds.lid_chances import lid_chances
from geo.priorities import prioritise
from geo.programme.owed import CountyOwed, must_visit, owed_in
from geo.reasons import add_reasons
from geo.setbacks import SetbackInputs, setback_checks
from geo.summaries import worth_a_fix
from geo.terrain import TerrainModel, hillshade
from geo.uncertainty import CHANCE_FORMS, LINE_95
from geo.waters.die_off import load_by_catchment, load_section
from geo.waters.way_chances import way_chances
from geo.waters.well_heights import wells_by_ways
from geo.well_sides import well_sides
from layers.county import County
from layers.grid import GridSource
from layers.problems import ProblemLog, merge_problems
from layers.schemas import SCHEMAS
from layers.store import CONTEXT, Assessment

Say = Callable[[str], None]
# Heights drawn steeper than they are, or farmland looks flat. Common practice, no source.
RELIEF_STEEPER: Final = np.float32(2.5)
LIBRARIES: Final = ("rillmark", "geopandas", "numba", "numpy", "pyproj", "rasterio", "shapely")


def assess(
    county: County,
    *,
    seed: int = 0,
    draws: int | None = None,
    keep_terrain: bool = False,
    progress: Say | None = None,
) -> Assessment:
    """Everything known of every unit, in the order in which to see them, with reasons.

    Parameters
    ----------
    county
        As `layers.read_county` gives it.
    seed
        Of everything drawn; recorded with the run.
    draws
        Of the terrain's error, in place of the county file's number; 0: none.
    keep_terrain
        Also keep the filled surface, flow accumulation and height above drainage as rasters.
    progress
        Called with a few words as each step begins.

    Raises
    ------
    TerrainError
        When the terrain is too large for the memory at hand.
    """
    step = _Steps(progress)
    log = ProblemLog()
    units = county.layers["units"]
    features = {name: county.layer(name) for name in SCHEMAS if SCHEMAS[name].shape != "raster"}
    line95_m = {name: line_accuracy95_m(county, name) for name in SCHEMAS}

    with step("terrain: closing voids, levelling lakes, opening culverts, filling hollows, flow"):
        ready = county_terrain(county, features, log, stream_accuracy95_m=line95_m["streams"])
        terrain = None if ready is None else ready.model
    with step("discharge points: links, ground, flow paths"):
        outlets = at_outlets(county, units, terrain, features, line95_m, log)
    with step("outlets nobody knows: where to look"):
        search = search_outlets(
            units,
            county.links,
            county.layer("discharge_points"),
            terrain,
            features,
            county.file.outlets,
            show_units=county.file.county.show_units,
            seed=seed,
        )
    with step("lids: ground, ponding to the brim, floodplain"):
        lids = at_lids(county, units, terrain, features, log)
    with step("storms: runoff, ponds over lids and outlets"):
        storms = storms_on(county, terrain, features)
        storm_table = in_storms(units, outlets.points, storms)
        swales = in_swales(county, units, outlets.points, terrain, storms)
        ponds = ponds_of(storms, units, county.layer("discharge_points"))
    with step("terrain's error: chances of ponds over lids"):
        opened = None if storms is None else storms.opened
        chances = lid_chances(county, units, terrain, opened, seed=seed, draws=draws)
    with step("ways of water: the terrain's error"):
        drawn = way_chances(
            county, outlets.paths, outlets.ways.legs, terrain, features,
            line95_m=line95_m, places=outlets.ways.places, seed=seed, draws=draws,
        )  # fmt: skip
    with step("wells, streams and protected places"):
        near = nearby(county, units, outlets, features)
        way_wells = wells_by_ways(outlets.paths, outlets.ways.legs, features["wells"], terrain)
    with step("setbacks"):
        ground_at = None if terrain is None else terrain.ground_at
        checks = setback_checks(
            SetbackInputs(
                units=units,
                discharge_points=county.layer("discharge_points"),
                links=county.links,
                features=features,
                days=unit_days(units, county.layers.get("permits"), as_of=county.as_of),
                line_sd_m={name: a95 / LINE_95 for name, a95 in line95_m.items()},
                ground_at=ground_at,
                variances=county.layers.get("variances"),
                taped_distances=county.layers.get("taped_distances"),
                completeness=county.completeness,
            ),
            county.setbacks,
        )
        checks = checks.join(well_sides(checks, features["wells"], ground_at))
    with step("records: age, findings, visits that are owed"):
        records = history_columns(units, county.layers.get("inspections"), as_of=county.as_of)
        owed = owed_in(county)
        last_day = owed.season.last_day
        records = records.join(must_visit(units, owed.visits, until=last_day))
        county = replace(county, priorities=county.priorities.for_season(*owed.visits_left))
    with step("what past visits taught"):
        links = county.links.drop(columns="unit_id").set_axis(units.index)
        parts = [
            units,
            links,
            outlets.columns,
            lids,
            storm_table,
            swales,
            chances.columns,
            near,
            records,
        ]
        table = pd.concat(parts, axis=1)
        if "outlet_m" in table:
            table["pipe_drop_m"] = table["ground_m"] - table["outlet_m"]
        past = past_visits(table, county, season=owed.season, seed=seed)
        table = table.join(past.columns)
        county = replace(county, priorities=county.priorities.for_columns(table.columns))
    with step("priorities and reasons"):
        order = prioritise(table, county.priorities, owed_until=last_day)
        spreads = distance_sds(table, outlets, features, line95_m)
        steady = how_steady(table, order, county.priorities, spreads, seed=seed)
        table = pd.concat([order, steady.columns, table], axis=1)
        told = table.join(spreads.add_suffix("_sd"))
        table = table.join(
            add_reasons(told, checks, county.priorities, show_units=county.file.county.show_units)
        )
    with step("positions worth taking"):
        fixes = worth_a_fix(
            table, county.layer("discharge_points"), features["wells"], checks, county.priorities
        )
    with step("map layers"):
        context = _context(features, terrain)
        rasters = _rasters(terrain, storms, keep_terrain)
        placed = _units_layer(table, county.crs)
        small, placed["area_id"] = areas(placed, features["catchments"])
    notes = [*owed.notes, *past.notes, *_notes(county, terrain, storms, table), *chances.notes]
    notes += [*drawn.notes, *search.notes]
    made = {
        "context": context,
        "rasters": rasters,
        "notes": notes,
        "season": _season(owed),
        "steadiness": steady.section,
        "learned": past.learned,
        "replay": past.replay,
        "draws": chances.section,
        "way_draws": drawn.section,
        "outlet_candidates": search.section,
        "loads": load_section(),
    }
    return Assessment(
        units=placed,
        discharge_points=_discharge_points_layer(county),
        flow_paths=outlets.paths,
        water_legs=outlets.ways.legs,
        water_places=outlets.ways.places,
        way_wells=way_wells,
        drawn_entries=drawn.drawn.entries,
        drawn_passes=drawn.drawn.passes,
        setback_checks=checks,
        worth_a_fix=fixes,
        worth_knowing=steady.worth_knowing,
        owed=owed.visits,
        replay=past.replayed,
        outlet_candidates=search.candidates,
        outlet_search_areas=search.areas,
        terrain_cuts=no_cuts(county.crs) if ready is None else ready.cuts,
        ponds=ponds,
        areas=small,
        public_cells=public_cells(placed),
        first_visits=first_n_curve(placed),
        loads=load_by_catchment(placed),
        problems=merge_problems(county.problems, log.frame()),
        context=context,
        rasters=rasters,
        run=_run(county, made, seed=seed, line95_m=line95_m, seconds=step.seconds),
    )


def _notes(
    county: County, terrain: TerrainModel | None, storms: Storms | None, table: pd.DataFrame
) -> list[str]:
    """What the method cannot know, in words."""
    notes = []
    placed = table[table["ranked_by"] != "nothing"]
    due = placed["must_visit_by"].where(placed["ranked_by"] == "owed")
    if len(placed) > 1 and len(placed[["score"]].assign(due=due).drop_duplicates()) == 1:
        notes.append(
            "Nothing on record tells the units apart: they stand in the order of their ids, and"
            " none is put before another."
        )
    if terrain is not None and storms is None:
        notes.append(
            "Ponding is told to the brim: how deep water would stand if a hollow filled until it"
            " spills. No storms are given, so how much rain that takes is not told."
        )
    if storms is not None:
        notes += [
            (
                "Ponds are those a storm's runoff leaves where nothing drains or soaks away: not"
                " snowmelt, not frozen ground, no pipe that is not mapped. The score takes every"
                " mapped culvert, and every road cut open where a mapped stream crosses it, as a"
                " pipe without limit; what wets a lid with all of them blocked stands beside it."
            ),
            (
                "Running water over a lid is an estimate, told where an acre or more drains past"
                " within 10 ft: the peak by the graphical method of TR-55 with no pond to hold it"
                " back, as steady flow (Manning) in two straight sides fitted to the ground."
            ),
            *storms.notes,
        ]
    if terrain is not None:
        notes.append(
            "Flow paths follow the terrain's surface; pipes and culverts that are not mapped are"
            " not known to them."
        )
    if county.layer("protected_places") is not None:
        notes.append(
            "Down the water only mapped streams, water bodies and drains are followed: where no"
            " bathing place or intake is named, none on record is reached by them."
        )
    if not any(table.is_adopted for table in county.setbacks.tables):
        notes.append("No setback table is in force: distances are measured without a verdict.")
    return notes


class _Steps:
    """Says which step begins and keeps how long each took."""

    def __init__(self, progress: Say | None) -> None:
        self.progress = progress
        self.seconds: dict[str, float] = {}

    @contextmanager
    def __call__(self, name: str) -> Iterator[None]:
        if self.progress:
            self.progress(name)
        start = time.perf_counter()
        yield
        self.seconds[name.split(":")[0]] = round(time.perf_counter() - start, 3)


# The order of columns in the units layer; others follow in the order in which they were made.
_FIRST: Final = (
    "unit_id", "visit_class", "rank", "rank_low", "rank_high", "ranked_by",
    "first_class_chance", "score", "likelihood", "harm", "reasons",
    "why_due", "must_visit_by", "danger_open", "data_gaps",
    "part_*", "discharge_point_id", "link_method", "link_confirmed", "pipe_length_m",
    "pipe_bearing_deg", "pipe_drop_m", "outlet_state", "well_id", "well_distance_m",
    "well_distance_u95_m", "stream_id", "stream_distance_m", "flood_zone", "flood_hazard",
    "flood_distance_m", "flood_inside_m", "flood_depth_m", "ground_m", "hand_m",
    "lid_pond_depth_brim_m", "lid_pond_depth_*yr_m", "lid_freeboard_*yr_m", "lid_wet_state",
    "lid_wet_return_yr", "lid_wet_state_blocked", "lid_wet_return_blocked_yr",
    "lid_wet_*yr_probability", "lid_wet_annual_probability", "lid_depression_probability",
    "lid_upslope_area_m2", "lid_swale_state", "lid_swale_depth_m", "lid_swale_storm_yr",
    "lid_swale_flow_m3_s",
    "outlet_pond_depth_brim_m", "outlet_wet_state", "outlet_wet_return_yr",
    "outlet_upslope_area_m2",
    "outlet_flood_zone", "outlet_flood_depth_m", "path_length_m",
    "path_drop_m", "path_end", "path_end_id", "parcels_crossed", "storm_runoff_minutes",
    "downstream_place", "downstream_place_kind", "downstream_m", "wells_downhill", "lid_well_id",
    "lid_well_distance_m", "lid_well_distance_u95_m", "place_id", "place_kind",
    "place_distance_m", "days_since_inspection", "last_result", "age_years", "trouble_chance",
    "trouble_chance_low", "trouble_chance_high", "trouble_chance_county",
    "trouble_group", "visit_by_lot",
)  # fmt: skip
_WORKING: Final = ("deciding_*", "outlet_m", "*_bearing_deg", "source_row")


def _units_layer(table: pd.DataFrame, crs: CRS) -> gpd.GeoDataFrame:
    """The units in rank order, contract columns first, working columns left behind."""
    names = [n for pattern in _FIRST for n in fnmatch.filter(table.columns, pattern)]
    drop = {n for pattern in _WORKING for n in fnmatch.filter(table.columns, pattern)} - {
        "pipe_bearing_deg"
    }
    names += [n for n in table.columns if n not in names and n not in drop and n != "geometry"]
    ordered = table.sort_values("rank").reset_index(drop=True)
    return gpd.GeoDataFrame(ordered[names], geometry=ordered["geometry"].to_numpy(), crs=crs)


def _context(
    features: Mapping[str, gpd.GeoDataFrame | None], terrain: TerrainModel | None
) -> dict[str, gpd.GeoDataFrame]:
    """The county's own layers for maps and sheets; wells with the height of their ground."""
    context = {name: layer for name in CONTEXT if (layer := features.get(name)) is not None}
    if terrain is not None and "wells" in context:
        at = context["wells"].geometry
        ground_m = terrain.ground_at(at.x.to_numpy(float), at.y.to_numpy(float))
        context["wells"] = context["wells"].assign(ground_m=ground_m)
    return context


def _discharge_points_layer(county: County) -> gpd.GeoDataFrame:
    points = county.layer("discharge_points")
    if points is None:
        return gpd.GeoDataFrame(
            {"discharge_point_id": [], "unit_id": []}, geometry=[], crs=county.crs
        )
    return points.drop(columns="source_row").reset_index(drop=True)


def _rasters(
    terrain: TerrainModel | None, storms: Storms | None, keep_terrain: bool
) -> dict[str, GridSource]:
    if terrain is None:
        return {}
    ground = terrain.ground
    closed = np.where(np.isnan(ground.values), terrain.opened.values, ground.values)
    rasters: dict[str, GridSource] = {
        "relief": ground.with_values(hillshade(RELIEF_STEEPER * closed, ground.cell_m)),
        "pond_depth_brim": terrain.pond_depth,
    }
    if storms is not None:
        for years in storms.opened.by_storm:
            rasters[f"pond_depth_{years}yr"] = storms.opened.raster(years)
    if keep_terrain:
        rasters["filled"] = terrain.filled
        rasters["flow_accumulation"] = terrain.accumulation
        if terrain.hand is not None:
            rasters["hand"] = terrain.hand
    return rasters


def _season(owed: CountyOwed) -> dict[str, Any]:
    """The season the visit classes were sized to, as plain data."""
    season = owed.season
    return {
        "first_day": season.first_day.isoformat(),
        "last_day": season.last_day.isoformat(),
        "visits": season.visits,
    }


def _run(
    county: County,
    result: Mapping[str, Any],
    *,
    seed: int,
    line95_m: Mapping[str, float],
    seconds: Mapping[str, float],
) -> dict[str, Any]:
    """What a reader needs to know how the result came to be, and to make it again."""
    method = county.priorities.model_dump(mode="json")
    return {
        "county": {
            "name": county.file.county.name,
            "invented": county.file.county.invented,
            "show_units": county.file.county.show_units,
        },
        "as_of": county.as_of.isoformat(),
        "seed": seed,
        "crs": county.crs.to_string(),
        "settings": county.file.model_dump(mode="json", exclude_none=True),
        "setback_tables": [
            t.model_dump(mode="json", exclude={"rules"}, exclude_none=True)
            for t in county.setbacks.tables
        ],
        "chance_of_short": dict(CHANCE_FORMS),
        "parts": method["parts"],
        "visit_classes": method["classes"],
        "not_scored": method["not_scored"],
        "line_accuracy95_m": {
            name: round(line95_m[name], 2)
            for name in SCHEMAS
            if county.layer(name) is not None and SCHEMAS[name].shape in ("line", "polygon")
        },
        "inputs": dict(county.inputs),
        "transforms": county.transforms.round(3).to_dict("records"),
        "completeness": dict(county.completeness),
        "counts": county.counts.to_dict("records"),
        "notes": [*county.notes, *result["notes"]],
        "season": result["season"],
        "steadiness": result["steadiness"],
        "learned": result["learned"],
        "replay": result["replay"],
        "draws": result["draws"],
        "way_draws": result["way_draws"],
        "outlet_candidates": result["outlet_candidates"],
        "loads": result["loads"],
        "context": sorted(result["context"]),
        "rasters": sorted(result["rasters"]),
        "versions": {"python": sys.version.split()[0]}
        | {name: version(name) for name in LIBRARIES},
        "timings_s": dict(seconds),
    }
