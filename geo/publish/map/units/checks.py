"""Setback checks as a page shows them: honest counts, what would answer a doubt, as columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.map.layers import map_layers
from geo.publish.shared import encode, phrases, words
from geo.results import cautions
from layers.measures import format_exactly
from layers.outputs import SETBACK_CHECKS
from layers.problems import NOT_GIVEN

# In the order shown. A check with an uncertain verdict and no distance is not known.
STATES: Final = MappingProxyType(
    {
        "short": "appears inside its setback",
        "uncertain": "too close to tell",
        "not_known": "not known",
        "clear": "appears clear",
        "none_on_record": "none on record nearby",
        "no_rule": "does not apply",
    }
)
COUNTED: Final = MappingProxyType(
    {
        "short": ("appears inside its setback", "appear inside their setbacks"),
        "uncertain": ("is too close to tell", "are too close to tell"),
        "not_known": ("is not known", "are not known"),
        "clear": ("appears clear", "appear clear"),
        "none_on_record": ("has nothing on record nearby", "have nothing on record nearby"),
    }
)
_NEAR_STEPS: Final = 15
"""A line that begins within so many steps of a place is drawn from it."""
_PARTS: Final = MappingProxyType(
    {"unit": "unit", "tank": "tank", "discharge_point": "discharge point"}
)
FEATURES: Final = MappingProxyType(
    {
        "wells": "well",
        "streams": "stream",
        "water_bodies": "lake or pond",
        "floodplain": "flood zone",
        "buildings": "building",
        "parcels": "parcel line",
        "drains": "drain",
        "roads": "road",
        "protected_places": "protected place",
    }
)
_DAYS: Final = MappingProxyType(
    {
        "permit": "{year}, the year of its permit",
        "installed": "{year}, the year it was installed",
        "assessment": "{day}, the day of this assessment",
    }
)


@dataclass(frozen=True)
class PlaceColumns:
    """Where units and their discharge points are, in steps; shape (units, 2), NaN where unknown."""

    plane: encode.Plane
    units: NDArray[np.float64]
    outlets: NDArray[np.float64]


def shown_checks(
    checks: gpd.GeoDataFrame,
    row_of: Mapping[str, int],
    problems: pd.DataFrame,
    places: PlaceColumns,
    measures: words.Measures,
) -> dict[str, Any] | None:
    """Checks as columns by unit; every column of theirs but ids may be absent (older folders).

    Parameters
    ----------
    row_of
        Rows of the units by id; checks of others are left out.
    problems
        Faults of the input; tell whether variances were given.

    Returns
    -------
    dict or None
        ``rules``: words, id, required distance in words, source and table of each rule;
        ``judged``: by table the day that decided, in words; ``slots``: for each rule (and for a
        second check of the same unit under it) its ``kinds`` (rule, state, whether it applies,
        position in ``remarks``), and columns: ``kind``, ``feature``, ``distance``, ``within``
        and the line drawn, in half meters from the place of the unit or, where ``fromOutlet``, of
        its discharge point; ``startX`` and ``startY``, from the unit, where it begins elsewhere.
    """
    unit = unit_rows(checks, row_of)
    if (unit < 0).any():  # a copy is large
        checks, unit = checks[unit >= 0], unit[unit >= 0]
    if not len(checks):
        return None
    rule, rules = _combined(_rules(checks, measures))
    remark, remarks = _remarks(checks)
    table, tables = _codes(checks, "table")
    columns: dict[str, Any] = {
        "rule": rule,
        "state": states_of(checks),
        "in_force": _in_force(checks),
        "remark": remark,
        "line": _lines(checks, unit, places),
        "length": _distances(checks, measures),
        "within": encode.lengths(
            SETBACK_CHECKS.numbers(checks, "distance_u95_m"), "distance", measures
        ),
        "feature": _codes(checks, "feature_id"),
    }
    slots = [
        _slot(columns, rows, unit[rows], len(row_of), str(part) == "discharge_point")
        for rows, part in _slots(checks, unit)
    ]
    lengths = {
        name: {key: value for key, value in columns[name].items() if key != "numbers"}
        for name in ("length", "within")
    }
    return {
        "states": list(STATES.values()),
        "counted": [list(pair) for pair in COUNTED.values()],
        "matter": len(words.MATTERS),
        "notKnown": list(STATES).index("not_known"),
        "noneOnRecord": list(STATES).index("none_on_record"),
        "notJudged": list(STATES).index("no_rule"),
        "variancesKnown": _variances_known(checks, problems),
        "tables": tables,
        "rules": [[*r[:4], tables.index(r[4])] for r in rules],
        "nought": format_exactly(0, measures),
        "measureFirst": cautions.MEASURE_FIRST,
        "remarks": remarks,
        "judged": _judged(checks, unit, table, len(tables), len(row_of)),
        "lengths": lengths,
        "slots": slots,
    }


def unit_rows(checks: pd.DataFrame, row_of: Mapping[str, int]) -> NDArray[np.int64]:
    """The row of each check's unit, -1 where it is none of them."""
    code, found = _codes(checks, "unit_id")
    return np.array([row_of.get(name or "", -1) for name in found], np.int64)[code]


