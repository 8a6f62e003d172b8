"""Rows of setback checks, made by hand."""

from __future__ import annotations

import dataclasses
from typing import Any

import geopandas as gpd
import pandas as pd
from shapely.geometry import LineString

from layers.store import Assessment


def check(**changes: Any) -> dict[str, Any]:
    """One row of ``setback_checks``, clear and in force unless changed."""
    row = {
        "rule_id": "tank-well", "part": "tank", "feature": "wells", "feature_id": "W1",
        "required_m": 15.24, "distance_m": 60.96, "distance_u95_m": 3.0, "verdict": "clear",
        "source": "Example table, invented", "in_force": True, "table": "County table",
        "judged_on": "2004-05-01", "judged_by": "permit", "inside_m": 0.0, "measured_by": "map",
        "variance_id": None, "link_confirmed": True, "settled_by": None,
    }  # fmt: skip
    return row | changes


def with_checks(assessment: Assessment, by_unit: dict[int, list[dict[str, Any]]]) -> Assessment:
    """The assessment with these checks for the units of these ranks."""
    rows = [
        {"unit_id": assessment.units["unit_id"].iloc[row], **each}
        for row, checks in by_unit.items()
        for each in checks
    ]
    frame = pd.DataFrame(rows)
    line = LineString([(430_000, 4_760_000), (430_060, 4_760_000)])
    geometry = [None if pd.isna(d) else line for d in frame["distance_m"]]
    checks = gpd.GeoDataFrame(frame, geometry=geometry, crs=assessment.units.crs)
    return dataclasses.replace(assessment, setback_checks=checks)
