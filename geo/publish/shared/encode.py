"""Tables and shapes as the columns of whole numbers a page carries, undone by ``page/decode.js``.

Places are whole steps of the web Mercator plane (EPSG:3857) from one origin; lines and rings
store the differences between vertices, which are small numbers.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.publish.shared import phrases, words
from layers.measures import format_length

MERCATOR: Final = "EPSG:3857"


@dataclass(frozen=True)
class Plane:
    """Whole steps from an origin in the web Mercator plane; y runs up, as the plane's does."""

    x: float
    y: float
    step: float = 0.1

    def steps(self, coordinates: NDArray[np.float64], step: float | None = None) -> NDArray:
        """Coordinates of EPSG:3857, shape (n, 2), as whole steps from the origin."""
        return np.rint((coordinates - (self.x, self.y)) / (step or self.step)).astype(np.int64)


def whole(values: Iterable[float], *, factor: float, decimals: int) -> NDArray[np.float64]:
    """Numbers in the unit shown, as whole numbers of its last decimal; NaN where not known."""
    scaled = np.asarray(values, dtype=float) * factor * 10**decimals
    return np.where(np.isfinite(scaled), np.floor(scaled + 0.5), np.nan)


FAR: Final = 10_000
"""Whole units from which on a length is counted in the far unit of its scale instead."""


def lengths(
    values_m: NDArray[np.float64],
    kind: str,
    measures: words.Measures,
    *,
    zero: str = "",
    required_m: NDArray[np.float64] | None = None,
    instead: tuple[NDArray[np.int64], Sequence[str]] = (np.empty(0, np.int64), ()),
) -> dict[str, Any]:
    """Lengths rounded as people say them, and in words where a number would say too little.

    The rules are those of `layers.measures.format_length` and `format_height`.

    Parameters
    ----------
    values_m
        Shape (n,), meters; NaN where not known.
    kind
        A kind of length that `words.scale` knows.
    zero
        What exactly nought is called; empty: as any small length.
    required_m
        Distances these are compared with: each is shown on its side of its own.
    instead
        Rows, and for each the words that take the place of its length.

    Returns
    -------
    dict
        ``numbers``: whole last decimals from ``least`` up, from ``far.from`` on those of the far
        unit; below 0 positions in ``said``, counted back from -1; NaN where not known.

    >>> lengths(np.array([15.24, 0.001, np.nan]), "distance", "us")["numbers"].tolist()
    [50.0, -1.0, nan]
    """
    scale = words.scale(kind, measures)
    numbers, shown_m = rounded(values_m, scale)
    rows, shown = _other_words(values_m, shown_m, kind, measures, zero, required_m, instead[0])
    code, text = phrases.coded([*shown, *instead[1]])
    rows = np.concatenate([rows, instead[0]])[code >= 0]
    lowest = int(min(0.0, np.nanmin(numbers, initial=0.0)))
    numbers -= lowest
    numbers[rows] = -1.0 - code[code >= 0]
    far = scale.far and {
        "from": FAR * 10**scale.decimals, "unit": scale.far.unit, "decimals": scale.far.decimals
    }  # fmt: skip
    return {
        "unit": scale.unit, "decimals": scale.decimals, "far": far, "least": lowest, "said": text,
        "numbers": numbers,
    }  # fmt: skip


