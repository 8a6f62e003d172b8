"""Texts and sentences told as forms and numbers come back letter by letter."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from geo.publish.shared import phrases

ALPHABET = "a0019.|٣,-<"


def filled(form: Any, numbers: list[int]) -> str:
    """A form with its numbers, the slow way."""
    pieces, kinds = form
    text = pieces[0]
    for kind, number, piece in zip(kinds, numbers, pieces[1:], strict=True):
        digits = f"{number:,}" if kind < 0 else str(number).zfill(kind)
        text += digits + piece
    return text


def texts_back(coded: dict[str, Any]) -> list[str | None]:
    if "words" in coded:
        return [None if np.isnan(at) else coded["words"][int(at)] for at in coded["at"]]
    out: list[str | None] = []
    for row, at in enumerate(coded["form"]):
        if np.isnan(at):
            out.append(None)
            continue
        form = coded["forms"][int(at)]
        out.append(filled(form, [int(coded["fills"][i][row]) for i in range(len(form[1]))]))
    return out


def sentences_back(coded: dict[str, Any], fills: list[dict[str, Any]], beside: Any) -> list[Any]:
    numbers: dict[tuple[int, int], list[int]] = {}
    for fill in fills:
        shown = fill["numbers"]
        if "source" in fill:
            shown = shown + np.nan_to_num(beside[fill["source"]][fill["rows"]]).astype(int)
        numbers[fill["form"], fill["place"]] = shown.tolist()
    out = []
    for row in range(len(coded["slots"][0]) if coded["slots"] else 0):
        shown = []
        for slot in coded["slots"]:
            if not np.isnan(slot[row]):
                at = int(slot[row])
                form = coded["forms"][at]
                shown.append(filled(form, [numbers[at, i].pop(0) for i in range(len(form[1]))]))
        out.append(shown)
    return out


def wanted(texts: list[str | None]) -> list[list[str]]:
    return [[s for s in (part.strip() for part in (t or "").split(" | ")) if s] for t in texts]


@given(st.lists(st.one_of(st.none(), st.text(alphabet=ALPHABET, max_size=12)), max_size=12))
def test_texts_come_back(texts: list[str | None]) -> None:
    assert texts_back(phrases.texts(texts)) == texts


@given(
    st.lists(
        st.one_of(st.none(), st.text(alphabet=ALPHABET + " ", max_size=30)), min_size=1, max_size=12
    )
)
def test_sentences_come_back(texts: list[str | None]) -> None:
    coded, fills = phrases.sentences(texts)
    assert (sentences_back(coded, fills, []) or [[]] * len(texts)) == wanted(texts)


def test_numbers_that_stand_beside_are_not_told_twice() -> None:
    feet = np.array([84.0, 1234.0, 9.0, np.nan])
    texts = [
        "84 ft (±3 ft) to a well",
        "1,234 ft (±40 ft) to a well",
        "10 ft (±1 ft) to a well",
        None,
    ]
    coded, fills = phrases.sentences(texts, [np.zeros(4), feet])
    assert [fill.get("source") for fill in fills] == [1, None]
    assert fills[0]["numbers"].tolist() == [0, 0, 1]
    assert sentences_back(coded, fills, [None, feet]) == wanted(texts)
    assert len(coded["forms"]) == 1


def test_leading_zeros_and_long_numbers_stay() -> None:
    text = "Unit 007 of 12345678901234567890 at 0.05 m, 1,2345, 0,123, ٣"
    assert texts_back(phrases.texts([text] * 3)) == [text] * 3
    coded, fills = phrases.sentences([text])
    assert sentences_back(coded, fills, []) == [[text]]


def test_numbers_of_one_kind_are_one_form() -> None:
    coded = phrases.texts(["W0001", "W1234", "W0999", "W1000", "W0031"])
    assert coded["forms"] == [[["W", ""], [4]]]


def test_texts_that_repeat_are_words() -> None:
    assert phrases.texts(["a", "b", "a", "a", "b", None])["words"] == ["a", "b"]


def test_no_rows_are_no_trouble() -> None:
    assert texts_back(phrases.texts([])) == []
    assert phrases.sentences([], [np.empty(0)]) == ({"forms": [], "slots": []}, [])
