"""What an assessment's tables hold: one entry declares a column, wherever it is used."""

from __future__ import annotations

import dataclasses
import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api import types as kinds
from pyproj import CRS

Kind = Literal["id", "text", "sentences", "code", "flag", "date", "count", "number"]
Scale = Literal[
    "text", "number", "count", "share", "years", "days", "minutes", "distance", "height", "depth",
    "bearing",
]  # fmt: skip
DistanceForm = Literal["point", "line", "area"]
ShapeKind = Literal["none", "point", "line", "area", "any"]
GEOMETRY: Final = "geometry"
NOT_KNOWN: Final = "not known"
SEPARATOR: Final = " | "
"""Stands between the sentences of one cell of a file."""
_FAMILIES: Final = {"T": r"\d+", "part": r"\w+"}
_EMPTY_DTYPES: Final = {
    "number": "float64", "count": "float64", "date": "datetime64[ms]", "flag": "boolean",
}  # fmt: skip
_TEXTS: Final = ("id", "text", "sentences", "code")


def sentences_of(cell: object) -> list[str]:
    """The sentences of one cell of a file; none of an empty one.

    >>> sentences_of("One. | Two."), sentences_of(None)
    (['One.', 'Two.'], [])
    """
    parts = cell.split(SEPARATOR) if isinstance(cell, str) else []
    return [part for part in map(str.strip, parts) if part]


class UnknownFieldError(KeyError):
    """A column no table declares: a name mistyped, or a column made and not declared."""

    def __str__(self) -> str:
        return str(self.args[0])


class OutputValueError(ValueError):
    """A column that holds what its entry says it never does."""


@dataclass(frozen=True)
class Shown:
    """How a page shows a field.

    Attributes
    ----------
    label
        What stands beside it on the page of one unit, where that is not its alias.
    scale
        Which kind of number it is; for what is no number the field's own kind speaks.
    needs
        Another field without which this one says nothing.
    zero
        What a number of exactly nought is called.
    """

    label: str = ""
    scale: Scale = "text"
    needs: str = ""
    zero: str = ""


@dataclass(frozen=True)
class Distance:
    """Drawn as a distance to a point, a line or an area, as `geo.uncertainty` names the forms.

    ``inside`` is the field that says how deep inside the area a distance of 0 lies, ``depth`` one
    that is told only of what lies inside.
    """

    form: DistanceForm
    inside: str = ""
    depth: str = ""


@dataclass(frozen=True)
class Band:
    """A chance drawn from a band, 95 %, that stands in two other fields."""

    low: str
    high: str


@dataclass(frozen=True)
class StormFields:
    """Drawn as the smallest storm that wets a place, from the chances of each storm."""

    smallest: str
    in_a_year: str
    of_each: str


