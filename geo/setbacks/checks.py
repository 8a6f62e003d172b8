"""Setbacks: how far each part of a unit lies from each feature, and what a rule says of it.

A verdict is screening from records and maps, never a legal finding; the local code governs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.setbacks.candidates import Candidates, find
from geo.setbacks.inputs import SetbackInputs
from geo.setbacks.tapes import with_tapes
from geo.setbacks.variances import variances_in_effect
from geo.setbacks.verdicts import KINDS, gravest_rows, judged, rules_in_force
from geo.uncertainty import MAP_LINE_SD_M, POINT_95, FeatureKind
from layers.fields.schemas import SCHEMAS
from layers.outputs import SETBACK_CHECKS
from layers.settings.setback_tables import SetbackRule, Setbacks, SetbackTable

Floats = NDArray[np.float64]
TableRule = tuple[SetbackTable, SetbackRule]

# Rows judged at once: a small county's rules take one turn, and a large one's memory stays small.
_MOST_ROWS: Final = 60_000

# the rest of the table is `geo.setbacks.well_sides`
COLUMNS: Final = [each.name for each in SETBACK_CHECKS if each.made_by.startswith(__name__)]


def setback_checks(given: SetbackInputs, setbacks: Setbacks) -> gpd.GeoDataFrame:
    """Every row of every table against every unit it speaks of.

    Returns
    -------
    One row per unit and rule with the columns of `COLUMNS` and the line between the nearest
    points, of the feature and the outlet with the gravest verdict. A rule that is not in force for
    the unit, on the day that decides, gives its distance and ``no_rule``. No feature on record
    within reach gives ``none_on_record``, or ``not_known`` where the layer was not given or has
    rows without a place. A feature that may be meant and would be graver than those that are
    gives ``uncertain``; so does a discharge point that is expected but unknown, with no distance;
    a unit that has none by its kind gives no row for rules on discharge points. ``settled_by``
    says what would settle it: ``locate`` (the discharge point), ``ask_feature`` (what the feature
    is), ``find_day`` (which table applies to the unit), ``give_layer``, ``place_rows``,
    ``fix_part``, ``fix_feature``, ``fix_both`` (a position taken with a good receiver), ``tape``.

    Notes
    -----
    Features are searched once per part, kind of feature and direction, whatever the number of
    tables, as far as the longest of their distances and the errors. ``unit`` and ``tank`` are both
    measured from the lid. A unit on whose day nothing is known is held to every adopted table; what
    is short of some of them only is ``uncertain``.
    """
    variances = variances_in_effect(given)
    rules = [(table, rule) for table in setbacks.tables for rule in setbacks.rows(table)]
    parts = {"lid": _lids(given), "outlet": _outlets(given)}
    found = _found_of_each(given, parts, rules, variances)
    blocks = [
        _judged(given, parts, rules[some], found[some], variances) for some in _turns(parts, rules)
    ]
    if not blocks:
        return SETBACK_CHECKS.empty_layer(given.units.crs)[[*COLUMNS, "geometry"]]
    checks = _short_of_some(pd.concat(blocks, ignore_index=True), given, setbacks)
    return gpd.GeoDataFrame(checks, geometry="geometry", crs=given.units.crs)


def _place_of(rule: SetbackRule) -> str:
    return "outlet" if rule.part == "discharge_point" else "lid"


def _turns(parts: Mapping[str, pd.DataFrame], rules: Sequence[TableRule]) -> Iterator[slice]:
    """Rules that are judged together, `_MOST_ROWS` rows or a single rule."""
    begin, rows = 0, 0
    for k, (_, rule) in enumerate(rules):
        more = len(parts[_place_of(rule)])
        if k > begin and rows + more > _MOST_ROWS:
            yield slice(begin, k)
            begin, rows = k, 0
        rows += more
    if rules:
        yield slice(begin, len(rules))


# ---------------------------------------------------------------------------------- measuring


def _lids(given: SetbackInputs) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "unit": np.arange(len(given.units)),
            "unit_id": given.units["unit_id"].to_numpy(),
            "point": given.units.geometry.to_numpy(),
            "accuracy95_m": given.units["accuracy95_m"].to_numpy(float),
            "link_confirmed": True,
        }
    )


def _outlets(given: SetbackInputs) -> pd.DataFrame:
    """A row for every discharge point of each unit that is expected to have one.

    The one it is linked to, and all others that name it; a row without a point where none is known.
    """
    expected = (given.links["outlet_state"] != "not_expected").to_numpy()
    links = given.links[expected]
    part = pd.DataFrame(
        {
            "unit": np.flatnonzero(expected),
            "unit_id": links["unit_id"].to_numpy(),
            "point": None,
            "accuracy95_m": np.nan,
            "link_confirmed": links["link_confirmed"].to_numpy(bool),
        }
    )
    if given.discharge_points is None:
        return part
    known = given.discharge_points.drop_duplicates("discharge_point_id").reset_index(drop=True)
    at = pd.Index(known["discharge_point_id"]).get_indexer(links["discharge_point_id"])
    points: NDArray[np.object_] = np.full(len(part), None, object)
    points[at >= 0] = known.geometry.to_numpy()[at[at >= 0]]
    accuracy = np.where(at >= 0, known["accuracy95_m"].to_numpy(float)[at], np.nan)
    part = part.assign(point=points, accuracy95_m=accuracy)
    row_of = pd.Series(part["unit"].to_numpy(), part["unit_id"].to_numpy())
    others = known[known["unit_id"].isin(row_of.index) & ~known.index.isin(at)]
    if not len(others):
        return part
    more = pd.DataFrame(
        {
            "unit": others["unit_id"].map(row_of).to_numpy(),
            "unit_id": others["unit_id"].to_numpy(),
            "point": others.geometry.to_numpy(),
            "accuracy95_m": others["accuracy95_m"].to_numpy(float),
            "link_confirmed": True,
        }
    )
    return pd.concat([part, more], ignore_index=True)


def _found_of_each(
    given: SetbackInputs,
    parts: Mapping[str, pd.DataFrame],
    rules: Sequence[TableRule],
    variances: pd.DataFrame,
) -> list[Candidates | None]:
    """The features that may decide each rule; None where its layer is not given."""
    longest: dict[object, float] = {}
    for _, rule in rules:
        longest[rule.subject[1:]] = max(longest.get(rule.subject[1:], 0.0), rule.required_m)
    measured: dict[object, Candidates] = {}
    found: list[Candidates | None] = []
    for _, rule in rules:
        layer, place = given.features.get(rule.feature), _place_of(rule)
        if layer is None:
            found.append(None)
            continue
        key = (place, rule.subject[1:])
        if key not in measured:
            most_m = max(longest[rule.subject[1:]], variances["distance_m"].max())
            measured[key] = _found(given, parts[place], layer, rule, most_m)
        found.append(measured[key])
    return found


def _found(
    given: SetbackInputs,
    part: pd.DataFrame,
    layer: gpd.GeoDataFrame,
    rule: SetbackRule,
    required_m: float,
) -> Candidates:
    """The features that may decide the rules of one kind."""
    taped = given.taped_distances
    of_tapes = [] if taped is None else taped.loc[taped["feature"] == rule.feature, "unit_id"]
    return find(
        part["point"].to_numpy(object),
        layer,
        rule,
        given.units.crs,
        required_m=required_m,
        place_sd_m=part["accuracy95_m"].to_numpy(float) / POINT_95,
        feature_sd_m=_feature_sd_m(given, layer, rule),
        ground_at=given.ground_at,
        looked_at=part["unit_id"].isin(of_tapes).to_numpy(),
    )


def _feature_sd_m(given: SetbackInputs, layer: pd.DataFrame, rule: SetbackRule) -> Floats:
    if _feature_kind(rule.feature) == "point":
        return layer["accuracy95_m"].to_numpy(float) / POINT_95
    return np.full(len(layer), given.line_sd_m.get(rule.feature, MAP_LINE_SD_M))


# ------------------------------------------------------------------------------------ judging


def _judged(
    given: SetbackInputs,
    parts: Mapping[str, pd.DataFrame],
    rules: Sequence[TableRule],
    found: Sequence[Candidates | None],
    variances: pd.DataFrame,
) -> pd.DataFrame:
    """The check rows of some rules, one for each rule and unit."""
    asked = _asked(given, parts, rules, found, variances)
    rows = judged(asked, _pairs(given, asked, rules, found))
    rows = pd.concat([rows, rules_in_force(rows, given.days, rules)], axis=1)
    held = rows["in_force"].to_numpy(bool)
    rows["verdict"] = rows["verdict"].where(held, "no_rule")
    rows["settled_by"] = rows["settled_by"].astype(object).where(held, None)
    rows = rows.iloc[gravest_rows(rows)]
    of = rows["rule"].to_numpy()
    words = {
        "rule_id": [rule.id for _, rule in rules],
        "part": [rule.part for _, rule in rules],
        "feature": [rule.feature for _, rule in rules],
        "source": [rule.source for _, rule in rules],
        "table": [table.name for table, _ in rules],
    }
    rows = rows.assign(**{name: pd.array(each, "str").take(of) for name, each in words.items()})
    text = np.array([given.completeness.get(rule.feature) for _, rule in rules], object)[of]
    rests_on_record = rows["verdict"].isin(["clear", "none_on_record"])
    rows["on_record"] = pd.Series(text, rows.index, dtype=object).where(rests_on_record, None)
    for name in ("feature_id", "variance_id", "settled_by"):
        rows[name] = rows[name].astype(object).where(rows[name].notna(), None)
    return rows[[*COLUMNS, "geometry"]]


def _asked(
    given: SetbackInputs,
    parts: Mapping[str, pd.DataFrame],
    rules: Sequence[TableRule],
    found: Sequence[Candidates | None],
    variances: pd.DataFrame,
) -> pd.DataFrame:
    """What each rule asks of each place: one row per rule and place, by rule."""
    each = [parts[_place_of(rule)] for _, rule in rules]
    rule = np.repeat(np.arange(len(rules)), [len(part) for part in each])
    asked = pd.concat(each, ignore_index=True)

    def by_rule(values: list[Any], kind: Any = object) -> NDArray[Any]:
        return np.array(values, kind)[rule]

    is_given = [layer is not None for layer in found]
    is_whole = [not given.without_place.get(rule.feature) for _, rule in rules]
    none = zip(is_given, is_whole, strict=True)
    required_m = by_rule([rule.required_m for _, rule in rules], float)
    varied: NDArray[np.object_] = np.full(len(asked), None, object)
    for k, (_, one) in enumerate(rules):
        mine = variances[variances["rule_id"] == one.id]
        if not len(mine):
            continue
        at = pd.Index(mine["unit_id"]).get_indexer(asked["unit_id"])
        here = np.flatnonzero((rule == k) & (at >= 0))
        required_m[here] = mine["distance_m"].to_numpy(float)[at[here]]
        varied[here] = mine["variance_id"].to_numpy(object)[at[here]]
    just_above = by_rule([rule.comparison == "more_than" for _, rule in rules], bool)
    return asked.assign(
        rule=rule,
        part_sd_m=asked["accuracy95_m"].to_numpy(float) / POINT_95,
        required_m=required_m,
        asked_m=np.where(just_above, np.nextafter(required_m, np.inf), required_m),
        variance_id=varied,
        kind=by_rule([KINDS.index(_feature_kind(rule.feature)) for _, rule in rules], int),
        is_lost=shapely.is_missing(asked["point"].to_numpy(object)),
        is_given=by_rule(is_given, bool),
        nothing=by_rule(["none_on_record" if all(two) else "not_known" for two in none]),
        wanted=by_rule(["place_rows" if there else "give_layer" for there in is_given]),
    )


def _pairs(
    given: SetbackInputs,
    asked: pd.DataFrame,
    rules: Sequence[TableRule],
    found: Sequence[Candidates | None],
) -> pd.DataFrame:
    """Each place against each feature that may decide, as measured on the map or taped."""
    part_sd = asked["part_sd_m"].to_numpy(float)
    begins = np.searchsorted(asked["rule"], np.arange(len(rules)))
    names = ("place", "feature_id", "distance_m", "inside_m", "feature_sd_m", "sure", "geometry")
    columns: dict[str, list[NDArray[Any]]] = {name: [] for name in names}
    for (_, rule), near, begin in zip(rules, found, begins, strict=True):
        layer = given.features.get(rule.feature)
        if near is None or layer is None:
            continue
        ids = layer[SCHEMAS[rule.feature].id].to_numpy(object)
        sd_m = _feature_sd_m(given, layer, rule)
        values = (
            begin + near.place, ids[near.feature], near.distance_m, near.inside_m,
            sd_m[near.feature], near.sure, near.line,
        )  # fmt: skip
        for name, value in zip(names, values, strict=True):
            columns[name].append(value)
    kinds = {"place": np.int64, "sure": np.bool_, "feature_id": object, "geometry": object}
    pairs = pd.DataFrame(
        {
            name: pd.Series(
                np.concatenate([np.empty(0, kinds.get(name, float)), *parts]),
                dtype=kinds.get(name, float),
            )
            for name, parts in columns.items()
        }
    )
    sd = np.hypot(part_sd[pairs["place"]], pairs["feature_sd_m"])
    pairs = pairs.assign(sd_m=sd, measured_by="map")
    return with_tapes(given, asked, [rule for _, rule in rules], pairs)


def _short_of_some(checks: pd.DataFrame, given: SetbackInputs, setbacks: Setbacks) -> pd.DataFrame:
    """Where it is not known which table applies, short is only what is short of each that may."""
    days = given.days
    open_units = given.units.loc[~days["is_day_known"].to_numpy(bool), "unit_id"]
    by_unit = [table.name for table in setbacks.tables if table.judged_on == "unit"]
    is_open = checks["unit_id"].isin(open_units) & checks["table"].isin(by_unit)
    some = checks[is_open & checks["in_force"].astype(bool)]
    tables = some.groupby("unit_id")["table"].nunique()
    short = some[some["verdict"] == "short"]
    if not len(short):
        return checks
    of_each = short.groupby(["unit_id", "part", "feature"])["table"].transform("nunique")
    doubted = short.index[of_each < short["unit_id"].map(tables)]
    checks.loc[doubted, "verdict"] = "uncertain"
    checks.loc[doubted, "settled_by"] = "find_day"
    return checks


def _feature_kind(feature: str) -> FeatureKind:
    if feature == "parcels":
        return "line"
    kinds: dict[str, FeatureKind] = {"point": "point", "line": "line", "polygon": "area"}
    return kinds[SCHEMAS[feature].shape]
