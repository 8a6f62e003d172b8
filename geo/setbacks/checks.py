"""Setbacks: how far each part of a unit lies from each feature, and what a rule says of it.

A verdict is screening from records and maps, never a legal finding; the local code governs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.receptors import Nearest, nearest_feature, nearest_on_side
from geo.uncertainty import LINE_95, MAP_LINE_SD_M, POINT_95, FeatureKind, short_probability
from layers.fields.schemas import SCHEMAS
from layers.outputs import SETBACK_CHECKS
from layers.settings.setback_tables import SetbackRule, Setbacks, SetbackTable

__all__ = ["GPS_FIX_M", "SetbackInputs", "setback_checks", "short_probability"]

Verdict = Literal["clear", "short", "uncertain", "none_on_record", "no_rule"]
GroundAt = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

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
        ``variance_id, unit_id, rule_id, distance_m`` (what was allowed instead; null: the rule
        was waived), or None.
    taped_distances
        ``unit_id, part, feature, feature_id, distance_m, accuracy_m``: taped on site, in place of
        the map's; or None.
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


def setback_checks(given: SetbackInputs, setbacks: Setbacks) -> gpd.GeoDataFrame:
    """Every row of every table against every unit it speaks of.

    Returns
    -------
    One row per unit and rule with the columns of `COLUMNS` and the line between the nearest
    points. A rule that is not in force for the unit, on the day that decides, gives its distance
    and ``no_rule``; a feature that is not on record within reach gives ``none_on_record``; a
    discharge point that is expected but unknown gives ``uncertain`` with no distance; a unit that
    has none by its kind gives no row for rules on discharge points. ``settled_by`` says of an
    uncertain verdict what would settle it: ``locate`` (the discharge point), ``fix_part``,
    ``fix_feature``, ``fix_both`` (a position taken with a good receiver), or ``tape``.

    Notes
    -----
    The nearest feature is found once per part, kind of feature and direction, whatever the number
    of tables. ``unit`` and ``tank`` are both measured from the lid.
    """
    measured: dict[object, tuple[Nearest, gpd.GeoDataFrame]] = {}
    parts = {"lid": _lids(given), "outlet": _outlets(given)}
    blocks = []
    for table in setbacks.tables:
        for rule in setbacks.rows(table):
            place = "outlet" if rule.part == "discharge_point" else "lid"
            part = parts[place]
            layer = given.features.get(rule.feature)
            if layer is None:
                blocks.append(_rows(given, part, table, rule, None))
                continue
            key = (place, rule.subject[1:])
            if key not in measured:
                measured[key] = _measured(given, part, layer, rule)
            blocks.append(_rows(given, part, table, rule, measured[key]))
    if not blocks:
        return SETBACK_CHECKS.empty_layer(given.units.crs)[[*COLUMNS, "geometry"]]
    checks = pd.concat(blocks, ignore_index=True)
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
    """One row per unit whose discharge point is expected; no point where it is not known."""
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
    known = given.discharge_points.drop_duplicates("discharge_point_id")
    at = pd.Index(known["discharge_point_id"]).get_indexer(links["discharge_point_id"])
    points: NDArray[np.object_] = np.full(len(part), None, object)
    points[at >= 0] = known.geometry.to_numpy()[at[at >= 0]]
    accuracy = np.where(at >= 0, known["accuracy95_m"].to_numpy(float)[at], np.nan)
    return part.assign(point=points, accuracy95_m=accuracy)


def _measured(
    given: SetbackInputs, part: pd.DataFrame, layer: gpd.GeoDataFrame, rule: SetbackRule
) -> tuple[Nearest, gpd.GeoDataFrame]:
    """The nearest feature of a rule's kind and direction to each place, and the features."""
    some = matching(layer, rule)
    shapes = some.geometry.to_numpy()
    if rule.feature == "parcels":  # the lot line, not the lot
        shapes = shapely.boundary(shapes)
    points = part["point"].to_numpy(object)
    if rule.direction == "any" or given.ground_at is None:
        return nearest_feature(points, shapes, given.units.crs), some
    upslope = rule.direction == "upslope"
    near = nearest_on_side(points, shapes, given.units.crs, given.ground_at, upslope=upslope)
    return near, some


def matching(layer: gpd.GeoDataFrame, rule: SetbackRule) -> gpd.GeoDataFrame:
    """The features of a layer that a rule speaks of."""
    keep = np.ones(len(layer), bool)
    for column, words in rule.where.items():
        have = column in layer.columns
        keep &= layer[column].isin(words).to_numpy() if have else np.zeros(len(layer), bool)
    if rule.feature == "floodplain":
        keep &= layer["is_sfha"].to_numpy(bool)
    return layer[keep]


