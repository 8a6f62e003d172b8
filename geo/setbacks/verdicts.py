"""What rules say of measured distances: the deciding feature, the verdict, what would settle it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.uncertainty import LINE_95, POINT_95, FeatureKind, short_probability
from layers.settings.setback_tables import SetbackRule, SetbackTable

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]

CLEAR_AT_MOST: Final = 0.05
SHORT_AT_LEAST: Final = 0.95
# What a visit with a good receiver would give, at 95 %; common practice, no source.
GPS_FIX_M: Final = 3.0

KINDS: Final[tuple[FeatureKind, ...]] = ("point", "line", "area")
_AREA: Final = KINDS.index("area")
_VERDICTS: Final = np.array(("clear", "uncertain", "short"), object)  # by gravity, 0 to 2
_BY_GRAVITY: Final = ("short", "uncertain", "not_known", "clear", "none_on_record", "no_rule")


def judged(asked: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """The verdict of each rule at each place, as if it were in force.

    Parameters
    ----------
    asked
        One row per rule and place: ``required_m``, ``asked_m`` (just above it where a distance of
        just that much is short), ``part_sd_m``, ``kind`` (position in `KINDS`), ``is_lost`` (the
        place is expected but not known), ``nothing`` (the verdict where no feature is on record),
        ``wanted`` (what would settle that one), ``is_given`` (the layer).
    pairs
        ``place`` (position in ``asked``), ``feature_id, distance_m, inside_m, feature_sd_m, sd_m,
        sure, measured_by, geometry``; more than one for a place, or none.

    Returns
    -------
    ``asked`` with ``feature_id, distance_m, distance_u95_m, inside_m, short_probability,
    measured_by, geometry, verdict, settled_by``.
    """
    signed, chance, gravity = _weighed(asked, pairs)
    place, distance = pairs["place"].to_numpy(np.int64), pairs["distance_m"].to_numpy(float)
    sure = pairs["sure"].to_numpy(bool)
    # what only a tape knows (it has no line on the map) does not count where it is clear
    counts = (gravity > 0) | ~shapely.is_missing(pairs["geometry"].to_numpy(object))
    order = np.lexsort((distance, -chance, -gravity, ~sure, place))
    first = _first_of_each(place, order[counts[order]], len(asked))
    order = order[counts[order] & ~sure[order]]
    graver = _first_of_each(place, order, len(asked))
    beside = np.where(sure[first], gravity[first], 0) if len(pairs) else first
    doubtful = graver >= 0
    doubtful[doubtful] = gravity[graver[doubtful]] > beside[doubtful]
    at = np.where(doubtful, graver, first)
    inside, sd = pairs["inside_m"].to_numpy(float), pairs["sd_m"].to_numpy(float)
    out = asked.assign(
        distance_m=_taken(distance, at, np.nan),
        inside_m=_taken(inside, at, np.nan),
        distance_u95_m=LINE_95 * _taken(sd, at, np.nan),
        short_probability=_taken(chance, at, np.nan),
        feature_id=_taken(_filled(pairs["feature_id"], None), at, None),
        measured_by=_taken(_filled(pairs["measured_by"], "map"), at, "map"),
        geometry=_taken(_filled(pairs["geometry"], None), at, None),
    )
    weight = _taken(gravity, at, -1)
    is_lost = out["is_lost"] & out["distance_m"].isna() & out["is_given"]
    verdict = np.select(
        [doubtful, weight >= 0, is_lost],
        ["uncertain", _VERDICTS[weight.clip(min=0)], "uncertain"],
        asked["nothing"].to_numpy(object),
    )
    settled: Objects = np.full(len(out), None, object)
    settled[verdict == "not_known"] = asked["wanted"].to_numpy(object)[verdict == "not_known"]
    open_ = np.flatnonzero(verdict == "uncertain")
    settled[open_] = _settled_by(
        out.iloc[open_],
        doubtful[open_],
        _taken(signed, at, np.nan)[open_],
        _taken(pairs["feature_sd_m"].to_numpy(float), at, np.nan)[open_],
    )
    return out.assign(verdict=verdict, settled_by=settled)


def _weighed(asked: pd.DataFrame, pairs: pd.DataFrame) -> tuple[Floats, Floats, Ints]:
    """Signed distance, chance of short and gravity (0 clear, 1 open, 2 short) of each pair."""
    place = pairs["place"].to_numpy(np.int64)
    inside, sd = pairs["inside_m"].to_numpy(float), pairs["sd_m"].to_numpy(float)
    signed = pairs["distance_m"].to_numpy(float) - inside
    asked_m = asked["asked_m"].to_numpy(float)[place]
    kind = np.where(inside > 0, _AREA, asked["kind"].to_numpy(np.int64)[place])
    chance = _chances(kind, signed, asked_m, sd)
    as_area = short_probability(signed, asked_m, sd, feature="area")
    is_clear = (chance <= CLEAR_AT_MOST) & (as_area <= CLEAR_AT_MOST)
    return signed, chance, np.select([is_clear, chance >= SHORT_AT_LEAST], [0, 2], 1)


def _chances(kind: Ints, signed_m: Floats, asked_m: Floats, sd_m: Floats) -> Floats:
    """The chance of short in the form of each kind of feature."""
    out = np.full(len(kind), np.nan)
    for code, name in enumerate(KINDS):
        some = kind == code
        away = signed_m[some] if code == _AREA else np.maximum(signed_m[some], 0.0)
        out[some] = short_probability(away, asked_m[some], sd_m[some], feature=name)
    return out


def _settled_by(
    rows: pd.DataFrame, doubtful: Bools, signed_m: Floats, feature_sd: Floats
) -> Objects:
    """What would settle uncertain verdicts, tried in the order of least trouble.

    A better position is tried at the distance measured now, with the accuracy of `GPS_FIX_M`.
    """
    kind, asked_m = rows["kind"].to_numpy(np.int64), rows["asked_m"].to_numpy(float)
    part_sd, fixed_sd = rows["part_sd_m"].to_numpy(float), GPS_FIX_M / POINT_95
    part = np.minimum(part_sd, fixed_sd)
    is_point = kind == KINDS.index("point")
    feature = np.where(is_point, np.minimum(feature_sd, fixed_sd), feature_sd)
    tries = {
        "fix_part": (part, feature_sd),
        "fix_feature": (part_sd, feature),
        "fix_both": (part, feature),
    }
    settled = []
    for sds in tries.values():
        sd = np.hypot(*sds)
        chance = _chances(kind, signed_m, asked_m, sd)
        normal = short_probability(signed_m, asked_m, sd, feature="area")
        settled.append(
            ((chance <= CLEAR_AT_MOST) & (normal <= CLEAR_AT_MOST)) | (chance >= SHORT_AT_LEAST)
        )
    taped = (rows["measured_by"] == "tape").to_numpy()
    unknown = rows["distance_m"].isna().to_numpy()
    text = np.select(
        [doubtful, taped, unknown, *settled], ["ask_feature", "", "locate", *tries], "tape"
    ).astype(object)
    text[text == ""] = None
    return text


def rules_in_force(
    asked: pd.DataFrame, days: pd.DataFrame, rules: Sequence[tuple[SetbackTable, SetbackRule]]
) -> pd.DataFrame:
    """Whether each rule holds for each unit on the day that decides, and what gave that day.

    Parameters
    ----------
    asked
        ``rule`` (position in ``rules``) and ``unit`` (position in ``days``).
    days
        ``unit_day, unit_day_basis, is_day_known, as_of``, one row per unit.

    Returns
    -------
    ``rules_in_force, judged_on, judged_by``, one row for each of ``asked``.
    """
    rule, unit = asked["rule"].to_numpy(), asked["unit"].to_numpy()
    by_unit = np.array([table.judged_on == "unit" for table, _ in rules])[rule]
    day: dict[str, NDArray[np.datetime64]] = {}
    written: dict[str, Objects] = {}
    for name in ("unit_day", "as_of"):
        dates = pd.to_datetime(days[name])
        day[name] = dates.to_numpy().astype("M8[s]")[unit]
        written[name] = dates.dt.strftime("%Y-%m-%d").to_numpy(object)[unit]
    own = np.where(by_unit, day["unit_day"], day["as_of"])
    # a day that is not known may have been any day so far
    any_day = by_unit & ~days["is_day_known"].to_numpy(bool)[unit]
    held = np.array([table.is_adopted for table, _ in rules], bool)[rule]
    for level in (0, 1):  # of the table, of the rule itself
        begins = _days([each[level].effective_from for each in rules])[rule]
        ends = _days([each[level].effective_to for each in rules])[rule]
        begun = np.where(any_day, day["as_of"], own) >= begins
        held &= (np.isnat(begins) | begun) & (np.isnat(ends) | any_day | (own < ends))
    basis = days["unit_day_basis"].to_numpy(object)[unit]
    return pd.DataFrame(
        {
            "in_force": held,
            "judged_on": np.where(by_unit, written["unit_day"], written["as_of"]),
            "judged_by": np.where(by_unit, basis, "assessment"),
        },
        index=asked.index,
    )


def gravest_rows(rows: pd.DataFrame) -> Ints:
    """Positions of one row for each rule and unit: of several outlets the gravest verdict's."""
    place = rows["verdict"].map({name: k for k, name in enumerate(_BY_GRAVITY)}).to_numpy()
    chance = rows["short_probability"].fillna(-1.0).to_numpy(float)
    order = np.lexsort((rows["distance_m"], -chance, place, rows["unit"], rows["rule"]))
    both = rows[["rule", "unit"]].to_numpy()[order]
    begins = np.r_[True, (both[1:] != both[:-1]).any(axis=1)][: len(order)]
    return order[begins]


def _days(days: Sequence[dt.date | None]) -> NDArray[np.datetime64]:
    return np.array([np.datetime64("NaT", "s") if day is None else day for day in days], "M8[s]")


def _first_of_each(place: Ints, order: Ints, count: int) -> Ints:
    """For each place the first of ``order`` that is there; -1 where none is."""
    first = np.full(count, -1)
    first[place[order][::-1]] = order[::-1]
    return first


def _taken(values: NDArray[Any], at: Ints, missing: Any) -> NDArray[Any]:
    out = np.full(len(at), missing, values.dtype)
    out[at >= 0] = values[at[at >= 0]]
    return out


def _filled(column: pd.Series, missing: Any) -> Objects:
    """As an array of objects, with one value for what is missing."""
    values = column.to_numpy(object)
    return np.where(pd.isna(values), missing, values) if len(values) else values
