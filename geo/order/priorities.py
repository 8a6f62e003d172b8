"""Which unit to see first: likelihood of trouble x harm, as named parts; sees only a table."""

from __future__ import annotations

import datetime as dt
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from layers.outputs import UNITS
from layers.settings.priority_settings import Priorities, PriorityInput, PriorityPart

AXES: Final = ("likelihood", "harm")


def prioritize(
    table: pd.DataFrame, priorities: Priorities, *, owed_until: dt.date | None = None
) -> pd.DataFrame:
    """Score, rank and visit class of each row, with the exact share of every part.

    Parameters
    ----------
    table
        One row per unit: ``unit_id`` and the columns the parts name. A column that is not there
        is unknown for every row.
    priorities
        Parts with their curves and weights; the weights of each axis sum to 1.
    owed_until
        Rows whose ``must_visit_by`` is this day or earlier come before all others: those with a
        danger that was found and not followed up (``danger_open``), then the earliest; the score
        orders those owed by the same day, and what is left. None: the score alone orders.

    Returns
    -------
    On the same index: ``visit_class`` (first, next, routine), ``rank`` (1 is first),
    ``ranked_by`` (``owed``, ``score``, or ``nothing`` for rows without a score), ``score``
    (0 to 100), ``likelihood`` and ``harm`` (0 to 1), ``part_NAME`` for every part (they sum to
    the score), and ``deciding_NAME``: the column that decided the part's rating, null where
    nothing was known.

    Notes
    -----
    With a_i and b_j the products of weight and rating of each axis, likelihood = sum a_i,
    harm = sum b_j, score = 100 x likelihood x harm; part_i = 50 a_i harm and
    part_j = 50 b_j likelihood, so that the parts sum to the score exactly. Equal scores rank by
    unit id and share a visit class, the later one where its size would split them. Rows under
    ``not_scored`` have no likelihood, and so a score of 0, and stand last unless they are owed.
    What is owed is never ``routine``: where more is owed than two classes hold, ``next`` grows.
    """
    ratings = {name: rate_part(table, part) for name, part in priorities.parts.items()}
    scored = is_scored(table, priorities)
    shares: dict[str, dict[str, NDArray[np.float64]]] = {axis: {} for axis in AXES}
    for name, part in priorities.parts.items():
        share = part.weight * ratings[name][0]
        shares[part.axis][name] = share if part.axis == "harm" else np.where(scored, share, 0.0)
    n = len(table)
    likelihood, harm = (sum(shares[axis].values(), np.zeros(n)) for axis in AXES)
    out = pd.DataFrame(index=table.index)
    out["score"] = 100 * likelihood * harm
    out["likelihood"] = likelihood
    out["harm"] = harm
    for name, part in priorities.parts.items():
        other = harm if part.axis == "likelihood" else likelihood
        out[f"part_{name}"] = 50 * shares[part.axis][name] * other
    for name in priorities.parts:
        out[f"deciding_{name}"] = ratings[name][1]
    owed = is_owed(table, owed_until)
    due = np.zeros(n, np.int64)
    danger_open = UNITS.values(table, "danger_open").fillna(False).to_numpy(bool)
    can_wait = ~(owed & danger_open)
    if owed.any():
        days = pd.to_datetime(table["must_visit_by"]).to_numpy("datetime64[D]").astype(np.int64)
        due[owed] = days[owed]
    order = pd.DataFrame(
        {
            "group": np.select([~can_wait, owed, scored], [0, 1, 2], 3),
            "due": due,
            "score": -out["score"],
            "unit_id": table["unit_id"].astype(str),
        }
    ).sort_values(["group", "due", "score", "unit_id"], kind="stable")
    rank = pd.Series(np.arange(1, n + 1), index=order.index)
    last_alike = rank.groupby([order[key] for key in ("group", "due", "score")]).transform("max")
    ranked_by = np.select([owed, scored], ["owed", "score"], "nothing").astype(object)
    classes = _classes(last_alike.reindex(table.index), owed, scored, priorities)
    out.insert(0, "ranked_by", ranked_by)
    out.insert(0, "rank", rank)
    out.insert(0, "visit_class", classes)
    return out


