"""Day files in PostgreSQL: the same bytes, the same answers, one transaction for each file.

`prepare` makes the schema once and says which roles may only read, only add, or also dispose;
whoever opens the records afterwards needs no more than that. Where PostGIS is at hand, positions
taken on site can also be seen by map programs, as the view ``positions_on_map``. Needs the extra
``postgis``.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator, Mapping, Sequence, Set
from contextlib import contextmanager, suppress
from pathlib import PurePosixPath
from typing import Any, Final

from layers.errors import RecordError
from layers.records.day_file import (
    HASHED,
    SUFFIX,
    DayFile,
    day_file_name,
    hash_in_name,
    parse_day_file,
    without_records,
)
from layers.records.disposal import check_allowed, still_due
from layers.records.disposal_log import Disposed
from layers.records.folder import Added
from layers.records.index import (
    Held,
    Indexed,
    changed_since,
    gone_from_file,
    held_lines,
    indexed,
    lines_of,
)
from layers.records.stores import must_be_missing

_VERSION: Final = 2  # 1, of version 0.1, had no table that says so
# what counts is read from the day files; the table of records is there for who asks in SQL
_TABLES: Final = """
create table if not exists day_files (
  name text primary key, content bytea not null, added timestamptz not null default now());
create table if not exists records (
  record_id text not null, file text not null references day_files on delete cascade,
  content text not null, line jsonb not null, primary key (record_id, content, file));
create table if not exists known_files (
  name text not null, sha256 text not null, added timestamptz not null default now(),
  primary key (name, added));
create table if not exists disposal_log (
  record_id text not null, kind text not null, unit_id text not null, day date not null,
  done_by text not null, authority text not null, at timestamptz not null);
alter table disposal_log add column if not exists content text not null default '';
create table if not exists disposed_files (
  name text not null, sha256 text not null, done_by text not null, authority text not null,
  lost text not null default '', at timestamptz not null,
  logged timestamptz not null default now());
