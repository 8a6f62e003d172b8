"""The whole story on one page: `assess(county)`."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import pandas as pd

from geo.measurements import (
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
from geo.order.position_fixes import worth_a_fix
from geo.order.priorities import prioritise
from geo.order.reasons import add_reasons
from geo.order.steadiness import how_steady
from geo.outlets.search import search_outlets
from geo.past.past_visits import past_visits
from geo.ponds.lid_chances import lid_chances
from geo.programme.history import history_columns, unit_days
from geo.programme.owed import must_visit, owed_in
from geo.programme.unclear import gaps_of_records
from geo.result_layers import (
    context_layers,
    discharge_points_layer,
    rasters_kept,
    units_layer,
)
from geo.results.areas import areas, first_n_curve, public_cells
from geo.run_record import method_notes, run_record, season_section
from geo.setbacks.checks import SetbackInputs, setback_checks
from geo.setbacks.well_sides import well_sides
from geo.terrain.county_terrain import county_terrain
from geo.terrain.crossings import no_cuts
from geo.uncertainty import LINE_95
from geo.waters.die_off import load_by_catchment, load_section
from geo.waters.way_chances import way_chances
from geo.waters.well_heights import wells_by_ways
from layers.county import County
from layers.fields.schemas import SCHEMAS
from layers.outputs import UNITS
from layers.problems import ProblemLog, merge_problems
from layers.store import Assessment

Say = Callable[[str], None]


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
        flood = lids.join(outlets.columns)
        storm_table = in_storms(
            units, outlets.points, flood, storms, log,
            are_zones_given=features.get("floodplain") is not None,
        )  # fmt: skip
        swales = in_swales(county, units, outlets.points, terrain, storms)
        ponds = ponds_of(storms, units, county.layer("discharge_points"))
    with step("terrain's error: chances of ponds over lids"):
        opened = None if storms is None else storms.opened
        told = ~UNITS.values(storm_table, "lid_wet_state").isin(["edge", "unknown"]).to_numpy()
        chances = lid_chances(county, units, terrain, opened, told, seed=seed, draws=draws)
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
                features={name: county.layers.get(name) for name in features},
                days=unit_days(
                    units,
                    county.layers.get("permits"),
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
            ),
            county.setbacks,
        )
        checks = checks.join(well_sides(checks, features["wells"], ground_at))
    with step("records: age, findings, visits that are owed"):
        records = history_columns(
            units, county.layers.get("inspections"), as_of=county.as_of,
            strays=county.strays.get("inspections"),
        )  # fmt: skip
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
        if county.layer("discharge_points") is not None:
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
            add_reasons(
                told,
                checks,
                county.priorities,
                show_units=county.file.county.show_units,
                more_gaps=gaps_of_records(owed.unclear, county.problems),
            )
        )
    with step("positions worth taking"):
        fixes = worth_a_fix(
            table, county.layer("discharge_points"), features["wells"], checks, county.priorities
        )
    with step("map layers"):
        context = context_layers(features, terrain)
        rasters = rasters_kept(terrain, storms, keep_terrain)
        placed = units_layer(table, county.crs)
        small, placed["area_id"] = areas(placed, features["catchments"])
    notes = [*owed.notes, *past.notes, *method_notes(county, terrain, storms, table)]
    notes += [*chances.notes, *drawn.notes, *search.notes]
    made = {
        "context": context,
        "rasters": rasters,
        "notes": notes,
        "season": season_section(owed),
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
        discharge_points=discharge_points_layer(county),
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
        owed_unclear=owed.unclear,
        replay=past.replayed,
        outlet_candidates=search.candidates,
        outlet_search_areas=search.areas,
        terrain_cuts=no_cuts(county.crs) if ready is None else ready.cuts,
        ponds=ponds,
        areas=small,
        public_cells=public_cells(placed, least=county.file.public_section.least_units),
        first_visits=first_n_curve(placed),
        loads=load_by_catchment(placed),
        problems=merge_problems(county.problems, log.frame()),
        context=context,
        rasters=rasters,
        run=run_record(county, made, seed=seed, line95_m=line95_m, seconds=step.seconds),
    )


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
