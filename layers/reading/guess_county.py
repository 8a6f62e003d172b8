"""A county file proposed from a list of units: which column is which, and why each guess."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeVar

import pandas as pd

from layers.crs.systems import candidates
from layers.errors import LayerError
from layers.fields.column_names import (
    PLACE_COLUMNS,
    column_names,
    folded,
    headed_unit,
    nearest,
    words_in,
)
from layers.fields.days import parse_day
from layers.fields.raw import RawLayer
from layers.fields.schemas import SCHEMAS, Column
from layers.fields.values import clean_flags, fold_code, is_blank
from layers.files.tables import TABLE_SUFFIXES, read_table
from layers.files.vector import read_vector
from layers.reading.positions import parse_degrees, parse_grid_square

T = TypeVar("T")
_ENOUGH: Final = 0.8  # of the filled cells must be what the column would hold
_MOST_CODES: Final = 20
# words of a column's name that tell what it holds; common practice, no source
_WORDS: Final[dict[str, frozenset[str]]] = {
    "unit_id": frozenset({"sys", "system", "unit", "tank", "record"}),
    "parcel_id": frozenset({"parcel", "pin", "apn"}),
    "permit_id": frozenset({"permit"}),
    "address": frozenset({"addr", "address", "situs"}),
    "status": frozenset({"status"}),
    "kind": frozenset({"type", "kind", "system"}),
    "pumped": frozenset({"pump", "pumped"}),
    "installed": frozenset({"install", "installed", "installation", "built"}),
    "riser_height_m": frozenset({"riser"}),
    "bedrooms": frozenset({"br", "beds", "bedroom", "bedrooms"}),
    "location_basis": frozenset({"basis", "located", "loc"}),
    "accuracy_m": frozenset({"acc", "accuracy"}),
    "lat": frozenset({"lat", "latitude"}),
    "lon": frozenset({"lon", "long", "lng", "longitude"}),
    "x": frozenset({"easting", "x"}),
    "y": frozenset({"northing", "y"}),
    "usng": frozenset({"usng", "mgrs"}),
}
_NUMBERED: Final = frozenset({"no", "num", "number", "nbr", "id"})
# their codes for ours, where the code does not begin as ours does; common practice, no source
_CODES: Final[dict[str, dict[str, str]]] = {
    "status": {"a": "active", "s": "seasonal", "x": "abandoned", "sw": "sewered",
               "in_use": "active", "inactive": "vacant"},
    "kind": {"surf": "surface_discharge", "coll": "shared_collector"},
    "location_basis": {"addr": "address", "house": "building", "aerial": "digitised",
                       "survey": "surveyed", "geocoded": "address", "centroid": "parcel"},
}  # fmt: skip


@dataclass(frozen=True)
class Guess:
    """One column of ours, the file's column it is taken to be, and why."""

    ours: str
    theirs: str
    why: str


@dataclass
class CountyGuess:
    """What a list of units seems to hold.

    Attributes
    ----------
    values
        By our column: their codes and ours, of those that are recognized.
    unknown
        By our column: codes nobody here knows.
    measures
        Length units by our column, as the file's names say.
    unused
        Columns of the file that are taken for nothing.
    systems
        Likely reference systems of plane coordinates, as lines to type.
    """

    file: Path
    rows: int
    guesses: list[Guess] = field(default_factory=list)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    unknown: dict[str, list[str]] = field(default_factory=dict)
    measures: dict[str, str] = field(default_factory=dict)
    unused: list[str] = field(default_factory=list)
    systems: list[str] = field(default_factory=list)
    has_shapes: bool = False
    sheet: str | None = None

    @property
    def missing(self) -> list[str]:
        """What units cannot do without and was not found, in words."""
        found = {guess.ours for guess in self.guesses}
        lacks = [] if "unit_id" in found else ["an id for each unit (unit_id)"]
        has_place = self.has_shapes or {"lat", "lon"} <= found or {"x", "y"} <= found
        if not has_place and not found & {"usng", "parcel_id"}:
            lacks.append("where each unit is (lat and lon, x and y, usng, or parcel_id)")
        return lacks