def is_owed(table: pd.DataFrame, until: dt.date | None) -> NDArray[np.bool_]:
    """Which rows owe a visit by a day: those come before any score. None: no row does."""
    if until is None:
        return np.zeros(len(table), bool)
    return (pd.to_datetime(UNITS.values(table, "must_visit_by")) <= pd.Timestamp(until)).to_numpy(
        bool
    )


def is_scored(table: pd.DataFrame, priorities: Priorities) -> NDArray[np.bool_]:
    """Which rows carry a score: all but those whose words stand under ``not_scored``."""
    scored = np.ones(len(table), bool)
    for column, words in priorities.not_scored.items():
        scored &= ~UNITS.values(table, column).isin(words).to_numpy()
    return scored


def rate_part(
    table: pd.DataFrame, part: PriorityPart
) -> tuple[NDArray[np.float64], NDArray[np.object_]]:
    """The rating of a part, and the column that decided it: the largest of its known inputs.

    It is no lower than the part's rating for unknown where an input that weighs is not known.
    """
    n = len(table)
    rating = np.full(n, -1.0)
    deciding: NDArray[np.object_] = np.full(n, None, object)
    lacks = np.zeros(n, bool)
    for item in part.inputs:
        mine = rate(table, item)
        above = mine > rating  # False for NaN, which is unknown
        rating[above] = mine[above]
        deciding[above] = item.column
        lacks |= is_lacking(table, item, mine)
    held_up = (rating < 0) | (lacks & (rating < part.unknown))
    rating[held_up] = part.unknown
    deciding[held_up] = None
    return rating, deciding


def known_rating(table: pd.DataFrame, part: PriorityPart) -> NDArray[np.float64]:
    """The largest rating among the inputs of a part, NaN where one that weighs is not known."""
    rating = np.full(len(table), np.nan)
    lacks = np.zeros(len(table), bool)
    for item in part.inputs:
        mine = rate(table, item)
        rating = np.fmax(rating, mine)
        lacks |= is_lacking(table, item, mine)
    return np.where(lacks, np.nan, rating)


def lacks_input(table: pd.DataFrame, part: PriorityPart) -> NDArray[np.bool_]:
    """Rows for which an input of a part that weighs is not known."""
    lacks = np.zeros(len(table), bool)
    for item in part.inputs:
        lacks |= is_lacking(table, item, rate(table, item))
    return lacks


def is_lacking(
    table: pd.DataFrame, item: PriorityInput, rating: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Rows for which an input weighs and is not known, nor what says the same better.

    ``rating`` is what `rate` gives of the input.
    """
    if not item.weighty:
        return np.zeros(len(table), bool)
    lacks = UNITS.is_open(table, item.column) & np.isnan(rating)
    return lacks & ~_is_stated_better(table, item)


def _is_stated_better(table: pd.DataFrame, item: PriorityInput) -> NDArray[np.bool_]:
    if not item.unless:
        return np.zeros(len(table), bool)
    return ~UNITS.is_open(table, item.unless) & ~UNITS.is_left_open(table, item.column)


def rate(table: pd.DataFrame, item: PriorityInput) -> NDArray[np.float64]:
    """The rating of one input for each row: 0 to 1, NaN where it is not known.

    Where it is known that there is none, it is 0.
    """
    if item.ratings:
        rating = UNITS.values(table, item.column).map(item.ratings).to_numpy(float)
    else:
        value = UNITS.numbers(table, item.column)
        x, y = (np.array(axis, float) for axis in zip(*item.curve, strict=True))
        rating = np.where(np.isnan(value), np.nan, np.interp(value, x, y))
    rating = np.where(UNITS.is_none(table, item.column), 0.0, rating)
    return np.where(_is_stated_better(table, item), np.nan, rating)


def _classes(
    last_alike: pd.Series,
    owed: NDArray[np.bool_],
    scored: NDArray[np.bool_],
    priorities: Priorities,
) -> NDArray[np.object_]:
    """Visit classes of at most their size: what nothing tells apart is not split between two.

    ``last_alike`` is the last rank of the rows that stand equal with a row.
    """
    rank = last_alike.to_numpy()
    most_first, most_next = priorities.classes.sizes(int(scored.sum()))
    has_place = owed | scored
    first = (rank <= most_first) & has_place
    upcoming = (rank <= max(most_first + most_next, int(owed.sum()))) & has_place
    return np.select([first, upcoming], ["first", "next"], "routine").astype(object)
