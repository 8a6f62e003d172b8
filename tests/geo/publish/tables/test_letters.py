"""The letter a household gets: what was found, by when, what kills, in plain words."""

from __future__ import annotations

import datetime as dt
import re

import pandas as pd
import pytest

from geo.publish.tables.letters import letters
from geo.results import cautions

AS_OF = dt.date(2026, 4, 1)


def letter(item="air", severity="repair", due="2026-05-29", template=None):
    follow_ups = pd.DataFrame(
        {
            "unit_id": ["001"], "item": [item], "severity": [severity], "state": ["open"],
            "found_on": pd.to_datetime(["2026-02-07"]), "due": pd.to_datetime([due]),
        }
    )  # fmt: skip
    units = pd.DataFrame({"unit_id": ["001"], "address": ["1 Mill Road"], "parcel_id": [None]})
    made = letters(
        follow_ups, units, county="Test County", day="April 1, 2026", as_of=AS_OF, template=template
    )
    assert list(made) == ["letter_001.txt"]
    return made["letter_001.txt"]


def flat(text):
    return " ".join(text.split())


def test_every_caution_for_whoever_is_at_a_tank_is_there_once():
    text = flat(letter())
    for line in cautions.TANK:
        assert text.count(line) == 1, line


@pytest.mark.parametrize(
    ("severity", "due", "said"),
    [
        ("repair", "2026-05-29", "Please fix this by May 29, 2026."),
        ("danger", "2026-03-01", "This was due on March 1, 2026. Please fix this now."),
        ("danger", None, "2026. Please fix this now."),
        ("minor", None, "No due date is set."),
    ],
)
def test_by_when_is_always_said(severity, due, said):
    text = flat(letter(severity=severity, due=due))
    assert said in text
    assert ("keep everyone away" in text) == (severity == "danger")


@pytest.mark.parametrize(
    ("item", "title"),
    [("air", "Air supply"), ("What runs out", "Discharge"), ("the old pipe", "the old pipe")],
)
def test_an_item_has_todays_title_whatever_it_was_called(item, title):
    assert f"- {title}: repair needed. We saw this on February 7, 2026." in letter(item=item)


def test_an_offices_own_letter_fills_in_its_phone(tmp_path):
    assert "[office phone], [office hours]" in letter()
    own = tmp_path / "ours.txt"
    own.write_text("{% for f in findings %}{{ f.item }} {{ f.due }}{% endfor %} Call 555-0100.\n")
    assert letter(template=own) == "Air supply May 29, 2026 Call 555-0100.\n"


def test_an_eighth_grader_can_read_it():
    """Flesch and Kincaid, 1975: 0.39 words a sentence + 11.8 syllables a word - 15.59."""
    text = letter().split("To the owner or resident:")[1]
    sentences = [s for s in re.split(r"[.:]\s|\n\n", text) if re.search("[a-z]", s)]
    words = re.findall(r"[A-Za-z]+", text)
    syllables = sum(
        max(1, len(re.findall(r"[aeiouy]+", w.lower())) - w.lower().endswith("e")) for w in words
    )
    grade = 0.39 * len(words) / len(sentences) + 11.8 * syllables / len(words) - 15.59
    assert len(words) > 100
    assert grade <= 8, grade
