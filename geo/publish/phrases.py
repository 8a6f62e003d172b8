"""Texts and sentences as forms of words and the numbers that fill them.

A county's reasons are a few forms of words with numbers in them, its addresses and numbers of
permits too. A form is its pieces between numbers and, for each number, how it is written: 0 as
it is, -1 with commas at the thousands, else with leading zeros to that many digits.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_NUMBER: Final = re.compile(r"(\d{1,3}(?:,\d{3}){1,2}(?![\d,])|\d+)", re.ASCII)
_MOST_DIGITS: Final = 9  # of a number below 2^31; commas count too
_AS_IT_IS, _GROUPED = 0, -1
Form = tuple[tuple[str, ...], tuple[int, ...]]


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
    [[['W', ''], [0]]]
    """
    at, words = coded(values)
    split = _alike([_form(word) for word in words])
    forms = _known([form for form, _ in split])
    if len(forms) * 2 >= len(words):
        return {"words": words, "at": _with_unknown(at, at)}
    places = max((len(kinds) for _, kinds in forms), default=0)
    table = np.full((len(words), 1 + places), np.nan)
    for row, (form, numbers) in enumerate(split):
        table[row, 0] = forms[form]
        table[row, 1 : 1 + len(numbers)] = numbers
    rows = np.where(at[:, None] < 0, np.nan, table[at])
    return {
        "forms": _listed(forms),
        "form": rows[:, 0],
        "fills": [rows[:, 1 + i] for i in range(places)],
    }


def coded(values: Sequence[str | None]) -> tuple[NDArray[np.int64], list[str]]:
    """Position of each text among those there are, most frequent first; -1 for None."""
    code, found = pd.factorize(np.array(list(values), dtype=object))
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
    """Sentences separated by ``" | "`` as forms of words and their numbers.

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
    parts = [
        [part for part in map(str.strip, text.split(" | ")) if part] if text else []
        for text in values
    ]
    split = [_form(part) for row in parts for part in row]
    forms = _known([form for form, _ in split])
    most = max(map(len, parts), default=0)
    slots = np.full((most, len(parts)), np.nan)
    filled: dict[tuple[int, int], tuple[list[int], list[int]]] = {}
    turn = iter(split)
    for row, told in enumerate(parts):
        for slot in range(len(told)):
            form, numbers = next(turn)
            slots[slot, row] = forms[form]
            for place, number in enumerate(numbers):
                rows, known = filled.setdefault((forms[form], place), ([], []))
                rows.append(row)
                known.append(number)
    table = np.array(beside, np.float32).reshape(len(beside), len(parts))
    fills = [
        _fill(key, np.array(rows), np.array(numbers), beside, table)
        for key, (rows, numbers) in sorted(filled.items())
    ]
    return {"forms": _listed(forms), "slots": list(slots)}, fills


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
        told = np.nan_to_num(beside[fill["source"]][rows]).astype(np.int64)
        fill["numbers"] = numbers - told
    return fill


def _form(text: str) -> tuple[Form, list[int]]:
    """A text as its form and its numbers.

    A number below 1,000 is the same with commas and without; it goes with those that have them.
    Digits that are no number to keep apart (too long, or a nought before a comma) stay words.
    """
    found = _NUMBER.split(text)
    pieces = [found[0]]
    kinds: list[int] = []
    numbers: list[int] = []
    for i in range(1, len(found), 2):
        digits, piece = found[i], found[i + 1]
        long = len(digits)
        if (long <= 3 and digits[0] != "0") or long == 1:
            kinds.append(_GROUPED)
            numbers.append(int(digits))
            pieces.append(piece)
        elif long > _MOST_DIGITS or ("," in digits and digits[0] == "0"):
            pieces[-1] += digits + piece
        else:
            grouped = "," in digits
            kinds.append(_GROUPED if grouped else long if digits[0] == "0" else _AS_IT_IS)
            numbers.append(int(digits.replace(",", "")) if grouped else int(digits))
            pieces.append(piece)
    return (tuple(pieces), tuple(kinds)), numbers


def _alike(split: list[tuple[Form, list[int]]]) -> list[tuple[Form, list[int]]]:
    """Numbers that can be written as others at the same place are, are: W0012 beside W1234."""
    seen: dict[tuple[tuple[str, ...], int], set[int]] = {}
    for (pieces, kinds), _ in split:
        for place, kind in enumerate(kinds):
            seen.setdefault((pieces, place), set()).add(kind)

    def alike(pieces: tuple[str, ...], place: int, kind: int, number: int) -> int:
        others = seen[pieces, place]
        if kind <= 0 and (digits := len(str(number))) in others and (kind == 0 or number < 1000):
            return digits
        return _AS_IT_IS if kind == _GROUPED and number < 1000 and _AS_IT_IS in others else kind

    return [
        (
            (
                pieces,
                tuple(
                    alike(pieces, i, k, n)
                    for i, (k, n) in enumerate(zip(kinds, numbers, strict=True))
                ),
            ),
            numbers,
        )
        for (pieces, kinds), numbers in split
    ]


def _known(forms: Sequence[Form]) -> dict[Form, int]:
    """Forms with their positions, most frequent first."""
    count = Counter(forms)
    return {form: i for i, form in enumerate(sorted(count, key=lambda f: (-count[f], f)))}


def _listed(forms: dict[Form, int]) -> list[list[list[Any]]]:
    return [[list(pieces), list(kinds)] for pieces, kinds in forms]
