"""A county's chances of water over its lids: what is drawn, what it costs, and how to read it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.ponds.pond_draws import BUDGET_CELLS, PondChances, pond_chances
from geo.runoff.storms import StormPonds
from geo.terrain import Terrain
from geo.terrain.draws import ErrorModel
from geo.terrain.error_field import RANGE_M
from layers.county import County
from layers.measures import ShowUnits, format_height, format_length

NOT_STATED: Final = (
    "What the terrain's own error does to ponds is not told, since its accuracy is not stated"
    " (accuracy_m in [layers.terrain]): a pond a few inches deep may not be there, and a lid just"
    " dry may be wet."
)
SWITCHED_OFF: Final = (
    "What the terrain's own error does to ponds is not told: draws are switched off. A pond a few"
    " inches deep may not be there, and a lid just dry may be wet."
)


@dataclass(frozen=True)
class LidChances:
    """Columns on the units' index, none where nothing was drawn; the run's section; notes."""

    columns: pd.DataFrame
    section: dict[str, Any] = field(default_factory=dict)
    notes: Sequence[str] = ()


def lid_chances(
    county: County,
    units: gpd.GeoDataFrame,
    terrain: Terrain | None,
    ponds: StormPonds | None,
    shown: NDArray[np.bool_],
    *,
    seed: int,
    draws: int | None = None,
) -> LidChances:
    """What the errors of terrain and positions make of the ponds over the lids.

    Parameters
    ----------
    units
        With ``unit_id``, ``riser_height_m`` and ``accuracy95_m``.
    ponds
        Every way under a road open; None where there are no storms.
    shown
        Units of whose lids the ground is known, and all that may come to stand on it: of others no
        chance is.
    draws
        In place of ``draws`` of the county file's storms.
    """
    nothing = pd.DataFrame(index=units.index)
    storms = county.file.storms
    if terrain is None or ponds is None or storms is None:
        return LidChances(nothing)
    layer = county.file.layers["terrain"]
    asked = storms.draws if draws is None else draws
    if layer.accuracy_m is None:
        return LidChances(nothing, notes=[NOT_STATED])
    if not asked:
        return LidChances(nothing, {"made": 0, "asked": 0}, [SWITCHED_OFF])
    error = stated_error(county, draws=asked, seed=seed)
    assert error is not None
    found = pond_chances(
        units.geometry.to_numpy(),
        units["unit_id"].astype(str).tolist(),
        units["accuracy95_m"].to_numpy(float),
        units["riser_height_m"].to_numpy(float),
        ponds,
        error,
        series=storms.series,
        prefix="lid",
        index=units.index,
        pipes=terrain.cut_cells,
    )
    section = {
        "made": found.draws,
        "asked": asked,
        "terrain_accuracy95_m": layer.accuracy_m,
        "error_range_m": error.range_m,
        "error_range_stated": layer.error_range_m is not None,
        "windows": found.windows,
        "cells": found.cells,
        "budget_cells": BUDGET_CELLS,
        "greatest_standard_error": round(found.standard_error, 4),
    }
    if not found.draws:
        return LidChances(nothing, section, [_too_much(asked)])
    return LidChances(
        found.columns.where(pd.Series(shown, units.index)),
        section,
        _notes(found, error, layer.error_range_m is None, units, county.file.county.show_units),
    )


def stated_error(county: County, *, draws: int, seed: int) -> ErrorModel | None:
    """How exact the county's terrain is, as its file says; None where it does not."""
    layer = county.file.layers["terrain"]
    if layer.accuracy_m is None:
        return None
    range_m = RANGE_M if layer.error_range_m is None else layer.error_range_m
    return ErrorModel(layer.accuracy_m, range_m, draws, seed)


def _too_much(asked: int) -> str:
    return (
        "What the terrain's own error does to ponds is not told: the ground around the lids is too"
        f" large to be drawn even a few times, let alone {asked}, within the budget of"
        f" {BUDGET_CELLS / 1e9:g} billion cells."
    )


def _notes(
    found: PondChances,
    error: ErrorModel,
    is_assumed: bool,
    units: gpd.GeoDataFrame,
    show_units: ShowUnits,
) -> list[str]:
    """How to read the chances."""
    taken = ", which is an assumption" if is_assumed else ""
    how = (
        f"Chances of water over a lid come from {found.draws} draws of the terrain's error"
        f" (±{format_height(error.accuracy95_m, show_units)} at 95 %, alike within about"
        f" {format_length(error.range_m, show_units)}{taken}) and of each lid's place within its"
        " accuracy; rain, runoff and risers are taken as they are. Their sampling error is at most"
        f" ±{found.standard_error:.2f} (one standard error), and 0 means in none of the draws."
        " A chance in a year takes storms below the smallest computed as harmless and those beyond"
        " the largest as that one: it is at least so much."
    )
    notes = [how]
    if found.draws < error.draws:
        notes.append(
            f"Of {error.draws} draws asked for, {found.draws} were made, so as not to work through"
            f" more than {BUDGET_CELLS / 1e9:g} billion cells."
        )
    unmoved = int(np.isnan(units["accuracy95_m"].to_numpy(float)).sum())
    if unmoved:
        lids = "lid whose accuracy is" if unmoved == 1 else "lids whose accuracy is"
        notes.append(f"Chances of water: {unmoved} {lids} not known stayed in place in all draws.")
    return notes
