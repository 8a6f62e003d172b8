"""A GeoPackage as a file: closed before it is hashed, and known again after it was looked at."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from layers.errors import AssessmentFolderError

_BESIDE: Final = ("-wal", "-shm", "-journal")
_CHUNK: Final = 1 << 20
# What a program that only opens the file may change: the versions of the format for writing and
# reading (its journal's way), the counter of changes, and who changed it last. Offsets and lengths
# in bytes after "Database File Format" of SQLite (https://www.sqlite.org/fileformat2.html, 1.3).
_PASSING: Final = ((18, 2), (24, 4), (92, 8))
_SCHEMA_EXTENSION: Final = """
create table gpkg_data_columns (
  table_name text not null, column_name text not null, name text, title text, description text,
  mime_type text, constraint_name text,
  constraint pk_gdc primary key (table_name, column_name),
  constraint gdc_tn unique (table_name, name)
);
create table gpkg_data_column_constraints (
  constraint_name text not null, constraint_type text not null, value text,
  min numeric, min_is_inclusive boolean, max numeric, max_is_inclusive boolean, description text,
  constraint gdcc_ntv unique (constraint_name, constraint_type, value)
);
insert into gpkg_extensions values
  ('gpkg_data_columns', null, 'gpkg_schema',
   'http://www.geopackage.org/spec121/#extension_schema', 'read-write'),
  ('gpkg_data_column_constraints', null, 'gpkg_schema',
   'http://www.geopackage.org/spec121/#extension_schema', 'read-write');
"""


@dataclass(frozen=True)
class ColumnText:
    """What a desktop GIS shows of a column: its name in words, more about it, its codes in words.

    ``name`` is its own among those of its table.
    """

    name: str
    description: str
    codes: Mapping[str, str]


def describe_columns(path: Path, columns: Mapping[str, Mapping[str, ColumnText]]) -> None:
    """Put names, descriptions and codes of columns into a GeoPackage, by table and column.

    As the schema extension of OGC 12-128r17, F.9, has them.
    """
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.executescript(_SCHEMA_EXTENSION)
        for table, texts in columns.items():
            for column, text in texts.items():
                codes = f"{table}_{column}" if text.codes else None
                connection.execute(
                    "insert into gpkg_data_columns values (?, ?, ?, ?, ?, null, ?)",
                    (table, column, text.name, text.name, text.description, codes),
                )
                connection.executemany(
                    "insert into gpkg_data_column_constraints values"
                    " (?, 'enum', ?, null, null, null, null, ?)",
                    [(codes, code, words) for code, words in text.codes.items()],
                )


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
        hint="close the program that has it open, and run the command again",
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