create table if not exists version (number integer not null);
"""
_MAY_READ: Final = "select on all tables in schema rillmark_records"
_MAY_ADD: Final = "insert on day_files, records, known_files"
_MAY_DISPOSE: Final = (
    "delete on day_files", "insert on disposal_log, disposed_files",
)  # fmt: skip
_LOCK: Final = "hashtext('rillmark_records')"
_OF_VERSION_1: Final = """
drop view if exists positions_on_map;
drop table if exists records, set_aside;
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

    def prepare(
        self, *, readers: Sequence[str] = (), adders: Sequence[str] = (),
        disposers: Sequence[str] = (),
    ) -> None:  # fmt: skip
        """Make the schema, or bring that of an older version up to date, as its owner.

        Parameters
        ----------
        readers, adders, disposers
            Roles that exist, and may from now on read; also add; also dispose.
        """
        with self._transaction(is_prepared=False) as cursor:
            cursor.execute(f"select pg_advisory_xact_lock({_LOCK})")
            cursor.execute("create schema if not exists rillmark_records")
            if _version(cursor) == 1:
                cursor.execute(_OF_VERSION_1)
            cursor.execute(_TABLES)
            cursor.execute("delete from records")
            cursor.execute("delete from version")
            cursor.execute("insert into version values (%s)", (_VERSION,))
            cursor.execute("select name from day_files order by name")
            for (name,) in cursor.fetchall():
                content = _content(cursor, name)
                cursor.execute("select from known_files where name = %s", (name,))
                if cursor.fetchone() is None:
                    _note_known(cursor, name, content)
                with suppress(RecordError):  # said when records are read
                    _keep_records(cursor, name, parse_day_file(content, where=name))
            if _has_postgis(cursor):
                cursor.execute(_ON_MAP)
            for role in (*readers, *adders, *disposers):
                _grant(cursor, "usage on schema rillmark_records", role)
                _grant(cursor, _MAY_READ, role)
            for role in (*adders, *disposers):
                _grant(cursor, _MAY_ADD, role)
            for role in disposers:
                for right in _MAY_DISPOSE:
                    _grant(cursor, right, role)

    def add(self, content: bytes, *, where: str, county: str) -> Added:
        """Keep a day file, whole or not at all; the same file twice changes nothing."""
        day = parse_day_file(content, where=where)
        if day.county != county:
            raise RecordError(
                f"the file is from {day.county!r}, but these are the records of {county!r}",
                where=where,
                hint="use the county file of its own county",
            )
        with self._transaction() as cursor:
            cursor.execute(f"select pg_advisory_xact_lock_shared({_LOCK})")
            name, is_new = _keep(cursor, day, content)
        return Added(PurePosixPath(name), day, is_new=is_new)

    def read(self) -> Indexed:
        """What is on file, without photos, and what could not be read or is missing."""
        with self._transaction() as cursor:
            return self._read(cursor)[0]

    def day_files(self) -> Iterator[tuple[str, bytes]]:
        """Name and content of every sound day file as it came, one at a time, by name."""
        for name in self.read().hashes:
            with self._transaction() as cursor:
                content = _content(cursor, name)
            if content:
                yield name, content

    def dispose(
        self,
        gone: Sequence[Disposed],
        keep_years: Mapping[str, float],
        *,
        by: str,
        authority: str,
        at: dt.datetime,
        unit_ids: Set[str] | None = None,
    ) -> tuple[int, int]:
        """Take records out for good and log it, in one transaction."""
        check_allowed(by, authority)
        with self._transaction() as cursor:
            cursor.execute(f"select pg_advisory_xact_lock({_LOCK})")
            found, held = self._read(cursor)
            going = still_due(gone, found, keep_years, today=at.date(), unit_ids=unit_ids)
            for one in going:
                cursor.execute(
                    "insert into disposal_log (record_id, content, kind, unit_id, day, done_by,"
                    " authority, at) values (%s, %s, %s, %s, %s, %s, %s, %s)",
                    (one.record_id, one.content, one.kind, one.unit_id, one.day, by, authority, at),
                )
            nodes = {(one.record_id, one.content) for one in going}
            wanted, replaced = {content for _, content in nodes}, 0
            for name, (lines, *_) in held.items():
                if wanted.isdisjoint(content for content, _ in lines):
                    continue
                content = _content(cursor, name)
                rest = without_records(content, nodes)
                replaced += 1
                if rest is not None:
                    _keep(cursor, parse_day_file(rest, where=name), rest)
                _log_file(cursor, name, hashlib.sha256(content).hexdigest(), by, authority, "", at)
                cursor.execute("delete from day_files where name = %s", (name,))
        return len(going), replaced

    def give_up(self, name: str, *, by: str, reason: str, at: dt.datetime) -> None:
        """Log that a day file which is missing is lost for good."""
        with self._transaction() as cursor:
            must_be_missing(self._read(cursor)[0], name)
            cursor.execute("select sha256 from known_files where name = %s limit 1", (name,))
            (sha256,) = cursor.fetchone()
            _log_file(cursor, name, sha256, by, "", reason, at)

    def _read(self, cursor: Any) -> tuple[Indexed, dict[str, Held]]:
        cursor.execute("select name, encode(sha256(content), 'hex') from day_files order by name")
        every = dict(cursor.fetchall())
        hashes = {n: sha for n, sha in every.items() if sha.startswith(hash_in_name(n) or "-")}
        aside = [changed_since(name) for name in every.keys() - hashes.keys()]
        cursor.execute(
            "select name from known_files k group by name, sha256 having not exists (select from"
            " disposed_files d where d.sha256 = k.sha256 and d.logged >= max(k.added))"
        )
        aside += gone_from_file(name for (name,) in cursor.fetchall() if name not in every)
        held = held_lines(hashes, lambda name: _content(cursor, name), key=self._address)
        cursor.execute("select record_id, content from disposal_log")
        return indexed(held, aside, hashes, frozenset(cursor.fetchall())), held

    @contextmanager
    def _transaction(self, *, is_prepared: bool = True) -> Iterator[Any]:
        """A cursor in a transaction of its own; what the database says as one clear message."""
        try:
            import psycopg
        except ImportError as error:
            raise RecordError(
                "the driver for records in a database is not installed",
                where="[records] database",
                hint="in Rillmark's folder, run: .venv/bin/python -m pip install"
                " --editable '.[postgis]'",
            ) from error
        try:
            with (
                psycopg.connect(self._address, connect_timeout=10) as connection,
                connection.cursor() as cursor,
            ):
                cursor.execute("set local search_path to rillmark_records, public")
                if is_prepared:
                    _check_version(cursor)
                yield cursor
        except psycopg.errors.InsufficientPrivilege as error:
            raise RecordError(
                f"this user does not have permission in the database: {str(error).strip()}",
                where="[records] database",
                hint="ask the owner of the records to add the user with 'rillmark record"
                " COUNTY.toml --prepare --may-read, --may-add or --may-dispose'",
            ) from error
        except psycopg.Error as error:
            raise RecordError(
                f"the database cannot be used: {str(error).strip() or type(error).__name__}",
                where="[records] database",
                hint="check the address, the user's permissions and that the server is running",
            ) from error


