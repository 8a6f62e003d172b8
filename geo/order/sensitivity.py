"""Which weights and inputs the order hangs on most: variance-based sensitivity, for analysts.

Needs SALib, which comes with the extra ``analysis``; nothing else in Rillmark does.

First-order index: the share of the variance of a result that one input explains alone; total
index: the share in which it has a part, alone or together with others (Sobol' 1993; sampled and
estimated as by Saltelli et al., Comput. Phys. Commun. 181, 2010, 259; both from memory).
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.order.priorities import is_scored, rate_part
from layers.settings.priority_settings import Priorities

EXTRA: Final = "analysis"
SENSITIVITY: Final = [
    "input", "first_order", "first_order_low", "first_order_high", "total", "total_low",
    "total_high",
]  # fmt: skip
Model = Callable[[NDArray[np.float64]], NDArray[np.float64]]


def sensitivity(
    model: Model,
    bounds: Mapping[str, tuple[float, float]],
    *,
    samples: int = 1024,
    seed: int = 0,
) -> pd.DataFrame:
    """First-order and total indices of a function's inputs, each evenly spread over its bounds.

    Parameters
    ----------
    model
        Takes an array of shape (n, inputs), returns one of shape (n,).
    bounds
        By input: lowest and highest value.
    samples
        Base samples, a power of 2; the model is asked samples x (inputs + 2) times.

    Returns
    -------
    One row per input, in the order given: ``first_order`` and ``total`` with their 95 % bands.
    All null where the model's result never changes: then there is nothing to share out.

    Raises
    ------
    ImportError
        When SALib is not installed.
    ValueError
        For fewer than two inputs, bounds that do not rise, or ``samples`` no power of 2.
    """
    sampler, analyzer = _salib("SALib.sample.sobol"), _salib("SALib.analyze.sobol")
    if len(bounds) < 2:
        raise ValueError("sensitivity compares inputs: give two or more")
    for name, (low, high) in bounds.items():
        if not low < high:
            raise ValueError(f"the bounds of {name!r} must rise, not {low:g} to {high:g}")
    if samples < 2 or samples & (samples - 1):
        raise ValueError(f"samples must be a power of 2, not {samples}")
    names = list(bounds)
    problem = {
        "num_vars": len(names),
        "names": names,
        "bounds": [list(bounds[name]) for name in names],
    }
    asked = sampler.sample(problem, samples, calc_second_order=False, seed=seed)
    answers = np.asarray(model(asked), float)
    if answers.shape != (len(asked),):
        raise ValueError(f"the model must give {len(asked)} values, not shape {answers.shape}")
    out = pd.DataFrame({"input": names}).reindex(columns=SENSITIVITY)
    if np.ptp(answers) == 0:
        return out
    # SALib takes a seed of 0 for none
    found = analyzer.analyze(problem, answers, calc_second_order=False, seed=seed + 1)
    for column, index in (("first_order", "S1"), ("total", "ST")):
        out[column] = found[index]
        out[f"{column}_low"] = found[index] - found[f"{index}_conf"]
        out[f"{column}_high"] = found[index] + found[f"{index}_conf"]
    return out


def _salib(name: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise ImportError(
            f"sensitivity needs SALib, which is not installed: pip install 'rillmark[{EXTRA}]'"
        ) from error


def order_sensitivity(
    table: pd.DataFrame,
    priorities: Priorities,
    *,
    unit_id: str | None = None,
    weight_spread: float = 0.5,
    shifts: Mapping[str, float] | None = None,
    samples: int = 256,
    seed: int = 0,
) -> pd.DataFrame:
    """Which weights and inputs move the first class, or the score of one unit, most.

    Parameters
    ----------
    table
        One row per unit with what `geo.order.priorities.prioritize` reads.
    unit_id
        The unit whose score is looked at; None: the share of the first class by score that stays
        in it. What is owed is left aside.
    weight_spread
        Each weight is multiplied by 1 - spread to 1 + spread, then each axis brought to sum 1.
    shifts
        By column: an error common to all rows, in the column's measure, up to so much either way;
        a column of values above 0 stays there.

    Returns
    -------
    As `sensitivity`; inputs are called ``weight of NAME`` and ``error of COLUMN``, largest total
    first.

    Raises
    ------
    ImportError, ValueError, KeyError
        As `sensitivity`; for a spread outside 0 to 1; for a column or a unit that is not there.
    """
    if not 0 < weight_spread < 1:
        raise ValueError(f"weight_spread must be between 0 and 1, not {weight_spread:g}")
    shifts = dict(shifts or {})
    for column in shifts:
        if column not in table:
            raise KeyError(f"no column {column!r} in the table")
    weighted = [name for name, part in priorities.parts.items() if part.weight > 0]
    bounds = {f"weight of {name}": (1 - weight_spread, 1 + weight_spread) for name in weighted}
    bounds |= {f"error of {column}": (-far, far) for column, far in shifts.items()}
    changes = _Changes(tuple(weighted), tuple(shifts))
    if unit_id is not None:
        table = table[table["unit_id"] == unit_id]
        if len(table) != 1:
            raise KeyError(f"no unit {unit_id!r} in the table")
        model = _score_of_one(table, priorities, changes)
    else:
        model = _share_that_stays(table, priorities, changes)
    found = sensitivity(model, bounds, samples=samples, seed=seed)
    return found.sort_values("total", ascending=False, kind="stable").reset_index(drop=True)


@dataclass(frozen=True)
class _Changes:
    """What each place of a row of changes means: factors of weights, then shifts of columns."""

    weights: tuple[str, ...]
    columns: tuple[str, ...]

    @property
    def none(self) -> NDArray[np.float64]:
        return np.r_[np.ones(len(self.weights)), np.zeros(len(self.columns))]


def _share_that_stays(table: pd.DataFrame, priorities: Priorities, changes: _Changes) -> Model:
    """The share of the first class by score that is still in it."""
    scores = _scores(table, priorities, changes)
    ids = table["unit_id"].astype(str).to_numpy()
    size = priorities.classes.sizes(int(is_scored(table, priorities).sum()))[0]
    if not size:
        raise ValueError("the first class is empty, so nothing can move")

    def first(change: NDArray[np.float64]) -> NDArray[np.intp]:
        return np.lexsort((ids, -scores(change)))[:size]

    now = first(changes.none)
    return lambda rows: np.array([np.isin(first(row), now).mean() for row in rows])


def _score_of_one(table: pd.DataFrame, priorities: Priorities, changes: _Changes) -> Model:
    scores = _scores(table, priorities, changes)
    return lambda rows: np.array([scores(row)[0] for row in rows])


def _scores(table: pd.DataFrame, priorities: Priorities, changes: _Changes) -> Model:
    """Scores of all rows under one row of changes; -1 for rows that carry none."""
    parts = {name: priorities.parts[name] for name in changes.weights}
    scored = is_scored(table, priorities)
    still = {name: rate_part(table, part)[0] for name, part in parts.items()}
    moving = {
        name: part
        for name, part in parts.items()
        if any(item.column in changes.columns for item in part.inputs)
    }

    def scores(change: NDArray[np.float64]) -> NDArray[np.float64]:
        factors, shifts = change[: len(parts)], change[len(parts) :]
        ratings = still
        if moving:
            shifted = _shifted(table, dict(zip(changes.columns, shifts, strict=True)))
            ratings = still | {name: rate_part(shifted, part)[0] for name, part in moving.items()}
        product = np.full(len(table), 100.0)
        for axis in ("likelihood", "harm"):
            mine = [k for k, part in enumerate(parts.values()) if part.axis == axis]
            weights = factors[mine] * [parts[changes.weights[k]].weight for k in mine]
            product *= weights / weights.sum() @ [ratings[changes.weights[k]] for k in mine]
        return np.where(scored, product, -1.0)

    return scores


def _shifted(table: pd.DataFrame, shifts: Mapping[str, float]) -> pd.DataFrame:
    columns = {}
    for column, shift in shifts.items():
        value = table[column].astype(float)
        columns[column] = (value + shift).clip(lower=-np.inf if (value < 0).any() else 0.0)
    return table.assign(**columns)
