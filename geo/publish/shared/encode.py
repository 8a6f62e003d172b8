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


def lengths(
    values_m: NDArray[np.float64],
    kind: str,
    measures: words.Measures,
    *,
    zero: str = "",
    figures: int = 3,
    instead: tuple[NDArray[np.int64], Sequence[str]] = (np.empty(0, np.int64), ()),
) -> dict[str, Any]:
    """Lengths as short whole numbers, and in words where a number would say too little.

    No more figures are told than a length can bear: three, or two of how far it may be off.

    Parameters
    ----------
    values_m
        Shape (n,), meters; NaN where not known.
    kind
        A kind of length that `words.scale` knows.
    zero
        What exactly nought is called; empty: as any small length.
    figures
        Figures told of a large one; small ones are told to the last decimal of their scale.
    instead
        Rows, and for each the words that take the place of its length.

    Returns
    -------
    dict
        ``numbers``: places in `steps` from ``least`` up, below 0 positions in ``text``, counted
        back from -1; NaN where not known. ``figures``: 10 to the power of the figures, less one.

    >>> lengths(np.array([15.24, 0.001, np.nan]), "distance", "us")["numbers"].tolist()
    [50.0, -1.0, nan]
    """
    scale = words.scale(kind, measures)
    numbers = steps(values_m * scale.factor, scale.decimals, figures)
    lowest = int(min(0.0, np.nanmin(numbers, initial=0.0)))
    numbers -= lowest
    rows, instead_of = instead
    small = np.setdiff1d(np.flatnonzero(np.abs(values_m) < 1), rows)
    there, back = np.unique(values_m[small], return_inverse=True)
    shown = [
        zero if zero and value == 0 else words.small_length(value, kind, measures)
        for value in there.tolist()
    ]
    code, text = phrases.coded([*(shown[i] for i in back.tolist()), *instead_of])
    rows = np.concatenate([small, rows])[code >= 0]
    numbers[rows] = -1.0 - code[code >= 0]
    return {
        "unit": scale.unit,
        "decimals": scale.decimals,
        "figures": 10 ** (figures - 1),
        "least": lowest,
        "said": text,
        "numbers": numbers,
    }


def steps(values: NDArray[np.float64], decimals: int, figures: int) -> NDArray[np.float64]:
    """Places of numbers in the list of all that can be shown; NaN where not known.

    With three figures and one decimal these are 0.0, 0.1 … 99.9, 100, 101 … 999, 1,000, 1,010 …

    >>> steps(np.array([99.9, 100, 999, 1000, 1014, -0.1, 10_000]), 1, 3).tolist()
    [999.0, 1000.0, 1899.0, 1900.0, 1901.0, -1.0, 2800.0]
    """
    size, first = np.abs(values), 10 ** (figures - 1)
    place = whole(size, factor=1, decimals=decimals)
    most = np.nanmax(np.where(np.isfinite(size), size, 0), initial=0.0)
    step, passed = 1, first * 10**decimals - first
    while first * step <= most:
        large = size >= first * step
        place[large] = whole(size[large], factor=1 / step, decimals=0) + passed
        step, passed = step * 10, passed + 9 * first
    return np.where(values < 0, -place, place)


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
