"""The county's records folder: day files, added whole or not at all and never rewritten.

It may lie on a shared drive. A file is written under a temporary name beside its place and
renamed, so that a reader sees all of it or nothing; its name holds the hash of its bytes, so that
the same file twice is one file and two people never write to one name.

The folder `known` in it is a ledger and no cache: a small file for each day file that was ever
kept, so that one that is gone without a disposal is noticed. Each has a file of its own, since
several computers write to a shared drive at once.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import time
from collections.abc import Iterator, Mapping, Set
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Final

from layers.errors import RecordError
from layers.records.day_file import (
    HASHED,
    SUFFIX,
    DayFile,
    day_file_name,
    hash_in_name,
    parse_day_file,
)

LEDGER: Final = "known"
_PART: Final = ".part"
_PART_OLD_S: Final = 24 * 3600  # a temporary file this old was left by a process that is gone


@dataclass(frozen=True)
class Added:
    """What became of one day file.

    Attributes
    ----------
    path
        Where it stands.
    day
        What it holds.
    is_new
        False where the same file stood there already.
    """

    path: PurePath
    day: DayFile
    is_new: bool


def add_day_file(folder: str | Path, content: bytes, *, where: str, county: str) -> Added:
    """Put a day file into the records folder, whole or not at all.

    Parameters
    ----------
    folder
        Made where it is missing.
    content
        The bytes of the file.
    where
        What to call it in a message.
    county
        The county whose records these are; a file of another one is refused.

    Raises
    ------
    RecordError
        When the file is damaged or of another county, or the folder cannot be written.
    """
    folder = Path(folder)
    day = parse_day_file(content, where=where)
    if day.county != county:
        raise RecordError(
            f"the file is from {day.county!r}, but these are the records of {county!r}",
            where=where,
            hint="use the county file of its own county",
        )
    path = folder / f"{day.day.year:04d}" / day_file_name(day, content)
    with refusals(folder):
        path.parent.mkdir(parents=True, exist_ok=True)
        _sweep(path.parent)
        is_new = not path.exists() or path.read_bytes() != content
        if is_new:
            write_whole(path, content)
        try:
            note_known(folder, path.name, hashlib.sha256(content).hexdigest())
        except OSError:
            if is_new:  # said to be refused, it must not be there
                path.unlink(missing_ok=True)
            raise
    return Added(path, day, is_new=is_new)


def note_known(folder: Path, name: str, sha256: str) -> None:
    """Put a day file on the ledger, if it is not there yet."""
    place = folder / LEDGER / f"{name.removesuffix(SUFFIX)}.json"
    if place.exists():
        return
    place.parent.mkdir(parents=True, exist_ok=True)
    text = {"file": name, "sha256": sha256}
    write_whole(place, (json.dumps(text, sort_keys=True) + "\n").encode())


def known_sha256(folder: Path, name: str) -> str:
    """The SHA-256 of a day file on the ledger, or the start of it that its name holds."""
    start = hash_in_name(name)
    try:
        text = json.loads((folder / LEDGER / f"{Path(name).stem}.json").read_bytes())["sha256"]
    except (OSError, ValueError, KeyError, TypeError):
        return start
    return text if isinstance(text, str) and text.startswith(start) else start


def brought_on_ledger(folder: Path, hashes: Mapping[str, str]) -> None:
    """Put day files on the ledger that version 0.1 or a person left in the folder.

    A folder that may only be read stays as it is.
    """
    with suppress(OSError):
        known = set(_ledger(folder).values())
        for name, sha256 in hashes.items():
            if hash_in_name(name) not in known:
                note_known(folder, name, sha256)


def missing_files(folder: Path, there: Set[str], gone: Set[str]) -> list[str]:
    """Names of day files on the ledger that are not in the folder any more.

    Parameters
    ----------
    there
        Names of the day files that are.
    gone
        SHA-256 of those that were disposed of.

    Raises
    ------
    OSError
        When the ledger cannot be read.
    """
    starts = {hash_in_name(name) for name in there}
    starts |= {sha256[:HASHED] for sha256 in gone}
    return sorted(name for name, start in _ledger(folder).items() if start not in starts)


def _ledger(folder: Path) -> dict[str, str]:
    """Name and start of the hash of each day file on the ledger."""
    try:
        found = [path.name for path in (folder / LEDGER).iterdir()]
    except FileNotFoundError:
        return {}
    names = [f"{name[:-5]}{SUFFIX}" for name in found if name.endswith(".json") and name[0] != "."]
    return {name: start for name in names if (start := hash_in_name(name))}


def day_files(folder: str | Path) -> list[Path]:
    """Every day file of a records folder, in the order of their names; none where it is missing.

    Raises
    ------
    RecordError
        When a file stands where the folder should, or it cannot be read.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise RecordError(
            "the place for the records is a file, not a folder",
            where=str(folder),
            hint="name a folder in [records] of the county file; Rillmark creates it if needed",
        )
    with refusals(folder):
        years = [p for p in folder.iterdir() if p.is_dir()] if folder.is_dir() else []
        found = [path for year in years for path in year.iterdir()]  # a glob hides refusals
        return sorted(p for p in found if p.name.endswith(SUFFIX) and p.name[0] != ".")


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under a temporary name, make sure it is on the disk, and rename it."""
    part = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}{_PART}")
    try:
        with part.open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _settle(path.parent)


def append_line(path: Path, line: str) -> None:
    """Add a line to a log, on the disk before this returns; half a line before it is ended."""
    is_cut = path.exists() and not path.read_bytes().endswith(b"\n")
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
    try:
        os.write(descriptor, (("\n" if is_cut else "") + line + "\n").encode("utf-8"))
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    _settle(path.parent)


def _settle(folder: Path) -> None:
    """Make sure a rename is on the disk; where a drive cannot do that, it does it on its own."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(descriptor)
    except OSError:
        pass
    finally:
        os.close(descriptor)


def _sweep(folder: Path) -> None:
    """Remove temporary files of processes long gone."""
    for part in folder.glob(f".*{_PART}"):
        try:
            if time.time() - part.stat().st_mtime > _PART_OLD_S:
                part.unlink()
        except OSError:
            continue


@contextmanager
def refusals(folder: Path) -> Iterator[None]:
    """The system's refusals as one clear message."""
    try:
        yield
    except OSError as error:
        raise RecordError(
            f"the records folder cannot be used: {error.strerror or error}",
            where=str(error.filename or folder),
            hint="free disk space, get permission to write there, or name another folder in"
            " [records] of the county file",
        ) from error
