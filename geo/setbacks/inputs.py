"""What setbacks are measured on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import geopandas as gpd
import pandas as pd

from geo.setbacks.candidates import GroundAt
from layers.problems import ProblemLog


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

    def is_later(self, days: pd.Series) -> pd.Series:
        """Which days come after the one the assessment speaks for; an unknown one does not."""
        return pd.to_datetime(days) > pd.to_datetime(self.days["as_of"]).max()