def _codes(frame: pd.DataFrame, name: str) -> tuple[NDArray[np.int64], list[str | None]]:
    """A column as positions in the list of its texts, None among them where one is not known."""
    if name not in frame:
        return np.zeros(len(frame), np.int64), [None]
    code, found = pd.factorize(frame[name], use_na_sentinel=False)
    return code, encode.text_or_none(pd.Series(list(found), dtype=object))


def _combined(
    columns: Sequence[tuple[NDArray[np.int64], Sequence[Any]]],
) -> tuple[NDArray[np.int64], list[tuple[Any, ...]]]:
    """Rows of several coded columns as one code, and what each code stands for."""
    mixed = np.zeros(len(columns[0][0]), np.int64)
    for code, found in columns:
        mixed = mixed * max(len(found), 1) + code
    code, known = pd.factorize(mixed)
    order = np.argsort(-np.bincount(code, minlength=len(known)), kind="stable")
    place = np.argsort(order, kind="stable")
    first = np.full(len(known), len(code), np.int64)
    np.minimum.at(first, code, np.arange(len(code)))
    shown = [tuple(found[each[row]] for each, found in columns) for row in first[order]]
    return place[code], shown


def _slots(
    checks: pd.DataFrame, unit: NDArray[np.int64]
) -> list[tuple[NDArray[np.int64], str | None]]:
    """Rows with one check a unit: those of one rule and table, in the order they came."""
    keys = [_codes(checks, name) for name in ("rule_id", "part", "feature", "table")]
    rule, known = _combined(keys)
    # the how-manieth of its unit under its rule
    pair = rule * (int(unit.max()) + 1) + unit
    order = np.argsort(pair, kind="stable")
    is_first = np.diff(pair[order], prepend=-1) != 0
    place = np.arange(len(pair))
    turn = np.empty(len(pair), np.int64)
    turn[order] = place - np.maximum.accumulate(np.where(is_first, place, 0))
    slot, _ = pd.factorize(rule * (int(turn.max()) + 1) + turn)
    order = np.argsort(slot, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(slot[order])) + 1)
    return [(rows, known[rule[rows[0]]][1]) for rows in groups]


