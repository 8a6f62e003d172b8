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
from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass
from typing import Annotated, Final

from pydantic import Field, ValidationError

from layers.errors import RecordError
from layers.records.model import Hold, Record, content_hash, parse_record, record_line
from layers.settings.settings_file import Model

SUFFIX: Final = ".jsonl"
MOST_BYTES: Final = 500_000_000  # a day of a thousand photos; more is no day file
_VERSION: Final = 1
HASHED: Final = 12  # hex digits of the SHA-256 in a day file's name
_LIKE_A_HOLD: Final = re.compile(rb'"kind"\s*:\s*"[^"]*hold', re.IGNORECASE)
_HINT: Final = "export the day again from its record page, or restore a copy"


class _Head(Model):
    day_file: Annotated[int, Field(ge=1)]
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
        Each content of an id once; one id may stand for several.
    set_aside
        Lines that are whole but cannot be read as a record (of a later version, perhaps) or are
        of another county, each with its reason; they stay in the file.
    may_hold
        Whether a hold may stand in one of those.
    """

    county: str
    day: dt.date
    by: str
    records: tuple[Record, ...]
    set_aside: tuple[str, ...] = ()
    may_hold: bool = False


def write_day_file(day: DayFile) -> bytes:
    """The bytes of a day file: same records, in whatever order, same bytes."""
    head = {"by": day.by, "county": day.county, "day": day.day.isoformat(), "day_file": _VERSION}
    ordered = sorted((r.at, r.record_id, record_line(r)) for r in day.records)
    lines = [json.dumps(head, sort_keys=True, ensure_ascii=False, separators=(",", ":"))]
    lines += dict.fromkeys(line for *_, line in ordered)
    return _with_foot([line.encode("utf-8") for line in lines])


def _with_foot(lines: Sequence[bytes]) -> bytes:
    body = b"".join(line + b"\n" for line in lines)
    return body + f'{{"crc32":"{zlib.crc32(body):08x}","records":{len(lines) - 1}}}\n'.encode()


def day_file_name(day: DayFile, content: bytes) -> str:
    """The name its bytes are kept under: day, person, and the start of their SHA-256."""
    digest = hashlib.sha256(content).hexdigest()
    return f"{day.day.isoformat()}_{_slug(day.by)}_{digest[:HASHED]}{SUFFIX}"


def hash_in_name(name: str) -> str:
    """The start of the SHA-256 that a day file's name holds; empty for another name."""
    found = re.fullmatch(rf".*_([0-9a-f]{{{HASHED}}}){re.escape(SUFFIX)}", name, re.DOTALL)
    return found.group(1) if found else ""


def _slug(who: str) -> str:
    plain = unicodedata.normalize("NFKD", who).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:40] or "somebody"


def parse_day_file(content: bytes, *, where: str) -> DayFile:
    """A day file from its bytes.

    Raises
    ------
    RecordError
        When it is cut short, damaged, or no day file: what, in which line, how to fix it.
    """
    lines = content.split(b"\n")
    if len(lines) < 3 or lines[-1]:
        raise RecordError("the file is incomplete or is not a day file", where=where, hint=_HINT)
    body = content[: len(content) - len(lines[-2]) - 1]
    head = _head_of(lines[0], where)
    try:
        foot = _Foot.model_validate_json(lines[-2])
    except ValidationError as error:
        raise RecordError("the file is incomplete", where=where, hint=_HINT) from error
    if foot.crc32 != f"{zlib.crc32(body):08x}" or foot.records != len(lines) - 3:
        raise RecordError(
            f"the file is damaged: {foot.records} lines were written, but its"
            f" {len(lines) - 3} lines differ from them",
            where=where,
            hint=_HINT,
        )
    records: dict[tuple[str, str], Record] = {}
    set_aside, may_hold = [], False
    for number, line in enumerate(lines[1:-2], start=2):
        try:
            record = parse_record(line)
        except RecordError as error:
            set_aside.append(f"line {number}: {error.what}")
            may_hold |= _LIKE_A_HOLD.search(line) is not None
            continue
        if record.county != head.county:
            set_aside.append(f"line {number}: it is from {record.county!r}, not {head.county!r}")
            may_hold |= isinstance(record, Hold)
            continue
        records[record.record_id, content_hash(record)] = record
    every = tuple(records.values())
    return DayFile(head.county, head.day, head.by, every, tuple(set_aside), may_hold)


def _head_of(line: bytes, where: str) -> _Head:
    try:
        version = json.loads(line).get("day_file")
    except (ValueError, AttributeError, RecursionError):
        version = None
    if type(version) is int and version > _VERSION:
        raise RecordError(
            f"the file was written by a newer Rillmark (day files of version {version})",
            where=where,
            hint="update Rillmark on this computer. The file is unchanged",
        )
    try:
        return _Head.model_validate_json(line)
    except ValidationError as error:
        raise RecordError(
            "the first line does not name the county, the date and the person",
            where=where,
            hint=_HINT,
        ) from error


def rewritten(content: bytes, change: Callable[[bytes], bytes | None]) -> bytes | None:
    """The bytes of a day file with some lines changed, every other line as it came.

    Parameters
    ----------
    content
        A day file that `parse_day_file` reads.
    change
        Gives the line to put in place of one; None leaves it out.

    Returns
    -------
    None where no line is left.
    """
    head, *lines = content.split(b"\n")[:-2]
    new = [line for line in map(change, lines) if line is not None]
    if new == lines:
        return content
    return _with_foot([head, *new]) if new else None


def without_records(content: bytes, gone: Set[tuple[str, str]]) -> bytes | None:
    """The bytes of a day file without some records, by id and content hash; see `rewritten`."""
    return rewritten(content, lambda line: None if _key_of(line) in gone else line)


def _key_of(line: bytes) -> tuple[str, str] | None:
    try:
        record = parse_record(line)
    except RecordError:
        return None
    return record.record_id, content_hash(record)
