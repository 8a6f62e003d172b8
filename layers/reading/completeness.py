"""What a layer that was read cannot know: how many rows there are, and what is often not in it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import pandas as pd

from layers.fields.schemas import SCHEMAS
from layers.measures import format_length

# All common practice, no source: what lists and maps of counties leave out, as offices tell it.
OFTEN_MISSING: Final[dict[str, str]] = {
    "units": "systems put in before permits were kept are often unlisted",
    "discharge_points": "outlets buried, moved or never drawn are often unlisted",
    "wells": "private wells are often unlisted",
    "streams": "small ditches and swales are often unmapped",
    "water_bodies": "small ponds are often unmapped",
    "floodplain": "small streams are often not studied; outside a zone is not the same as dry",
    "parcels": "splits and mergers of the last year are often missing",
    "buildings": "new buildings are often missing",
    "culverts": "culverts under drives are often unmapped",
    "drains": "field tiles are mostly unmapped",
    "protected_places": "informal bathing places are often unlisted",
    "inspections": "visits on paper are often not entered",
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
        return f"{len(frame):,} lines of {format_length(total_m, 'si')} on record"
    return f"{len(frame):,} on record"


def _often(name: str) -> str:
    missing = OFTEN_MISSING.get(name)
    return f"; {missing} (common practice, no source)" if missing else ""
