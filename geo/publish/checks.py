"""Setback checks as a page shows them: honest counts, what would settle a doubt, short columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish import encode, ground, words

# In the order told. A check that "cannot be told" has an uncertain verdict and no distance.
STATES: Final = MappingProxyType(
    {
        "short": "appears short",
        "uncertain": "too close to call",
        "untold": "cannot be told",
        "clear": "appears clear",
        "none_on_record": "no such feature on record nearby",
        "no_rule": "not judged",
    }
)
COUNTED: Final = MappingProxyType(
    {
        "short": ("appears short", "appear short"),
        "uncertain": ("too close to call",) * 2,
        "untold": ("cannot be told",) * 2,
        "clear": ("clear",) * 2,
        "none_on_record": ("with no such feature on record nearby",) * 2,
    }
)
_PARTS: Final = MappingProxyType(
    {"unit": "unit", "tank": "tank", "discharge_point": "discharge point"}
)
_FEATURES: Final = MappingProxyType(
    {
        "wells": "well",
        "streams": "stream",
        "water_bodies": "lake or pond",
        "floodplain": "special flood hazard area (1 % a year)",
        "buildings": "building",
        "parcels": "parcel line",
        "drains": "drain",
        "roads": "road",
        "protected_places": "protected place",
    }
)
_DAYS: Final = MappingProxyType(
    {
        "permit": "in {year} (by permit)",
        "installed": "in {year} (by the year it was put in)",
        "assessment": "on {day} (the day of this assessment)",
    }
)


@dataclass(frozen=True)
class ChecksByUnit:
    """Checks in the order of their units; ``unit`` is the row of each one's unit, shape (n,)."""

    checks: gpd.GeoDataFrame
    unit: NDArray[np.int64]

    def of(self, first: int, count: int) -> tuple[gpd.GeoDataFrame, NDArray[np.int64]]:
        """The checks of ``count`` units from row ``first`` on, their units counted from there."""
        start, stop = np.searchsorted(self.unit, (first, first + count))
        return self.checks.iloc[start:stop].reset_index(drop=True), self.unit[start:stop] - first


def in_order_of_units(checks: gpd.GeoDataFrame, row_of: Mapping[str, int]) -> ChecksByUnit:
    """Checks of the units in ``row_of`` (their rows by id), in that order."""
    names = encode.text_column(checks, "unit_id")
    unit = np.array([row_of.get(name or "", -1) for name in names], np.int64)
    order = np.argsort(unit, kind="stable")
    order = order[unit[order] >= 0]
    return ChecksByUnit(checks.iloc[order], unit[order])


def shown_checks(
    of_unit: tuple[gpd.GeoDataFrame, NDArray[np.int64]],
    problems: pd.DataFrame,
    at: NDArray[np.float64],
    plane: encode.Plane,
    measures: words.Measures,
) -> dict[str, Any] | None:
    """Checks as short columns; every column of theirs but ids may be absent (older folders).

    Parameters
    ----------
    of_unit
        Checks in the order of their units, and the row of each one's unit.
    problems
        Faults of the input; tell whether variances were given.
    at
        Places of the units in steps, shape (units, 2), NaN where not known.

    Returns
    -------
    dict or None
        ``rules``: words, id, required length, source and table of each rule; ``kinds``: rule,
        state, whether in force and position in ``remarks``, of all there are; then per check its
        ``kind``, ``feature``, ``distance`` and ``within``; per unit ``count`` and, in
        ``judged``, the day that decided for each table, in words.
    """
    checks, unit = of_unit
    if not len(checks):
        return None
    rules, rule = encode.by_frequency(_rules(checks, measures))
    remarks, remark = encode.by_frequency(_remarks(checks))
    state = _states(checks)
    in_force = [
        None if v is None else int(_is_true(v)) for v in encode.text_column(checks, "in_force")
    ]
    kinds, kind = encode.by_frequency(list(zip(rule, state, in_force, remark, strict=True)))
    tables, table = encode.by_frequency(encode.text_column(checks, "table"))
    return {
        "states": list(STATES.values()),
        "counted": [list(pair) for pair in COUNTED.values()],
        "matter": len(words.MATTERS),
        "untold": list(STATES).index("untold"),
        "notJudged": list(STATES).index("no_rule"),
        "variancesKnown": _variances_known(checks, problems),
        "tables": tables,
        "rules": [[*r[:4], tables.index(r[4])] for r in rules],
        "required": _scale_of(measures),
        "remarks": remarks,
        "kinds": kinds,
        "count": np.bincount(unit, minlength=len(at)).tolist(),
        "judged": _judged(checks, unit, np.array(table), len(tables), len(at)),
        "kind": kind,
        "feature": encode.texts(encode.text_column(checks, "feature_id")),
        "distance": _distances(checks, measures),
        "within": encode.lengths(
            encode.number_column(checks, "distance_u95_m"), "fine_distance", measures
        ),
        "lines": ground.setback_lines(checks, at[unit], plane),
    }


