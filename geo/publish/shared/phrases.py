"""Texts and sentences as forms of words and the numbers that fill them.

A county's reasons are a few forms of words with numbers in them (`forms`), its addresses and
numbers of permits too.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.shared.forms import Form, split
from layers.outputs.field import sentences_of


def texts(values: Sequence[str | None]) -> dict[str, Any]:
    """Texts by row: a list of words and positions in it, or forms and numbers where that is less.

    Returns
    -------
    dict
        ``words`` and ``at``; or ``forms``, ``form`` and ``fills``, one column for each place of a
        number. Columns are floats, NaN where there is nothing.

    >>> texts(["b", None, "a", "b"])["words"]
    ['b', 'a']
    >>> texts(["W12", "W7", "W130"])["forms"]
    [[['W', ''], [-1]]]
    """
    return texts_of(*pd.factorize(np.array(list(values), dtype=object)))


def texts_of(code: NDArray[np.int64], shown: Sequence[str | None]) -> dict[str, Any]:
    """The same, of texts told by their positions among some; below 0 where there is nothing."""
    again, found = pd.factorize(np.array([*shown, None], dtype=object))
    code = again[code]  # the last one is of what there is nothing of
    forms = split(list(map(str, found)))
    if len(forms.forms) * 2 >= len(found):
        at, words = _by_frequency(code, found)
        return {"words": words, "at": _with_unknown(at, at)}
    table = np.full((len(found), int(forms.place.max(initial=-1)) + 1), np.nan)
    table[forms.text, forms.place] = forms.numbers
    rows = np.where(code[:, None] < 0, np.nan, table[code])
    return {
        "forms": _listed(forms.forms),
        "form": _with_unknown(forms.form[code], code),
        "fills": list(rows.T.copy()),
    }


def coded(values: Sequence[str | None]) -> tuple[NDArray[np.int64], list[str]]:
    """Position of each text among those there are, most frequent first; -1 for None."""
    return _by_frequency(*pd.factorize(np.array(list(values), dtype=object)))


def _by_frequency(code: NDArray[np.int64], found: NDArray) -> tuple[NDArray[np.int64], list[str]]:
    count = np.bincount(code[code >= 0], minlength=len(found))
    order = sorted(range(len(found)), key=lambda i: (-count[i], found[i]))
    place = np.empty(len(found) + 1, np.int64)
    place[order] = np.arange(len(found))
    place[-1] = -1
    return place[code], [str(found[i]) for i in order]


def _with_unknown(at: NDArray[np.int64], known: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.where(known < 0, np.nan, at).astype(float)


def sentences(
    values: Sequence[str | None], beside: Sequence[NDArray] = ()
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The sentences of cells as forms of words and their numbers.

    Parameters
    ----------
    beside
        Columns of numbers by row, some of which the sentences are likely to repeat.

    Returns
    -------
    dict
        ``forms``; ``slots``: columns with the form of each row's first, second … sentence.
    list of dict
        For each ``form`` and ``place`` of a number in it: the ``rows`` of its sentences in turn,
        and ``numbers``, counted from the column ``source`` of ``beside`` where there is one.
    """
    parts = [sentences_of(text) for text in values]
    row = np.repeat(np.arange(len(parts)), list(map(len, parts)))
    sentence = np.array([*chain.from_iterable(parts)], object)
    del parts  # the texts of a county once more
    is_stated = sentence != ""
    code, found = pd.factorize(sentence[is_stated])
    shown, row = split(found.tolist()).again(code), row[is_stated]
    slot = np.arange(len(row)) - np.searchsorted(row, row)
    slots = np.full((int(slot.max(initial=-1)) + 1, len(values)), np.nan)
    slots[slot, row] = shown.form
    table = np.array(beside, np.float32).reshape(len(beside), len(values))
    filled = shown.form[shown.text]
    order = np.lexsort((shown.place, filled))
    ends = np.flatnonzero(np.diff(filled[order]) | np.diff(shown.place[order])) + 1
    fills = [
        _fill((int(filled[at[0]]), int(shown.place[at[0]])), row[shown.text[at]], shown.numbers[at],
              beside, table)
        for at in np.split(order, ends)
        if len(at)
    ]  # fmt: skip
    return {"forms": _listed(shown.forms), "slots": list(slots)}, fills


def _fill(
    key: tuple[int, int],
    rows: NDArray[np.int64],
    numbers: NDArray[np.int64],
    beside: Sequence[NDArray],
    table: NDArray[np.float32],
) -> dict[str, Any]:
    """Numbers of one place of a form, counted from the column that gives most of them.

    ``table`` holds the same columns, near enough to choose one.
    """
    fill: dict[str, Any] = {"form": key[0], "place": key[1], "rows": rows, "numbers": numbers}
    few = slice(None, None, max(1, len(rows) // 400))
    same = (table[:, rows[few]] == numbers[few]).mean(axis=1)
    if len(same) and same.max() > 0.5:
        fill["source"] = int(same.argmax())
    if "source" in fill:
        shown = np.nan_to_num(beside[fill["source"]][rows]).astype(np.int64)
        fill["numbers"] = numbers - shown
    return fill


def _listed(forms: Sequence[Form]) -> list[list[list[Any]]]:
    return [[list(pieces), list(kinds)] for pieces, kinds in forms]
