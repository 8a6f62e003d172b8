"""Texts as forms of words and the numbers in them, all texts at once.

A form is its pieces between numbers and, for each number, how it is written: 0 as it is, -1 with
commas at the thousands, else with leading zeros to that many digits.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_MOST_DIGITS: Final = 9  # of a number below 2^31
# Digits that are no number to keep apart (too long, or a nought before a comma) stay words.
_NUMBER: Final = re.compile(
    rf"(?<!\d)([1-9]\d{{0,2}}(?:,\d{{3}}){{1,2}}(?![\d,])|\d{{1,{_MOST_DIGITS}}}(?!\d))", re.ASCII
)
_LONGEST: Final = 11  # of its letters, commas with them
_AS_IT_IS, _GROUPED = 0, -1
Form = tuple[tuple[str, ...], tuple[int, ...]]


@dataclass(frozen=True)
class Split:
    """Texts as forms and numbers.

    Attributes
    ----------
    forms
        The forms there are, most frequent first.
    form
        The position of each text's form in it.
    numbers, text, place
        The numbers of all texts in turn: the text of each, and its place there from 0.
    """

    forms: list[Form]
    form: NDArray[np.int64]
    numbers: NDArray[np.int64]
    text: NDArray[np.int64]
    place: NDArray[np.int64]

    def again(self, at: NDArray[np.int64]) -> Split:
        """The same forms for texts that are these again, told by their positions."""
        count = np.bincount(self.text, minlength=len(self.form))
        of_each = count[at]
        text = np.repeat(np.arange(len(at)), of_each)
        within = np.arange(len(text)) - np.repeat(np.cumsum(of_each) - of_each, of_each)
        number = (np.cumsum(count) - count)[at][text] + within
        return Split(self.forms, self.form[at], self.numbers[number], text, self.place[number])


def split(texts: Sequence[str]) -> Split:
    """Texts as forms and numbers.

    A number below 1,000 is the same with commas and without; it goes with those that have them.
    Numbers that can be written as others at the same place of the same words are: W0012 beside
    W1234.

    >>> split(["W12", "W7"]).forms, split(["W12", "W7"]).numbers.tolist()
    ([(('W', ''), (-1,))], [12, 7])
    """
    if not texts:
        none = np.empty(0, np.int64)
        return Split([], none, none, none, none)
    here, stop = _letters_not_in("".join(texts))
    shown = _NUMBER.split(stop.join(texts))
    kind, numbers = _read(shown[1::2])
    shown = here.join(shown[::2]).split(stop)  # the same name, so that the digits are let go
    shape, found = pd.factorize(np.array(shown, object))
    del shown
    pieces = [tuple(words.split(here)) for words in found.tolist()]
    count = np.array([len(each) - 1 for each in pieces])[shape]
    text = np.repeat(np.arange(len(texts)), count)
    place = np.arange(len(text)) - np.repeat(np.cumsum(count) - count, count)
    kind = _alike(shape[text], place, kind, numbers)
    form, first = _distinct(shape, count, kind)
    at = (np.cumsum(count) - count)[first]
    forms = [
        (pieces[shape[row]], tuple(kind[i : i + count[row]].tolist()))
        for row, i in zip(first.tolist(), at.tolist(), strict=True)
    ]
    often = np.bincount(form)
    order = sorted(range(len(forms)), key=lambda i: (-often[i], forms[i]))
    turn = np.empty(len(forms), np.int64)
    turn[order] = np.arange(len(forms))
    return Split([forms[i] for i in order], turn[form], numbers, text, place)


def _letters_not_in(text: str) -> tuple[str, str]:
    """Two letters that stand nowhere in a text, and are no digits."""
    # control characters first: with those a text of ASCII takes one byte a letter, not two
    free: Iterator[str] = (
        chr(c) for c in (*range(1, 32), *range(0xE000, 0x10000)) if chr(c) not in text
    )
    return next(free), next(free)


def _read(digits: Sequence[str]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """How numbers are written, and what they are."""
    if not digits:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    letters = np.array(digits, f"S{_LONGEST}").view(np.uint8).reshape(-1, _LONGEST)
    length = (letters > 0).sum(axis=1)
    numbers = np.zeros(len(letters), np.int64)
    for column in letters.T:
        numbers = np.where(column >= ord("0"), numbers * 10 + column - ord("0"), numbers)
    has_comma = (letters == ord(",")).any(axis=1)
    from_nought = letters[:, 0] == ord("0")
    kind = np.where(from_nought, length, _AS_IT_IS)
    is_short = ((length <= 3) & ~from_nought) | (length == 1)
    return np.where(is_short | has_comma, _GROUPED, kind), numbers


def _alike(
    shape: NDArray[np.int64],
    place: NDArray[np.int64],
    kind: NDArray[np.int64],
    numbers: NDArray[np.int64],
) -> NDArray[np.int64]:
    """How numbers are written that can be written as others at the same place."""
    if not len(kind):
        return kind
    spot, known = pd.factorize(shape * (int(place.max()) + 1) + place)
    seen = np.zeros((len(known), _MOST_DIGITS + 2), bool)
    seen[spot, kind + 1] = True
    digits = 1 + (numbers[:, None] >= 10 ** np.arange(1, _MOST_DIGITS)).sum(axis=1)
    is_small = numbers < 1000
    padded = seen[spot, digits + 1] & ((kind == _AS_IT_IS) | ((kind == _GROUPED) & is_small))
    plain = (kind == _GROUPED) & is_small & seen[spot, _AS_IT_IS + 1]
    return np.where(padded, digits, np.where(plain, _AS_IT_IS, kind))


def _distinct(
    shape: NDArray[np.int64], count: NDArray[np.int64], kind: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Texts of one shape and one way of writing as one code; the first text of each."""
    form = shape
    begin = np.cumsum(count) - count
    for place in range(int(count.max(initial=0))):
        has = np.flatnonzero(count > place)
        mixed = form * (_MOST_DIGITS + 3)
        mixed[has] += kind[begin[has] + place] + 2
        form, _ = pd.factorize(mixed)
    _, first = np.unique(form, return_index=True)
    return form, first
