"""What the formulas of the spreadsheet give, stored beside them for programs that do not reckon.

The same sums as the formulas, in numpy; a test reckons the formulas with a library of its own and
holds every stored value against it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from layers.outputs import UNITS

Values = NDArray[np.float64]


@dataclass(frozen=True)
class ScoreInput:
    """One input of a part; ``number`` is its place among all, which names its table."""

    number: int
    part: str
    column: str
    unit: str
    unless: str
    weighty: bool
    curve: Sequence[tuple[float, float]]
    ratings: Mapping[str, float]


@dataclass(frozen=True)
class ScoreValues:
    """One value a unit: of inputs by number (NaN for none), of parts by name, of the score.

    ``lacking``: where an input that weighs is not known.
    """

    of_input: Mapping[int, Values]
    lacking: Mapping[int, NDArray[np.bool_]]
    of_part: Mapping[str, Values]
    share: Mapping[str, Values]
    likelihood: Values
    harm: Values
    score: Values


def score_values(
    units: pd.DataFrame,
    parts: Mapping[str, Mapping[str, Any]],
    inputs: Sequence[ScoreInput],
    not_scored: Mapping[str, Sequence[str]],
) -> ScoreValues:
    """Ratings, shares and scores of each unit from the columns of the sheet ``Units``."""
    n = len(units)
    of_input = {item.number: _of_input(units, item) for item in inputs}
    lacking = {item.number: _is_lacking(units, item, of_input[item.number]) for item in inputs}
    of_part, sums = {}, {"likelihood": np.zeros(n), "harm": np.zeros(n)}
    for name, part in parts.items():
        mine = [item for item in inputs if item.part == name]
        own = np.array([of_input[item.number] for item in mine])
        is_known = ~np.isnan(own)
        best = np.where(is_known, own, -np.inf).max(axis=0)
        lacks = np.any([lacking[item.number] for item in mine], axis=0)
        lacks |= ~is_known.any(axis=0)
        of_part[name] = np.where(lacks, np.maximum(best, float(part["unknown"])), best)
        sums[part["axis"]] += part["weight"] * of_part[name]
    left_out = np.zeros(n, bool)
    for column, words in not_scored.items():
        if column in units:
            left_out |= units[column].isin(list(words)).to_numpy(bool)
    harm, likelihood = sums["harm"], np.where(left_out, 0.0, sums["likelihood"])
    share = {}
    for name, part in parts.items():
        own_share = 50 * part["weight"] * of_part[name]
        other = np.where(likelihood == 0, 0.0, harm) if part["axis"] != "harm" else likelihood
        share[name] = own_share * other
    return ScoreValues(of_input, lacking, of_part, share, likelihood, harm, 100 * likelihood * harm)


def _is_lacking(units: pd.DataFrame, item: ScoreInput, rating: Values) -> NDArray[np.bool_]:
    """Where an input that weighs is not known, nor what says the same better."""
    lacks = UNITS.is_open(units, item.column) & np.isnan(rating)
    return lacks & ~_is_stated_better(units, item) & item.weighty


def _is_stated_better(units: pd.DataFrame, item: ScoreInput) -> NDArray[np.bool_]:
    if not item.unless:
        return np.zeros(len(units), bool)
    return ~UNITS.is_open(units, item.unless) & ~UNITS.is_left_open(units, item.column)


def _of_input(units: pd.DataFrame, item: ScoreInput) -> Values:
    if item.curve:
        value = UNITS.numbers(units, item.column)
        x, y = np.array(item.curve, float).T
        rating = np.where(np.isfinite(value), np.interp(value, x, y), np.nan)
    else:
        words = UNITS.values(units, item.column)
        rating = words.map(item.ratings).to_numpy(float, na_value=np.nan)
    rating = np.where(UNITS.is_none(units, item.column), 0.0, rating)
    return np.where(_is_stated_better(units, item), np.nan, rating)
