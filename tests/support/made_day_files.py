"""Invented records to test with."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from layers.records import DayFile, Record, Visit, parse_record, write_day_file

COUNTY = "Larkmoor County"


def visit(number: int = 1, **changes: Any) -> Visit:
    """A completed visit, with whatever is changed."""
    day = changes.pop("day", dt.date(2026, 4, 3))
    fields: dict[str, Any] = {
        "kind": "visit",
        "record_id": f"r{number:04d}",
        "county": COUNTY,
        "at": dt.datetime(day.year, day.month, day.day, 14, number % 60, tzinfo=dt.UTC),
        "by": "Inspector 1",
        "unit_id": f"{number:05d}",
        "day": day,
        "outcome": "completed",
    }
    return Visit.model_validate(fields | changes)


def day_bytes(*records: Any, by: str = "Inspector 1", day: dt.date = dt.date(2026, 4, 3)) -> bytes:
    """A day file of them."""
    return write_day_file(DayFile(COUNTY, day, by, records))


def word(kind: str, record_id: str, **fields: Any) -> Record:
    """A record of another kind."""
    head = {
        "kind": kind,
        "record_id": record_id,
        "county": COUNTY,
        "by": "Office",
        "at": "2026-05-01T12:00:00Z",
    }
    return parse_record(json.dumps(head | fields))
