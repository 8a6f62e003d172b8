"""Distances taped on site, beside the map's or in their place."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from geo.setbacks.inputs import SetbackInputs
from geo.uncertainty import LINE_95
from layers.settings.setback_tables import SetbackRule

# A distance taped on site, where the record states no accuracy; common practice, no source.
TAPED_SD_M: Final = 0.15


def with_tapes(
    given: SetbackInputs, asked: pd.DataFrame, rules: Sequence[SetbackRule], pairs: pd.DataFrame
) -> pd.DataFrame:
    """Each pair of place and feature, with the distances that were taped.

    A tape takes the place of the map's distance to the same feature where both agree within their
    errors and its day is known. Any other stands beside: it counts only where it is graver.

    Parameters
    ----------
    asked
        One row per rule and place, by rule: ``rule`` (position in ``rules``), ``unit_id``.
    pairs
        ``place`` (position in ``asked``, ascending), ``feature_id, distance_m, inside_m,
        feature_sd_m, sd_m, sure, measured_by, geometry``.
    """
    taped = given.taped_distances
    if taped is None or not len(taped):
        return pairs
    taped = taped[~given.is_later(taped["date"]) & taped["distance_m"].notna()]
    taped = taped[taped["unit_id"].isin(asked["unit_id"])].sort_values("distance_m")
    parts, done = [], 0
    ends = np.searchsorted(asked["rule"], np.arange(len(rules) + 1))
    for k, rule in enumerate(rules):
        mine = taped[(taped["part"] == rule.part) & (taped["feature"] == rule.feature)]
        if not len(mine):
            continue
        begin, end = np.searchsorted(pairs["place"], ends[k : k + 2])
        units = asked["unit_id"].iloc[ends[k] : ends[k + 1]]
        parts += [
            pairs.iloc[done:begin],
            _with_tapes_of(given, mine, units, rule, pairs.iloc[begin:end]),
        ]
        done = end
    return pd.concat([*parts, pairs.iloc[done:]], ignore_index=True) if parts else pairs


def _with_tapes_of(
    given: SetbackInputs,
    tapes: pd.DataFrame,
    units: pd.Series,
    rule: SetbackRule,
    pairs: pd.DataFrame,
) -> pd.DataFrame:
    """The pairs of one rule; ``units`` are the ids of its places, on their positions."""
    places = pd.Series(units.index.to_numpy(), units.to_numpy())
    pairs = pairs.reset_index(drop=True)
    beside: list[dict[str, Any]] = []
    done: set[Hashable] = set()
    for tape in tapes.to_dict("records"):
        sd = tape["accuracy_m"] / LINE_95 if pd.notna(tape["accuracy_m"]) else TAPED_SD_M
        here = np.atleast_1d(places.loc[tape["unit_id"]])
        same = pairs[pairs["place"].isin(here) & (pairs["feature_id"] == tape["feature_id"])]
        off = (same["distance_m"] - tape["distance_m"]).abs()
        fits = same[(off <= LINE_95 * np.hypot(same["sd_m"].astype(float), sd)).to_numpy(bool)]
        is_known = pd.notna(tape["feature_id"]) and pd.notna(tape["date"])
        if is_known and len(fits) and not done.intersection(fits.index):
            at = fits.index
            done.update(at)
            pairs.loc[at, ["distance_m", "inside_m"]] = [tape["distance_m"], 0.0]
            pairs.loc[at, "sd_m"], pairs.loc[at, "measured_by"] = sd, "tape"
            continue
        if pd.notna(tape["feature_id"]) and not len(same) and rule.where:
            continue  # the rule does not speak of it, or nobody knows that it does
        _warn_of(given, tape, is_known=is_known, maps=same["distance_m"])
        beside += [
            {
                "place": place,
                "feature_id": tape["feature_id"],
                "distance_m": tape["distance_m"],
                "inside_m": 0.0,
                "feature_sd_m": 0.0,
                "sd_m": sd,
                "sure": not rule.where or len(same) > 0,
                "measured_by": "tape",
                "geometry": None,
            }
            for place in here
        ]
    return pd.concat([pairs, pd.DataFrame(beside)], ignore_index=True) if beside else pairs


def _warn_of(
    given: SetbackInputs, tape: Mapping[Hashable, Any], *, is_known: bool, maps: pd.Series
) -> None:
    """A problem for a tape that stands beside the map's distance, but for one to what has none."""
    if is_known and not len(maps):
        return
    text = f"{tape['distance_m']:g} m measured by tape"
    code = "tape_incomplete"
    if is_known:
        code, text = "tape_contradicts_map", f"{text}, {maps.min():.1f} m on the map"
    elif pd.isna(tape["feature_id"]):
        text += ", to a feature that is not named"
    else:
        text += ", with no date"
    row, name = tape["source_row"], tape["taped_distance_id"]
    given.log.add(
        "taped_distances",
        code,
        text,
        action="kept",
        row=None if pd.isna(row) else int(row),
        feature_id=None if pd.isna(name) else str(name),
    )
