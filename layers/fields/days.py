"""Days as people and programs write them."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from typing import Final

EARLIEST: Final = dt.date(1850, 1, 1)
LATEST: Final = dt.date(2200, 1, 1)
# a zero kept in a column of days, as the programs that hold it show it
ZERO_DAYS: Final = frozenset(
    {"0", "0.0", "00000000", "1/0/1900", "01/00/1900", "1900-01-00"}
    | {"1899-12-30", "12/30/1899", "12/31/1899", "1899-12-31"}
)

_ISO: Final = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ].*)?")
_SLASHED_ISO: Final = re.compile(r"(\d{4})/(\d{1,2})/(\d{1,2})(?: .*)?")
_PARTED: Final = re.compile(r"(\d{1,2})[/.-](\d{1,2})[/.-](\d{4}|\d{2})(?: .*)?")
_WORDS: Final = (
    "%b %d, %Y",
    "%B %d, %Y",
    "%b %d %Y",
    "%B %d %Y",
    "%d %b %Y",
    "%d %B %Y",
    "%d-%b-%Y",
    "%d-%b-%y",
    "%b %Y",
    "%B %Y",
)


def days_after(day: dt.date, days: int) -> dt.date:
    """The day so many days later (sooner where negative), or where the calendar ends.

    >>> days_after(dt.date(2026, 4, 1), -1), days_after(dt.date.max, 7)
    (datetime.date(2026, 3, 31), datetime.date(9999, 12, 31))
    """
    try:
        return day + dt.timedelta(days=days)
    except OverflowError:
        return dt.date.max if days > 0 else dt.date.min


def parse_day(text: str, as_of: dt.date, *, day_first: bool = False) -> dt.date | None:
    """A day from text, or None.

    Read are ISO days (with or without a time), month/day/year as written in the United States
    (day/month/year where ``day_first``), days with the month's name, ``20190704``, a year and
    month (its 15th), a year alone (1 July, its middle, or ``as_of`` where that comes sooner in
    the same year), a spreadsheet's day number (days since 1899-12-30), and seconds or
    milliseconds since 1970. Years of two figures are the latest that are not after ``as_of``.

    >>> parse_day("7/4/98", dt.date(2026, 4, 1))
    datetime.date(1998, 7, 4)
    """
    parted = (3, 2, 1) if day_first else (3, 1, 2)
    for pattern, order in ((_ISO, (1, 2, 3)), (_SLASHED_ISO, (1, 2, 3)), (_PARTED, parted)):
        match = pattern.fullmatch(text)
        if match:
            year, month, day = (int(match.group(i)) for i in order)
            if len(match.group(order[0])) == 2:
                year = _century(year, as_of)
            return _day(year, month, day)
    if re.fullmatch(r"\d{4}[-/]\d{1,2}", text):
        return _day(int(text[:4]), int(text[5:]), 15)
    if re.fullmatch(r"-?\d+(\.\d+)?", text):
        return _day_from_number(text, as_of)
    for words in _WORDS:
        try:
            format_given_day = dt.datetime.strptime(text.replace(".", ""), words).date()
        except ValueError:
            continue
        return format_given_day if "%d" in words else format_given_day.replace(day=15)
    return None


def is_year_alone(text: str) -> bool:
    """Whether text is a year and nothing else."""
    return (len(text) == 4 and text.isascii() and text.isdigit()) and EARLIEST.year <= int(
        text
    ) <= LATEST.year


def order_of_parts(cells: Iterable[str]) -> tuple[bool, str | None]:
    """Whether a column writes the day first, and a cell that could be read either way.

    The day is first where some cell can only be read so (25/12/2019) and none only the other way
    round; where none tells, the month is first, as is usual in the United States.
    """
    only_day_first = only_month_first = False
    either: str | None = None
    for cell in cells:
        match = _PARTED.fullmatch(cell)
        if match is None or cell in ZERO_DAYS:
            continue
        first, second = int(match[1]), int(match[2])
        by_day, by_month = _day(2000, second, first), _day(2000, first, second)
        only_day_first |= by_day is not None and by_month is None
        only_month_first |= by_month is not None and by_day is None
        if either is None and by_day and by_month and by_day != by_month:
            either = cell
    shown = only_month_first and not only_day_first
    return only_day_first and not only_month_first, None if shown else either


def _day(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _century(year: int, as_of: dt.date) -> int:
    return as_of.year - (as_of.year - year) % 100


def _day_from_number(text: str, as_of: dt.date) -> dt.date | None:
    number = float(text)
    if is_year_alone(text):
        middle = dt.date(int(number), 7, 1)
        return min(middle, as_of) if middle.year == as_of.year else middle
    if len(text.partition(".")[0]) == 8 and number == int(number) and number > 0:
        whole = str(int(number))
        return _day(int(whole[:4]), int(whole[4:6]), int(whole[6:])) if len(whole) == 8 else None
    if 10_000 <= number < 100_000:  # 1927 to 2173
        return dt.date(1899, 12, 30) + dt.timedelta(days=int(number))
    if 1e8 <= abs(number) < 7e9:  # 1973 to 2191
        return dt.date(1970, 1, 1) + dt.timedelta(seconds=int(number))
    if 1e11 <= abs(number) < 7e12:
        return dt.date(1970, 1, 1) + dt.timedelta(milliseconds=int(number))
    return None


def format_day(day: dt.date) -> str:
    """A day as people write it.

    >>> format_day(dt.date(2026, 4, 1))
    'April 1, 2026'
    """
    return f"{day:%B} {day.day}, {day.year}"


def format_every(days: int) -> str:
    """How often something comes round, in whole years where the days are that.

    >>> format_every(365), format_every(1826), format_every(180), format_every(1)
    ('every year', 'every 5 years', 'every 180 days', 'every day')
    """
    years = round(days / 365.25)
    if years and abs(days - years * 365.25) <= max(1.0, years / 4):
        return "every year" if years == 1 else f"every {years} years"
    return "every day" if days == 1 else f"every {days:,} days"