@dataclass(frozen=True)
class Field:
    """One column of one table.

    Attributes
    ----------
    name
        ``{T}`` in it stands for a return period in years, ``{part}`` for a part of the score.
    alias
        What it is called in plain words, its own in its table.
    unit
        m, m2, m3, m3/s, yr, d, min, deg, or 1 for shares and chances; empty where it has none.
    null
        What a missing value means; empty where none is ever missing.
    about
        More for the dictionary of columns.
    codes
        The words of a code field, each with what people read; empty where any may stand.
    made_by
        Dotted name of the function that makes it.
    shown
        How the page of a unit shows it, where one does.
    draw
        How it is drawn where it is not exactly known.
    none_where
        Codes of other fields with which a missing value means that there is none, and is known.
    open_codes
        Codes with which what the field asks is not known, or not for good.
    stored
        Whether it is written; a working column is not.
    """

    name: str
    alias: str
    kind: Kind
    unit: str = ""
    null: str = NOT_KNOWN
    about: str = ""
    codes: Mapping[str, str] = dataclasses.field(default_factory=dict)
    made_by: str = ""
    shown: Shown = dataclasses.field(default_factory=Shown)
    draw: Distance | Band | StormFields | None = None
    none_where: Mapping[str, tuple[str, ...]] = dataclasses.field(default_factory=dict)
    open_codes: tuple[str, ...] = ("unknown",)
    stored: bool = True
    value: str = ""  # of a family's member, what its name has in the place of the braces

    @property
    def years(self) -> int:
        """The return period of one field of a family by storm."""
        return int(self.value)

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        """What a column of this field, or of this family of fields, is called."""
        parts = re.split(r"\{(\w+)\}", self.name)
        spelled = [re.escape(p) if k % 2 == 0 else f"({_FAMILIES[p]})" for k, p in enumerate(parts)]
        return re.compile("".join(spelled))

    @property
    def is_family(self) -> bool:
        """Whether it stands for several columns."""
        return "{" in self.name

    def member(self, value: object) -> Field:
        """The one field of a family that has ``value`` in its name."""
        words = dict.fromkeys(_FAMILIES, value)
        return replace(
            self,
            name=self.name.format(**words),
            alias=self.alias.format(**words),
            value=str(value),
            shown=replace(self.shown, label=self.shown.label.format(**words)),
        )

    @property
    def label(self) -> str:
        """What stands beside it on the page of one unit."""
        return self.shown.label or self.alias

    @property
    def heading(self) -> str:
        """Its alias with its unit, as a table for people has it."""
        return f"{self.alias} ({self.unit})" if self.unit not in ("", "1") else self.alias

    @property
    def description(self) -> str:
        """Its unit, what a missing value means and what more there is to say, in sentences.

        >>> Field("drop_m", "Drop", "number", "m", null="no terrain there").description
        'In m. Empty: no terrain there.'
        """
        text = [
            f"In {self.unit}." if self.unit not in ("", "1") else "",
            "0 to 1." if self.unit == "1" else "",
            f"Empty: {self.null}." if self.null else "Never empty.",
            self.about,
        ]
        return " ".join(part for part in text if part)

    @property
    def reads_as(self) -> str:
        """Its kind as a page reads it: of a number its scale."""
        if self.kind in ("number", "count"):
            return self.shown.scale
        return "text" if self.kind == "id" else self.kind


def made_by(name: str, *fields: Field) -> tuple[Field, ...]:
    """The fields with the function that makes them all."""
    return tuple(replace(each, made_by=each.made_by or name) for each in fields)