def propose(path: str | Path, *, sheet: str | None = None) -> CountyGuess:
    """Guess which column of a list of units is which.

    Raises
    ------
    LayerError
        When the list cannot be read, or is empty.
    """
    path = Path(path)
    if not path.exists():
        raise LayerError("the file does not exist", where=str(path), hint="check the path")
    if path.suffix.lower() in TABLE_SUFFIXES:
        raw = read_table(path, sheet=sheet)
    else:
        raw = read_vector(path, layer=sheet, like="units")
    if not len(raw):
        raise LayerError("the list has no rows", where=str(path), hint="name a file with units")
    proposal = CountyGuess(path, len(raw), has_shapes=raw.shapes is not None, sheet=sheet)
    taken: set[str] = set()
    for column in _wanted(proposal.has_shapes):
        guess = _guess(raw, column, taken)
        if guess is None:
            continue
        proposal.guesses.append(guess)
        taken.add(guess.theirs)
        if column.kind == "code":
            _propose_codes(proposal, column, _filled(raw, guess.theirs))
        unit = headed_unit(guess.theirs)
        if unit not in (None, "m") and column.name.endswith("_m"):
            proposal.measures[column.name] = unit
    proposal.unused = [name for name in raw.columns if name not in taken]
    _propose_systems(proposal, raw)
    return proposal


def _wanted(has_shapes: bool) -> list[Column]:
    schema = SCHEMAS["units"]
    names = () if has_shapes else tuple(PLACE_COLUMNS)
    places = [Column(name, "text", also=PLACE_COLUMNS[name]) for name in names]
    return [schema.column("unit_id"), *places, *(c for c in schema.columns if c.name != "unit_id")]


def _filled(raw: RawLayer, name: str) -> list[str]:
    return [str(cell).strip() for cell in raw.texts(name).tolist() if not is_blank(cell)]


def _guess(raw: RawLayer, column: Column, taken: set[str]) -> Guess | None:
    """The first column, by likeness of the name, whose values are what ours would hold."""
    free = [name for name in raw.columns if name not in taken]
    names = column_names(column)
    same = [name for name in free if folded(name) in {folded(alias) for alias in names}]
    worded = [name for name in free if _is_worded(column.name, name)]
    like = nearest(free, names)
    tried: list[tuple[str, str]] = [(name, "the name") for name in same]
    tried += [(name, f"the word {_the_word(column.name, name)!r} in the name") for name in worded]
    tried += [(like, f"a name like {names[0]!r}")] if like else []
    for name, why in tried:
        evidence = _evidence(column, _filled(raw, name), len(raw))
        if evidence is not None:
            return Guess(column.name, name, f"{why}{', and ' if evidence else ''}{evidence}")
    return None


def _is_worded(ours: str, name: str) -> bool:
    words = set(words_in(name))
    if not words & _WORDS.get(ours, frozenset()):
        return False
    is_numbered = bool(words & _NUMBERED)
    if ours == "unit_id":
        return is_numbered and not words & (_WORDS["parcel_id"] | _WORDS["permit_id"])
    return not (is_numbered and ours in ("kind", "address", "pumped"))


def _the_word(ours: str, name: str) -> str:
    return next(word for word in words_in(name) if word in _WORDS[ours])


def _evidence(column: Column, cells: list[str], rows: int) -> str | None:
    """What the values say for a guess, or None where they speak against it."""
    if not cells:
        return "" if column.name not in (*PLACE_COLUMNS, "unit_id") else None
    if column.name in ("lat", "lon"):
        most = 90.0 if column.name == "lat" else 180.0
        return _between(cells, parse_degrees, lambda v: 0 < abs(v) <= most)
    if column.name in ("x", "y"):
        return _between(cells, lambda cell: float(cell.replace(",", "")), lambda v: abs(v) > 180)
    if column.name == "usng":
        return _share(cells, parse_grid_square, "national grid references")
    if column.kind == "number":
        return _between(cells, lambda cell: float(cell.replace(",", "")), lambda v: v > -9999)
    if column.kind == "date":
        today = dt.datetime.now().astimezone().date()
        return _share(cells, lambda cell: _day(cell, today), "dates")
    different = len(set(cells))
    if column.kind == "id":
        if column.name == "unit_id" and different < _ENOUGH * len(cells):
            return None
        return f"{different} different values in {rows} rows"
    if column.kind == "code":
        return None if different > _MOST_CODES else f"{different} different values"
    if column.kind == "flag":
        _, faults = clean_flags(pd.Series(cells, dtype=object), column.name)
        return None if len(faults) > (1 - _ENOUGH) * len(cells) else "values like yes and no"
    return ""


def _day(cell: str, today: dt.date) -> dt.date:
    day = parse_day(cell, today)
    if day is None:
        raise ValueError("no day")
    return day


def _between(
    cells: list[str], parse: Callable[[str], float], is_good: Callable[[float], bool]
) -> str | None:
    good = sorted(value for value in _parsed(cells, parse) if is_good(value))
    if len(good) < _ENOUGH * len(cells):
        return None
    edge = len(good) // 40  # a few mistyped ones say nothing of the column
    most = "most " if edge else ""
    return f"{most}values between {good[edge]:.6g} and {good[-1 - edge]:.6g}"