# ------------------------------------------------------------------------------------ judging


def _rows(
    given: SetbackInputs,
    part: pd.DataFrame,
    table: SetbackTable,
    rule: SetbackRule,
    measured: tuple[Nearest, gpd.GeoDataFrame] | None,
) -> pd.DataFrame:
    """The check rows of one rule."""
    kind = _feature_kind(rule.feature)
    rows = _distances(given, part, rule, measured, kind)
    rows = _taped(rows, given.taped_distances, rule, measured)
    rows.insert(0, "rule_id", rule.id)
    rows["required_m"] = rule.required_m
    rows = _varied(rows, given.variances, rule)
    asked = rows["required_m"]
    if rule.comparison == "more_than":  # a distance of just that much is then short
        asked = np.nextafter(asked, np.inf)
    chance = short_probability(rows["signed_m"], asked, rows["sd_m"], feature=kind)
    rows["short_probability"] = chance
    rows["verdict"] = np.select(
        [
            shapely.is_missing(part["point"].to_numpy(object)) & rows["distance_m"].isna(),
            rows["distance_m"].isna(),
            _is_clear(rows, rows["sd_m"], chance),
            chance >= SHORT_AT_LEAST,
        ],
        ["uncertain", "none_on_record", "clear", "short"],
        "uncertain",
    )
    rows["settled_by"] = _settled_by(rows, kind)
    rows = _in_force(rows, given.days.iloc[part["row"]], table, rule)
    rows["distance_u95_m"] = LINE_95 * rows["sd_m"]
    rows["part"], rows["feature"] = rule.part, rule.feature
    rows["source"], rows["table"] = rule.source, table.name
    rests_on_record = rows["verdict"].isin(["clear", "none_on_record"])
    said = given.completeness.get(rule.feature)
    rows["on_record"] = pd.Series(said, index=rows.index, dtype=object).where(rests_on_record, None)
    return rows[[*COLUMNS, "geometry"]]