def _slot(
    columns: Mapping[str, Any],
    rows: NDArray[np.int64],
    unit: NDArray[np.int64],
    units: int,
    from_outlet: bool,
) -> dict[str, Any]:
    def by_unit(values: NDArray) -> NDArray:
        out = np.full(units, np.nan)
        out[unit] = values[rows]
        return out

    kind, kinds = _combined(
        [
            (columns[name][rows], range(int(columns[name].max()) + 1))
            for name in ("rule", "state", "in_force", "remark")
        ]
    )
    code, found = columns["feature"]
    features = np.full(units, -1)
    features[unit] = code[rows]
    kind_of = np.full(units, np.nan)
    kind_of[unit] = kind
    slot: dict[str, Any] = {
        "kinds": [[r, s, (None, 0, 1)[f], m] for r, s, f, m in kinds],
        "kind": kind_of,
        "distance": by_unit(columns["length"]["numbers"]),
        "within": by_unit(columns["within"]["numbers"]),
        "feature": phrases.texts_of(features, found),
    }
    lines = columns["line"]
    if np.isfinite(lines["x"][rows]).any():
        slot |= {"fromOutlet": from_outlet, "x": by_unit(lines["x"]), "y": by_unit(lines["y"])}
    if np.isfinite(lines["startX"][rows]).any():
        slot |= {"startX": by_unit(lines["startX"]), "startY": by_unit(lines["startY"])}
    return slot


def _rules(
    checks: pd.DataFrame, measures: words.Measures
) -> list[tuple[NDArray[np.int64], Sequence[Any]]]:
    """From what to what, its id, the distance in words, source and table."""
    length, lengths = pd.factorize(
        SETBACK_CHECKS.numbers(checks, "required_m"), use_na_sentinel=False
    )
    ends, pairs = _combined([_codes(checks, "part"), _codes(checks, "feature")])
    shown = [
        f"{words.in_words(part or 'unit', _PARTS).capitalize()} to "
        f"{words.in_words(feature or 'feature', FEATURES)}"
        for part, feature in pairs
    ]
    return [
        (ends, shown),
        _codes(checks, "rule_id"),
        (length, [format_exactly(v, measures) if np.isfinite(v) else None for v in lengths]),
        _codes(checks, "source"),
        _codes(checks, "table"),
    ]


def states_of(checks: pd.DataFrame) -> NDArray[np.int64]:
    """Positions in `STATES`; a verdict that is not listed is shown as of a rule that is not."""
    known = list(STATES)
    code, verdicts = _codes(checks, "verdict")
    state = np.array([known.index(v if v and v in STATES else "no_rule") for v in verdicts])[code]
    has_distance = np.isfinite(SETBACK_CHECKS.numbers(checks, "distance_m"))
    no_distance = (state == known.index("uncertain")) & ~has_distance
    return np.where(no_distance, known.index("not_known"), state)


def _in_force(checks: pd.DataFrame) -> NDArray[np.int64]:
    """0 where not known, 1 where the rule does not apply, 2 where it does."""
    code, found = _codes(checks, "in_force")
    return np.array([0 if v is None else 1 + int(_is_true(v)) for v in found])[code]


def _remarks(checks: pd.DataFrame) -> tuple[NDArray[np.int64], list[tuple[str, ...]]]:
    columns = ("part", "feature", "variance_id", "measured_by", "link_confirmed", "settled_by")
    code, found = _combined([_codes(checks, name) for name in columns])
    shown = [_remark(*row) for row in found]
    known = list(dict.fromkeys(shown))
    return np.array([known.index(remark) for remark in shown])[code], known


def _remark(
    part: str | None,
    feature: str | None,
    variance: str | None,
    measured_by: str | None,
    confirmed: str | None,
    settled_by: str | None,
) -> tuple[str, ...]:
    place = "discharge point" if part == "discharge_point" else "lid"
    thing = words.in_words(feature or "feature", FEATURES)
    to_do = {
        "locate": "The discharge point is not on record. Find it first",
        "fix_part": f"A better position of the {place} would answer it",
        "fix_feature": f"A better position of the {thing} would answer it",
        "fix_both": f"Better positions of the {place} and the {thing} would answer it",
        "tape": "Measure by tape on site",
        "find_day": "Its year is not on record. Find its permit or the year it was installed",
        "ask_feature": f"The record does not say whether the rule covers this {thing}. Find out",
        "give_layer": f"The county gave no layer with this feature ({thing})",
        "place_rows": f"The position of at least one {thing} is not on record. It may be near",
    }
    is_guess = part == "discharge_point" and confirmed is not None and not _is_true(confirmed)
    shown = (
        f"Variance {variance} applies" if variance else "",
        "Measured by tape" if measured_by == "tape" else "",
        "The discharge point is not confirmed" if is_guess and settled_by != "locate" else "",
        to_do.get(settled_by, "") if settled_by else "",
    )
    return tuple(text for text in shown if text)


