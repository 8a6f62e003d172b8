"""What a layer that was read cannot know: how many rows there are, and what is often not in it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import pandas as pd

from layers.fields.schemas import SCHEMAS
from layers.measures import format_length

# All common practice, no source: what lists and maps of counties leave out, as offices say.
OFTEN_MISSING: Final[dict[str, str]] = {
    "units": "units installed before permits are often unlisted",
    "discharge_points": "buried, moved or unmapped discharge points are often unlisted",
    "wells": "private wells are often unlisted",
    "streams": "small ditches and swales are often unmapped",
    "water_bodies": "small ponds are often unmapped",
    "floodplain": "small streams are often not studied, so outside a zone is not the same as dry",
    "parcels": "recent splits and mergers are often missing",
    "buildings": "new buildings are often missing",
    "culverts": "driveway culverts are often unmapped",
    "drains": "field tiles are mostly unmapped",
    "protected_places": "informal swimming areas are often unlisted",
    "inspections": "visits recorded on paper are often not entered",
    "complaints": "complaints by telephone are often not entered",
    "permits": "old permits are often on paper only",
    "variances": "old variances are often on paper only",
}


def completeness(layers: Mapping[str, gpd.GeoDataFrame | pd.DataFrame]) -> dict[str, str]:
    """A sentence for each layer: what is on record, and what such a record often leaves out.

    >>> completeness({"wells": pd.DataFrame({"well_id": ["1", "2"]})})["wells"]
    'wells: 2 on record; private wells are often unlisted (common practice, no source)'
    """
    return {
        name: f"{name.replace('_', ' ')}: {_on_record(name, frame)}{_often(name)}"
        for name, frame in layers.items()
    }


def _on_record(name: str, frame: gpd.GeoDataFrame | pd.DataFrame) -> str:
    if SCHEMAS[name].shape == "line" and isinstance(frame, gpd.GeoDataFrame) and len(frame):
        total_m = float(frame.geometry.length.sum())
        return f"{len(frame):,} lines on record, {format_length(total_m, 'si')} in all"
    return f"{len(frame):,} on record"


def _often(name: str) -> str:
    missing = OFTEN_MISSING.get(name)
    return f"; {missing} (common practice, no source)" if missing else ""
