"""A day file: what one person recorded on one day, one line a record, whole or not at all.

JSON lines in UTF-8. The first line names the county, the day and the person; the last one counts
the records and gives the CRC-32 of all bytes before it, so that a file cut short or damaged is
known for one.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import unicodedata
import zlib
from collections.abc import Set
from dataclasses import dataclass
from typing import Annotated, Final, Literal

from pydantic import Field, ValidationError

from layers.errors import RecordError
from layers.records.model import Record, parse_record, record_line
from layers.settings_file import Model

SUFFIX: Final = ".jsonl"
_VERSION: Final = 1
_MEND: Final = "export the day again from the page it was written on, or restore a copy"


class _Head(Model):
    day_file: Literal[1]
    county: Annotated[str, Field(min_length=1)]
    day: dt.date
    by: Annotated[str, Field(min_length=1)]


class _Foot(Model):
    records: int
    crc32: str


@dataclass(frozen=True)
class DayFile:
    """What one person recorded on one day.

    Attributes
    ----------
    county, day, by
        Whose, when, who; each record names them too.
    records
        In the order of their time, then id.
    set_aside
        Lines that are whole but cannot be read as a record (of a later version, perhaps), each
        with its reason; they stay in the file.
    unread
        Those of them that are no record of this version, as they came.
    """

    county: str
    day: dt.date
    by: str
    records: tuple[Record, ...]
    set_aside: tuple[str, ...] = ()
    unread: tuple[bytes, ...] = ()


def write_day_file(day: DayFile) -> bytes:
    """The bytes of a day file: same records, in whatever order, same bytes."""
    head = {"by": day.by, "county": day.county, "day": day.day.isoformat(), "day_file": _VERSION}
    once = {record.record_id: record for record in day.records}
    ordered = sorted(once.values(), key=lambda r: (r.at, r.record_id))
    lines = [json.dumps(head, sort_keys=True, ensure_ascii=False, separators=(",", ":"))]
    lines += [record_line(record) for record in ordered]
    body = ("\n".join(lines) + "\n").encode("utf-8")
    body += b"".join(line + b"\n" for line in day.unread)
    return body + _foot(body, len(ordered) + len(day.unread))


def _foot(body: bytes, count: int) -> bytes:
    return f'{{"crc32":"{zlib.crc32(body):08x}","records":{count}}}\n'.encode()


def day_file_name(day: DayFile, content: bytes) -> str:
    """The name its bytes are kept under: day, person, and the start of their SHA-256."""
    digest = hashlib.sha256(content).hexdigest()
    return f"{day.day.isoformat()}_{_slug(day.by)}_{digest[:12]}{SUFFIX}"


def _slug(who: str) -> str:
    plain = unicodedata.normalize("NFKD", who).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:40] or "somebody"


def parse_day_file(content: bytes, *, where: str) -> DayFile:
    """A day file from its bytes.

    Raises
    ------
    RecordError
        When it is cut short, damaged, or no day file: what, in which line, how to mend it.
    """
    lines = content.split(b"\n")
    if len(lines) < 3 or lines[-1]:
        raise RecordError("the file is cut short or no day file", where=where, mend=_MEND)
    body = content[: len(content) - len(lines[-2]) - 1]
    try:
        head = _Head.model_validate_json(lines[0])
    except ValidationError as error:
        raise RecordError(
            "the first line does not say whose day it is", where=where, mend=_MEND
        ) from error
    try:
        foot = _Foot.model_validate_json(lines[-2])
    except ValidationError as error:
        raise RecordError("the file is cut short", where=where, mend=_MEND) from error
    if foot.crc32 != f"{zlib.crc32(body):08x}" or foot.records != len(lines) - 3:
        raise RecordError(
            f"the file is damaged: its {len(lines) - 3} lines are not the {foot.records} that"
            " were written",
            where=where,
            mend=_MEND,
        )
    records: dict[str, Record] = {}
    set_aside, unread = [], []
    for number, line in enumerate(lines[1:-2], start=2):
        try:
            record = parse_record(line)
        except RecordError as error:
            set_aside.append(f"line {number}: {error.what}")
            unread.append(line)
            continue
        if record.county != head.county:
            set_aside.append(f"line {number}: it is of {record.county!r}, not of {head.county!r}")
        elif record.record_id in records:
            set_aside.append(f"line {number}: the id {record.record_id} stands twice in the file")
        else:
            records[record.record_id] = record
    return DayFile(
        head.county, head.day, head.by, tuple(records.values()), tuple(set_aside), tuple(unread)
    )


def without_records(day: DayFile, ids: Set[str]) -> bytes | None:
    """The bytes of a day file without some records; None where nothing is left of it."""
    kept = tuple(record for record in day.records if record.record_id not in ids)
    if not kept and not day.unread:
        return None
    return write_day_file(DayFile(day.county, day.day, day.by, kept, (), day.unread))
