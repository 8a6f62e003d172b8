"""A local index of the day files, made from them and thrown away without loss.

SQLite in write-ahead mode, kept in the user's cache folder and never on the shared drive. It
saves reading thousands of files anew; whatever is wrong with it, it is made again.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Set
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import platformdirs

from layers.errors import RecordError
from layers.records.day_file import DayFile, parse_day_file
from layers.records.disposal import disposed_ids
from layers.records.folder import day_files
from layers.records.model import Record, Visit, parse_record, record_line

_VERSION: Final = 2
_TABLES: Final = """
create table files(name text primary key, size integer, mtime_ns integer) without rowid;
create table lines(record_id text, file text, line text, primary key (record_id, file));
create table set_aside(file text, reason text);
"""


@dataclass(frozen=True)
class SetAside:
    """A day file, or a line of one, that cannot be used; it stays where it is."""

    file: str
    reason: str


@dataclass(frozen=True)
class Indexed:
    """Every record of a records folder, once, and what could not be read."""

    records: tuple[Record, ...]
    set_aside: tuple[SetAside, ...]


def read_records(folder: str | Path, *, index: str | Path | None = None) -> Indexed:
    """All records of a folder by its index, which is brought up to date first; without photos.

    Parameters
    ----------
    index
        The file of the index; None for its place in the user's cache folder, or in memory where
        that cannot be written.

    Returns
    -------
    Records in the order of their time, then id. One that stands in several files is given once;
    where two differ under one id the first by file name is, and the other is set aside.

    Raises
    ------
    RecordError
        When the folder cannot be read.
    """
    folder = Path(folder)
    files = day_files(folder)
    place = _index_path(folder) if index is None else Path(index)
    for attempt in (place, place, None):  # as it is, made anew, in memory
        try:
            with _opened(attempt) as connection:
                _bring_up_to_date(connection, folder, files)
                return _everything(connection, disposed_ids(folder))
        except (sqlite3.Error, OSError) as error:
            if attempt is None:
                raise RecordError(
                    f"the records cannot be read: {error}",
                    where=str(folder),
                    mend="check that the drive answers, and try again",
                ) from error
            _throw_away(attempt)
    raise AssertionError("the last attempt returns or raises")  # pragma: no cover


def _index_path(folder: Path) -> Path:
    base = os.environ.get("RILLMARK_CACHE_DIR") or platformdirs.user_cache_dir(
        "rillmark", appauthor=False
    )
    key = hashlib.sha256(str(folder.resolve()).encode("utf-8", "surrogateescape")).hexdigest()
    return Path(base).expanduser() / "records" / f"{key[:16]}.sqlite"


def _throw_away(path: Path) -> None:
    for end in ("", "-wal", "-shm"):
        try:
            path.with_name(path.name + end).unlink(missing_ok=True)
        except OSError:
            continue


@contextmanager
def _opened(path: Path | None) -> Iterator[sqlite3.Connection]:
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(path or ":memory:", timeout=60)) as connection:
        connection.isolation_level = None
        connection.execute("pragma journal_mode = wal")
        connection.execute("begin immediate")
        if connection.execute("pragma user_version").fetchone()[0] != _VERSION:
            for (name,) in connection.execute(
                "select name from sqlite_master where type = 'table'"
            ).fetchall():
                connection.execute(f'drop table "{name}"')
            for statement in _TABLES.strip().split(";\n"):
                connection.execute(statement)
            connection.execute(f"pragma user_version = {_VERSION}")
        connection.execute("commit")
        yield connection


def _bring_up_to_date(connection: sqlite3.Connection, folder: Path, files: list[Path]) -> None:
    """Read the files the index does not know as they are; forget those that are gone."""
    connection.execute("begin immediate")
    known = {
        name: (size, mtime)
        for name, size, mtime in connection.execute("select name, size, mtime_ns from files")
    }
    there = {}
    for path in files:
        stat = path.stat()
        there[path.relative_to(folder).as_posix()] = (path, (stat.st_size, stat.st_mtime_ns))
    connection.execute("delete from set_aside where file not in (select name from files)")
    for name in known.keys() - there.keys():
        _forget(connection, name)
    for name, (path, state) in there.items():
        if known.get(name) != state:
            _forget(connection, name)
            if _take_in(connection, name, path):  # else it is tried again the next time
                connection.execute("insert into files values (?, ?, ?)", (name, *state))
    connection.execute("commit")


def _forget(connection: sqlite3.Connection, name: str) -> None:
    connection.execute("delete from files where name = ?", (name,))
    connection.execute("delete from lines where file = ?", (name,))
    connection.execute("delete from set_aside where file = ?", (name,))


def _take_in(connection: sqlite3.Connection, name: str, path: Path) -> bool:
    """Whether the file could be read; what is wrong in it is set aside."""
    try:
        day = parse_day_file(path.read_bytes(), where=name)
    except RecordError as error:
        connection.execute("insert into set_aside values (?, ?)", (name, error.what))
        return True
    except OSError as error:
        reason = f"it cannot be read: {error.strerror or error}"
        connection.execute("insert into set_aside values (?, ?)", (name, reason))
        return False
    connection.executemany(
        "insert into lines values (?, ?, ?)",
        ((record_id, name, line) for record_id, line in lines_of(day)),
    )
    connection.executemany(
        "insert into set_aside values (?, ?)", ((name, reason) for reason in day.set_aside)
    )
    return True


def lines_of(day: DayFile) -> Iterator[tuple[str, str]]:
    """Id and line of each record, without photos, which stay in the day file."""
    for record in day.records:
        light = record.model_copy(update={"photos": ()}) if isinstance(record, Visit) else record
        yield record.record_id, record_line(light)


def _everything(connection: sqlite3.Connection, gone: Set[str]) -> Indexed:
    rows = connection.execute("select record_id, file, line from lines order by record_id, file")
    records, twice = once(row for row in rows if row[0] not in gone)
    aside = [
        SetAside(*row)
        for row in connection.execute("select file, reason from set_aside order by file, reason")
    ]
    return Indexed(records, (*aside, *twice))


def once(rows: Iterable[tuple[str, str, str]]) -> tuple[tuple[Record, ...], list[SetAside]]:
    """Each record once, from (record id, file, line) in that order.

    Copies that differ from the first are set aside.
    """
    lines: dict[str, str] = {}
    twice = []
    for record_id, file, line in rows:
        if lines.setdefault(record_id, line) != line:
            reason = f"record {record_id} stands elsewhere with other content; the first is used"
            twice.append(SetAside(file, reason))
    records = sorted(
        (parse_record(line) for line in lines.values()), key=lambda r: (r.at, r.record_id)
    )
    return tuple(records), twice