@dataclass(frozen=True)
class Table:
    """One table: its fields in the order in which files have them.

    Parameters
    ----------
    name
        Of the layer in the GeoPackage.
    about
        What one row is.
    """

    name: str
    about: str
    shape: ShapeKind
    fields: tuple[Field, ...]

    def __post_init__(self) -> None:
        names = [each.name for each in self.fields]
        aliases = [each.alias for each in self.fields]
        twice = {each for each in (*names, *aliases) if (names + aliases).count(each) > 1}
        assert not twice, f"{self.name}: declared twice: {', '.join(sorted(twice))}"

    @cached_property
    def _by_name(self) -> dict[str, Field]:
        return {each.name: each for each in self.fields}

    def _entry(self, name: str) -> tuple[Field, str]:
        """The entry as declared, and what a family's member has in the place of the braces."""
        if name in self._by_name:
            return self._by_name[name], ""
        for each in self.fields:
            if each.is_family and (match := each.pattern.fullmatch(name)):
                return each, match.group(1)
        near = difflib.get_close_matches(name, self._by_name, n=1)
        hint = f"; {near[0]!r}?" if near else ""
        raise UnknownFieldError(f"{self.name} has no field {name!r}{hint}")

    @property
    def names(self) -> list[str]:
        """Names of the stored fields that are no families, in the order of files."""
        return [each.name for each in self.fields if each.stored and not each.is_family]

    def field(self, name: str) -> Field:
        """The entry of a column; of a family's column, the entry with its own name and words.

        Raises
        ------
        UnknownFieldError
            When the table has no such field.
        """
        entry, value = self._entry(name)
        return entry.member(value) if value else entry

    # ------------------------------------------------------------------------------- columns

    def expand(self, name: str, columns: Iterable[str]) -> list[Field]:
        """The fields of a name that have a column there; a family's by rising return period.

        >>> from layers.outputs import UNITS
        >>> depths = ["lid_pond_depth_25yr_m", "lid_pond_depth_2yr_m", "rank"]
        >>> [field.name for field in UNITS.expand("lid_pond_depth_{T}yr_m", depths)]
        ['lid_pond_depth_2yr_m', 'lid_pond_depth_25yr_m']
        """
        entry = self.field(name)
        there = list(columns)
        if not entry.is_family:
            return [entry] if entry.name in there else []
        found = [m.group(1) for column in there if (m := entry.pattern.fullmatch(column))]
        if "{T}" in name:
            found = sorted(found, key=int)
        return [entry.member(value) for value in found]

    def values(self, frame: pd.DataFrame, name: str) -> pd.Series:
        """A declared column, all null where the frame was made without it."""
        entry = self.field(name)
        if name in frame:
            return frame[name]
        null: Any = np.nan if entry.kind in ("number", "count") else None
        dtype = float if entry.kind in ("number", "count") else object
        return pd.Series(null, frame.index, dtype=dtype, name=name)

    def numbers(self, frame: pd.DataFrame, name: str) -> NDArray[np.float64]:
        """The same as numbers, NaN where nothing is known."""
        return pd.to_numeric(self.values(frame, name), errors="coerce").to_numpy(
            float, na_value=np.nan
        )

    def equals(self, frame: pd.DataFrame, name: str, code: str) -> NDArray[np.bool_]:
        """Which rows hold a code, which must be one of the field's.

        Raises
        ------
        OutputValueError
            When the field knows no such code.
        """
        entry = self.field(name)
        if entry.codes and code not in entry.codes:
            raise OutputValueError(f"{self.name}.{name} has no code {code!r}")
        values = self.values(frame, name)
        if not isinstance(values.dtype, pd.CategoricalDtype):
            return (values.astype(object) == code).to_numpy(bool)
        return values.cat.codes.to_numpy() == values.cat.categories.get_indexer([code])[0]

    def is_none(self, frame: pd.DataFrame, name: str) -> NDArray[np.bool_]:
        """Where a missing value means that there is none: that is known, and no gap."""
        none = np.zeros(len(frame), bool)
        for other, codes in self.field(name).none_where.items():
            none |= self.values(frame, other).isin(codes).to_numpy(bool)
        return none & self.values(frame, name).isna().to_numpy(bool)

    def is_known(self, frame: pd.DataFrame, name: str) -> bool:
        """Whether a declared column is known for any row."""
        return not self.is_open(frame, name).all()

    def is_left_open(self, frame: pd.DataFrame, name: str) -> NDArray[np.bool_]:
        """Where a declared column says itself, by an open code, that it is not known."""
        return self.values(frame, name).isin(self.field(name).open_codes).to_numpy(bool)

    def is_open(self, frame: pd.DataFrame, name: str) -> NDArray[np.bool_]:
        """Where a declared column is not known: null, or one of the field's open codes."""
        is_null = self.values(frame, name).isna().to_numpy(bool)
        return is_null | self.is_left_open(frame, name)

    def joined(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The frame with its lists of sentences as cells of a file; null where there are none."""
        lists = [n for n in self.arrange(frame) if self.field(n).kind == "sentences"]
        cells = {
            name: [SEPARATOR.join(text) if text is not None else None for text in frame[name]]
            for name in lists
        }
        return frame.assign(**{n: pd.Series(c, frame.index, object) for n, c in cells.items()})

    def arrange(self, frame: pd.DataFrame) -> list[str]:
        """Names of the frame's stored columns, in the order of the fields; the geometry left out.

        Raises
        ------
        UnknownFieldError
            When a column is not declared.
        """
        place = {each.name: k for k, each in enumerate(self.fields)}
        order = {}
        for name in (str(column) for column in frame.columns if column != GEOMETRY):
            entry, value = self._entry(name)
            if entry.stored:
                order[name] = (place[entry.name], int(value) if value.isdigit() else 0)
        return sorted(order, key=lambda name: order[name])

    # ------------------------------------------------------------------------------- checking

    def check(self, frame: pd.DataFrame) -> None:
        """That a table to be written holds what is declared, and nothing else.

        Raises
        ------
        UnknownFieldError
            A column that is not declared, or only as a working column.
        OutputValueError
            A value of another kind, a code that is not listed, a null where there is never one.
        """
        for column in frame.columns:
            if column == GEOMETRY:
                continue
            entry, _ = self._entry(str(column))
            if not entry.stored:
                raise UnknownFieldError(f"{self.name}.{column} is a working column")
            fault = _fault(frame[column], entry)
            if fault:
                raise OutputValueError(f"{self.name}.{column}: {fault}")

    def empty(self) -> pd.DataFrame:
        """The table without rows and without shapes, its columns of the kinds they have."""
        columns = [self._by_name[name] for name in self.names]
        return pd.DataFrame(
            {each.name: pd.Series(dtype=_EMPTY_DTYPES.get(each.kind, "object")) for each in columns}
        )

    def empty_layer(self, crs: CRS) -> gpd.GeoDataFrame:
        """The table without rows as a layer."""
        return gpd.GeoDataFrame(self.empty(), geometry=[], crs=crs)

    def tooltip(self, frame: pd.DataFrame, names: Iterable[str]) -> pd.DataFrame:
        """Some of the frame's columns under their aliases, as `explore` takes them."""
        there = [each for name in names for each in self.expand(name, frame.columns)]
        return frame[[each.name for each in there]].rename(
            columns={each.name: each.alias for each in there}
        )

    def __iter__(self) -> Iterator[Field]:
        return iter(self.fields)


def _fault(values: pd.Series, entry: Field) -> str:
    """What is wrong with a column, empty where nothing is."""
    known = values.dropna()
    if not entry.null and len(known) < len(values):
        return f"{len(values) - len(known):,} values are missing and none may be"
    if not len(known):
        return ""
    if not _is_kind(known, entry.kind):
        return f"{known.iloc[0]!r} is not of kind {entry.kind}"
    if entry.codes:
        other = sorted(set(known.unique()) - set(entry.codes))
        if other:
            return f"code {other[0]!r} is not among {', '.join(entry.codes)}"
    return ""


def _is_kind(known: pd.Series, kind: Kind) -> bool:
    if kind in _TEXTS:
        if isinstance(known.dtype, pd.CategoricalDtype):
            known = known.cat.categories.to_series()
        return bool(kinds.infer_dtype(known) == "string")
    if kind == "flag":
        return bool(kinds.infer_dtype(known) == "boolean")
    if kind == "date":
        return bool(
            kinds.is_datetime64_any_dtype(known) or kinds.infer_dtype(known) in ("date", "datetime")
        )
    numbers = kinds.is_numeric_dtype(known) or kinds.infer_dtype(known) in (
        "integer", "floating", "mixed-integer-float",
    )  # fmt: skip
    if not numbers or kinds.is_bool_dtype(known):
        return False
    return kind == "number" or bool((known.astype(float) % 1 == 0).all())


def from_codes(*codes: str, unknown: str = NOT_KNOWN) -> dict[str, str]:
    """Codes that read as they are spelled.

    >>> from_codes("same_parcel", "unknown")
    {'same_parcel': 'same parcel', 'unknown': 'not known'}
    """
    return {code: unknown if code == "unknown" else code.replace("_", " ") for code in codes}
