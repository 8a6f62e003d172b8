"""Cells of text turned into ids, codes, numbers, days and flags; each returns what it met too."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from layers.fields.days import (
    EARLIEST,
    LATEST,
    ZERO_DAYS,
    is_year_alone,
    order_of_parts,
    parse_day,
)
from layers.fields.schemas import Column

DAY_DTYPE: Final = "datetime64[ms]"
_BLANKS: Final = frozenset(
    {"", "-", "--", "na", "n/a", "#n/a", "nan", "none", "null", "<null>", "(null)", "#ref!", "nat"}
)
_NO_NUMBER: Final = frozenset({"-9999", "-9999.0", "-8888", "-8888.0"})  # "not applicable"
_CONTROLS: Final = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
THOUSANDS: Final = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?")
_TRUE: Final = frozenset({"y", "yes", "t", "true", "1", "x"})
_FALSE: Final = frozenset({"n", "no", "f", "false", "0"})


@dataclass(frozen=True)
class Fault:
    """A cell that could not be taken as it stands: its position, code and message."""

    position: int
    code: str
    message: str
    is_corrected: bool = False


Cleaned = tuple[pd.Series, list[Fault]]


def fold_code(text: str) -> str:
    """A code for comparing: lower case, spaces and hyphens as underscores.

    >>> fold_code("Storm-Sewer ")
    'storm_sewer'
    """
    return re.sub(r"[\s_-]+", "_", text.strip().casefold())


def is_blank(text: str | None) -> bool:
    """Whether a cell says nothing: empty, or one of the words that stand for nothing."""
    return text is None or text.strip().casefold() in _BLANKS


def clean_column(
    cells: pd.Series, column: Column, *, as_of: dt.date, factor: float, theirs: Mapping[str, str]
) -> Cleaned:
    """A column's cells in our kind.

    Parameters
    ----------
    cells
        Text or None.
    as_of
        Days after it are in the future.
    factor
        Meters in the unit of a number.
    theirs
        Their words for our codes, by their word.
    """
    if theirs:
        ours = {fold_code(word): code for word, code in theirs.items()}
        translated = [None if is_blank(cell) else ours.get(fold_code(cell), cell) for cell in cells]
        cells = pd.Series(translated, dtype=object)
    if column.kind in ("id", "text"):
        return clean_text(cells, column.name)
    if column.kind == "code":
        return clean_codes(cells, column)
    if column.kind == "number":
        return clean_numbers(cells, column, factor)
    if column.kind == "flag":
        return clean_flags(cells, column.name)
    return clean_days(cells, column, as_of)


def _mapped(
    cells: pd.Series, one: Callable[[str], tuple[Any, str | None]], blank: Any, code: str
) -> tuple[list[Any], list[Fault]]:
    """Each different cell is looked at once; ``one`` gives its value and what is wrong with it."""
    seen: dict[str, tuple[Any, str | None]] = {}
    values: list[Any] = []
    faults: list[Fault] = []
    for position, cell in enumerate(cells.tolist()):
        if is_blank(cell):
            values.append(blank)
            continue
        if cell not in seen:
            seen[cell] = one(cell.strip())
        value, fault = seen[cell]
        values.append(value)
        if fault is not None:
            which, _, message = fault.partition("|")
            faults.append(Fault(position, which or code, message))
    return values, faults


def text_series(values: list[str | None]) -> pd.Series:
    """Text with nulls, as pandas keeps text."""
    return pd.Series(values, dtype="str")


def clean_text(cells: pd.Series, name: str) -> Cleaned:
    """Text without control characters and outer spaces; line breaks and tabs become spaces."""
    values: list[str | None] = []
    faults = []
    for position, cell in enumerate(cells.tolist()):
        if is_blank(cell):
            values.append(None)
            continue
        bare = _CONTROLS.sub("", cell)
        if bare != cell:
            message = f"control characters were removed from {name}"
            faults.append(Fault(position, "text_controls", message, is_corrected=True))
        bare = " ".join(bare.split())
        values.append(bare or None)
    return text_series(values), faults


def clean_codes(cells: pd.Series, column: Column) -> Cleaned:
    """Codes of the column, ``unknown`` where blank or not one of them."""

    def one(cell: str) -> tuple[str, str | None]:
        code = fold_code(cell)
        if code in column.codes:
            return code, None
        choices = ", ".join(column.codes)
        theirs = json.dumps(cell if len(cell) <= 40 else "...", ensure_ascii=False)
        hint = f'values = {{ {column.name} = {{ {theirs} = "..." }} }}'
        return (
            "unknown",
            f"|{column.name} {plain_value(cell)} is not one of {choices}. Fix: add {hint}",
        )

    values, faults = _mapped(cells, one, "unknown", "code_unknown")
    return text_series(values), faults


def clean_flags(cells: pd.Series, name: str) -> Cleaned:
    """Yes and no, null where blank or neither."""

    def one(cell: str) -> tuple[bool | None, str | None]:
        word = cell.casefold()
        if word in _TRUE or word in _FALSE:
            return word in _TRUE, None
        return None, f"|{name} {plain_value(cell)} is not yes or no"

    values, faults = _mapped(cells, one, None, "code_unknown")
    return pd.Series(values, dtype="boolean"), faults


def clean_numbers(cells: pd.Series, column: Column, factor: float = 1.0) -> Cleaned:
    """Numbers times ``factor``, NaN where blank, unreadable or outside the column's limits.

    Thousands may be set off by commas. The numbers -9999 and -8888 stand for nothing.
    """

    def one(cell: str) -> tuple[float, str | None]:
        if cell in _NO_NUMBER:
            return math.nan, None
        try:
            value = float(cell.replace(",", "") if THOUSANDS.fullmatch(cell) else cell)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in cell:
            return math.nan, f"number_unreadable|{column.name} {plain_value(cell)} is not a number"
        value *= factor
        low = -math.inf if column.low is None else column.low
        high = math.inf if column.high is None else column.high
        if not low <= value <= high:
            limits = f"{low:g} to {high:g}{' m' if column.name.endswith('_m') else ''}"
            message = f"{column.name} {plain_value(cell)} is not possible (use {limits})"
            return math.nan, f"number_impossible|{message}"
        return value, None

    values, faults = _mapped(cells, one, math.nan, "number_unreadable")
    return pd.Series(values, dtype="float64"), faults


def clean_days(cells: pd.Series, column: Column, as_of: dt.date) -> Cleaned:
    """Days, null where blank, zero, unreadable, or after ``as_of`` (unless it may lie ahead)."""
    written = [cell.strip() for cell in cells.tolist() if not is_blank(cell)]
    day_first, either = order_of_parts(written)

    def one(cell: str) -> tuple[dt.date | None, str | None]:
        if cell in ZERO_DAYS:
            return None, None
        day = parse_day(cell, as_of, day_first=day_first)
        if day is not None and day > as_of and not column.may_lie_ahead:
            return None, f"date_in_future|{column.name} {day} is after {as_of}"
        if day is None or not EARLIEST <= day <= LATEST:
            wanted = "2019-07-04, 7/4/2019 or a year"
            return (
                None,
                f"date_unreadable|{column.name} {plain_value(cell)} is not a date; use {wanted}",
            )
        if is_year_alone(cell):
            return day, f"date_year_only|{column.name} is only a year; July 1 is used"
        return day, None

    values, faults = _mapped(cells, one, None, "date_unreadable")
    if either is not None or day_first:
        example = either or next(cell for cell in written if parse_day(cell, as_of, day_first=True))
        order = "day/month/year" if day_first else "month/day/year"
        day = parse_day(example, as_of, day_first=day_first)
        first = next(k for k, cell in enumerate(cells) if cell and cell.strip() == example)
        message = f"{column.name} is read as {order}: {example!r} as {day}"
        faults.append(Fault(first, "date_order_taken", message))
    return pd.Series(np.array(values, dtype="datetime64[D]").astype(DAY_DTYPE)), faults


def bare_id(text: str) -> str:
    """An id without what a spreadsheet may add or take away: zeros in front, ``.0`` behind, case.

    >>> bare_id("00109"), bare_id("109.0"), bare_id("a-1")
    ('109', '109', 'A-1')
    """
    return re.sub(r"\.0+$", "", text).lstrip("0").upper()


def hint_at_id(wanted: str, known: Mapping[str, str]) -> str:
    """Words that point to an id that differs only as `bare_id` says; empty when there is none.

    Parameters
    ----------
    known
        Known ids by their bare form.
    """
    other = known.get(bare_id(wanted))
    return f"; {other!r} is. Check zeros and upper or lower case" if other else ""


def plain_value(cell: str) -> str:
    """A cell for a message: quoted, in one line, not too long."""
    return repr(cell if len(cell) <= 40 else cell[:39] + "…")