def _share(cells: list[str], parse: Callable[[str], object], what: str) -> str | None:
    good = sum(1 for _ in _parsed(cells, parse))
    return None if good < _ENOUGH * len(cells) else f"{good} of {len(cells)} values are {what}"


def _parsed(cells: Iterable[str], parse: Callable[[str], T]) -> Iterable[T]:
    for cell in cells:
        try:
            yield parse(cell)
        except ValueError:
            continue


def _propose_codes(proposal: CountyGuess, column: Column, cells: list[str]) -> None:
    known: dict[str, str] = {}
    unknown: list[str] = []
    for cell in sorted(set(cells)):
        code = fold_code(cell)
        if code in column.codes:
            continue
        begun = [ours for ours in column.codes if ours.startswith(code) and ours != "unknown"]
        ours = _CODES.get(column.name, {}).get(code) or (begun[0] if len(begun) == 1 else None)
        if ours is None:
            unknown.append(cell)
        else:
            known[cell] = ours
    if known:
        proposal.values[column.name] = known
    if unknown:
        proposal.unknown[column.name] = unknown


def _propose_systems(proposal: CountyGuess, raw: RawLayer) -> None:
    columns = {guess.ours: guess.theirs for guess in proposal.guesses}
    if proposal.has_shapes or {"lat", "lon"} <= columns.keys() or not {"x", "y"} <= columns.keys():
        return
    x, y = (
        sorted(_parsed(_filled(raw, columns[name]), lambda cell: float(cell.replace(",", ""))))
        for name in ("x", "y")
    )
    middle = x[len(x) // 2], y[len(y) // 2]
    proposal.systems = [one.text() for one in candidates((*middle, *middle))[:6]]


# ------------------------------------------------------------------------------ the county file


def county_toml(proposal: CountyGuess, template: str, folder: Path) -> str:
    """The template of a county file with the list of units and the proposed map in it.

    Parameters
    ----------
    folder
        Where the county file will stand: the list's path is written relative to it where the
        list lies in or beside it, else absolute.
    """
    block = "\n".join(_units_block(proposal, folder))
    before, _, rest = template.partition("[layers.units]\n")
    after = rest.partition("\n\n")[2]
    return f"{before}{block}\n\n{after}"


def _units_block(proposal: CountyGuess, folder: Path) -> list[str]:
    lines = ["[layers.units]", f"path = {_quoted(_shown_path(proposal.file, folder))}"]
    if proposal.sheet is not None:
        lines.append(f"layer = {_quoted(proposal.sheet)}")
    found = {guess.ours for guess in proposal.guesses}
    if {"lat", "lon"} <= found:
        lines.append('crs = "EPSG:4326"          # WGS 84, as GPS gives it; "EPSG:4269" is NAD83')
    elif proposal.systems:
        lines.append("# Name the coordinate system. Likely ones:")
        lines += [f"# {line}" for line in proposal.systems]
    if proposal.guesses:
        lines += ["", "[layers.units.columns]           # our name = your column; check each guess"]
        for guess in proposal.guesses:
            lines += [f"# {_plain(guess.theirs)} -> {guess.ours}: {_plain(guess.why)}"]
            lines += [f"{guess.ours} = {_quoted(guess.theirs)}"]
    if proposal.measures:
        lines += ["", "[layers.units.measures]          # length unit, from the column's name"]
        lines += [f"{ours} = {_quoted(unit)}" for ours, unit in proposal.measures.items()]
    if proposal.values or proposal.unknown:
        lines += ["", "[layers.units.values]            # your value = our code; check each guess"]
    for ours in sorted({*proposal.values, *proposal.unknown}):
        choices = ", ".join(SCHEMAS["units"].column(ours).codes)
        lines.append(f"# {ours} is one of {choices}")
        if ours in proposal.unknown:
            listed = ", ".join(_quoted(code) for code in proposal.unknown[ours][:_MOST_CODES])
            lines.append(f"# Not recognized; counted as not known until you add them: {listed}")
        if ours in proposal.values:
            codes = proposal.values[ours].items()
            pairs = ", ".join(f"{_quoted(theirs)} = {_quoted(code)}" for theirs, code in codes)
            lines.append(f"{ours} = {{ {pairs} }}")
    if proposal.unused:
        listed = ", ".join(_plain(name) for name in proposal.unused)
        lines += ["", f"# Columns of the list that are not used: {listed}"]
    return lines


def _shown_path(file: Path, folder: Path) -> str:
    file, folder = file.resolve(), folder.resolve()
    if file.is_relative_to(folder.parent):
        return Path(os.path.relpath(file, folder)).as_posix()
    return file.as_posix()


def _quoted(text: str) -> str:
    """Text as a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(text: str) -> str:
    """Text as one line of a comment."""
    return "".join(c if c.isprintable() else " " for c in text)
