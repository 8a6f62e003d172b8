"""A GeoPackage as a file: closed before it is hashed, and known again after it was looked at."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Final

from layers.errors import AssessmentFolderError

_BESIDE: Final = ("-wal", "-shm", "-journal")
_CHUNK: Final = 1 << 20
# What a program that only opens the file may change: the versions of the format for writing and
# reading (its journal's way), the counter of changes, and who changed it last. Offsets and lengths
# in bytes after "Database File Format" of SQLite (https://www.sqlite.org/fileformat2.html, 1.3).
_PASSING: Final = ((18, 2), (24, 4), (92, 8))


def closed(path: Path) -> None:
    """Make sure that all of a GeoPackage lies in its one file, and nothing holds part of it.

    Raises
    ------
    AssessmentFolderError
        When another program holds it, or it is no whole database.
    """
    try:
        there = f"{path.absolute().as_uri()}?mode=rw"
        with closing(sqlite3.connect(there, uri=True, timeout=10)) as connection:
            # ends a write-ahead log where GDAL was set to keep one; else it changes no byte
            mode = connection.execute("pragma journal_mode = delete").fetchone()[0]
            connection.execute("select count(*) from sqlite_master").fetchone()
    except sqlite3.Error as error:
        raise _not_closed(path, str(error)) from error
    left = [name for name in beside(path) if name.exists()]
    if mode != "delete" or left:
        raise _not_closed(path, "another program has it open")


def _not_closed(path: Path, why: str) -> AssessmentFolderError:
    return AssessmentFolderError(
        f"the GeoPackage cannot be closed: {why}",
        where=str(path),
        mend="close the program that has it open, and run the command again",
    )


def beside(path: Path) -> Iterator[Path]:
    """Where SQLite keeps what belongs to a database that is open."""
    return (path.with_name(path.name + end) for end in _BESIDE)


def unfinished(path: Path) -> Path | None:
    """The file beside a GeoPackage that holds changes not yet written into it; None without one."""
    for end in ("-wal", "-journal"):
        held = path.with_name(path.name + end)
        try:
            if held.stat().st_size:
                return held
        except OSError:
            continue
    return None


def contents_sha256(path: Path) -> str:
    """The SHA-256 of a GeoPackage but for what merely opening it may change, in hex."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        first = bytearray(stream.read(_CHUNK))
        for start, length in _PASSING:
            first[start : start + length] = bytes(len(first[start : start + length]))
        digest.update(first)
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
