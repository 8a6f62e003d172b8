"""The log of what was taken out of a records folder for good; it takes nothing out itself.

One line of JSON for each record, with the hash of its content, the day file it was taken out of
and what took that file's place; one for each day file that is lost. A day file that was accounted
for so and turns up again gets a line too, so that its next loss is noticed. A record that is still
in a day file counts, whatever the log says.
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from layers.errors import RecordError
from layers.files.kinds import regular_size
from layers.records.folder import append_line

LOG: Final = "disposal_log.jsonl"


@dataclass(frozen=True)
class Disposed:
    """One record that went, as the log keeps it: nothing of what it said."""

    record_id: str
    content: str
    kind: str
    unit_id: str
    day: dt.date


@dataclass(frozen=True)
class DisposalLog:
    """What a log says is gone.

    Attributes
    ----------
    records
        Id and content hash; the hash is empty in lines of version 0.1, which named none.
    files
        SHA-256 of day files that were taken away, or that somebody says are lost for good.
    unreadable
        Line numbers that cannot be read.
    """

    records: frozenset[tuple[str, str]]
    files: frozenset[str]
    unreadable: tuple[int, ...]


def read_log(folder: Path) -> DisposalLog:
    """What the log of a records folder says; nothing where there is none.

    Raises
    ------
    OSError, RecordError
        When the log is there and cannot be read, or is no regular file.
    """
    path = folder / LOG
    records, files, unreadable = set(), set(), []
    lines: list[bytes] = []
    if path.exists() and regular_size(path, error=RecordError):
        lines = path.read_bytes().split(b"\n")
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
            if "found" in entry:
                files.discard(_text(entry["sha256"]))
            elif "record_id" not in entry:
                if entry["by"] and entry["lost"]:
                    files.add(_text(entry["sha256"]))
            elif "content" not in entry:
                records.add((_text(entry["record_id"]), ""))
            elif entry["by"] and entry["authority"] and entry["file"]:
                records.add((_text(entry["record_id"]), _text(entry["content"])))
                if "rest" in entry:
                    files.add(_text(entry["sha256"]))
        except (ValueError, KeyError, TypeError, RecursionError):
            unreadable.append(number)
    return DisposalLog(frozenset(records), frozenset(files), tuple(unreadable))


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError
    return value


def log_record(folder: Path, gone: Disposed, file: str, sha256: str, **text: str) -> None:
    """Say that a record goes, and out of which day file.

    ``text``: who, when, what allows it, and ``rest``, the day file that holds what stays.
    """
    what = {
        "record_id": gone.record_id, "content": gone.content, "kind": gone.kind,
        "unit_id": gone.unit_id, "day": gone.day.isoformat(), "file": file, "sha256": sha256,
    }  # fmt: skip
    _log(folder, text | what)


def log_file(folder: Path, file: str, sha256: str, **text: str) -> None:
    """Say what became of a day file: it is ``lost``, or it was ``found`` again."""
    _log(folder, text | {"file": file, "sha256": sha256})


def _log(folder: Path, line: dict[str, str]) -> None:
    append_line(folder / LOG, json.dumps(line, sort_keys=True))
