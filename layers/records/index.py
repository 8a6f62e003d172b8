"""A local index of the day files, made from them and thrown away without loss.

SQLite in write-ahead mode, kept in the user's cache folder and never on the shared drive. It
saves parsing thousands of files anew, not reading them: each is hashed whenever records are read.
Whatever is wrong with the index, it is made again.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import quote

import platformdirs

from layers.errors import RecordError
from layers.files.kinds import regular_size
from layers.records.day_file import MOST_BYTES, DayFile, hash_in_name, parse_day_file
from layers.records.disposal_log import LOG, log_file, read_log
from layers.records.folder import LEDGER, brought_on_ledger, day_files, missing_files
from layers.records.in_force import InForce, filed, what_counts
from layers.records.model import Filed, Record, Visit, content_hash, parse_record, record_line

_VERSION: Final = 4
_TABLE: Final = "create table files(name text primary key, sha256 text, held blob, crc32 integer)"
UNREADABLE: Final = "record_unreadable"
CHANGED: Final = "record_file_changed"
GONE: Final = "record_file_gone"


@dataclass(frozen=True)
class SetAside:
    """A day file, or a line of one, that cannot be used; ``code`` is that of its problem."""

    file: str
    reason: str
    code: str = UNREADABLE
    may_hold: bool = True  # a hold may stand in it


def gone_from_file(names: Iterable[str]) -> list[SetAside]:
    """What is said of day files that are missing."""
    reason = "it was here before and is missing, and the disposal log does not list it"
    return [SetAside(name, reason, GONE) for name in names]


def changed_since(name: str) -> SetAside:
    """What is said of a day file whose bytes are not those its name was made from."""
    reason = (
        "its content does not match its name: it was changed or damaged after it was added."
        " Nothing in it is used"
    )
    return SetAside(name, reason, CHANGED)


@dataclass(frozen=True)
class Indexed:
    """What is on file.

    Attributes
    ----------
    filed
        Each content of each id once, in the order of their time; visits without their photos.
    set_aside
        What cannot be used, and what is missing.
    hashes
        Every day file with its SHA-256, by name.
    disposed
        Id and content hash of what the disposal log names; of version 0.1 without a hash.
    """

    filed: tuple[Filed, ...]
    set_aside: tuple[SetAside, ...]
    hashes: Mapping[str, str] = field(default_factory=dict)
    disposed: frozenset[tuple[str, str]] = frozenset()

    @property
    def records(self) -> tuple[Record, ...]:
        """Everything on file, whether it counts or not."""
        return tuple(one.record for one in self.filed)

    def in_force(self) -> InForce:
        """What counts of it."""
        return what_counts(self.filed, {record_id for record_id, _ in self.disposed})


Held = tuple[list[tuple[str, str]], list[str], bool]
"""Of one day file: content hash and line of each record, the reasons of what is set aside, and
whether a hold may stand in that."""


def read_records(folder: str | Path, *, index: str | Path | None = None) -> Indexed:
    """All records of a folder by its index, which is brought up to date first; without photos.

    Parameters
    ----------
    index
        The file of the index; None for its place in the user's cache folder, or in memory where
        that cannot be written.

    Raises
    ------
    RecordError
        When the folder cannot be read.
    """
    folder = Path(folder)
    aside: list[SetAside] = []
    try:
        sound = dict(_sound_files(folder, aside))
        log = read_log(folder)
    except OSError as error:
        raise _unreadable(folder, error) from error
    hashes = {name: sha256 for name, (_, sha256) in sound.items()}
    if hashes:
        brought_on_ledger(folder, {Path(name).name: sha for name, sha in hashes.items()})
        for name, sha256 in hashes.items():
            if sha256 in log.files:  # back again: its next loss is to be noticed
                with suppress(OSError):
                    log_file(folder, Path(name).name, sha256, found="it is there again")
    there = {Path(name).name for name in (*hashes, *(a.file for a in aside))}
    try:
        aside += gone_from_file(missing_files(folder, there, log.files))
    except OSError as error:
        reason = f"the ledger cannot be read, so missing files go unnoticed: {error.strerror}"
        aside.append(SetAside(LEDGER, reason, GONE))
    aside += [
        SetAside(
            LOG,
            f"line {number} cannot be read, so what it says was deleted is not known",
            may_hold=False,
        )
        for number in log.unreadable
    ]
    is_bare = not hashes and not (folder / LEDGER).exists() and not (folder / LOG).exists()
    if is_bare and (count := _remembered(str(folder.resolve()), index)):
        reason = f"day files here before: {count:,}; now: none. Connect the drive"
        aside.append(SetAside(folder.name, reason, GONE))
    held = held_lines(
        hashes, lambda name: sound[name][0].read_bytes(), key=str(folder.resolve()), index=index
    )
    return indexed(held, aside, hashes, log.records)


def indexed(
    held: Mapping[str, Held],
    aside: Sequence[SetAside],
    hashes: Mapping[str, str],
    disposed: frozenset[tuple[str, str]],
) -> Indexed:
    """What is on file, from what each day file holds and what is wrong with others."""
    aside = [
        *aside,
        *(
            SetAside(name, reason, may_hold=may_hold)
            for name, (_, reasons, may_hold) in held.items()
            for reason in reasons
        ),
    ]
    ordered = tuple(sorted(aside, key=lambda a: (a.file, a.reason)))
    return Indexed(_merged(lines for lines, *_ in held.values()), ordered, hashes, disposed)


def _merged(lines: Iterable[Iterable[tuple[str, str]]]) -> tuple[Filed, ...]:
    """Each content of each id once, from content hash and line of every day file."""
    once = {pair for some in lines for pair in some}
    return filed(Filed(parse_record(line), content) for content, line in once)


def lines_of(day: DayFile) -> Iterator[tuple[str, str]]:
    """Content hash and line of each record, without photos, which stay in the day file."""
    for record in day.records:
        light = record.model_copy(update={"photos": ()}) if isinstance(record, Visit) else record
        yield content_hash(record), record_line(light)


def sound_day_files(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of each day file whose bytes are those its name was made from."""
    for name, (path, _) in _sound_files(folder, []):
        yield name, path.read_bytes()


