"""What a better position would settle."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from geo.order.priorities import prioritize
from geo.uncertainty import LINE_95, POINT_95
from layers.outputs import UNITS, WORTH_A_FIX
from layers.settings.priority_settings import Priorities

# Distances that a better position of the lid would change.
_FROM_LID: Final = ("lid_well_distance_m", "flood_distance_m", "place_distance_m")
_HOW: Final = {"fix_part": "settles", "fix_feature": "settles", "fix_both": "settles_with_another"}


def worth_a_fix(
    units: pd.DataFrame,
    discharge_points: pd.DataFrame | None,
    wells: pd.DataFrame | None,
    checks: pd.DataFrame,
    priorities: Priorities,
) -> pd.DataFrame:
    """Positions worth taking with a good receiver, or locating at all, most useful first.

    Parameters
    ----------
    units
        ``unit_id, accuracy95_m, discharge_point_id, visit_class, score`` and what `prioritize`
        needs.
    discharge_points, wells
        ``discharge_point_id`` / ``well_id`` and ``accuracy95_m``; None when there are none.
    checks
        As `geo.setbacks.setback_checks` gives them; only rows in force count.

    Returns
    -------
    ``what`` (lid, discharge_point, well, or unlocated for a discharge point nobody has found),
    ``id``, ``unit_id`` (null for wells), ``accuracy95_m``, ``settles`` (uncertain verdicts this
    one position would settle), ``settles_with_another`` (those that need both ends taken),
    ``units`` (how many units they concern), ``class_may_change`` (the unit's visit class hangs on
    distances the position blurs).
    """
    live = checks[checks["in_force"].astype(bool) & checks["settled_by"].notna()]
    outlet_of = units.set_index("unit_id")["discharge_point_id"]
    rows = []
    for check in live.to_dict("records"):
        how, at_outlet = check["settled_by"], check["part"] == "discharge_point"
        unit = check["unit_id"]
        here = ("discharge_point", outlet_of.get(unit)) if at_outlet else ("lid", unit)
        there = ("well", check["feature_id"])
        if how == "locate":
            rows.append(("unlocated", unit, unit, unit, "settles"))
        if how in ("fix_part", "fix_both"):
            rows.append((*here, unit, unit, _HOW[how]))
        if how in ("fix_feature", "fix_both") and check["feature"] == "wells":
            rows.append((*there, None, unit, _HOW[how]))
    hanging = units.loc[class_may_change(units, priorities), "unit_id"]
    rows += [("lid", unit, unit, unit, "class") for unit in hanging]
    found = pd.DataFrame(rows, columns=["what", "id", "unit_id", "concerns", "how"])
    if not len(found):
        return WORTH_A_FIX.empty()
    table = (
        found.assign(
            settles=found["how"] == "settles",
            settles_with_another=found["how"] == "settles_with_another",
            class_may_change=found["how"] == "class",
        )
        .groupby(["what", "id"], sort=True)
        .agg(
            unit_id=("unit_id", "first"),
            settles=("settles", "sum"),
            settles_with_another=("settles_with_another", "sum"),
            units=("concerns", "nunique"),
            class_may_change=("class_may_change", "any"),
        )
        .reset_index()
    )
    table["accuracy95_m"] = _accuracies(table, units, discharge_points, wells)
    order = ["settles", "class_may_change", "settles_with_another", "units"]
    table = table.sort_values(
        [*order, "what", "id"], ascending=[False] * len(order) + [True, True], kind="stable"
    )
    return table[WORTH_A_FIX.names].reset_index(drop=True)


def class_may_change(units: pd.DataFrame, priorities: Priorities) -> pd.Series:
    """Whether a unit's visit class hangs on distances its own position blurs.

    Every distance from its lid is taken 95 % shorter, then 95 % longer, the other units left as
    they are; the class may change when the score then crosses that of a unit in another class.
    Units that stand where they stand because a visit is owed are left out of this.
    """
    lid95 = LINE_95 * units["accuracy95_m"].to_numpy(float) / POINT_95
    scores = []
    for sign in (-1.0, 1.0):
        moved = units.copy()
        for name in (n for n in _FROM_LID if n in units):
            moved[name] = np.maximum(units[name].to_numpy(float) + sign * lid95, 0.0)
        scores.append(prioritize(moved, priorities)["score"].to_numpy())
    low, high = np.minimum(*scores), np.maximum(*scores)
    score = units["score"].to_numpy(float)
    changes = np.zeros(len(units), bool)
    free = ~UNITS.equals(units, "ranked_by", "owed")
    for classes in (["first"], ["first", "next"]):
        inside = free & units["visit_class"].isin(classes).to_numpy()
        outside = free & ~inside
        if inside.any() and outside.any():
            changes |= inside & (low < score[outside].max())
            changes |= outside & (high > score[inside].min())
    return pd.Series(changes, index=units.index)


def _accuracies(
    table: pd.DataFrame,
    units: pd.DataFrame,
    discharge_points: pd.DataFrame | None,
    wells: pd.DataFrame | None,
) -> pd.Series:
    sources = {
        "lid": (units, "unit_id"),
        "discharge_point": (discharge_points, "discharge_point_id"),
        "well": (wells, "well_id"),
    }
    accuracy = pd.Series(np.nan, index=table.index)
    for what, (frame, key) in sources.items():
        mine = table["what"] == what
        if frame is not None and mine.any():
            known = frame.drop_duplicates(key).set_index(key)["accuracy95_m"]
            accuracy[mine] = table.loc[mine, "id"].map(known).astype(float)
    return accuracy
