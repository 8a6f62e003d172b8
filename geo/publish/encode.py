"""Tables and shapes as the short lists a page carries, each undone by ``page/decode.js``.

Places are whole steps of the web Mercator plane (EPSG:3857) from one origin; lines and rings
store the differences between vertices, which are small numbers.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.publish import words

MERCATOR: Final = "EPSG:3857"
_DIGITS: Final = re.compile(r"\d+")


@dataclass(frozen=True)
class Plane:
    """Whole steps from an origin in the web Mercator plane; y runs up, as the plane's does."""

    x: float
    y: float
    step: float = 0.1

    def steps(self, coordinates: NDArray[np.float64], step: float | None = None) -> NDArray:
        """Coordinates of EPSG:3857, shape (n, 2), as whole steps from the origin."""
        return np.rint((coordinates - (self.x, self.y)) / (step or self.step)).astype(np.int64)


def whole(values: Iterable[float], *, factor: float, decimals: int) -> list[int | None]:
    """Numbers in the unit shown, as whole numbers of its last decimal; None where not known."""
    scaled = np.asarray(list(values), dtype=float) * factor * 10**decimals
    return [int(v) if np.isfinite(v) else None for v in np.floor(scaled + 0.5)]


def lengths(
    values_m: NDArray[np.float64],
    kind: str,
    measures: words.Measures,
    *,
    zero: str = "",
    instead: Mapping[int, str] = MappingProxyType({}),
) -> dict[str, Any]:
    """Lengths as whole last decimals, and in words where a number would say too little.

    Decimals end at 100 units, where they say nothing.

    Parameters
    ----------
    values_m
        Shape (n,), metres; NaN where not known.
    kind
        A kind of length that `words.scale` knows.
    zero
        What exactly nought is called; empty: as any small length.
    instead
        Words by row that take the place of the length.

    Returns
    -------
    dict
        ``numbers``: whole numbers from ``least`` up, below 0 positions in ``said``, counted back
        from -1; None where not known.

    >>> lengths(np.array([15.24, 0.001, np.nan]), "distance", "us")["numbers"]
    [50, -1, None]
    """
    scale = words.scale(kind, measures)
    fine = whole(values_m, factor=scale.factor, decimals=scale.decimals)
    coarse = whole(values_m, factor=scale.factor, decimals=0)
    far = np.abs(values_m) * scale.factor >= 100
    tens = 10**scale.decimals
    numbers = [
        c * tens if is_far and c is not None else f
        for f, c, is_far in zip(fine, coarse, far, strict=True)
    ]
    said = {
        row: zero if zero and value == 0 else words.small_length(value, kind, measures)
        for row, value in enumerate(values_m.tolist())
        if abs(value) < 1
    }
    told = {row: text for row, text in (said | dict(instead)).items() if text}
    known, place = by_frequency(list(told.values()))
    least = min([0, *(n for n in numbers if n is not None)])
    shifted = [None if n is None else n - least for n in numbers]
    for row, i in zip(told, place, strict=True):
        shifted[row] = -1 - i
    return {
        "unit": scale.unit,
        "decimals": scale.decimals,
        "least": least,
        "said": known,
        "numbers": shifted,
    }


def by_frequency(values: Sequence[Any]) -> tuple[list[Any], list[int]]:
    """The values there are, most frequent first (they get the short numbers), and positions."""
    count = Counter(values)
    known = sorted(count, key=lambda value: (-count[value], str(value)))
    place = {value: i for i, value in enumerate(known)}
    return known, [place[value] for value in values]


def tenths_of_metres(frame: pd.DataFrame) -> list[int | None]:
    """How far each place may be off (95 %), for the circle on the map; None where not known."""
    if "accuracy95_m" not in frame:
        return [None] * len(frame)
    return whole(numbers(frame["accuracy95_m"]), factor=1, decimals=1)


def coded(values: Iterable[str | None]) -> dict[str, Any]:
    """Texts that repeat as a list of words and a position in it per row.

    >>> coded(["b", None, "a", "b"])
    {'words': ['a', 'b'], 'at': [1, None, 0, 1]}
    """
    texts = list(values)
    known = sorted({text for text in texts if text is not None})
    place = {text: i for i, text in enumerate(known)}
    return {"words": known, "at": [None if text is None else place[text] for text in texts]}


def texts(values: Iterable[str | None]) -> dict[str, Any]:
    """Texts, coded when that is shorter, else as they are."""
    rows = list(values)
    return coded(rows) if len(set(rows)) * 2 <= len(rows) else {"texts": rows}


def sentences(values: Iterable[str | None]) -> dict[str, Any]:
    """Sentences separated by ``" | "`` as forms and the numbers that fill them.

    A county's reasons are a few forms of words with numbers in them. Each form is the list of
    its pieces between numbers and, for each place of a number, what stands there in every
    sentence of that form in turn.

    >>> sentences(["84 ft to a well", "9 ft to a well | dry", None])
    {'count': [1, 2, 0], 'form': [0, 0, 1], 'forms': [[['', ' ft to a well'], [[84, 9]]], \
[['dry'], []]]}
    """
    count: list[int] = []
    form: list[int] = []
    known: dict[tuple[str, ...], int] = {}
    forms: list[list[list]] = []
    for text in values:
        parts = [part.strip() for part in text.split(" | ")] if text else []
        parts = [part for part in parts if part]
        count.append(len(parts))
        for part in parts:
            pieces = tuple(_DIGITS.split(part))
            if pieces not in known:
                known[pieces] = len(forms)
                forms.append([list(pieces), [[] for _ in pieces[1:]]])
            form.append(known[pieces])
            for filled, digits in zip(forms[known[pieces]][1], _DIGITS.findall(part), strict=True):
                filled.append(_number(digits))
    return {"count": count, "form": form, "forms": forms}


def _number(digits: str) -> int | str:
    """Digits as a number when that gives the same digits back (no leading zero, not too long)."""
    plain = digits.isascii() and len(digits) < 16 and (digits == "0" or digits[0] != "0")
    return int(digits) if plain else digits


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


def points(frame: gpd.GeoDataFrame, plane: Plane) -> NDArray[np.int64]:
    """Points as steps, shape (n, 2); the frame is already in EPSG:3857."""
    geometry = frame.geometry.array
    return plane.steps(np.column_stack([shapely.get_x(geometry), shapely.get_y(geometry)]))


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
        ``step``; ``parts``: runs per row; ``size``: vertices per run; ``xy``: differences from
        the vertex before, x and y in turn, running on from run to run.
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
        "parts": np.bincount(row, minlength=len(frame)).tolist(),
        "size": np.bincount(run, minlength=len(runs)).tolist(),
        "xy": differences.ravel().tolist(),
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


def text_or_none(values: pd.Series) -> list[str | None]:
    """A column as texts, None where nothing is known."""
    return [None if pd.isna(value) or value == "" else str(value) for value in values]


def numbers(values: pd.Series | Sequence[float]) -> NDArray[np.float64]:
    """A column as floats, NaN where nothing is known."""
    return pd.to_numeric(pd.Series(values), errors="coerce").to_numpy(dtype=float, na_value=np.nan)


def text_column(frame: pd.DataFrame, name: str) -> list[str | None]:
    """A column as texts; all unknown where there is none of that name."""
    return text_or_none(frame[name]) if name in frame else [None] * len(frame)


def number_column(frame: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """A column as floats; all NaN where there is none of that name."""
    return numbers(frame[name]) if name in frame else np.full(len(frame), np.nan)
