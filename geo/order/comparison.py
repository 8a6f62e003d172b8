"""Who moved from one order to another, and why."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.order.priorities import prioritize
from layers.errors import ComparisonError
from layers.settings.priority_settings import Priorities
from layers.store import Assessment

CHANGES: Final = ("appeared", "vanished", "moved", "stayed")
# Scores that differ by less are the same: their parts sum to them no closer.
SAME_SCORE: Final = 1e-9


def compare(before: Assessment, after: Assessment) -> pd.DataFrame:
    """Who moved between two assessments of one county, or two settings, and by which part.

    Parameters
    ----------
    before, after
        As `geo.assess` gives them or `layers.read_assessment` reads them back.

    Raises
    ------
    ComparisonError
        When they are of different counties, by name or because no unit is in both.

    Returns
    -------
    As `compare_orders`.
    """
    names = [a.run.county.name for a in (before, after)]
    if names[0] != names[1]:
        raise ComparisonError(
            f"these are assessments of different counties: {names[0]!r} and {names[1]!r}",
            where="the county's name in run.json",
            hint="give two folders of one county; if it was renamed, assess it again",
        )
    moves = compare_orders(before.units, after.units)
    if not moves["change"].isin(["moved", "stayed"]).any():
        raise ComparisonError(
            f"no unit of the first ({len(before.units):,}) is among those of the second"
            f" ({len(after.units):,})",
            where=f"unit_id of {names[0]}",
            hint="check that both use the same column for unit_id",
        )
    return moves


# Of several rules on one kind of feature the gravest verdict speaks.
_GRAVITY: Final = ("no_rule", "none_on_record", "clear", "not_known", "uncertain", "short")


def verdicts_changed(before: Assessment, after: Assessment) -> pd.DataFrame:
    """How many setback verdicts differ, whichever tables they rest on: ``before, after, count``.

    Of units in both, for each part and kind of feature the gravest verdict of all rules; the most
    frequent change first. A part or feature that one of them has no rule on is ``no_rule``.
    """
    both = set(before.units["unit_id"]) & set(after.units["unit_id"])
    gravest = []
    for checks in (before.setback_checks, after.setback_checks):
        mine = checks[checks["unit_id"].isin(both)]
        gravity = mine["verdict"].astype(str).map(_GRAVITY.index)
        gravest.append(
            gravity.groupby([mine[n].astype(str) for n in ("unit_id", "part", "feature")]).max()
        )
    pairs = pd.concat(gravest, axis=1, keys=["before", "after"]).fillna(0).astype(int)
    pairs = pairs[pairs["before"] != pairs["after"]]
    counts = pairs.value_counts().reset_index(name="count")
    for name in ("before", "after"):
        counts[name] = [_GRAVITY[k] for k in counts[name]]
    return counts.sort_values(
        ["count", "before", "after"], ascending=[False, True, True], ignore_index=True
    )


def compare_orders(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    """Who moved between two orders: two tables of units, or what `prioritize` gave twice.

    Parameters
    ----------
    before, after
        ``unit_id, rank, ranked_by, visit_class, score`` and ``part_NAME`` columns, and
        ``must_visit_by`` where visits are owed. A part that only one of them has counts as 0 in
        the other.

    Returns
    -------
    One row per unit of either, those that moved farthest first: ``unit_id``; ``change``
    (``moved``, ``stayed``, ``appeared``, ``vanished``; a unit has moved when its rank or its
    class is another); ``places_up`` (rank before less rank after: above 0 is nearer the front);
    ``rank_before``, ``rank_after``, ``class_before``, ``class_after``, ``ranked_by_before``,
    ``ranked_by_after``, ``owed_by_before``, ``owed_by_after`` (the day, where a visit that is owed
    ranks it), ``score_before``, ``score_after``, ``score_change``; ``change_NAME`` for every part
    (they sum to the change of the score); ``moved_by``: ``owed`` where a visit became owed, is owed
    by another day or no longer, else the part that changed most in the direction in which the score
    did, null where the score stayed and only others moved, and for a unit that is not in both.
    """
    names = [n for n in before.columns if n.startswith("part_")]
    names += [n for n in after.columns if n.startswith("part_") and n not in names]
    kept = ["rank", "visit_class", "ranked_by", "must_visit_by", "score", *names]
    old, new = (t.set_index("unit_id").reindex(columns=kept) for t in (before, after))
    ids = new.index.append(old.index.difference(new.index, sort=True))
    in_old, in_new = ids.isin(old.index), ids.isin(new.index)
    both = in_old & in_new
    # a part only one of them has is 0 in the other; a unit only one of them has stays null
    change = (
        new.fillna(dict.fromkeys(names, 0.0)).reindex(ids)[names]
        - (old.fillna(dict.fromkeys(names, 0.0)).reindex(ids)[names])
    )
    old, new = old.reindex(ids), new.reindex(ids)
    out = pd.DataFrame(index=ids)
    out["places_up"] = (old["rank"] - new["rank"]).astype("Int64")
    for name, short in (("rank", "rank"), ("visit_class", "class"), ("ranked_by", "ranked_by")):
        for when, table in (("before", old), ("after", new)):
            out[f"{short}_{when}"] = table[name]
    days = [pd.to_datetime(t["must_visit_by"]).where(t["ranked_by"] == "owed") for t in (old, new)]
    out["owed_by_before"], out["owed_by_after"] = (day.dt.date for day in days)
    out = out.astype({"rank_before": "Int64", "rank_after": "Int64"})
    out["score_before"], out["score_after"] = old["score"], new["score"]
    out["score_change"] = new["score"] - old["score"]
    for name in names:
        out[f"change_{name.removeprefix('part_')}"] = change[name]
    moved = both & ((old["rank"] != new["rank"]) | (old["visit_class"] != new["visit_class"]))
    out.insert(0, "change", np.select([~in_old, ~in_new, moved], CHANGES[:3], CHANGES[3]))
    out["moved_by"] = _moved_by(out)
    is_owed = (old["ranked_by"] == "owed") | (new["ranked_by"] == "owed")
    same_day = (days[0] == days[1]) | (days[0].isna() & days[1].isna())
    out.loc[both & is_owed & ~same_day, "moved_by"] = "owed"
    out = out.rename_axis("unit_id").reset_index()
    far = out["places_up"].abs().fillna(-1)
    return (
        out.assign(far=far)
        .sort_values(["far", "unit_id"], ascending=[False, True], kind="stable")
        .drop(columns="far")
        .reset_index(drop=True)
    )


def _moved_by(moves: pd.DataFrame) -> NDArray[np.object_]:
    """The part that changed most in the direction in which the score did, None where it stayed."""
    parts = [n for n in moves.columns if n.startswith("change_")]
    way = np.sign(moves["score_change"].to_numpy(float))
    moved_by: NDArray[np.object_] = np.full(len(moves), None, object)
    if parts:
        with_it = np.nan_to_num(moves[parts].to_numpy(float) * way[:, None])
        most = with_it.argmax(axis=1)
        did = with_it[np.arange(len(moves)), most] > SAME_SCORE
        moved_by[did] = np.array([n.removeprefix("change_") for n in parts], object)[most[did]]
    return moved_by


def reordered(assessment: Assessment, weights: Mapping[str, float]) -> pd.DataFrame:
    """The order of an assessment's units had some parts other weights; nothing is measured again.

    Parameters
    ----------
    assessment
        As `geo.assess` gives it or `layers.read_assessment` reads it back.
    weights
        By part; the other parts of the same axis share what is left in proportion to theirs. With
        none the order is the assessment's own.

    Raises
    ------
    ValueError
        When a part is not known, or the weights of an axis cannot sum to 1.

    Returns
    -------
    ``unit_id``, ``must_visit_by`` and what `geo.order.priorities.prioritize` gives, on the index of
    ``assessment.units``: what `compare_orders` takes beside them.
    """
    run = assessment.run
    method = {"parts": run.parts, "classes": run.visit_classes}
    priorities = Priorities.model_validate(method | {"not_scored": run.not_scored})
    last_day = dt.date.fromisoformat(run.season.last_day)
    units = assessment.units
    order = prioritize(units, priorities.with_weights(weights), owed_until=last_day)
    return pd.DataFrame(units[["unit_id", "must_visit_by"]]).join(order)


def who_moved(moves: pd.DataFrame) -> dict[str, Any]:
    """The comparison in numbers, as plain data.

    Parameters
    ----------
    moves
        As `compare_orders` gives it.

    Returns
    -------
    ``units`` (in both), ``moved``, ``appeared``, ``vanished``; ``into_first`` and
    ``out_of_first``; ``median_places`` (how far those that moved went); ``moved_by`` (of those
    that moved, how many by each part, by ``owed``, and by ``others``, most first).
    """
    counts = moves["change"].value_counts()
    moved = moves[moves["change"] == "moved"]
    to_first, from_first = (moved[f"class_{when}"] == "first" for when in ("after", "before"))
    by = moved["moved_by"].fillna("others").value_counts(sort=False).sort_index()
    return {
        "units": int(counts.get("moved", 0) + counts.get("stayed", 0)),
        **{name: int(counts.get(name, 0)) for name in ("moved", "appeared", "vanished")},
        "into_first": int((to_first & ~from_first).sum()),
        "out_of_first": int((from_first & ~to_first).sum()),
        "median_places": float(moved["places_up"].abs().median()) if len(moved) else 0.0,
        "moved_by": {
            str(k): int(n) for k, n in by.sort_values(ascending=False, kind="stable").items()
        },
    }