def _scale_of(measures: words.Measures) -> dict[str, Any]:
    scale = words.scale("fine_distance", measures)
    return {"unit": scale.unit, "decimals": scale.decimals}


def _rules(checks: pd.DataFrame, measures: words.Measures) -> list[tuple[Any, ...]]:
    scale = words.scale("fine_distance", measures)
    required = encode.whole(
        encode.number_column(checks, "required_m"), factor=scale.factor, decimals=scale.decimals
    )
    told = [
        f"{words.in_words(part or 'unit', _PARTS)} to "
        f"{words.in_words(feature or 'feature', _FEATURES)}"
        for part, feature in zip(
            encode.text_column(checks, "part"), encode.text_column(checks, "feature"), strict=True
        )
    ]
    columns = (told, encode.text_column(checks, "rule_id"), required)
    return list(
        zip(
            *columns,
            encode.text_column(checks, "source"),
            encode.text_column(checks, "table"),
            strict=True,
        )
    )


def _states(checks: pd.DataFrame) -> list[int]:
    """Positions in `STATES`; a verdict that is not listed is shown as not judged."""
    known = list(STATES)
    has_distance = np.isfinite(encode.number_column(checks, "distance_m"))
    return [
        known.index("untold")
        if verdict == "uncertain" and not measured
        else known.index(verdict if verdict and verdict in STATES else "no_rule")
        for verdict, measured in zip(
            encode.text_column(checks, "verdict"), has_distance, strict=True
        )
    ]


def _remarks(checks: pd.DataFrame) -> list[tuple[str, ...]]:
    columns = ("part", "feature", "variance_id", "measured_by", "link_confirmed", "settled_by")
    return [
        _remark(*row) for row in zip(*(encode.text_column(checks, c) for c in columns), strict=True)
    ]


def _remark(
    part: str | None,
    feature: str | None,
    variance: str | None,
    measured_by: str | None,
    confirmed: str | None,
    settled_by: str | None,
) -> tuple[str, ...]:
    place = "discharge point" if part == "discharge_point" else "lid"
    thing = words.in_words(feature or "feature", _FEATURES)
    settles = {
        "locate": "the discharge point is not on record: find it first",
        "fix_part": f"a better position of the {place} would settle it",
        "fix_feature": f"a better position of the {thing} would settle it",
        "fix_both": f"better positions of both, {place} and {thing}, would settle it",
        "tape": "only a tape on site can settle it",
    }
    is_guess = part == "discharge_point" and confirmed is not None and not _is_true(confirmed)
    told = (
        f"under variance {variance}" if variance else "",
        "taped on site" if measured_by == "tape" else "",
        "the discharge point is a guess" if is_guess and settled_by != "locate" else "",
        settles.get(settled_by, "") if settled_by else "",
    )
    return tuple(text for text in told if text)


def _judged(
    checks: pd.DataFrame, unit: NDArray[np.int64], table: NDArray[np.int64], tables: int, units: int
) -> dict[str, Any]:
    """Per unit, for each table, the day that decided, in words; one day per unit and table."""
    told: list[list[str | None]] = [[None] * tables for _ in range(units)]
    pairs = zip(
        encode.text_column(checks, "judged_on"),
        encode.text_column(checks, "judged_by"),
        strict=True,
    )
    for row, column, (day, basis) in zip(unit, table, pairs, strict=True):
        told[row][column] = _day(day, basis)
    known, place = encode.by_frequency([tuple(row) for row in told])
    return {"days": known, "at": place}


def _day(day: str | None, basis: str | None) -> str | None:
    if day is None:
        return None
    return _DAYS.get(basis or "", "on {day}").format(year=day[:4], day=words.date(day))


def _distances(checks: pd.DataFrame, measures: words.Measures) -> dict[str, Any]:
    """Distances; inside an area the depth inside takes the place of a bare nought."""
    metres, inside = (
        encode.number_column(checks, "distance_m"),
        encode.number_column(checks, "inside_m"),
    )
    told = {
        int(row): f"inside, {words.length(inside[row], measures)} from its edge"
        for row in np.flatnonzero((inside > 0) & (metres == 0))
    }
    return encode.lengths(metres, "fine_distance", measures, zero="at it", instead=told)


def _variances_known(checks: pd.DataFrame, problems: pd.DataFrame) -> bool:
    """Whether a layer of variances was read; older folders do not know of them."""
    if "variance_id" not in checks:
        return False
    if not len(problems) or "code" not in problems:
        return True
    out = problems["code"].isin(words.NOT_GIVEN) | (problems["action"] == "layer_left_out")
    return not ((problems["layer"] == "variances") & out).any()


def _is_true(value: str) -> bool:
    return value.lower() in {"true", "1", "1.0", "yes"}
