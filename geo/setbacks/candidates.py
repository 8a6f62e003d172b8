"""Which features may decide a setback: the nearest, and all whose own error reaches the distance.

A filter has three answers: a feature is meant, is not, or may be, where the column that would tell
is not known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geo.receptors import (
    SEARCH_M,
    Nearest,
    measured_lines,
    nearest_feature,
    nearest_on_side,
    on_side,
    water_areas,
)
from layers.fields.schemas import SCHEMAS
from layers.public.flood_zones import is_known_zone
from layers.settings.setback_tables import SetbackRule

GroundAt = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NO: Final = 0
MAYBE: Final = 1
YES: Final = 2
# Farther than the required distance and so many standard deviations every form of the chance says
# clear: the 95th percentile of the normal distribution is 1.6449, and the rest is for the plane.
REACH_SD: Final = 1.75
_PLANE: Final = 1.01


@dataclass(frozen=True)
class Candidates:
    """Features against places, arrays of one length.

    Attributes
    ----------
    place
        Position of the place.
    feature
        Position of the feature in its layer; -1 for one that only a tape knows.
    distance_m, inside_m
        Ellipsoidal length between the nearest points, 0 inside an area; how deep inside.
    line
        Between the nearest points.
    sure
        Whether the rule certainly speaks of the feature.
    """

    place: Ints
    feature: Ints
    distance_m: Floats
    inside_m: Floats
    line: NDArray[np.object_]
    sure: Bools

    def __len__(self) -> int:
        return len(self.place)

    def of(self, rows: Ints | Bools) -> Candidates:
        """Some of them."""
        return Candidates(
            self.place[rows], self.feature[rows], self.distance_m[rows], self.inside_m[rows],
            self.line[rows], self.sure[rows],
        )  # fmt: skip

    @classmethod
    def joined(cls, parts: list[Candidates]) -> Candidates:
        """All of them, each pair of place and feature once."""
        whole = cls(
            np.concatenate([p.place for p in parts]),
            np.concatenate([p.feature for p in parts]),
            np.concatenate([p.distance_m for p in parts]),
            np.concatenate([p.inside_m for p in parts]),
            np.concatenate([p.line for p in parts]),
            np.concatenate([p.sure for p in parts]),
        )
        if len(parts) == 1:
            return whole
        pairs = np.column_stack([whole.place, whole.feature])
        return whole.of(np.unique(pairs, axis=0, return_index=True)[1])


def meant(layer: pd.DataFrame, rule: SetbackRule) -> NDArray[np.int8]:
    """Whether a rule speaks of each feature of its layer: `YES`, `NO`, or `MAYBE`.

    A feature may be meant where a column that tells is not there, or its value is not known; where
    the rule's words are all there can be, it is meant whatever the value.
    """
    answer = np.full(len(layer), YES, np.int8)
    for column, words in rule.where.items():
        answer = np.minimum(answer, _named(layer, rule.feature, column, words))
    if rule.feature == "floodplain":
        hazard = layer["hazard_class"].to_numpy(object)
        special = np.select([hazard == "special", hazard == "undetermined"], [YES, MAYBE], NO)
        answer = np.minimum(answer, special.astype(np.int8))
    return answer


def _named(layer: pd.DataFrame, feature: str, column: str, words: list[str]) -> NDArray[np.int8]:
    codes = next((c.codes for c in SCHEMAS[feature].columns if c.name == column), ())
    known = set(codes) - {"unknown"}
    if column in layer:
        values = layer[column].astype(object)
    else:
        values = pd.Series(None, layer.index, dtype=object)
    is_unknown = values.isna() | (values == "unknown")
    if column == "zone":
        is_unknown |= ~values.map(is_known_zone).astype(bool)
    unknown = YES if "unknown" in words or (known and known <= set(words)) else MAYBE
    answer = np.where(values.isin(words), YES, np.where(is_unknown, unknown, NO))
    return answer.astype(np.int8)


def find(
    points: NDArray[np.object_],
    layer: gpd.GeoDataFrame,
    rule: SetbackRule,
    crs: CRS,
    *,
    required_m: float,
    place_sd_m: Floats,
    feature_sd_m: Floats,
    ground_at: GroundAt | None,
    looked_at: Bools,
) -> Candidates:
    """Features that may decide whether the rules of one kind hold at each place.

    Parameters
    ----------
    required_m
        The longest distance that any of these rules asks for.
    place_sd_m, feature_sd_m
        Standard deviation per axis of each place and feature; NaN where a place is not known.
    looked_at
        Places where every feature within reach is wanted, whatever its error.
    """
    shapes, answer = shapes_of(layer, rule.feature), meant(layer, rule)
    side = None if rule.direction == "any" else rule.direction == "upslope"
    worst_sd = np.hypot(np.nanmax(place_sd_m, initial=0.0), feature_sd_m.max(initial=0.0))
    within_m = max(SEARCH_M, required_m + REACH_SD * float(worst_sd))
    parts = [
        _nearest(points, shapes, np.flatnonzero(answer == kind), crs, side, ground_at, within_m)
        for kind in (YES, MAYBE)
    ]
    near = [replace(found, sure=np.full(len(found), k == 0)) for k, found in enumerate(parts)]
    some = np.flatnonzero(answer)
    is_wide = len(some) > 0 and bool(np.ptp(feature_sd_m[some]) > 0)
    rows = np.arange(len(points)) if is_wide else np.flatnonzero(looked_at)
    if len(rows) and len(some):
        pairs = _within_reach(points, shapes, rows, some, required_m, place_sd_m, feature_sd_m, crs)
        if side is not None and ground_at is not None:
            pairs = pairs.of(on_side(pairs.line, ground_at, upslope=side))
        near.append(replace(pairs, sure=answer[pairs.feature] == YES))
    return Candidates.joined(near)


def shapes_of(layer: gpd.GeoDataFrame, feature: str) -> NDArray[np.object_]:
    """The shapes distances are measured to: lot lines for lots, areas for outlines of streams."""
    shapes = layer.geometry.to_numpy()
    if feature == "parcels":
        return shapely.boundary(shapes)
    return water_areas(shapes) if feature == "streams" else shapes


def _nearest(
    points: NDArray[np.object_],
    shapes: NDArray[np.object_],
    some: Ints,
    crs: CRS,
    upslope: bool | None,
    ground_at: GroundAt | None,
    within_m: float,
) -> Candidates:
    if not len(some):
        return _none()
    if upslope is None or ground_at is None:
        near: Nearest = nearest_feature(points, shapes[some], crs, within_m=within_m)
    else:
        near = nearest_on_side(
            points, shapes[some], crs, ground_at, upslope=upslope, within_m=within_m
        )
    row = np.flatnonzero(near.index >= 0)
    return Candidates(
        row, some[near.index[row]], near.distance_m[row], near.inside_m[row], near.line[row],
        np.ones(len(row), bool),
    )  # fmt: skip


def _within_reach(
    points: NDArray[np.object_],
    shapes: NDArray[np.object_],
    rows: Ints,
    some: Ints,
    required_m: float,
    place_sd_m: Floats,
    feature_sd_m: Floats,
    crs: CRS,
) -> Candidates:
    """All pairs near enough for their own error to matter, by features of like accuracy."""
    rows = rows[~(shapely.is_missing(points[rows]) | shapely.is_empty(points[rows]))]
    scale = np.frexp(feature_sd_m[some])[1]  # features whose errors differ by less than twice
    at, of = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for size in np.unique(scale):
        mine = some[scale == size]
        sd = np.hypot(place_sd_m[rows], feature_sd_m[mine].max())
        reach = _PLANE * (required_m + REACH_SD * np.nan_to_num(sd))
        place, feature = shapely.STRtree(shapes[mine]).query(
            points[rows], predicate="dwithin", distance=reach
        )
        at.append(rows[place])
        of.append(mine[feature])
    place, feature = np.concatenate(at), np.concatenate(of)
    line = shapely.shortest_line(points[place], shapes[feature])
    distance = measured_lines(line, crs)
    inside = np.zeros(len(place))
    held = np.flatnonzero((distance == 0) & (shapely.get_dimensions(shapes[feature]) == 2))
    if len(held):
        rim = shapely.shortest_line(points[place[held]], shapely.boundary(shapes[feature[held]]))
        inside[held] = measured_lines(rim, crs)
    return Candidates(place, feature, distance, inside, line, np.ones(len(place), bool))


def _none() -> Candidates:
    whole, real = np.empty(0, np.int64), np.empty(0)
    return Candidates(whole, whole, real, real, np.empty(0, object), np.empty(0, bool))
