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
from geo.uncertainty import LINE_95
from layers.county import County
from layers.measures import ShowUnits, format_height, format_length

_NOT_CALCULATED: Final = "The effect of terrain error on ponding is not calculated:"
_SHALLOW: Final = "A pond a few inches deep may not exist, and a lid shown just dry may be wet."
NOT_STATED: Final = (
    f"{_NOT_CALCULATED} terrain accuracy is not given (accuracy_m in [layers.terrain]). {_SHALLOW}"
)
SWITCHED_OFF: Final = f"{_NOT_CALCULATED} computer runs are turned off. {_SHALLOW}"


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
        f"{_NOT_CALCULATED} the area around the lids is too large for {asked} computer runs, or"
        f" even a few, within the limit of {BUDGET_CELLS / 1e9:g} billion cells."
    )


def _notes(
    found: PondChances,
    error: ErrorModel,
    is_assumed: bool,
    units: gpd.GeoDataFrame,
    show_units: ShowUnits,
) -> list[str]:
    """How to read the chances."""
    taken = " (an assumption)" if is_assumed else ""
    how = (
        f"Chances of water over a lid come from {found.draws} computer runs. Each run moves the"
        f" terrain, give or take {format_height(error.accuracy95_m, show_units)}, with errors alike"
        f" within about {format_length(error.range_m, show_units)}{taken}, and each lid within its"
        " position accuracy. Rain, runoff and risers are not varied. A chance is good to about"
        f" {round(100 * LINE_95 * found.standard_error)} in 100; 0 means in no computer run. A"
        " yearly chance counts storms below the smallest modeled as harmless."
    )
    notes = [how]
    if found.draws < error.draws:
        notes.append(
            f"{found.draws} of {error.draws} computer runs were made, to stay within"
            f" {BUDGET_CELLS / 1e9:g} billion cells."
        )
    unmoved = int(np.isnan(units["accuracy95_m"].to_numpy(float)).sum())
    if unmoved:
        lids = "1 lid has" if unmoved == 1 else f"{unmoved} lids have"
        notes.append(f"{lids} no position accuracy on record and did not move in any computer run.")
    return notes
