"""The sensitivity of the land by parcel and by catchment."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.land.sensitivity import Sensitivity
from layers.fields.schemas import SCHEMAS
from layers.outputs import LAND_AREAS

KINDS: Final = {"parcels": "parcel", "catchments": "catchment"}


def sensitivity_by_area(
    found: Sensitivity, features: Mapping[str, gpd.GeoDataFrame | None]
) -> gpd.GeoDataFrame:
    """Each parcel and catchment with the mean of the cells whose centers it holds.

    An area too small to hold a center has the cell that its inner point is in. Without cells,
    outside the frame, numbers are null.

    Parameters
    ----------
    features
        ``parcels`` and ``catchments`` by name, in the system of the cells.

    Returns
    -------
    The table `layers.outputs.LAND_AREAS`: parcels, then catchments, in their own order.
    """
    tables = []
    for layer, kind in KINDS.items():
        areas = features.get(layer)
        if areas is not None and len(areas):
            tables.append(_of_kind(found, areas, SCHEMAS[layer].id, kind))
    if not tables:
        return LAND_AREAS.empty_layer(found.frame.crs)
    rows = pd.concat(tables, ignore_index=True)
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=found.frame.crs)


def _of_kind(found: Sensitivity, areas: gpd.GeoDataFrame, key: str, kind: str) -> gpd.GeoDataFrame:
    shapes = areas.geometry.to_numpy()
    area, cell = _cells_of(found, shapes)
    columns = {
        "area_kind": kind,
        "area_id": areas[key].astype(object).to_numpy(),
        "name": areas["name"].to_numpy(object) if "name" in areas else None,
    }
    count = np.bincount(area, minlength=len(shapes))

    def mean(values: NDArray) -> NDArray[np.float64]:
        total = np.bincount(area, values.ravel()[cell].astype(float), minlength=len(shapes))
        with np.errstate(invalid="ignore"):
            return np.where(count > 0, total / count, np.nan)

    parts = {f"part_{name}": mean(part) for name, part in found.parts.items()}
    high = np.full(len(shapes), -np.inf)
    np.maximum.at(high, area, found.total.values.ravel()[cell].astype(float))
    rows = pd.DataFrame(
        {
            **columns,
            "sensitivity": mean(found.total.values),
            "sensitivity_high": np.where(count > 0, high, np.nan),
            "sensitivity_at_most": mean(found.at_most.values),
            "unknown_share": mean(found.unknown_share.values),
            **parts,
            "cells": count,
        }
    )
    return gpd.GeoDataFrame(rows, geometry=shapes, crs=areas.crs)


def _cells_of(
    found: Sensitivity, shapes: NDArray[np.object_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of an area and a cell whose center it holds, or the one its inner point is in."""
    frame = found.frame
    rows, cols = frame.shape
    row, col = np.divmod(np.arange(rows * cols), cols)
    centers = shapely.STRtree(shapely.points(*frame.centers(row, col)))
    area, cell = centers.query(shapes, predicate="contains")
    small = np.setdiff1d(np.arange(len(shapes)), area)
    small = small[~(shapely.is_missing(shapes[small]) | shapely.is_empty(shapes[small]))]
    inner = shapely.point_on_surface(shapes[small])
    r, c, inside = frame.cells_at(shapely.get_x(inner), shapely.get_y(inner))
    area = np.concatenate([area, small[inside]])
    cell = np.concatenate([cell, (r * cols + c)[inside]])
    return area, cell
