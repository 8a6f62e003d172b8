"""Hollows: what filling raises, as pieces with a volume."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from geo.terrain.inputs import cell_of, same_shape, surface_of


def hollows(
    z: ArrayLike, filled: ArrayLike, cell_m: float | tuple[float, float]
) -> tuple[NDArray[np.int32], pd.DataFrame]:
    """Hollows of a terrain filled to the brim.

    Cells that touch by a side or a corner and lie under their filled level are one hollow; two
    such cells always have the same level, since either could drain over the other.

    Parameters
    ----------
    z
        Elevation, shape (rows, cols); NaN where there is no data.
    filled
        The same from `fill_depressions`.
    cell_m
        Side of a cell, or (width, height).

    Returns
    -------
    labels
        int32: 0 outside, else the number of the hollow, from 1 by rows and columns.
    table
        One row for each hollow, its index ``hollow`` = label: ``cells``, ``area_m2``,
        ``level_m`` (of the brim), ``depth_max_m``, ``volume_m3`` (sum in float64 of the
        differences of the values as stored).

    Raises
    ------
    ValueError
        If the two differ in shape, one is not a surface of finite numbers, ``filled`` lies below
        ``z``, or ``cell_m`` is not positive.
    """
    ground, brim = surface_of(z), surface_of(filled, "filled")
    same_shape(brim, ground.shape, "filled")
    width, height = cell_of(cell_m)
    if (brim < ground).any():
        raise ValueError("filled is below z somewhere; it must come from fill_depressions(z)")
    labels = np.zeros(ground.shape, np.int32)
    count = ndimage.label(brim > ground, structure=np.ones((3, 3)), output=labels)
    inside = np.flatnonzero(labels)
    label = labels.reshape(-1)[inside]
    level = brim.reshape(-1)[inside].astype(np.float64)
    depth = level - ground.reshape(-1)[inside]
    cells = np.bincount(label, minlength=count + 1)[1:]
    deepest = np.zeros(count + 1)
    np.maximum.at(deepest, label, depth)
    levels = np.zeros(count + 1)
    levels[label] = level
    table = pd.DataFrame(
        {
            "cells": cells.astype(np.int64),
            "area_m2": cells * (width * height),
            "level_m": levels[1:],
            "depth_max_m": deepest[1:],
            "volume_m3": np.bincount(label, depth, count + 1)[1:] * (width * height),
        },
        index=pd.RangeIndex(1, count + 1, name="hollow"),
    )
    return labels, table