def _judged(
    checks: pd.DataFrame, unit: NDArray[np.int64], table: NDArray[np.int64], tables: int, units: int
) -> list[dict[str, Any]]:
    """For each table the day that decided by unit, in words; one day per unit and table."""
    code, found = _combined([_codes(checks, "judged_on"), _codes(checks, "judged_by")])
    days = [_day(day, basis) for day, basis in found]
    shown = []
    for place in range(tables):
        rows = np.flatnonzero(table == place)
        by_unit = np.full(units, -1)
        by_unit[unit[rows]] = code[rows]
        shown.append(phrases.texts_of(by_unit, days))
    return shown


def _day(day: str | None, basis: str | None) -> str | None:
    if day is None:
        return None
    return _DAYS.get(basis or "", "{day}").format(year=day[:4], day=words.date(day))


def _distances(checks: pd.DataFrame, measures: words.Measures) -> dict[str, Any]:
    """Distances, each on its side of the required one; inside an area how far inside."""
    meters, inside = (
        SETBACK_CHECKS.numbers(checks, "distance_m"),
        SETBACK_CHECKS.numbers(checks, "inside_m"),
    )
    rows = np.flatnonzero((inside > 0) & (meters == 0))
    shown = [f"inside it, {words.length(inside[row], measures)} from its edge" for row in rows]
    return encode.lengths(
        meters,
        "distance",
        measures,
        zero="at it",
        required_m=SETBACK_CHECKS.numbers(checks, "required_m"),
        instead=(rows, shown),
    )


def _lines(
    checks: gpd.GeoDataFrame, unit: NDArray[np.int64], places: PlaceColumns
) -> dict[str, NDArray[np.float64]]:
    """The lines between nearest points of the checks that matter; others would crowd the map."""
    x, y, start_x, start_y = (np.full(len(checks), np.nan) for _ in range(4))
    if "verdict" in checks and "geometry" in checks:
        matters = checks["verdict"].isin(words.MATTERS).to_numpy()
        drawn, ends = map_layers.line_ends(checks, matters, places.plane)
        at_outlet = SETBACK_CHECKS.equals(checks, "part", "discharge_point")[drawn]
        home = places.units[unit[drawn]]
        begin = np.where(at_outlet[:, None], places.outlets[unit[drawn]], home)
        apart = np.linalg.norm(ends - begin[:, None, :], axis=2)
        turned = (apart[:, 1] <= _NEAR_STEPS) & ~(apart[:, 0] <= _NEAR_STEPS)
        ends[turned] = ends[turned, ::-1]
        elsewhere = ~(np.fmin(apart[:, 0], apart[:, 1]) <= _NEAR_STEPS)
        begin = np.where(elsewhere[:, None], ends[:, 0], begin)
        half_meters = np.rint((ends[:, 1] - begin) * places.plane.step * 2)
        x[drawn], y[drawn] = half_meters.T
        offset = np.where(elsewhere[:, None], begin - home, np.nan)
        start_x[drawn], start_y[drawn] = np.rint(offset * places.plane.step * 2).T
        x[drawn[np.isnan(home[:, 0])]] = y[drawn[np.isnan(home[:, 0])]] = np.nan
    return {"x": x, "y": y, "startX": start_x, "startY": start_y}


def _variances_known(checks: pd.DataFrame, problems: pd.DataFrame) -> bool:
    """Whether a layer of variances was read; older folders do not know of them."""
    if "variance_id" not in checks:
        return False
    if not len(problems) or "code" not in problems:
        return True
    out = problems["code"].isin(NOT_GIVEN) | (problems["action"] == "layer_left_out")
    return not ((problems["layer"] == "variances") & out).any()


def _is_true(value: str) -> bool:
    return value.lower() in {"true", "1", "1.0", "yes"}
