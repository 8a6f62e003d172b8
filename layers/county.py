"""The county a county file describes: read, checked and linked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS

from layers.fields.column_names import LayerColumns
from layers.fields.schemas import SCHEMAS
from layers.grid import GridSource
from layers.problems import PLACELESS
from layers.records.standing import Standing
from layers.settings.county_file import CountyFile
from layers.settings.priority_settings import Priorities
from layers.settings.setback_tables import Setbacks
from layers.showing import as_html, in_short


@dataclass(frozen=True, repr=False)
class County:
    """A county as read: what `geo.assess` takes.

    Attributes
    ----------
    layers
        Rows that can be used, by layer name, in our columns (all of the schema's, missing ones
        filled with nulls, codes with ``unknown``), in the working system; tables without places
        are plain DataFrames. Points carry ``accuracy95_m`` (95 %, by column, else by location
        basis). Every frame has a 0-based index in reading order and a ``source_row`` column.
    links
        One row per unit: ``unit_id, discharge_point_id, link_method, link_confirmed``.
    counts
        Per layer: rows read, used, corrected, set aside.
    terrain, land_cover
        Lazy sources in the working system, heights in meters; None when not given.
    """

    file: CountyFile
    path: Path
    crs: CRS
    as_of: dt.date
    layers: Mapping[str, gpd.GeoDataFrame | pd.DataFrame]
    links: pd.DataFrame
    terrain: GridSource | None
    land_cover: GridSource | None
    setbacks: Setbacks
    priorities: Priorities
    counts: pd.DataFrame
    problems: pd.DataFrame
    inputs: Mapping[str, str]
    """Every input file with its SHA-256, by path relative to the county file."""
    transforms: pd.DataFrame
    """How each layer was brought into the working system: ``layer, from_system, to_system,
    accuracy_m`` (NaN where the operation promises none)."""
    notes: tuple[str, ...]
    """What is missing or was chosen, in words, with what it costs."""
    completeness: Mapping[str, str]
    """By layer: what is on record, and what such a record often leaves out, in words."""
    set_aside: gpd.GeoDataFrame
    """Where rows set aside say they are: ``layer, source_row`` and a point or None."""
    columns: Mapping[str, LayerColumns]
    """By layer: which columns were recognized, by what; which were ignored, which are wanted."""
    strays: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    """By table: rows set aside because their unit is not on the list of units."""
    records: Standing | None = None
    """What the county's records say, already part of the layers; None where none are named."""

    def __repr__(self) -> str:
        rows = {name: len(layer) for name, layer in self.layers.items()}
        return in_short(f"{self.file.county.name} on {self.as_of}", rows)

    def _repr_html_(self) -> str:
        title = f"{self.file.county.name} on {self.as_of}, in {self.crs.to_string()}"
        heads = [str(name).replace("_", " ") for name in self.counts]
        return as_html(title, heads, self.counts.to_numpy(object).tolist())

    @property
    def without_place(self) -> dict[str, int]:
        """By layer, how many rows were set aside because nobody knows where they are.

        A point far from all units counts too: its coordinates are more likely wrong than right.
        """
        aside = self.problems[self.problems["action"] == "set_aside"]
        points = [name for name, schema in SCHEMAS.items() if schema.shape == "point"]
        lost = aside["code"].isin(PLACELESS)
        lost |= (aside["code"] == "outside_county") & aside["layer"].isin(points)
        counted = aside.loc[lost, "layer"].value_counts()
        return {str(name): int(n) for name, n in counted.items()}

    def is_renamed(self, name: str) -> NDArray[np.bool_]:
        """Rows of a layer whose own id is not known: left blank, or another row's too."""
        faults = self.problems[self.problems["layer"] == name]
        faults = faults[faults["code"].isin(["id_missing", "id_duplicate"])]
        renamed = faults.loc[faults["action"] == "corrected", "row"]
        return self.layers[name]["source_row"].isin(renamed).to_numpy(bool)

    def is_empty(self, name: str) -> bool:
        """Whether no row of a layer can be used, or it was not given."""
        frame = self.layers.get(name)
        return frame is None or not len(frame)

    def layer(self, name: str) -> gpd.GeoDataFrame | None:
        """A layer's usable rows, or None when there are none."""
        return None if self.is_empty(name) else self.layers[name]
