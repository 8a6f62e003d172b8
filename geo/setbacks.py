"""Setbacks: how far each part of a unit lies from each feature, and what a rule says of it.

A verdict is screening from records and maps, never a legal finding; the local code governs.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.special import chndtr, ndtr

from geo.receptors import SEARCH_M, FeatureKind, Nearest, nearest_feature
from layers.rulebook import SetbackRule, Setbacks
from layers.schemas import SCHEMAS

Verdict = Literal["clear", "short", "uncertain", "none_on_record", "no_rule"]

# Per-axis standard deviation from 95 % accuracy: circular for points (FGDC-STD-007.3-1998,
# appendix 3-A), across the line for lines.
POINT_95: Final = 2.4477
LINE_95: Final = 1.9600
# A 1:24,000 map line lies within 40 ft at 90 % (National Map Accuracy Standards, 1947):
# 40 ft / 2.1460 = 18.6 ft per axis. Taken where a layer states no accuracy of its own.
MAP_LINE_SD_M: Final = 40 * 0.3048 / 2.1460

CLEAR_AT_MOST: Final = 0.05
SHORT_AT_LEAST: Final = 0.95

COLUMNS: Final = [
    "unit_id",
    "rule_id",
    "part",
    "feature",
    "feature_id",
    "required_m",
    "distance_m",
    "distance_u95_m",
    "short_probability",
    "verdict",
    "source",
    "in_force",
]


def short_probability(
    distance_m: ArrayLike,
    required_m: ArrayLike,
    sd_m: ArrayLike,
    *,
    feature: FeatureKind,
) -> NDArray[np.float64]:
    """The chance that a true distance is short of what a rule requires.

    Parameters
    ----------
    distance_m
        Measured distance; for ``feature="area"`` negative inside. Broadcast with the others.
    required_m
        Distance the rule asks for, not negative.
    sd_m
        Standard deviation of the difference in position, per axis for points, across the line
        for lines and areas; 0 means exact.
    feature
        ``"point"``: the Rice distribution (non-central chi-square with 2 degrees of freedom);
        ``"line"``: normal, both sides of the line; ``"area"``: normal, signed.

    Returns
    -------
    Chance of short, 0 to 1, NaN where an input is NaN.

    Raises
    ------
    ValueError
        For a negative ``required_m`` or ``sd_m``, a negative point or line distance, or an
        unknown ``feature``.

    Notes
    -----
    Rice form: position posterior with a flat prior, two independent circular errors
    (1 - Q1(d/sd, S/sd), Marcum's Q). The normal form is the more protective near the setback.

    >>> float(short_probability(55, 50, 5, feature="point").round(5))
    0.14738
    """
    d, s, sd = np.broadcast_arrays(*(np.asarray(a, float) for a in (distance_m, required_m, sd_m)))
    if feature not in ("point", "line", "area"):
        raise ValueError(f"feature {feature!r} is not one of point, line, area")
    if np.any(s < 0) or np.any(sd < 0):
        raise ValueError("required_m and sd_m must not be negative")
    if feature != "area" and np.any(d < 0):
        raise ValueError(f"a distance to a {feature} is never negative")
    exact = np.where(np.isnan(d) | np.isnan(s) | np.isnan(sd), np.nan, (d < s).astype(float))
    spread = np.where(sd > 0, sd, 1.0)
    gap = (s - d) / spread
    if feature == "area":
        chance = ndtr(gap)
    elif feature == "line":
        chance = ndtr(gap) - ndtr((-s - d) / spread)
    else:
        near = np.abs(gap) < 10  # farther out the chance is 0 or 1 to all digits kept
        x = np.where(near, s / spread, 0.0) ** 2
        centre = np.where(near, d / spread, 0.0) ** 2
        chance = np.where(near, chndtr(x, 2.0, centre), (gap > 0).astype(float))
    return np.where(np.isnan(exact) | (sd == 0), exact, np.clip(chance, 0.0, 1.0))


def setback_checks(
    units: gpd.GeoDataFrame,
    discharge_points: gpd.GeoDataFrame | None,
    links: pd.DataFrame,
    features: Mapping[str, gpd.GeoDataFrame | None],
    setbacks: Setbacks,
    *,
    as_of: dt.date,
    line_sd_m: Mapping[str, float],
) -> gpd.GeoDataFrame:
    """Every rule against every unit it speaks of.

    Parameters
    ----------
    units
        ``unit_id``, ``accuracy95_m`` and points in the working system.
    discharge_points
        ``discharge_point_id``, ``accuracy95_m`` and points; None when there are none.
    links
        ``unit_id``, ``discharge_point_id``, ``outlet_state``; one row per unit.
    features
        The county's layers by name, None where a layer is missing.
    as_of
        The day whose tables are in force.
    line_sd_m
        Standard deviation across lines and outlines, by layer; `MAP_LINE_SD_M` where unstated.

    Returns
    -------
    One row per unit and rule with the columns of `COLUMNS` and the line between the nearest
    points. A rule of a table that is not in force gives its distances and ``no_rule``; a feature
    that is not on record within `SEARCH_M` gives ``none_on_record``; a discharge point that is
    expected but unknown gives ``uncertain`` with no distance; a unit that has none by its kind
    gives no row for rules on discharge points.
    """
    crs = units.crs
    parts = {"unit": _unit_part(units), "discharge_point": _outlet_part(discharge_points, links)}
    parts["tank"] = parts["unit"]
    found: dict[tuple, tuple[Nearest, gpd.GeoDataFrame]] = {}
    blocks = []
    for table in setbacks.tables:
        live = table.in_force(as_of)
        for rule in table.rules:
            part = parts["discharge_point" if rule.part == "discharge_point" else "unit"]
            layer = features.get(rule.feature)
            if layer is None:
                blocks.append(_rows(part, rule, None, None, live, line_sd_m))
                continue
            key = (rule.part == "discharge_point", rule.feature, repr(sorted(rule.where.items())))
            if key not in found:
                some = _matching(layer, rule)
                shapes = some.geometry.to_numpy()
                if rule.feature == "parcels":  # the lot line, not the lot
                    shapes = shapely.boundary(shapes)
                found[key] = (
                    nearest_feature(part["point"].to_numpy(object), shapes, crs, within_m=SEARCH_M),
                    some,
                )
            near, some = found[key]
            blocks.append(_rows(part, rule, near, some, live, line_sd_m))
    if not blocks:
        empty: dict = {name: [] for name in COLUMNS}
        return gpd.GeoDataFrame(empty, geometry=[], crs=crs)
    checks = pd.concat(blocks, ignore_index=True)
    return gpd.GeoDataFrame(checks, geometry="geometry", crs=crs)


def _unit_part(units: gpd.GeoDataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "unit_id": units["unit_id"].to_numpy(),
            "point": units.geometry.to_numpy(),
            "accuracy95_m": units["accuracy95_m"].to_numpy(float),
        }
    )


def _outlet_part(discharge_points: gpd.GeoDataFrame | None, links: pd.DataFrame) -> pd.DataFrame:
    expected = links[links["outlet_state"] != "not_expected"]
    part = pd.DataFrame({"unit_id": expected["unit_id"].to_numpy()})
    if discharge_points is None:
        return part.assign(point=None, accuracy95_m=np.nan)
    known = discharge_points.drop_duplicates("discharge_point_id").set_index("discharge_point_id")
    row = known.index.get_indexer(expected["discharge_point_id"])
    points = np.where(row >= 0, known.geometry.to_numpy()[row], None)
    accuracy = np.where(row >= 0, known["accuracy95_m"].to_numpy(float)[row], np.nan)
    return part.assign(point=points, accuracy95_m=accuracy)


def _matching(layer: gpd.GeoDataFrame, rule: SetbackRule) -> gpd.GeoDataFrame:
    keep = np.ones(len(layer), bool)
    for column, words in rule.where.items():
        have = column in layer.columns
        keep &= layer[column].isin(words).to_numpy() if have else np.zeros(len(layer), bool)
    if rule.feature == "floodplain":
        keep &= layer["is_sfha"].to_numpy(bool)
    return layer[keep]


def _rows(
    part: pd.DataFrame,
    rule: SetbackRule,
    near: Nearest | None,
    some: gpd.GeoDataFrame | None,
    live: bool,
    line_sd_m: Mapping[str, float],
) -> pd.DataFrame:
    """The check rows of one rule."""
    n = len(part)
    has_point = ~shapely.is_missing(part["point"].to_numpy(object))
    found = np.zeros(n, bool) if near is None else near.index >= 0
    distance = np.full(n, np.nan) if near is None else near.distance_m
    sd = np.full(n, np.nan)
    chance = np.full(n, np.nan)
    ids: NDArray[np.object_] = np.full(n, None, object)
    lines: NDArray[np.object_] = np.full(n, None, object)
    if near is not None and some is not None and len(some):
        kind = _feature_kind(rule.feature)
        part_sd = part["accuracy95_m"].to_numpy(float) / POINT_95
        if kind == "point":
            other = some["accuracy95_m"].to_numpy(float)[near.index] / POINT_95
        else:
            other = np.full(n, line_sd_m.get(rule.feature, MAP_LINE_SD_M))
        sd = np.where(found, np.hypot(part_sd, other), np.nan)
        measured = near.signed_m if kind == "area" else near.distance_m
        chance = short_probability(measured, rule.required_m, sd, feature=kind)
        ids[found] = some[SCHEMAS[rule.feature].id].to_numpy(object)[near.index[found]]
        lines = near.line
    verdict = np.select(
        [~has_point, ~found, chance <= CLEAR_AT_MOST, chance >= SHORT_AT_LEAST],
        ["uncertain", "none_on_record", "clear", "short"],
        "uncertain",
    )
    if not live:
        verdict = np.full(n, "no_rule")
    return pd.DataFrame(
        {
            "unit_id": part["unit_id"].to_numpy(),
            "rule_id": rule.id,
            "part": rule.part,
            "feature": rule.feature,
            "feature_id": ids,
            "required_m": rule.required_m,
            "distance_m": distance,
            "distance_u95_m": LINE_95 * sd,
            "short_probability": chance,
            "verdict": verdict.astype(object),
            "source": rule.source,
            "in_force": live,
            "geometry": lines,
        }
    )


def _feature_kind(feature: str) -> FeatureKind:
    if feature == "parcels":
        return "line"
    shape = SCHEMAS[feature].shape
    return {"point": "point", "line": "line", "polygon": "area"}[shape]  # type: ignore[return-value]
