"""The season in which visits are made, and how many are left to make in it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

from layers.fields.days import days_after
from layers.settings.programme import DayOfYear, ProgrammeSection

YEAR_DAYS: Final = 365


@dataclass(frozen=True)
class Season:
    """The season that is planned for: the one under way, else the coming one.

    Attributes
    ----------
    first_day, last_day
        Both inclusive. Where the programme names no season, the 365 days from the day of the
        assessment.
    visits
        What the office can make from the day of the assessment to ``last_day``: the year's visits
        in proportion to the days of the season that are left, rounded down; None where the
        programme does not say.
    visits_after
        What it can make in the season after: the year's visits.
    """

    first_day: dt.date
    last_day: dt.date
    visits: int | None
    visits_after: int | None


def season_at(programme: ProgrammeSection, as_of: dt.date) -> Season:
    """The season that visits are planned for on a day."""
    a_year = programme.visits_per_year
    start, end = programme.season_from, programme.season_to
    if start is None or end is None:
        return Season(as_of, days_after(as_of, YEAR_DAYS - 1), a_year, a_year)
    last = _next(end, as_of)
    first = _last(start, last)
    left, whole = (last - max(first, as_of)).days + 1, (last - first).days + 1
    visits = None if a_year is None else a_year * left // whole
    return Season(first, last, visits, a_year)


def is_in_season(day: dt.date, programme: ProgrammeSection) -> bool:
    """Whether visits are made on a day."""
    start, end = programme.season_from, programme.season_to
    if start is None or end is None:
        return True
    here = (day.month, day.day)
    if start <= end:
        return start <= here <= end
    return here >= start or here <= end


def last_day_in_season(day: dt.date, programme: ProgrammeSection) -> dt.date:
    """The day itself where visits are made on it, else the last day before it on which they are."""
    if programme.season_to is None or is_in_season(day, programme):
        return day
    return _last(programme.season_to, day)


def _next(wanted: DayOfYear, day: dt.date) -> dt.date:
    """The first such day of the year on or after ``day``."""
    this_year = dt.date(day.year, *wanted)
    if this_year >= day:
        return this_year
    return dt.date(day.year + 1, *wanted) if day.year < dt.MAXYEAR else dt.date.max


def _last(wanted: DayOfYear, day: dt.date) -> dt.date:
    """The last such day of the year on or before ``day``."""
    this_year = dt.date(day.year, *wanted)
    if this_year <= day:
        return this_year
    return dt.date(day.year - 1, *wanted) if day.year > dt.MINYEAR else dt.date.min
