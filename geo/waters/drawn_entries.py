"""Where drawn ways come into the mapped water: the rows of each draw, joined to a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.waters.drain_ends import DrainEnds
from geo.waters.network import water_groups
from geo.waters.waterways import NOT_THERE, come_in, heights_of
from geo.waters.way_following import Drawn
from layers.outputs import DRAWN_ENTRIES

# Places along one piece of water are told apart by so much: less than what a position is known to.
APART_M: Final = 5.0
Floats = NDArray[np.float64]


class Entries:
    """Where ways that end at a feature come into the mapped water."""

    def __init__(
        self,
        legs: gpd.GeoDataFrame,
        features: Mapping[str, gpd.GeoDataFrame | None],
        heights_at: Callable[[Floats, Floats], Floats],
    ) -> None:
        waters = features.get("water_bodies")
        self.legs, self.heights_at = legs, heights_at
        self.waters = np.empty(0, object) if waters is None else waters.geometry.to_numpy()
        self.group = water_groups(self.waters)

    def of(self, draw: int, drawn: Drawn) -> pd.DataFrame:
        """One row a way."""
        points = shapely.points(drawn.end_xy)
        points[~drawn.there] = None
        into = come_in(points, drawn.reached, self.legs, self.waters, self.group)
        wet = (into.leg >= 0) | (into.water >= 0)
        height = np.full(len(points), np.nan)
        height[wet] = heights_of(points[wet], self.heights_at)
        return pd.DataFrame(
            {
                "way": np.arange(len(points)), "draw": draw, "ends": drawn.reached,
                "layer": drawn.layer, "feature_id": drawn.feature_id, "leg": into.leg,
                "along_m": into.along_m, "water": into.water, "height_m": height,
                "before_m": drawn.length_m + into.more_m,
                "x": np.where(wet, drawn.end_xy[:, 0], np.nan),
                "y": np.where(wet, drawn.end_xy[:, 1], np.nan),
            }
        )  # fmt: skip


@dataclass(frozen=True)
class Piped:
    """Discharge points that let out into drains at once: the same in every draw."""

    rows: pd.DataFrame
    ids: list[str]

    @classmethod
    def of(cls, piped: gpd.GeoDataFrame | None, ends: DrainEnds | None, first: int) -> Piped:
        """Those whose drain has a drawn end, numbered from ``first`` on."""
        if piped is None or ends is None or not len(piped):
            return cls(pd.DataFrame(), [])
        leg = piped["leg"].to_numpy(np.int64)
        some = piped[(leg >= 0) & (ends.end_of[leg] >= 0)]
        some = some.drop_duplicates("discharge_point_id")
        xy = shapely.get_coordinates(some.geometry.to_numpy()).reshape(-1, 2)
        kept = ["leg", "along_m", "water", "height_m", "before_m"]
        rows = pd.DataFrame(some[kept]).assign(
            way=first + np.arange(len(some)), ends="drain", layer="drains", feature_id=None,
            x=xy[:, 0], y=xy[:, 1],
        )  # fmt: skip
        return cls(rows, some["discharge_point_id"].tolist())

    def beside(self, rows: pd.DataFrame, draw: int) -> pd.DataFrame:
        """The rows of a draw with these below."""
        if not self.ids:
            return rows
        return pd.concat([rows, self.rows.assign(draw=draw)], ignore_index=True)


def after_drains(
    rows: pd.DataFrame, after: pd.DataFrame, ends: DrainEnds, legs: gpd.GeoDataFrame
) -> pd.DataFrame:
    """The rows of a draw with where water that came into drains came in after their ends."""
    leg = rows["leg"].to_numpy(np.int64)
    end = np.where(leg >= 0, ends.end_of[leg], -1)
    into = np.flatnonzero(end >= 0)
    leg, onward = leg[into], after.iloc[end[into]].set_index(rows.index[into])
    plane = shapely.length(legs.geometry.to_numpy()[leg])
    rest = np.maximum(plane - rows["along_m"].to_numpy(float)[into], 0.0)
    rest *= legs["length_m"].to_numpy(float)[leg] / np.where(plane > 0, plane, 1.0)
    gone = rows["before_m"].iloc[into] + rest + ends.pipe_m[leg]
    shown = onward.assign(before_m=onward["before_m"] + gone)
    names = ["ends", "leg", "along_m", "water", "height_m", "before_m", "x", "y"]
    return rows.join(shown[names].add_prefix("then_"))


def grouped(found: pd.DataFrame, names: NDArray[np.object_], crs: object) -> gpd.GeoDataFrame:
    """Draws that end alike as one row, the most frequent first; ``names`` by way."""
    for name in ("then_leg", "then_along_m", "then_water", "then_height_m", "then_before_m",
                 "then_x", "then_y"):  # fmt: skip
        found[name] = found[name].astype(float) if name in found else np.nan
    found["then_ends"] = found["then_ends"].fillna("") if "then_ends" in found else ""
    for name in ("then_leg", "then_water"):
        found[name] = found[name].fillna(NOT_THERE).astype(np.int64)
    for part, along in (("part", "along_m"), ("then_part", "then_along_m")):
        found[part] = np.floor(found[along] / APART_M).fillna(NOT_THERE).astype(np.int64)
    keys = ["way", "ends", "leg", "water", "part", "then_ends", "then_leg", "then_water",
            "then_part"]  # fmt: skip
    mean: tuple[str, ...] = ("along_m", "height_m", "before_m", "x", "y")
    mean += tuple(f"then_{name}" for name in mean)
    table = (
        found.groupby(keys, sort=True)
        .agg(
            draws=("draw", "size"), layer=("layer", "first"), feature_id=("feature_id", "first"),
            **{name: (name, "mean") for name in mean},
        )
        .reset_index()
    )  # fmt: skip
    order = np.lexsort([np.arange(len(table)), -table["draws"], table["way"]])
    table = table.iloc[order].reset_index(drop=True)
    table["discharge_point_id"] = names[table["way"]]
    table.loc[table["ends"] == "off_terrain", "before_m"] = np.nan
    table["then_ends"] = table["then_ends"].where(table["then_ends"] != "", None)
    for column in ("layer", "feature_id", "then_ends"):
        table[column] = table[column].astype(object).where(table[column].notna(), None)
    points = shapely.points(table[["x", "y"]].to_numpy(float))
    points[table["x"].isna().to_numpy()] = None
    return gpd.GeoDataFrame(table[DRAWN_ENTRIES.names], geometry=list(points), crs=crs)
