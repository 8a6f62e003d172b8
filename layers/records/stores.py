"""Where the records are kept: a folder of day files, or a PostgreSQL database of them.

Both keep the day files as they came, byte by byte, and answer the same questions; an office that
outgrows a shared drive moves by adding its day files to the database.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator, Sequence, Set
from contextlib import suppress
from pathlib import Path
from typing import Final, Protocol

from layers.errors import RecordError
from layers.records.disposal import Disposed, dispose, disposed_ids
from layers.records.folder import Added, add_day_file, day_files
from layers.records.index import Indexed, read_records
from layers.records.settings import RecordsSection
from layers.store import file_sha256

ADDRESS_IN: Final = "RILLMARK_RECORDS_DATABASE"


class RecordStore(Protocol):
    """What `layers.records` asks of a place where day files are kept."""

    def add(self, content: bytes, *, where: str, county: str) -> Added:
        """Keep a day file, whole or not at all; the same file twice changes nothing."""

    def read(self) -> Indexed:
        """Every record once, without photos, and what could not be read."""

    def day_files(self) -> Iterator[tuple[str, bytes]]:
        """Name and content of every day file as it came, one at a time, by name."""

    def hashes(self) -> dict[str, str]:
        """Every day file with its SHA-256, by name."""

    def disposed(self) -> Set[str]:
        """Ids of the records that were taken out for good."""

    def dispose(self, gone: Sequence[Disposed], *, by: str, authority: str, at: dt.datetime) -> int:
        """Take records out for good and log it; how many day files were replaced."""


class FolderStore:
    """Day files in a folder, which may lie on a shared drive; see `layers.records.folder`."""

    def __init__(self, folder: str | Path, *, index: str | Path | None = None) -> None:
        self.folder = Path(folder)
        self._index = index

    def add(self, content: bytes, *, where: str, county: str) -> Added:
        """See `RecordStore.add`."""
        return add_day_file(self.folder, content, where=where, county=county)

    def read(self) -> Indexed:
        """See `RecordStore.read`."""
        return read_records(self.folder, index=self._index)

    def day_files(self) -> Iterator[tuple[str, bytes]]:
        """See `RecordStore.day_files`."""
        for path in day_files(self.folder):
            with suppress(OSError):  # what cannot be read is set aside, and said, by `read`
                yield self._name(path), path.read_bytes()

    def hashes(self) -> dict[str, str]:
        """See `RecordStore.hashes`."""
        found = {}
        for path in day_files(self.folder):
            with suppress(OSError):  # what cannot be read is set aside, and said, by `read`
                found[self._name(path)] = file_sha256(path)
        return found

    def disposed(self) -> Set[str]:
        """See `RecordStore.disposed`."""
        return disposed_ids(self.folder)

    def dispose(self, gone: Sequence[Disposed], *, by: str, authority: str, at: dt.datetime) -> int:
        """See `RecordStore.dispose`."""
        return dispose(self.folder, gone, by=by, authority=authority, at=at)

    def _name(self, path: Path) -> str:
        return path.relative_to(self.folder).as_posix()


def open_store(section: RecordsSection | None, base: Path) -> RecordStore:
    """The county's records, in the database named by the environment or the county file, if any.

    Parameters
    ----------
    base
        The folder of the county file, from which ``path`` is taken.

    Raises
    ------
    RecordError
        When neither a folder nor a database is named, or the database cannot be reached.
    """
    address = os.environ.get(ADDRESS_IN) or (section.database if section else None)
    if address:
        from layers.records.database import DatabaseStore

        return DatabaseStore(address)
    if section is None or section.path is None:
        raise RecordError(
            "the county file names no place for records",
            where="[records] of the county file",
            mend='add [records] with path = "records/" to it',
        )
    return FolderStore(base / section.path)
