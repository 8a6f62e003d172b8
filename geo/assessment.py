"""The whole story on one page: `assess(county)`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import geopandas as gpd

from geo.land.areas import sensitivity_by_area
from geo.land.lots import lots
from geo.land.sensitivity import sensitivity
from geo.measurements import Measured, measure
from geo.order.position_fixes import worth_a_fix
from geo.past.review import Reviewed, review_records
from geo.ranking import Ranked, UnitTable, rank
from geo.result_layers import (
    context_layers,
    discharge_points_layer,
    rasters_kept,
    units_layer,
)
from geo.results.areas import areas, first_n_curve, public_cells
from geo.run_record import run_record
from geo.steps import Steps
from geo.terrain.crossings import no_cuts
from geo.waters.die_off import load_by_catchment
from layers.county import County
from layers.outputs import LOTS
from layers.outputs.groups import Areas, Search, Trust, Visits, Water
from layers.problems import merge_problems
from layers.store import Assessment


def assess(
    county: County,
    *,
    seed: int = 0,
    draws: int | None = None,
    keep_terrain: bool = False,
    progress: Callable[[str], None] | None = None,
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
    steps = Steps(progress)
    measured = measure(county, seed=seed, draws=draws, steps=steps)
    reviewed = review_records(measured, seed=seed, steps=steps)
    with steps("priorities and reasons"):
        ranked = rank(
            UnitTable.of(measured, reviewed),
            reviewed.priorities,
            owed_until=reviewed.owed_until,
            seed=seed,
        )
    return assemble(measured, reviewed, ranked, seed=seed, keep_terrain=keep_terrain, steps=steps)


def assemble(
    measured: Measured,
    reviewed: Reviewed,
    ranked: Ranked,
    *,
    seed: int = 0,
    keep_terrain: bool = False,
    steps: Steps | None = None,
) -> Assessment:
    """The assessment of what the stages before found, with its map layers and its run."""
    steps = steps or Steps()
    county = replace(measured.county, priorities=ranked.priorities)
    features, terrain, outlets = measured.features, measured.terrain, measured.outlets
    with steps("positions to measure first"):
        fixes = worth_a_fix(
            ranked.units,
            county.layer("discharge_points"),
            features["wells"],
            measured.checks,
            ranked.priorities,
        )
    with steps("sensitivity of the land"):
        step_m = county.file.land.cell_m
        land = sensitivity(measured, ranked.priorities, step_m=step_m)
        by_area = sensitivity_by_area(land, features)
    fits: gpd.GeoDataFrame = LOTS.empty_layer(county.crs)
    notes = land.notes
    if county.file.lots is not None:
        with steps("what fits on each lot"):
            fits = lots(measured)
        if fits.empty:
            notes.append("What fits on each lot is not calculated. No parcels layer was given.")
    with steps("map layers"):
        context = context_layers(features, terrain)
        rasters = rasters_kept(terrain, measured.storms, keep_terrain) | land.rasters
        placed = units_layer(ranked.units, county.crs)
        small, placed["area_id"] = areas(placed, features["catchments"])
    ways, drawn = outlets.ways, measured.way_chances.drawn
    return Assessment(
        units=placed,
        discharge_points=discharge_points_layer(county),
        flow_paths=outlets.paths,
        setback_checks=measured.checks,
        problems=merge_problems(county.problems, measured.problems, measured.check_problems),
        ponds=measured.ponds,
        visits=Visits(reviewed.owed.visits, reviewed.owed.unclear, first_n_curve(placed)),
        water=Water(
            legs=ways.legs,
            places=ways.places,
            wells=measured.way_wells,
            drawn_entries=drawn.entries,
            drawn_passes=drawn.passes,
            cuts=no_cuts(county.crs) if measured.ground is None else measured.ground.cuts,
            loads=load_by_catchment(placed),
        ),
        search=Search(measured.search.candidates, measured.search.areas),
        trust=Trust(reviewed.past.replayed, ranked.steady.worth_knowing, fixes),
        areas=Areas(
            small,
            public_cells(placed, least=county.file.public_section.least_units),
            by_area,
            fits,
        ),
        context=context,
        rasters=rasters,
        run=run_record(
            measured,
            reviewed,
            ranked,
            land=land.section,
            land_notes=notes,
            context=sorted(context),
            rasters=sorted(rasters),
            seed=seed,
            seconds=steps.seconds,
        ),
    )
