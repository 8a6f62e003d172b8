"""A layer as its file has it, before any rule is applied: columns, shapes, row numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS


@dataclass(frozen=True)
class RawLayer:
    """What a file holds.

    Attributes
    ----------
    columns
        Values by the file's own column name, in file order; each of the same length.
    rows
        Row numbers as a reader of the file would count: the line of a spreadsheet or CSV with
        the header as line 1, else the feature's position from 1.
    shapes
        Geometry objects or None, or None for a file of plain rows.
    is_unreadable
        Where a shape is stored but its bytes make no geometry.
    crs
        The reference system the file states, or None.
    remarks
        What the reader of the file warned of.
    taken
        Which of the file's layers or sheets was taken where nobody named one, in words.
    blank_rows
        Empty rows of a table between others, which are no rows.
    """

    columns: Mapping[str, NDArray]
    rows: NDArray[np.int64]
    shapes: NDArray[np.object_] | None = None
    is_unreadable: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    crs: CRS | None = None
    remarks: tuple[str, ...] = ()
    blank_rows: int = 0
    taken: str = ""

    def __len__(self) -> int:
        return len(self.rows)

    def texts(self, name: str) -> pd.Series:
        """A column as text, None where it is blank: see `texts`."""
        return texts(self.columns[name])


def texts(values: NDArray) -> pd.Series:
    """Any column as text, None for null; whole numbers without ``.0``, days as ISO dates.

    >>> texts(np.array([1.0, 2.5, np.nan])).tolist()
    ['1', '2.5', None]
    """
    kind = values.dtype.kind
    if kind == "O":
        cells = [_text(value) for value in values.tolist()]
    elif kind == "b":
        cells = ["true" if value else "false" for value in values.tolist()]
    elif kind == "f":
        cells = [_number_text(value) for value in values.tolist()]
    elif kind == "M":
        stamps = np.datetime_as_string(values.astype("datetime64[s]")).tolist()
        cells = [None if s == "NaT" else s.removesuffix("T00:00:00") for s in stamps]
    else:
        cells = [str(value) for value in values.tolist()]
    return pd.Series(cells, dtype=object)


def _text(value: object) -> str | None:
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, float):
        return _number_text(value)
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return str(value)


def _number_text(value: float) -> str | None:
    if np.isnan(value):
        return None
    if abs(value) < 2**53 and value == int(value):
        return str(int(value))
    return repr(value)
