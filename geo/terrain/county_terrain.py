"""A county's terrain made ready for water, and what had to be done to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.terrain import BreachReport, FlatLimits, TerrainModel, build_terrain
from geo.terrain.crossings import RoadCrossing, cut_table, find_crossings
from layers.county import County
from layers.files.raster import burn, burn_numbers
from layers.grid import Grid
from layers.problems import ProblemLog
from layers.settings.county_file import TerrainSection

# A lake that stands so much above its lowest shore is drawn past its outlet; less is noise.
# Common practice, no source.
_WORTH_SHOWING_M: Final = 0.1

Features = Mapping[str, gpd.GeoDataFrame | None]


@dataclass(frozen=True)
class CountyTerrain:
    """The terrain made ready, and every way under a road that was cut or could not be.

    ``cuts`` has the columns of `geo.terrain.crossings.cut_table`.
    """

    model: TerrainModel
    cuts: gpd.GeoDataFrame


def county_terrain(
    county: County, features: Features, log: ProblemLog, *, stream_accuracy95_m: float
) -> CountyTerrain | None:
    """The terrain made ready, with what could not be used of it logged; None where none is given.

    Parameters
    ----------
    features
        The county's layers of lines and areas by name.
    stream_accuracy95_m
        Of the stream lines at 95 %: a road is cut no further from them.

    Raises
    ------
    TerrainError
        When it is no ground or is too large for the memory at hand.
    """
    if county.terrain is None:
        return None
    settings = county.file.terrain
    streams, lakes, culverts = (features.get(n) for n in ("streams", "water_bodies", "culverts"))
    crossings = find_crossings(
        streams,
        features.get("roads"),
        culverts,
        accuracy95_m=stream_accuracy95_m,
        culvert_within_m=settings.culvert_within_m,
    )
    water = [layer.geometry.to_numpy() for layer in (streams, lakes) if layer is not None]

    def drainage(grid: Grid) -> NDArray[np.bool_]:
        return burn(np.concatenate(water), grid.shape, grid.transform, all_touched=True)

    def bodies(grid: Grid) -> NDArray[np.int32]:
        assert lakes is not None
        return burn_numbers(lakes.geometry.to_numpy(), grid.shape, grid.transform)

    model = build_terrain(
        county.terrain,
        culverts=[]
        if culverts is None
        else [shapely.get_coordinates(line) for line in culverts.geometry],
        crossings=[(found.crossing, found.served_by) for found in crossings],
        waters=None if lakes is None else bodies,
        drainage=drainage if water else None,
        limits=FlatLimits(
            breach_length_m=settings.breach_length_m,
            breach_depth_m=settings.breach_depth_m,
            water_fall_m=settings.lake_fall_m,
        ),
    )
    _log_voids(model, log)
    _log_lakes(model, lakes, log)
    _log_culverts(model, culverts, log)
    _log_crossings(crossings, model.breach_reports, features, settings, log)
    cuts = cut_table(
        crossings,
        model.breach_reports,
        model.culvert_reports,
        streams=streams,
        roads=features.get("roads"),
        culverts=culverts,
        crs=county.crs,
    )
    return CountyTerrain(model, cuts)


def _log_voids(model: TerrainModel, log: ProblemLog) -> None:
    closed = int(model.is_closed.sum())
    if closed:
        log.add(
            "terrain",
            "terrain_void",
            f"{closed:,} cells without data inside the terrain were filled",
            action="corrected",
        )


def _log_lakes(model: TerrainModel, lakes: gpd.GeoDataFrame | None, log: ProblemLog) -> None:
    for report in model.water_reports:
        if report.reason == "slopes":
            code = "water_sloping"
            message = f"the ground inside its outline falls by {report.fall_m:.1f} m"
        elif report.above_shore_m > _WORTH_SHOWING_M:
            code = "water_past_outlet"
            message = f"the ground beside its outline is {report.above_shore_m:.1f} m lower"
        else:
            continue
        assert lakes is not None
        row = lakes.iloc[report.label - 1]
        log.add(
            "water_bodies",
            code,
            message,
            action="kept",
            row=int(row["source_row"]),
            feature_id=row["water_body_id"],
        )


def _log_culverts(model: TerrainModel, culverts: gpd.GeoDataFrame | None, log: ProblemLog) -> None:
    for report in model.culvert_reports:
        if report.used:
            continue
        assert culverts is not None
        row = culverts.iloc[report.index]
        log.add(
            "culverts",
            "culvert_unusable",
            report.reason,
            action="kept",
            row=int(row["source_row"]),
            feature_id=row["culvert_id"],
        )


def _log_crossings(
    crossings: list[RoadCrossing],
    breaches: tuple[BreachReport | None, ...],
    features: Features,
    settings: TerrainSection,
    log: ProblemLog,
) -> None:
    """A problem for each road that stays closed over a stream without a culvert."""
    streams, roads = features.get("streams"), features.get("roads")
    for crossing, breach in zip(crossings, breaches, strict=True):
        if breach is None or breach.used or breach.reason == "off the terrain":
            continue
        assert streams is not None
        assert roads is not None
        stream, road = streams.iloc[crossing.stream], roads.iloc[crossing.road]
        why = {
            "too deep": f"a cut would be {breach.max_cut_m:.1f} m deep, more than the"
            f" {settings.breach_depth_m:g} m allowed",
            "too long": f"a cut would be {breach.length_m:.0f} m long, more than the"
            f" {settings.breach_length_m:g} m allowed",
            "no way": "no lower ground is found on the other side along the mapped stream",
            "not divided": "the road's line ends at the stream",
        }[breach.reason]
        name = road["road_id"] if pd.isna(road["name"]) else road["name"]
        log.add(
            "streams",
            "crossing_closed",
            f"no culvert is mapped where {name} crosses it, and the road was not cut open: {why}",
            action="kept",
            row=int(stream["source_row"]),
            feature_id=stream["stream_id"],
        )
