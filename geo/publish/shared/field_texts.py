"""A column of units in the words of a page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.shared.words import bearing, date, in_words
from layers.measures import format_age, format_chance
from layers.outputs import SECTIONS, UNITS, Field
from layers.outputs.field import sentences_of

# What is said in words; all else is a number on a scale.
IN_WORDS = frozenset({"code", "flag", "text", "sentences", "date", "bearing", "share", "days"})


def sections(columns: Iterable[str]) -> Iterator[tuple[str, list[Field]]]:
    """The page's sections with the fields that have a column, in the order of the page."""
    there = list(columns)
    for title, names in SECTIONS:
        yield title, [each for name in names for each in UNITS.expand(name, there)]


def as_words(values: pd.Series, field: Field) -> list[str | None]:
    """A column that is shown as words, None where nothing is known."""
    code, shown = coded_values(values, field)
    return [None if at < 0 else shown[at] for at in code.tolist()]


def coded_values(values: pd.Series, field: Field) -> tuple[NDArray[np.int64], list[str | None]]:
    """The same as positions among the words there are, below 0 or None where nothing is known."""
    # whole degrees are said: a few hundred texts instead of one a unit
    code, found = pd.factorize(values.round() if field.reads_as == "bearing" else values)
    return code, [None if pd.isna(value) or value == "" else _word(value, field) for value in found]


def _word(value: object, field: Field) -> str:
    if field.shown.zero and value == 0:
        return field.shown.zero
    if field.reads_as == "share":
        return format_chance(float(str(value)))
    if field.reads_as == "days":
        return format_age(float(str(value)))
    if field.reads_as == "code":
        return in_words(str(value), field.codes)
    if field.reads_as == "flag":
        return "yes" if str(value).lower() in {"true", "1", "1.0", "yes"} else "no"
    if field.reads_as == "date":
        return date(value)
    if field.reads_as == "bearing":
        return bearing(float(str(value)))
    if field.reads_as == "sentences":
        return " ".join(sentences_of(value))
    return str(value)
