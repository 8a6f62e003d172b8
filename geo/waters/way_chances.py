"""A county's drawn ways of water: what is drawn, what it costs, and how to read it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import geopandas as gpd

from geo.ponds.lid_chances import stated_error
from geo.results.cautions import NO_RUN
from geo.terrain import Terrain
from geo.terrain.draws import DRAWS, ErrorModel
from geo.uncertainty import LINE_95
from geo.waters.drain_ends import drain_ends
from geo.waters.way_draws import BUDGET_CELLS, WayDraws, draw_ways, no_draws
from layers.county import County
from layers.measures import ShowUnits, format_height, format_length

_NOT_SHOWN: Final = "How often terrain error would move the flow paths is not calculated:"
NOT_STATED: Final = f"{_NOT_SHOWN} terrain accuracy is not given (accuracy_m in [layers.terrain])."
SWITCHED_OFF: Final = f"{_NOT_SHOWN} computer runs are turned off."
TOO_MUCH: Final = (
    f"{_NOT_SHOWN} the area around even one path is too large for computer runs within the limit"
    f" of {BUDGET_CELLS / 1e9:g} billion cells."
)


@dataclass(frozen=True)
class WayChances:
    """The drawn ways, empty where nothing was drawn; the run's section; notes."""

    drawn: WayDraws
    section: dict[str, Any] = field(default_factory=dict)
    notes: Sequence[str] = ()


def way_chances(
    county: County,
    paths: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    *,
    line95_m: Mapping[str, float],
    places: gpd.GeoDataFrame | None = None,
    seed: int,
    draws: int | None = None,
) -> WayChances:
    """What the errors of terrain and positions make of the ways over the ground.

    Parameters
    ----------
    paths, legs
        The assessment's ``flow_paths`` and ``water_legs``.
    features, line95_m
        As for `geo.waters.paths.outlet_paths`.
    places
        The assessment's ``water_places``; left out: outlets straight into drains are not told of.
    draws
        In place of ``draws`` of the county file's storms (100 where there are none).

    Returns
    -------
    The section's ``note`` says in words why nothing was drawn, where that is so.
    """
    nothing = no_draws(county.crs)
    if terrain is None or not len(paths):
        return WayChances(nothing)
    storms = county.file.storms
    asked = draws if draws is not None else DRAWS if storms is None else storms.draws
    error = stated_error(county, draws=asked, seed=seed)
    if error is None or not asked:
        why = NOT_STATED if error is None else SWITCHED_OFF
        return WayChances(nothing, {"made": 0, "asked": asked, "note": why}, [why])
    once = paths.drop_duplicates("discharge_point_id").reset_index(drop=True)
    points = county.layers["discharge_points"].set_index("discharge_point_id")
    accuracy = points["accuracy95_m"].reindex(once["discharge_point_id"]).to_numpy(float)
    ends = drain_ends(
        legs, max((line95_m.get(name, 0.0) for name in ("streams", "water_bodies")), default=0.0)
    )
    found = draw_ways(
        once, accuracy, terrain, features, legs, error,
        line95_m=line95_m, ends=ends, piped=_straight_into_drains(places, once),
    )  # fmt: skip
    section: dict[str, Any] = {
        "made": found.draws,
        "asked": asked,
        "ways": len(once),
        "ways_drawn": found.outlets,
        "drain_ends": len(ends.ways),
        "drain_ends_drawn": found.drain_ends,
        "windows": found.windows,
        "cells": found.cells,
        "budget_cells": BUDGET_CELLS,
        "not_followed": round(found.not_followed, 4),
    }
    if not found.draws:
        return WayChances(nothing, section | {"note": TOO_MUCH}, [TOO_MUCH])
    notes = _notes(found, len(once), len(ends.ways), error, county.file.county.show_units)
    return WayChances(found, section, notes)


def _straight_into_drains(
    places: gpd.GeoDataFrame | None, paths: gpd.GeoDataFrame
) -> gpd.GeoDataFrame | None:
    """Where outlets without a way over the ground come into drains."""
    if places is None or not len(places):
        return None
    is_outlet = places["kind"] == "outlet"
    return places[is_outlet & ~places["discharge_point_id"].isin(paths["discharge_point_id"])]


def _notes(
    found: WayDraws, ways: int, drain_ends: int, error: ErrorModel, show_units: ShowUnits
) -> list[str]:
    """How to read the chances."""
    after = ""
    if drain_ends:
        after = " Paths from the ends of drains are included." if found.drain_ends else (
            " Paths from the ends of drains are not included: that would take too long."
        )  # fmt: skip
    how = (
        f"Flow paths were calculated in {found.draws} computer runs. Each run moves the terrain,"
        f" give or take {format_height(error.accuracy95_m, show_units)}, with errors alike within"
        f" about {format_length(error.range_m, show_units)}, and each discharge point within its"
        f" position accuracy.{after} A chance is good to about"
        f" {round(100 * LINE_95 * 0.5 / found.draws**0.5)} in 100. {NO_RUN}"
    )
    notes = [how]
    if found.outlets < ways:
        notes.append(
            f"The paths of {found.outlets:,} of {ways:,} discharge points were run, to stay within"
            f" {BUDGET_CELLS / 1e9:g} billion cells. Those upstream of a swimming area or water"
            " intake came first, then those that reach mapped water. The rest have only the chance"
            " by position."
        )
    if found.draws < error.draws:
        notes.append(
            f"{found.draws} of {error.draws} computer runs of flow paths were made, to stay within"
            f" {BUDGET_CELLS / 1e9:g} billion cells."
        )
    if found.not_followed >= 0.005:
        notes.append(
            f"{found.not_followed:.0%} of the paths in computer runs left the area searched. They"
            " count as passing nothing beyond it."
        )
    return notes
