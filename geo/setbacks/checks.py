"""Setbacks: how far each part of a unit lies from each feature, and what a rule says of it.

A verdict is screening from records and maps, never a legal finding; the local code governs.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.setbacks.candidates import Candidates, GroundAt, find
from geo.uncertainty import LINE_95, MAP_LINE_SD_M, POINT_95, FeatureKind, short_probability
from layers.fields.schemas import SCHEMAS
from layers.outputs import SETBACK_CHECKS
from layers.problems import ProblemLog
from layers.settings.setback_tables import SetbackRule, Setbacks, SetbackTable

__all__ = ["GPS_FIX_M", "SetbackInputs", "setback_checks", "short_probability"]

Verdict = Literal["clear", "short", "uncertain", "not_known", "none_on_record", "no_rule"]

_VERDICTS: Final = ("clear", "uncertain", "short")  # by gravity, 0 to 2
_BY_GRAVITY: Final = ("short", "uncertain", "not_known", "clear", "none_on_record", "no_rule")
_OF_PAIR: Final = ("place", "feature_id", "distance_m", "inside_m", "feature_sd_m", "sure",
                   "measured_by", "geometry", "sd_m")  # fmt: skip
Floats = NDArray[np.float64]

CLEAR_AT_MOST: Final = 0.05
SHORT_AT_LEAST: Final = 0.95
# What a visit with a good receiver would give, at 95 %; common practice, no source.
GPS_FIX_M: Final = 3.0
# A distance taped on site, where the record states no accuracy; common practice, no source.
TAPED_SD_M: Final = 0.15

# the rest of the table is `geo.setbacks.well_sides`
COLUMNS: Final = [each.name for each in SETBACK_CHECKS if each.made_by.startswith(__name__)]


@dataclass(frozen=True)
class SetbackInputs:
    """What setbacks are measured on.

    Attributes
    ----------
    units
        ``unit_id``, ``accuracy95_m`` and points in the working system.
    discharge_points
        ``discharge_point_id``, ``accuracy95_m`` and points; None when there are none.
    links
        ``unit_id``, ``discharge_point_id``, ``outlet_state``, ``link_confirmed``; one row per
        unit, in the order of ``units``.
    features
        The county's layers by name, None where a layer is missing.
    days
        ``unit_day`` (the day whose rules apply to the unit), ``unit_day_basis`` (permit,
        installed, assessment) and ``as_of``; one row per unit, in the order of ``units``.
    line_sd_m
        Standard deviation across lines and outlines, by layer; `MAP_LINE_SD_M` where unstated.
    ground_at
        Ground heights at map coordinates (NaN where unknown), for rules that hold only upslope
        or downslope; None where there is no terrain: such rules then hold in every direction.
    variances
        ``variance_id, unit_id, rule_id, distance_m`` (what was allowed instead; 0: the rule was
        waived), ``granted``; or None. One without its distance or its day has no effect.
    taped_distances
        ``unit_id, part, feature, feature_id, distance_m, accuracy_m, date``: taped on site, in
        place of the map's; or None. One that contradicts the map, or lacks the feature or the day,
        can make a verdict graver and never lighter.
    without_place
        By layer, how many of its rows have no place and were set aside.
    completeness
        By layer, what is on record and what such a record often leaves out: a sentence that
        verdicts resting on what is *not* on record carry.
    """

    units: gpd.GeoDataFrame
    discharge_points: gpd.GeoDataFrame | None
    links: pd.DataFrame
    features: Mapping[str, gpd.GeoDataFrame | None]
    days: pd.DataFrame
    line_sd_m: Mapping[str, float]
    ground_at: GroundAt | None = None
    variances: pd.DataFrame | None = None
    taped_distances: pd.DataFrame | None = None
    completeness: Mapping[str, str] = field(default_factory=dict)
    without_place: Mapping[str, int] = field(default_factory=dict)
    log: ProblemLog = field(default_factory=ProblemLog)


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
    longest: dict[object, float] = {}
    for rule in (rule for table in setbacks.tables for rule in setbacks.rows(table)):
        longest[rule.subject[1:]] = max(longest.get(rule.subject[1:], 0.0), rule.required_m)
    variances = _variances(given)
    measured: dict[object, Candidates] = {}
    parts = {"lid": _lids(given), "outlet": _outlets(given)}
    blocks = []
    for table in setbacks.tables:
        for rule in setbacks.rows(table):
            place = "outlet" if rule.part == "discharge_point" else "lid"
            part = parts[place]
            layer = given.features.get(rule.feature)
            if layer is None:
                blocks.append(_rows(given, part, table, rule, variances, None))
                continue
            key = (place, rule.subject[1:])
            if key not in measured:
                most_m = max(longest[rule.subject[1:]], variances["distance_m"].max())
                measured[key] = _found(given, part, layer, rule, most_m)
            blocks.append(_rows(given, part, table, rule, variances, measured[key]))
    if not blocks:
        return SETBACK_CHECKS.empty_layer(given.units.crs)[[*COLUMNS, "geometry"]]
    checks = _short_of_some(pd.concat(blocks, ignore_index=True), given, setbacks)
    return gpd.GeoDataFrame(checks, geometry="geometry", crs=given.units.crs)


# ---------------------------------------------------------------------------------- measuring


def _lids(given: SetbackInputs) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "row": np.arange(len(given.units)),
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
            "row": np.flatnonzero(expected),
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
    row_of = pd.Series(part["row"].to_numpy(), part["unit_id"].to_numpy())
    others = known[known["unit_id"].isin(row_of.index) & ~known.index.isin(at)]
    if not len(others):
        return part
    more = pd.DataFrame(
        {
            "row": others["unit_id"].map(row_of).to_numpy(),
            "unit_id": others["unit_id"].to_numpy(),
            "point": others.geometry.to_numpy(),
            "accuracy95_m": others["accuracy95_m"].to_numpy(float),
            "link_confirmed": True,
        }
    )
    return pd.concat([part, more], ignore_index=True)


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


def _rows(
    given: SetbackInputs,
    part: pd.DataFrame,
    table: SetbackTable,
    rule: SetbackRule,
    variances: pd.DataFrame,
    found: Candidates | None,
) -> pd.DataFrame:
    """The check rows of one rule, one for each unit."""
    kind = _feature_kind(rule.feature)
    rows = pd.DataFrame({"unit_id": part["unit_id"].to_numpy()})
    rows.insert(0, "rule_id", rule.id)
    mine = variances[variances["rule_id"] == rule.id].set_index("unit_id")
    allowed_m = rows["unit_id"].map(mine["distance_m"]).astype(float)
    rows["required_m"] = allowed_m.fillna(rule.required_m)
    varied = rows["unit_id"].map(mine["variance_id"]).astype(object)
    rows["variance_id"] = varied.where(varied.notna(), None)
    rows["link_confirmed"] = part["link_confirmed"].to_numpy()
    rows["part_sd_m"] = part["accuracy95_m"].to_numpy(float) / POINT_95
    asked = rows["required_m"].to_numpy(float)
    if rule.comparison == "more_than":  # a distance of just that much is then short
        asked = np.nextafter(asked, np.inf)
    pairs = _pairs(given, rows, rule, found, asked, kind)
    rows = _decided(rows, pairs)
    is_lost = shapely.is_missing(part["point"].to_numpy(object)) & rows["distance_m"].isna()
    nothing = "none_on_record"
    if found is None or given.without_place.get(rule.feature):
        nothing = "not_known"
    rows["verdict"] = np.select(
        [rows["is_doubtful"], rows["gravity"] >= 0, is_lost & (found is not None)],
        ["uncertain", np.array(_VERDICTS, object)[rows["gravity"].clip(lower=0)], "uncertain"],
        nothing,
    )
    rows["settled_by"] = _settled_by(rows, kind)
    wanted = "give_layer" if found is None else "place_rows"
    rows.loc[rows["verdict"] == "not_known", "settled_by"] = wanted
    rows = _in_force(rows, given.days.iloc[part["row"]], table, rule)
    rows = _gravest(rows)
    rows["distance_u95_m"] = LINE_95 * rows["sd_m"]
    rows["part"], rows["feature"] = rule.part, rule.feature
    rows["source"], rows["table"] = rule.source, table.name
    rests_on_record = rows["verdict"].isin(["clear", "none_on_record"])
    said = given.completeness.get(rule.feature)
    rows["on_record"] = pd.Series(said, index=rows.index, dtype=object).where(rests_on_record, None)
    return rows[[*COLUMNS, "geometry"]]


def _pairs(
    given: SetbackInputs,
    rows: pd.DataFrame,
    rule: SetbackRule,
    found: Candidates | None,
    asked: Floats,
    kind: FeatureKind,
) -> pd.DataFrame:
    """Each place against each feature that may decide: distance, chance, and how grave it is.

    What only a tape knows (it has no line on the map) is left out where it is clear.
    """
    layer = given.features.get(rule.feature)
    if found is None or layer is None:
        table = pd.DataFrame({name: [] for name in _OF_PAIR}, dtype=object)
        table["place"] = table["place"].astype(np.int64)
    else:
        table = pd.DataFrame(
            {
                "place": found.place,
                "feature_id": layer[SCHEMAS[rule.feature].id].to_numpy(object)[found.feature],
                "distance_m": found.distance_m,
                "inside_m": found.inside_m,
                "feature_sd_m": _feature_sd_m(given, layer, rule)[found.feature],
                "sure": found.sure,
                "measured_by": "map",
                "geometry": found.line,
            }
        )
        part_sd = rows["part_sd_m"].to_numpy(float)[found.place]
        table["sd_m"] = np.hypot(part_sd, table["feature_sd_m"])
    table = _with_tapes(given, rows, rule, table)
    place = table["place"].to_numpy(np.int64)
    inside = table["inside_m"].to_numpy(float)
    signed = table["distance_m"].to_numpy(float) - inside
    is_area = (kind == "area") | (inside > 0)
    away = np.where(is_area, np.maximum(signed, 0.0), signed)
    sd = table["sd_m"].to_numpy(float)
    as_area = short_probability(signed, asked[place], sd, feature="area")
    own = as_area if kind == "area" else short_probability(away, asked[place], sd, feature=kind)
    chance = np.where(is_area, as_area, own)
    is_clear = (chance <= CLEAR_AT_MOST) & (as_area <= CLEAR_AT_MOST)
    table["signed_m"], table["short_probability"] = signed, chance
    table["gravity"] = np.select([is_clear, chance >= SHORT_AT_LEAST], [0, 2], 1)
    return table[(table["gravity"] > 0) | table["geometry"].notna()]


def _decided(rows: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """For each place the pair that decides; ``is_doubtful`` where that one only may be meant.

    ``gravity`` is that of the features certainly meant, or of those that may be where they are
    clear; -1 where there are none.
    """
    order = np.lexsort([
        pairs["distance_m"], -pairs["short_probability"].to_numpy(float), -pairs["gravity"],
        ~pairs["sure"].to_numpy(bool), pairs["place"],
    ])  # fmt: skip
    first = pairs.iloc[order].drop_duplicates("place").set_index("place")
    graver = pairs[~pairs["sure"].to_numpy(bool)]
    order = np.lexsort([
        graver["distance_m"], -graver["short_probability"].to_numpy(float), -graver["gravity"],
        graver["place"],
    ])  # fmt: skip
    graver = graver.iloc[order].drop_duplicates("place").set_index("place")
    sure_gravity = first["gravity"].where(first["sure"].astype(bool), 0)
    beside = sure_gravity.reindex(graver.index).fillna(0)
    graver = graver[graver["gravity"] > beside]
    chosen = pd.concat([first[~first.index.isin(graver.index)], graver])
    chosen = chosen.reindex(np.arange(len(rows)))
    doubtful = np.zeros(len(rows), bool)
    doubtful[graver.index.to_numpy(np.int64)] = True
    out = rows.assign(is_doubtful=doubtful, gravity=chosen["gravity"].fillna(-1).astype(int))
    for name in ("distance_m", "signed_m", "inside_m", "feature_sd_m", "sd_m", "short_probability"):
        out[name] = chosen[name].to_numpy(float)
    out["feature_id"] = (
        chosen["feature_id"].astype(object).where(chosen["feature_id"].notna(), None)
    )
    out["measured_by"] = chosen["measured_by"].fillna("map").to_numpy(object)
    lines: NDArray[np.object_] = np.full(len(rows), None, object)
    there = chosen["geometry"].notna().to_numpy()
    lines[there] = chosen["geometry"].to_numpy(object)[there]
    out["geometry"] = lines
    return out


def _gravest(rows: pd.DataFrame) -> pd.DataFrame:
    """One row for each unit: of several outlets the one with the gravest verdict."""
    if rows["unit_id"].is_unique:
        return rows
    place = rows["verdict"].map({name: k for k, name in enumerate(_BY_GRAVITY)})
    order = np.lexsort([
        rows["distance_m"], -rows["short_probability"].fillna(-1.0).to_numpy(float), place,
    ])  # fmt: skip
    kept = rows.iloc[order].drop_duplicates("unit_id").set_index("unit_id")
    return kept.loc[rows["unit_id"].unique()].reset_index()


# ----------------------------------------------------------------------- tapes and variances


def _with_tapes(
    given: SetbackInputs, rows: pd.DataFrame, rule: SetbackRule, pairs: pd.DataFrame
) -> pd.DataFrame:
    """Distances taped on site beside the map's, or in their place.

    A tape takes the place of the map's distance to the same feature where both agree within their
    errors and its day is known. Any other stands beside: it counts only where it is graver.
    """
    taped = given.taped_distances
    if taped is None or not len(taped):
        return pairs
    taped = taped[~_is_later(taped["date"], given)]
    mine = taped[
        (taped["part"] == rule.part) & (taped["feature"] == rule.feature)
        & taped["distance_m"].notna() & taped["unit_id"].isin(rows["unit_id"])
    ].sort_values("distance_m")  # fmt: skip
    if not len(mine):
        return pairs
    places = pd.Series(rows.index.to_numpy(), rows["unit_id"].to_numpy())
    pairs = pairs.reset_index(drop=True)
    beside: list[dict[str, Any]] = []
    done: set[Hashable] = set()
    for tape in mine.to_dict("records"):
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
        _tell_of_tape(given, tape, is_known=is_known, maps=same["distance_m"])
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


def _tell_of_tape(
    given: SetbackInputs, tape: Mapping[Hashable, Any], *, is_known: bool, maps: pd.Series
) -> None:
    if is_known and not len(maps):
        return
    said = f"{tape['distance_m']:g} m is taped"
    code = "tape_incomplete"
    if is_known:
        code, said = "tape_contradicts_map", f"{said}, {maps.min():.1f} m measured on the map"
    elif pd.isna(tape["feature_id"]):
        said += " to a feature that is not named"
    else:
        said += " on a day that is not known"
    row, name = tape["source_row"], tape["taped_distance_id"]
    given.log.add(
        "taped_distances",
        code,
        said,
        action="kept",
        row=None if pd.isna(row) else int(row),
        feature_id=None if pd.isna(name) else str(name),
    )


def _is_later(days: pd.Series, given: SetbackInputs) -> pd.Series:
    """Which days come after the one the assessment speaks for; an unknown one does not."""
    return pd.to_datetime(days) > pd.to_datetime(given.days["as_of"]).max()


def _variances(given: SetbackInputs) -> pd.DataFrame:
    """Variances that have an effect: of several for a unit and rule the longest distance."""
    columns = ["unit_id", "rule_id", "distance_m", "variance_id"]
    if given.variances is None or not len(given.variances):
        return pd.DataFrame({name: [] for name in columns}).astype({"distance_m": float})
    table = given.variances
    wanted = {"rule_id": "rule", "distance_m": "distance", "granted": "day"}
    table = table[~_is_later(table["granted"], given)]
    lacks = table[list(wanted)].isna()
    for position in np.flatnonzero(lacks.any(axis=1)):
        row = table.iloc[position]
        said = " and ".join(word for name, word in wanted.items() if lacks[name].iloc[position])
        given.log.add(
            "variances", "variance_incomplete", f"its {said} is not known", action="kept",
            row=int(row["source_row"]), feature_id=row["variance_id"],
        )  # fmt: skip
    usable = table[~lacks.any(axis=1)].sort_values("distance_m", ascending=False, kind="stable")
    several = usable[usable.duplicated(["unit_id", "rule_id"], keep="first")]
    for row in several.to_dict("records"):
        given.log.add(
            "variances", "variance_several", "another variance asks for a longer distance",
            action="kept", row=int(row["source_row"]), feature_id=row["variance_id"],
        )  # fmt: skip
    return usable.drop_duplicates(["unit_id", "rule_id"])[columns]


def _settled_by(rows: pd.DataFrame, kind: FeatureKind) -> NDArray[np.object_]:
    """What would settle each uncertain verdict, tried in the order of least trouble.

    A better position is tried at the distance measured now, with the accuracy of `GPS_FIX_M`.
    """
    fixed_sd = GPS_FIX_M / POINT_95
    part = np.minimum(rows["part_sd_m"], fixed_sd)
    feature = (
        np.minimum(rows["feature_sd_m"], fixed_sd) if kind == "point" else rows["feature_sd_m"]
    )
    tries = [
        ("fix_part", part, rows["feature_sd_m"]),
        ("fix_feature", rows["part_sd_m"], feature),
        ("fix_both", part, feature),
    ]
    settled = []
    for _, a, b in tries:
        sd = np.hypot(a, b)
        away = rows["signed_m"] if kind == "area" else rows["signed_m"].clip(lower=0)
        chance = short_probability(away, rows["required_m"], sd, feature=kind)
        normal = short_probability(rows["signed_m"], rows["required_m"], sd, feature="area")
        settled.append(
            ((chance <= CLEAR_AT_MOST) & (normal <= CLEAR_AT_MOST)) | (chance >= SHORT_AT_LEAST)
        )
    uncertain = (rows["verdict"] == "uncertain").to_numpy()
    unknown = rows["distance_m"].isna().to_numpy()
    taped = (rows["measured_by"] == "tape").to_numpy()
    said = np.select(
        [~uncertain, rows["is_doubtful"], taped, unknown, *settled],
        ["", "ask_feature", "", "locate", *(name for name, _, _ in tries)],
        "tape",
    ).astype(object)
    said[said == ""] = None
    return said


def _in_force(
    rows: pd.DataFrame, days: pd.DataFrame, table: SetbackTable, rule: SetbackRule
) -> pd.DataFrame:
    """Whether the rule holds for each unit on the day that decides; without, no verdict."""
    by_unit = table.judged_on == "unit"
    day = pd.to_datetime(days["unit_day" if by_unit else "as_of"]).reset_index(drop=True)
    any_day = by_unit & ~days["is_day_known"].to_numpy(bool)  # may have been any day so far
    held = np.full(len(rows), table.is_adopted)
    for level in (table, rule):
        if level.effective_from is not None:
            begun = (day >= pd.Timestamp(level.effective_from)).to_numpy()
            today = pd.to_datetime(days["as_of"]).to_numpy() >= pd.Timestamp(level.effective_from)
            held &= np.where(any_day, today, begun)
        if level.effective_to is not None:
            held &= any_day | (day < pd.Timestamp(level.effective_to)).to_numpy()
    rows["in_force"] = held
    rows["judged_on"] = day.dt.strftime("%Y-%m-%d")
    rows["judged_by"] = days["unit_day_basis"].to_numpy() if by_unit else "assessment"
    rows.loc[~held, "verdict"] = "no_rule"
    rows.loc[~held, "settled_by"] = None
    return rows


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
