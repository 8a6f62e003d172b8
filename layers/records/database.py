"""Day files in PostgreSQL: the same bytes, the same answers, one transaction for each file.

Where PostGIS is at hand, positions taken on site can also be seen by map programs, as the view
``positions_on_map``. Needs the extra ``postgis``.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence, Set
from contextlib import contextmanager
from pathlib import PurePosixPath
from typing import Any, Final

from layers.errors import RecordError
from layers.records.day_file import DayFile, day_file_name, parse_day_file, without_records
from layers.records.disposal import Disposed, check_allowed
from layers.records.folder import Added
from layers.records.index import Indexed, SetAside, lines_of, once

_TABLES: Final = """
create table if not exists day_files (
  name text primary key, content bytea not null, added timestamptz not null default now());
create table if not exists records (
  record_id text not null, file text not null references day_files on delete cascade,
  line jsonb not null, text text not null, primary key (record_id, file));
create table if not exists set_aside (
  file text not null references day_files on delete cascade, reason text not null);
create table if not exists disposal_log (
  record_id text not null, kind text not null, unit_id text not null, day date not null,
  done_by text not null, authority text not null, at timestamptz not null);
"""
_ON_MAP: Final = """
create or replace view positions_on_map as
select r.record_id || '/' || p.number as id, r.line ->> 'unit_id' as unit_id,
  (r.line ->> 'day')::date as day, p.entry ->> 'part' as part,
  (p.entry ->> 'accuracy_m')::float8 as accuracy_m,
  ST_SetSRID(ST_MakePoint((p.entry ->> 'lon')::float8, (p.entry ->> 'lat')::float8), 4326)
    ::geometry(Point, 4326) as place
from records r,
  jsonb_array_elements(coalesce(r.line -> 'positions', '[]')) with ordinality as p(entry, number)
"""


class DatabaseStore:
    """Day files in a PostgreSQL database; see `layers.records.stores.RecordStore`.

    Parameters
    ----------
    address
        As libpq reads it: ``postgresql://host/name`` or ``host=... dbname=...``. A password is
        better kept in the user's password file than in the county file.

    Raises
    ------
    RecordError
        When the driver is not installed or the database cannot be reached.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        with self._transaction() as cursor:
            cursor.execute("select pg_advisory_xact_lock(hashtext('rillmark_records'))")
            cursor.execute("create schema if not exists rillmark_records")
            cursor.execute(_TABLES)
            if _has_postgis(cursor):
                cursor.execute(_ON_MAP)

    def add(self, content: bytes, *, where: str, county: str) -> Added:
        """Keep a day file, whole or not at all; the same file twice changes nothing."""
        day = parse_day_file(content, where=where)
        if day.county != county:
            raise RecordError(
                f"the file is of {day.county!r}, these are the records of {county!r}",
                where=where,
                mend="give the county file of its own county",
            )
        with self._transaction() as cursor:
            name, is_new = _keep(cursor, day, content)
        return Added(PurePosixPath(name), day, is_new=is_new)

    def read(self) -> Indexed:
        """Every record once, without photos, and what could not be read."""
        with self._transaction() as cursor:
            cursor.execute(
                "select record_id, file, text from records where record_id not in"
                " (select record_id from disposal_log)"
            )
            records, twice = once(sorted(cursor.fetchall()))
            cursor.execute("select file, reason from set_aside order by file, reason")
            aside = [SetAside(*row) for row in cursor.fetchall()]
        return Indexed(records, (*aside, *twice))

    def day_files(self) -> Iterator[tuple[str, bytes]]:
        """Name and content of every day file as it came, one at a time, by name."""
        for name in self.hashes():
            with self._transaction() as cursor:
                cursor.execute("select content from day_files where name = %s", (name,))
                row = cursor.fetchone()
            if row is not None:
                yield name, bytes(row[0])

    def hashes(self) -> dict[str, str]:
        """Every day file with its SHA-256, by name."""
        with self._transaction() as cursor:
            cursor.execute(
                "select name, encode(sha256(content), 'hex') from day_files order by name"
            )
            return dict(cursor.fetchall())

    def disposed(self) -> Set[str]:
        """Ids of the records that were taken out for good."""
        with self._transaction() as cursor:
            return _disposed_ids(cursor)

    def dispose(self, gone: Sequence[Disposed], *, by: str, authority: str, at: dt.datetime) -> int:
        """Take records out for good and log it, in one transaction."""
        check_allowed(by, authority)
        with self._transaction() as cursor:
            for record in gone:
                cursor.execute(
                    "insert into disposal_log values (%s, %s, %s, %s, %s, %s, %s)",
                    (record.record_id, record.kind, record.unit_id, record.day, by, authority, at),
                )
            cursor.execute("select distinct file from records join disposal_log using (record_id)")
            files = [name for (name,) in cursor.fetchall()]
            ids = _disposed_ids(cursor)
            for name in files:
                _rewrite_without(cursor, name, ids)
        return len(files)

    @contextmanager
    def _transaction(self) -> Iterator[Any]:
        """A cursor in a transaction of its own; what the database says as one clear message."""
        try:
            import psycopg
        except ImportError as error:
            raise RecordError(
                "records in a database need a driver that is not installed",
                where="[records] database",
                mend="install the extra, in Rillmark's own folder: .venv/bin/python -m pip install"
                " --editable '.[postgis]'",
            ) from error
        try:
            with (
                psycopg.connect(self._address, connect_timeout=10) as connection,
                connection.cursor() as cursor,
            ):
                cursor.execute("set local search_path to rillmark_records, public")
                yield cursor
        except psycopg.Error as error:
            raise RecordError(
                f"the database cannot be used: {str(error).strip() or type(error).__name__}",
                where="[records] database",
                mend="check the address, the user's rights and that the server runs",
            ) from error


def _keep(cursor: Any, day: DayFile, content: bytes) -> tuple[str, bool]:
    name = day_file_name(day, content)
    cursor.execute(
        "insert into day_files (name, content) values (%s, %s) on conflict do nothing",
        (name, content),
    )
    if not cursor.rowcount:
        return name, False
    rows = [(i, name, text, text) for i, text in lines_of(day)]
    cursor.executemany("insert into records values (%s, %s, %s, %s)", rows)
    aside = [(name, reason) for reason in day.set_aside]
    cursor.executemany("insert into set_aside values (%s, %s)", aside)
    return name, True


def _disposed_ids(cursor: Any) -> set[str]:
    cursor.execute("select record_id from disposal_log")
    return {record_id for (record_id,) in cursor.fetchall()}


def _rewrite_without(cursor: Any, name: str, ids: set[str]) -> None:
    cursor.execute("select content from day_files where name = %s for update", (name,))
    (content,) = cursor.fetchone()
    day = parse_day_file(bytes(content), where=name)
    if (rest := without_records(day, ids)) is not None:
        _keep(cursor, parse_day_file(rest, where=name), rest)
    cursor.execute("delete from day_files where name = %s", (name,))


def _has_postgis(cursor: Any) -> bool:
    cursor.execute("select 1 from pg_extension where extname = 'postgis'")
    return cursor.fetchone() is not None