def _is_clear(
    rows: pd.DataFrame, sd_m: pd.Series | NDArray[np.float64], chance: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Whether a distance passes: by its own chance, and by the normal form besides.

    A well known only to hundreds of metres is most likely far away, so its chance of lying within
    50 ft is small; yet nobody can say that it does not. The normal form keeps such a well from
    passing; where positions are good the two forms agree.
    """
    normal = short_probability(rows["signed_m"], rows["required_m"], sd_m, feature="area")
    return (chance <= CLEAR_AT_MOST) & (normal <= CLEAR_AT_MOST)


def _distances(
    given: SetbackInputs,
    part: pd.DataFrame,
    rule: SetbackRule,
    measured: tuple[Nearest, gpd.GeoDataFrame] | None,
    kind: FeatureKind,
) -> pd.DataFrame:
    """What the map says: distance, its standard deviation per part, the feature, the line."""
    n = len(part)
    rows = pd.DataFrame({"unit_id": part["unit_id"].to_numpy()})
    rows["link_confirmed"] = part["link_confirmed"].to_numpy()
    rows["part_sd_m"] = part["accuracy95_m"].to_numpy(float) / POINT_95
    rows["feature_sd_m"] = given.line_sd_m.get(rule.feature, MAP_LINE_SD_M)
    rows["feature_id"] = pd.Series([None] * n, dtype=object)
    rows["distance_m"] = rows["signed_m"] = rows["inside_m"] = np.nan
    rows["measured_by"] = "map"
    lines: NDArray[np.object_] = np.full(n, None, object)
    if measured is not None and len(measured[1]):
        near, some = measured
        found = near.index >= 0
        ids = np.full(n, None, object)
        ids[found] = some[SCHEMAS[rule.feature].id].to_numpy(object)[near.index[found]]
        rows["feature_id"], rows["distance_m"], rows["inside_m"] = (
            ids,
            near.distance_m,
            near.inside_m,
        )
        rows["signed_m"] = near.signed_m if kind == "area" else near.distance_m
        if kind == "point":
            rows["feature_sd_m"] = some["accuracy95_m"].to_numpy(float)[near.index] / POINT_95
        lines = near.line
    rows["sd_m"] = np.hypot(rows["part_sd_m"], rows["feature_sd_m"]).where(
        rows["distance_m"].notna()
    )
    rows["geometry"] = lines
    return rows


def _taped(
    rows: pd.DataFrame,
    taped: pd.DataFrame | None,
    rule: SetbackRule,
    measured: tuple[Nearest, gpd.GeoDataFrame] | None,
) -> pd.DataFrame:
    """A distance taped on site takes the place of the map's.

    It must be to a feature the rule speaks of; one without a feature's id stands for any where
    the rule names no kind. It counts where it is to the feature the map finds nearest, or is
    shorter than the map's distance to another.
    """
    if taped is None or not len(taped):
        return rows
    mine = taped[(taped["part"] == rule.part) & (taped["feature"] == rule.feature)]
    spoken_of = [] if measured is None else measured[1][SCHEMAS[rule.feature].id].tolist()
    fits = mine["feature_id"].isin(spoken_of) | (mine["feature_id"].isna() & (not rule.where))
    at_map = mine["unit_id"].map(rows.set_index("unit_id")["distance_m"]).astype(float)
    nearest = mine["unit_id"].map(rows.set_index("unit_id")["feature_id"])
    counts = (mine["feature_id"] == nearest) | mine["feature_id"].isna()
    counts |= at_map.isna() | (mine["distance_m"] < at_map)
    mine = mine[fits & counts & mine["distance_m"].notna()]
    mine = mine.sort_values("distance_m").drop_duplicates("unit_id").set_index("unit_id")
    taped_m = rows["unit_id"].map(mine["distance_m"]).astype(float)
    is_taped = taped_m.notna()
    rows["distance_m"] = taped_m.fillna(rows["distance_m"])
    rows["signed_m"] = taped_m.fillna(rows["signed_m"])
    rows["inside_m"] = rows["inside_m"].mask(is_taped, 0.0)
    sd = rows["unit_id"].map(mine["accuracy_m"]).astype(float) / LINE_95
    rows["sd_m"] = rows["sd_m"].mask(is_taped, sd.fillna(TAPED_SD_M))
    named = rows["unit_id"].map(mine["feature_id"]).astype(object)
    rows["feature_id"] = rows["feature_id"].mask(is_taped & named.notna(), named)
    rows["measured_by"] = rows["measured_by"].mask(is_taped, "tape")
    return rows


def _varied(rows: pd.DataFrame, variances: pd.DataFrame | None, rule: SetbackRule) -> pd.DataFrame:
    """A variance puts another distance, or none, in the place of the rule's."""
    rows["variance_id"] = pd.Series([None] * len(rows), dtype=object)
    if variances is None or not len(variances):
        return rows
    mine = variances[variances["rule_id"] == rule.id].drop_duplicates("unit_id", keep="last")
    mine = mine.set_index("unit_id")
    varied = rows["unit_id"].isin(mine.index)
    allowed_m = rows["unit_id"].map(mine["distance_m"]).astype(float).fillna(0.0)
    rows["required_m"] = rows["required_m"].mask(varied, allowed_m)
    rows["variance_id"] = rows["unit_id"].map(mine["variance_id"]).astype(object)
    return rows


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
        chance = short_probability(rows["signed_m"], rows["required_m"], sd, feature=kind)
        settled.append(_is_clear(rows, sd, chance) | (chance >= SHORT_AT_LEAST))
    uncertain = (rows["verdict"] == "uncertain").to_numpy()
    unknown = rows["distance_m"].isna().to_numpy()
    taped = (rows["measured_by"] == "tape").to_numpy()
    said = np.select(
        [~uncertain | taped, unknown, *settled],
        ["", "locate", *(name for name, _, _ in tries)],
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
    held = np.full(len(rows), table.is_adopted)
    for level in (table, rule):
        if level.effective_from is not None:
            held &= (day >= pd.Timestamp(level.effective_from)).to_numpy()
        if level.effective_to is not None:
            held &= (day < pd.Timestamp(level.effective_to)).to_numpy()
    rows["in_force"] = held
    rows["judged_on"] = day.dt.strftime("%Y-%m-%d")
    rows["judged_by"] = days["unit_day_basis"].to_numpy() if by_unit else "assessment"
    rows.loc[~held, "verdict"] = "no_rule"
    rows.loc[~held, "settled_by"] = None
    return rows


def _feature_kind(feature: str) -> FeatureKind:
    if feature == "parcels":
        return "line"
    kinds: dict[str, FeatureKind] = {"point": "point", "line": "line", "polygon": "area"}
    return kinds[SCHEMAS[feature].shape]