def _sound_files(folder: Path, aside: list[SetAside]) -> Iterator[tuple[str, tuple[Path, str]]]:
    """By name: where each day file lies, and its SHA-256; what is none goes to ``aside``."""
    for path in day_files(folder):
        name = path.relative_to(folder).as_posix()
        start = hash_in_name(path.name)
        try:
            sha256 = _hashed(path)
        except OSError as error:
            aside.append(SetAside(name, f"it cannot be read: {error.strerror or error}"))
            continue
        except RecordError as error:
            aside.append(SetAside(name, error.what))
            continue
        if not start:
            reason = "it was copied in by hand. Add it with 'rillmark record'"
            aside.append(SetAside(name, reason, CHANGED))
        elif not sha256.startswith(start):
            aside.append(changed_since(name))
        else:
            yield name, (path, sha256)


def _hashed(path: Path) -> str:
    size = regular_size(path, error=RecordError)
    if size > MOST_BYTES:
        raise OSError(f"it has more than {MOST_BYTES:,} bytes")
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def held_lines(
    hashes: Mapping[str, str],
    fetch: Callable[[str], bytes],
    *,
    key: str,
    index: str | Path | None = None,
) -> dict[str, Held]:
    """What each day file holds, from a local index where that knows it, else fetched and parsed.

    Parameters
    ----------
    hashes
        SHA-256 of each day file, by name.
    fetch
        Gives the bytes of one.
    key
        Where they are kept; each place has an index of its own.

    Raises
    ------
    RecordError
        When a day file cannot be fetched, or is no longer the one that was hashed.
    """
    place = _index_path(key) if index is None else Path(index)
    for attempt in (place, place, None):  # as it is, made anew, in memory
        try:
            with _opened(attempt) as connection:
                return _brought_up_to_date(connection, hashes, fetch)
        except (sqlite3.Error, OSError, ValueError, TypeError) as error:
            if attempt is None:
                raise _unreadable("records", error) from error
            _throw_away(attempt)
    raise AssertionError("the last attempt returns or raises")  # pragma: no cover


def _remembered(key: str, index: str | Path | None) -> int:
    """How many day files the index knows of a place."""
    place = _index_path(key) if index is None else Path(index)
    try:
        with closing(sqlite3.connect(f"file:{quote(str(place))}?mode=ro", uri=True)) as connection:
            return int(connection.execute("select count(*) from files").fetchone()[0])
    except (sqlite3.Error, OSError):
        return 0


def _unreadable(place: str | Path, error: Exception) -> RecordError:
    return RecordError(
        f"the records cannot be read: {error}",
        where=str(place),
        hint="check the drive, and try again",
    )


def _index_path(key: str) -> Path:
    base = os.environ.get("RILLMARK_CACHE_DIR") or platformdirs.user_cache_dir(
        "rillmark", appauthor=False
    )
    name = hashlib.sha256(key.encode("utf-8", "surrogateescape")).hexdigest()
    return Path(base).expanduser() / "records" / f"{name[:16]}.sqlite"


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
            connection.execute(_TABLE)
            connection.execute(f"pragma user_version = {_VERSION}")
        connection.execute("commit")
        yield connection


def _brought_up_to_date(
    connection: sqlite3.Connection, hashes: Mapping[str, str], fetch: Callable[[str], bytes]
) -> dict[str, Held]:
    if not hashes:
        return {}  # what is known of a place that is not connected stays known
    connection.execute("begin immediate")
    held: dict[str, Held] = {}
    known = connection.execute("select name, sha256, held, crc32 from files").fetchall()
    for name, sha256, packed, crc32 in known:
        if hashes.get(name) == sha256 and zlib.crc32(packed) == crc32:
            lines, reasons, may_hold = json.loads(packed)
            held[name] = [(content, line) for content, line in lines], reasons, may_hold
        else:
            connection.execute("delete from files where name = ?", (name,))
    for name in sorted(hashes.keys() - held.keys()):
        held[name] = _parsed(fetch(name), name, hashes[name])
        packed = json.dumps(held[name]).encode()
        row = (name, hashes[name], packed, zlib.crc32(packed))
        connection.execute("insert into files values (?, ?, ?, ?)", row)
    connection.execute("commit")
    return held


def _parsed(content: bytes, name: str, sha256: str) -> Held:
    if hashlib.sha256(content).hexdigest() != sha256:
        raise RecordError(
            "a day file changed while it was read",
            where=name,
            hint="try again; if it happens again, restore the file from a copy",
        )
    try:
        day = parse_day_file(content, where=name)
    except RecordError as error:
        return [], [error.what], True
    return list(lines_of(day)), list(day.set_aside), day.may_hold
