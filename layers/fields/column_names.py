"""Which column of a file is which of ours."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from layers.errors import LayerError
from layers.fields.schemas import Column, LayerSchema

PLACE_COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "lon": ("lon", "long", "lng", "longitude", "longdd", "longitudedd", "gpslon", "gpslongitude"),
    "lat": ("lat", "latitude", "latdd", "latitudedd", "gpslat", "gpslatitude"),
    "x": ("x", "easting", "eastings", "xcoord", "xcoordinate", "pointx"),
    "y": ("y", "northing", "northings", "ycoord", "ycoordinate", "pointy"),
    "usng": ("usng", "mgrs", "nationalgrid", "usnationalgrid", "usngcoord", "gridreference"),
}
_NEAR: Final = 0.72  # below it a guess is a joke
# last words of a heading that tell the length unit of its numbers
_HEADED: Final[dict[str, str]] = {
    "in": "in", "inch": "in", "inches": "in", "ft": "ft", "foot": "ft", "feet": "ft",
    "m": "m", "meter": "m", "meters": "m", "metre": "m", "metres": "m",
}  # fmt: skip


class ColumnMissingError(LayerError):
    """A column the county file names, or one a layer cannot do without, is not in the file."""


@dataclass(frozen=True)
class Recognized:
    """A column of ours, the file's name of it, and what it was recognized by."""

    ours: str
    theirs: str
    by: str


@dataclass(frozen=True)
class LayerColumns:
    """What became of a layer's columns.

    Attributes
    ----------
    ignored
        The file's own names of the columns that are taken for nothing.
    wanted
        Ours that are not there and without which the layer does not answer what it is read for.
    """

    recognized: tuple[Recognized, ...]
    ignored: tuple[str, ...]
    wanted: tuple[str, ...]


def words_in(name: str) -> list[str]:
    """The words of a column's name, a change of case among them.

    >>> words_in("SysNo_IN"), words_in("Depth (ft)")
    (['sys', 'no', 'in'], ['depth', 'ft'])
    """
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return [word.casefold() for word in re.split(r"[^A-Za-z0-9]+", parted) if word]


def headed_unit(name: str) -> str | None:
    """The length unit a heading ends with, where something stands before it; else None.

    >>> headed_unit("RISER IN"), headed_unit("Depth (ft)"), headed_unit("accuracy")
    ('in', 'ft', None)
    """
    words = words_in(name)
    return _HEADED.get(words[-1]) if len(words) > 1 else None


def folded(name: str) -> str:
    """A column name for comparing: lower case, letters and digits only.

    >>> folded("Unit ID#")
    'unitid'
    """
    return "".join(c for c in name.casefold() if c.isalnum())


def recognize(
    names: Iterable[str], schema: LayerSchema, given: Mapping[str, str], *, where: str
) -> dict[str, str]:
    """The file's name of each of our columns it has, by our name.

    What the county file gives comes first, then our own name, then the names a column is ``also``
    known by; of several that would do, the first in the file is taken. The names ``lon``,
    ``lat``, ``x`` and ``y`` stand for coordinates kept in columns, ``usng`` for references of
    the national grid.

    Raises
    ------
    ColumnMissingError
        When a column the county file gives is not there; the message lists those that are.
    """
    names = list(names)
    found = {ours: _given(theirs, names, ours, where) for ours, theirs in given.items()}
    by_folded: dict[str, str] = {}
    for name in names:
        by_folded.setdefault(folded(name), name)
    taken = set(found.values())
    for column in schema.columns:
        if column.name not in found:
            _find(column.name, _aliases(column), by_folded, taken, found)
    for ours, aliases in PLACE_COLUMNS.items():
        if ours not in found:
            _find(ours, aliases, by_folded, taken, found)
    return found


def _aliases(column: Column) -> list[str]:
    """Our name, the others, our name as a shapefile cuts it (ten letters), or in another unit."""
    names = [column.name, *column.also, column.name[:10]]
    if column.kind == "number" and column.name.endswith("_m"):
        bare = [name.removesuffix("_m") for name in (column.name, *column.also)]
        names += [f"{name}_{unit}" for name in bare for unit in _HEADED]
    return [folded(name) for name in names]


def _find(
    ours: str,
    aliases: Iterable[str],
    by_folded: Mapping[str, str],
    taken: set[str],
    found: dict[str, str],
) -> None:
    for alias in aliases:
        theirs = by_folded.get(alias)
        if theirs is not None and theirs not in taken:
            found[ours] = theirs
            taken.add(theirs)
            return


def _given(theirs: str, names: list[str], ours: str, where: str) -> str:
    if theirs in names:
        return theirs
    alike = [name for name in names if folded(name) == folded(theirs)]
    if len(alike) == 1:
        return alike[0]
    raise missing_column(
        f"column {theirs!r}, set for {ours!r} in the county file, is not in the file",
        names,
        {ours: [theirs]},
        where=where,
    )


def missing_column(
    what: str, names: list[str], wanted: Mapping[str, Iterable[str]], *, where: str
) -> ColumnMissingError:
    """The error for columns that are not there, with those that are and the line to type.

    Parameters
    ----------
    wanted
        Names each of our missing columns may go by.
    """
    likely = {ours: nearest(names, aliases) for ours, aliases in wanted.items()}
    found = {ours: theirs for ours, theirs in likely.items() if theirs is not None}
    hint = f"; likely {columns_line(found)}" if found else ""
    listed = ", ".join(repr(name) for name in names) or "none"
    first = columns_line(found or dict.fromkeys(wanted, "..."))
    typed = "" if found else f", as in {first}"
    return ColumnMissingError(
        what,
        where=where,
        hint=f"set 'columns' to names in the file{typed}; it has: {listed}{hint}",
    )


def nearest(names: Iterable[str], aliases: Iterable[str]) -> str | None:
    """The name most like one of the aliases, or None where none is near."""
    by_folded = {folded(name): name for name in names}
    best: tuple[float, str] | None = None
    for alias in aliases:
        for name in difflib.get_close_matches(folded(alias), list(by_folded), n=1, cutoff=_NEAR):
            likeness = difflib.SequenceMatcher(None, folded(alias), name).ratio()
            if best is None or likeness > best[0]:
                best = likeness, by_folded[name]
    return None if best is None else best[1]


def columns_line(columns: Mapping[str, str]) -> str:
    """A map of columns as it is typed in the county file.

    >>> columns_line({"unit_id": "System No."})
    'columns = { unit_id = "System No." }'
    """
    pairs = ", ".join(
        f"{ours} = {json.dumps(theirs, ensure_ascii=False)}" for ours, theirs in columns.items()
    )
    return f"columns = {{ {pairs} }}"


def place_names(ours: str) -> tuple[str, ...]:
    """Names a column of coordinates goes by."""
    return (ours, *PLACE_COLUMNS[ours])


def column_names(column: Column) -> tuple[str, ...]:
    """Names one of our columns goes by."""
    return (column.name, *column.also)
