"""Sentences that several pages of the report share: what is due, short names, short dates."""

from __future__ import annotations

import datetime as dt
from typing import Final

from geo.publish.report import numbers
from geo.publish.shared import words
from layers.measures import count_of

NO_SCHEDULE: Final = (
    "not calculated: the county file sets no visit schedule ([programme]), or no record gives a"
    " date to count from."
)


def by_day(due: numbers.Due) -> str:
    """The last day of the season in words."""
    return words.date(due.last_day) if due.last_day else "the end of the season"


def due_section(due: numbers.Due) -> tuple[str, ...]:
    """Who is overdue, who comes due, and whether the planned visits cover them."""
    undated = (
        f"{count_of(due.undated_records, 'more record')} may mean that a visit is due. The dates"
        " are not on record."
        if due.undated_records
        else ""
    )
    if not due.is_known:
        return tuple(filter(None, (f"Visits due: {NO_SCHEDULE}", _planned_only(due), undated)))
    are = "is" if due.overdue == 1 else "are"
    come = "comes" if due.soon == 1 else "come"
    said = (
        f"{due.overdue:,} of {count_of(due.units, 'unit')} {are} overdue;"
        f" {due.soon:,} more {come} due by {by_day(due)}."
    )
    return tuple(filter(None, (said, covered(due), undated)))


def _planned_only(due: numbers.Due) -> str:
    if due.planned is None:
        return ""
    return f"The office plans {count_of(due.planned, 'visit')} until {by_day(due)}."


def covered(due: numbers.Due) -> str:
    """Whether the planned visits cover those due."""
    wanted = due.this_season
    if due.planned is None:
        return (
            "The county file gives no number of visits per year (visits_per_year), so how many of"
            " these can be made is not known."
        )
    plan = f"The {count_of(due.planned, 'planned visit')}"
    if due.planned >= wanted:
        spare = due.planned - wanted
        return f"{plan} cover all {wanted:,} and leave {spare:,}."
    return f"{plan} cover {due.planned:,} of the {wanted:,} and leave {wanted - due.planned:,} due."


def fact(said: str, caution: str = "") -> dict[str, str]:
    """A sentence, and the caution where a person acts on it."""
    return {"said": said, "caution": caution}


def short(name: object) -> str:
    """A name no longer than a line.

    >>> short("Wells"), len(short("a very long name " * 9))
    ('Wells', 60)
    """
    text = str(name)
    return text if len(text) <= 60 else f"{text[:59]}\u2026"


def short_date(day: dt.date) -> str:
    """A day for a narrow column.

    >>> short_date(dt.date(2026, 4, 1))
    'Apr 1, 2026'
    """
    return f"{day:%b} {day.day}, {day.year}"
