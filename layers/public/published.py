"""What a published schema says of a layer, in our columns."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from layers.fields.column_names import folded
from layers.fields.raw import RawLayer
from layers.fields.values import is_blank
from layers.problems import Action


@dataclass(frozen=True)
class Remark:
    """Something met in rows while they were translated."""

    where: NDArray[np.bool_]
    code: str
    message: str | Callable[[int], str]
    action: Action


@dataclass(frozen=True)
class Published:
    """A layer recognized as one of a published schema.

    Attributes
    ----------
    schema
        The schema's name and the fields it was known by, for people.
    columns
        Cells as text or None, by our column.
    remarks
        What was met in rows.
    notes
        What holds for the layer as a whole, in words.
    read
        The file's own names of the columns that were read.
    """

    schema: str
    columns: Mapping[str, NDArray]
    remarks: list[Remark] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    read: frozenset[str] = frozenset()


class Fields:
    """A file's fields by published names: any case, cut to ten letters, behind a table's name.

    Fields of a join are written ``S_FLD_HAZ_AR.FLD_ZONE``; a shapefile keeps ten letters of a
    name.
    """

    def __init__(self, raw: RawLayer) -> None:
        self._raw = raw
        self._read: set[str] = set()
        self._by_folded: dict[str, str] = {}
        for name in raw.columns:
            self._by_folded.setdefault(folded(name), name)
        for name in raw.columns:
            self._by_folded.setdefault(folded(name.rpartition(".")[2]), name)

    def name(self, published: str) -> str | None:
        """The file's own name of a published field, or None."""
        for wanted in (folded(published), folded(published[:10])):
            if wanted in self._by_folded:
                return self._by_folded[wanted]
        return None

    def has(self, *published: str) -> bool:
        """Whether all of the fields are there."""
        return all(self.name(name) is not None for name in published)

    @property
    def read(self) -> frozenset[str]:
        """The file's own names of the fields whose cells were asked for."""
        return frozenset(self._read)

    def cells(self, *published: str) -> list[str | None]:
        """The first of the fields that is there, as stripped text; None where it says nothing."""
        for name in published:
            theirs = self.name(name)
            if theirs is not None:
                self._read.add(theirs)
                texts = self._raw.texts(theirs).tolist()
                return [None if is_blank(text) else str(text).strip() for text in texts]
        return [None] * len(self._raw)


def column(cells: Iterable[str | None]) -> NDArray[np.object_]:
    """Cells as a column of a raw layer."""
    return pd.Series(list(cells), dtype=object).to_numpy()


def numbered(cells: Iterable[str | None]) -> list[str | None]:
    """Ids that repeat made single: the second of "59" is "59#2".

    >>> numbered(["59", "60", "59", None])
    ['59', '60', '59#2', None]
    """
    seen: dict[str, int] = {}
    out: list[str | None] = []
    for cell in cells:
        if cell is None:
            out.append(None)
            continue
        seen[cell] = seen.get(cell, 0) + 1
        out.append(cell if seen[cell] == 1 else f"{cell}#{seen[cell]}")
    return out