def rounded(
    values: NDArray[np.float64], scale: words.Scale
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Numbers of SI as a scale shows them, in whole last decimals, and what that is in SI.

    >>> us = words.scale("distance", "us")
    >>> rounded(np.array([18.9, 87.0, 2500.0]), us)[0].tolist()
    [62.0, 290.0, 10016.0]
    """
    size = np.abs(values) * scale.factor
    fine = 10**scale.decimals
    numbers = np.rint(size * fine)
    is_coarse = size >= scale.coarse_from
    numbers[is_coarse] = np.rint(size[is_coarse] / scale.coarse) * scale.coarse * fine
    shown = numbers / fine / scale.factor
    if scale.far is not None:
        is_far = np.abs(values) * scale.far.factor >= 1
        far = np.rint(np.abs(values[is_far]) * scale.far.factor * 10**scale.far.decimals)
        numbers[is_far] = FAR * fine + far
        shown[is_far] = far / 10**scale.far.decimals / scale.far.factor
    return np.copysign(numbers, values) + 0.0, np.copysign(shown, values)


def _other_words(
    values_m: NDArray[np.float64],
    shown_m: NDArray[np.float64],
    kind: str,
    measures: words.Measures,
    zero: str,
    required_m: NDArray[np.float64] | None,
    but: NDArray[np.int64],
) -> tuple[NDArray[np.int64], list[str | None]]:
    """Rows whose length is said in words of its own, and these: small, or near what is required."""
    small = np.setdiff1d(np.flatnonzero(np.abs(values_m) < 1), but)
    there, back = np.unique(values_m[small], return_inverse=True)
    shown = [
        zero if zero and value == 0 else words.small_length(value, kind, measures)
        for value in there.tolist()
    ]
    said = dict(zip(small.tolist(), (shown[i] for i in back.tolist()), strict=True))
    if required_m is not None:
        crossed = np.isfinite(values_m) & ((shown_m < required_m) != (values_m < required_m))
        near_nought = (np.abs(values_m) < 1) & (values_m > 0) & (required_m < 1)
        for row in np.setdiff1d(np.flatnonzero(crossed | near_nought), but).tolist():
            required = float(required_m[row])
            said[row] = format_length(float(values_m[row]), measures, required_m=required)
    return np.array([*said], np.int64), [*said.values()]


def tenths_of_meters(frame: pd.DataFrame) -> NDArray[np.float64]:
    """How far each place may be off (95 %), for the circle on the map; NaN where not known."""
    stated = pd.Series(frame.get("accuracy95_m"), frame.index, dtype=float)
    return whole(numbers(stated), factor=1, decimals=1)


def shares(parts: NDArray[np.float64], total: NDArray[np.float64]) -> NDArray[np.int64]:
    """Parts in tenths that add up to the total in tenths, by largest remainder.

    Parameters
    ----------
    parts
        Shape (rows, parts), not negative; NaN counts as nothing.
    total
        Shape (rows,).
    """
    tenths = np.nan_to_num(parts) * 10
    low = np.floor(tenths + 1e-9)
    missing = np.floor(np.nan_to_num(total) * 10 + 0.5) - low.sum(axis=1)
    order = np.argsort(-(tenths - low), axis=1, kind="stable")
    rank = np.argsort(order, axis=1, kind="stable")
    return (low + (rank < missing[:, None])).astype(np.int64)


def points(frame: gpd.GeoDataFrame, plane: Plane, step: float | None = None) -> NDArray[np.int64]:
    """Points as steps, shape (n, 2); the frame is already in EPSG:3857."""
    geometry = frame.geometry.array
    return plane.steps(np.column_stack([shapely.get_x(geometry), shapely.get_y(geometry)]), step)


def shapes(
    frame: gpd.GeoDataFrame, plane: Plane, *, within_m: float, step: float = 1.0
) -> dict[str, Any]:
    """Lines or areas as runs of vertex differences.

    Parameters
    ----------
    frame
        Lines or areas in the working system.
    within_m
        How far a simplified line may leave the one on record.
    step
        Side of the whole steps, in the Mercator plane.

    Returns
    -------
    dict
        ``step``; ``parts``: runs per row; ``size``: vertices per run; ``x`` and ``y``: differences
        from the vertex before, running on from run to run.
    """
    simple = shapely.simplify(frame.geometry.array, within_m, preserve_topology=True)
    plain = gpd.GeoSeries(simple, crs=frame.crs).to_crs(MERCATOR).array
    runs, row = _runs(np.asarray(plain))
    xy, run = shapely.get_coordinates(runs, return_index=True)
    at = plane.steps(xy, step)
    starts = np.r_[True, run[1:] != run[:-1]][: len(run)]
    moved = np.r_[True, (at[1:] != at[:-1]).any(axis=1)][: len(run)]
    keep = starts | moved
    at, run = at[keep], run[keep]
    differences = np.diff(at, axis=0, prepend=np.zeros((1, 2), np.int64))
    return {
        "step": step,
        "parts": np.bincount(row, minlength=len(frame)),
        "size": np.bincount(run, minlength=len(runs)),
        "x": differences[:, 0],
        "y": differences[:, 1],
    }


def _runs(geometry: NDArray) -> tuple[NDArray, NDArray[np.int64]]:
    """Every line, and every ring of every area, with the row it belongs to."""
    flat, row = shapely.get_parts(geometry, return_index=True)
    is_area = shapely.get_type_id(flat) == 3
    rings, of = shapely.get_rings(flat[is_area], return_index=True)
    is_line = np.isin(shapely.get_type_id(flat), (1, 2))
    runs = np.concatenate([flat[is_line], rings])
    rows = np.concatenate([row[is_line], row[is_area][of]])
    order = np.argsort(rows, kind="stable")
    return runs[order], rows[order]


def with_categories(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The same with its texts as categories: asked for many times, they are told apart once."""
    texts = [
        name
        for name in frame.columns.drop("geometry", errors="ignore")
        if pd.api.types.is_object_dtype(frame[name]) or pd.api.types.is_string_dtype(frame[name])
    ]
    return frame.assign(**{name: pd.Categorical(frame[name]) for name in texts})


def text_or_none(values: pd.Series) -> list[str | None]:
    """A column as texts, None where nothing is known."""
    code, found = pd.factorize(values)
    shown = [None if pd.isna(value) or value == "" else str(value) for value in found]
    return [None if at < 0 else shown[at] for at in code.tolist()]


def numbers(values: pd.Series | Sequence[float]) -> NDArray[np.float64]:
    """A column as floats, NaN where nothing is known."""
    return pd.to_numeric(pd.Series(values), errors="coerce").to_numpy(dtype=float, na_value=np.nan)
