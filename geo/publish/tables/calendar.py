"""Visits that are due as a calendar file (iCalendar, RFC 5545) for an office's calendar program.

Such files are mailed and shown on screens, so an event carries the unit's number and what is due:
no address, no name, no finding.
"""

from __future__ import annotations

import datetime as dt
import re
import uuid
from collections.abc import Iterator
from types import MappingProxyType
from typing import Final

import pandas as pd

LINE_OCTETS: Final = 75  # RFC 5545 section 3.1
OBLIGATION_WORDS: Final = MappingProxyType(
    {
        "complaint": "complaint",
        "reinspection": "reinspection",
        "follow_up": "follow-up of a finding",
        "shared_outlet": "shared discharge point",
        "permit": "permit ending",
        "service": "service contract ended",
        "sampling": "sample overdue",
        "interval": "routine visit",
    }
)
"""What is due, in few words."""
# Of these a unit can owe several at a time.
_SEVERAL: Final = frozenset({"complaint", "follow_up", "shared_outlet"})
# Of all event ids made here; any fixed value would do.
_NAMESPACE: Final = uuid.UUID("6f1c7a52-6f3e-5d0a-9f0b-2b8f7a0d4c11")
# Controls of RFC 5545, and what some readers take for the end of a line.
_CONTROLS: Final = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


def calendar_text(owed: pd.DataFrame, *, county: str, as_of: dt.date) -> str:
    """A calendar with one all-day event for each visit, on the day it is due.

    Parameters
    ----------
    owed
        ``unit_id, obligation, due, source_id, overdue_days``, as in the table ``owed``; at least
        one row, for a calendar without events is none.
    county
        Its name; only the ids of the events depend on it.
    as_of
        The day the file speaks for: its time stamp, so that the same input gives the same bytes.

    Returns
    -------
    Text with CRLF line ends, folded at 75 octets. An event keeps its id from one file to the next,
    so that a calendar program moves it when it is read in again; what is no longer owed it keeps.

    Raises
    ------
    ValueError
        When there is no row.
    """
    if not len(owed):
        raise ValueError("a calendar needs at least one event")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Rillmark//Visits due//EN"]
    stamp = f"{as_of:%Y%m%d}T000000Z"
    for row in owed.to_dict("records"):
        lines += _event(row, county, stamp)
    lines.append("END:VCALENDAR")
    return "".join(f"{folded}\r\n" for line in lines for folded in _folded(line))


def _event(row: dict, county: str, stamp: str) -> list[str]:
    what = OBLIGATION_WORDS[row["obligation"]]
    when = "Visit due" if row["overdue_days"] == 0 else "Visit overdue"
    summary = escaped(f"{when}: unit {row['unit_id']} ({what})")
    return [
        "BEGIN:VEVENT",
        f"UID:{_event_id(row, county)}",
        f"DTSTAMP:{stamp}",
        f"DTSTART;VALUE=DATE:{row['due']:%Y%m%d}",
        f"SUMMARY:{summary}",
        "CLASS:CONFIDENTIAL",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]


def _event_id(row: dict, county: str) -> uuid.UUID:
    """One id for what a unit owes of a kind; each complaint and each finding has its own."""
    key = [county, row["unit_id"], row["obligation"]]
    if row["obligation"] in _SEVERAL:
        key.append(row["source_id"])
    return uuid.uuid5(_NAMESPACE, "\x1f".join(key))


def escaped(text: str) -> str:
    r"""Text as the value of a property (RFC 5545 section 3.3.11).

    >>> print(escaped("unit 7; a,b\\c"))
    unit 7\; a\,b\\c
    """
    plain = _CONTROLS.sub(" ", text)
    return re.sub(r"([\\;,])", r"\\\1", plain)


def _folded(line: str) -> Iterator[str]:
    """A content line in pieces of at most 75 octets, no character cut, all but the first indented.

    >>> [len(piece.encode()) for piece in _folded("é" * 60)]
    [74, 47]
    """
    if len(line.encode("utf-8", "replace")) <= LINE_OCTETS:
        yield line
        return
    piece, octets = "", 0
    for character in line:
        size = len(character.encode("utf-8", "replace"))
        if octets + size > LINE_OCTETS:
            yield piece
            piece, octets = " ", 1
        piece += character
        octets += size
    yield piece