def _version(cursor: Any) -> int:
    """Of the schema; 1 where it is that of version 0.1, 0 where there is none."""
    tables = ("version", "day_files")
    found = []
    for table in tables:
        cursor.execute("select to_regclass(%s) is not null", (f"rillmark_records.{table}",))
        found.append(cursor.fetchone()[0])
    if not found[0]:
        return int(found[1])
    cursor.execute("select max(number) from version")
    return cursor.fetchone()[0] or 0


def _check_version(cursor: Any) -> None:
    number = _version(cursor)
    if number == _VERSION:
        return
    if number > _VERSION:
        raise RecordError(
            "the database was set up by a newer Rillmark",
            where="[records] database",
            hint="update Rillmark on this computer",
        )
    raise RecordError(
        "the database is not set up for records" + (" of this version" if number else ""),
        where="[records] database",
        hint="as the owner of the database, run once: rillmark record COUNTY.toml --prepare",
    )


def _grant(cursor: Any, right: str, role: str) -> None:
    from psycopg import sql

    cursor.execute(sql.SQL("grant {} to {}").format(sql.SQL(right), sql.Identifier(role)))


def _content(cursor: Any, name: str) -> bytes:
    """The bytes of a day file; none where it is not there."""
    cursor.execute("select content from day_files where name = %s", (name,))
    row = cursor.fetchone()
    return b"" if row is None else bytes(row[0])


def _keep(cursor: Any, day: DayFile, content: bytes) -> tuple[str, bool]:
    name = day_file_name(day, content)
    while not _inserted(cursor, name, content):
        if _content(cursor, name) == content:
            return name, False
        # a damaged copy has its name, and only the owner may take that away
        name = f"{name[: -HASHED - len(SUFFIX) - 1]}-again{name[-HASHED - len(SUFFIX) - 1 :]}"
    _note_known(cursor, name, content)
    _keep_records(cursor, name, day)
    return name, True


def _inserted(cursor: Any, name: str, content: bytes) -> bool:
    cursor.execute(
        "insert into day_files (name, content) values (%s, %s) on conflict do nothing",
        (name, content),
    )
    return bool(cursor.rowcount)


def _note_known(cursor: Any, name: str, content: bytes) -> None:
    cursor.execute(
        "insert into known_files (name, sha256) values (%s, %s) on conflict do nothing",
        (name, hashlib.sha256(content).hexdigest()),
    )


def _keep_records(cursor: Any, name: str, day: DayFile) -> None:
    lines = zip(day.records, lines_of(day), strict=True)
    cursor.executemany(
        "insert into records (record_id, file, content, line) values (%s, %s, %s, %s)",
        [(record.record_id, name, content, line) for record, (content, line) in lines],
    )


def _log_file(
    cursor: Any, name: str, sha256: str, by: str, authority: str, lost: str, at: dt.datetime
) -> None:
    cursor.execute(
        "insert into disposed_files (name, sha256, done_by, authority, lost, at)"
        " values (%s, %s, %s, %s, %s, %s)",
        (name, sha256, by, authority, lost, at),
    )


def _has_postgis(cursor: Any) -> bool:
    cursor.execute("select 1 from pg_extension where extname = 'postgis'")
    return cursor.fetchone() is not None
