"""Where the records are kept: a folder of day files, or a PostgreSQL database of them.

Both keep the day files as they came, byte by byte, and answer the same questions; an office that
outgrows a shared drive moves by adding its day files to the database.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator, Mapping, Sequence, Set
from pathlib import Path
from typing import Final, Protocol

from layers.errors import RecordError
from layers.records.disposal import check_allowed, still_due, take_out
from layers.records.disposal_log import Disposed, log_file
from layers.records.folder import Added, add_day_file, known_sha256, refusals
from layers.records.index import GONE, Indexed, read_records, sound_day_files
from layers.settings.county_file import RecordsSection

ADDRESS_IN: Final = "RILLMARK_RECORDS_DATABASE"


class RecordStore(Protocol):
    """What `layers.records` asks of a place where day files are kept."""

    def prepare(
        self,
        *,
        readers: Sequence[str] = (),
        adders: Sequence[str] = (),
        disposers: Sequence[str] = (),
    ) -> None:
        """Make the place ready, once, as its owner, and say which roles may do what."""

    def add(self, content: bytes, *, where: str, county: str) -> Added:
        """Keep a day file, whole or not at all; the same file twice changes nothing."""

    def read(self) -> Indexed:
        """What is on file, without photos, and what could not be read or is missing."""

    def day_files(self) -> Iterator[tuple[str, bytes]]:
        """Name and content of every sound day file as it came, one at a time, by name."""

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
        """Take records out for good and log it.

        Those that are no longer due stay: a hold may have come in between. ``unit_ids``: see
        `layers.records.disposal.due_for_disposal`.

        Returns
        -------
        How many records went, and how many day files were replaced.
        """

    def give_up(self, name: str, *, by: str, reason: str, at: dt.datetime) -> None:
        """Log that a day file which is missing is lost for good."""


class FolderStore:
    """Day files in a folder, which may lie on a shared drive; see `layers.records.folder`."""

    def __init__(self, folder: str | Path, *, index: str | Path | None = None) -> None:
        self.folder = Path(folder)
        self._index = index

    def prepare(
        self,
        *,
        readers: Sequence[str] = (),
        adders: Sequence[str] = (),
        disposers: Sequence[str] = (),
    ) -> None:
        """See `RecordStore.prepare`.

        Raises
        ------
        RecordError
            When roles are named: who may do what with a folder is for the drive to say.
        """
        if readers or adders or disposers:
            raise RecordError(
                "roles work only with records in a database",
                where="[records] path",
                hint="set permissions on the drive, or use a database for the records",
            )
        with refusals(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)

    def add(self, content: bytes, *, where: str, county: str) -> Added:
        """See `RecordStore.add`."""
        return add_day_file(self.folder, content, where=where, county=county)

    def read(self) -> Indexed:
        """See `RecordStore.read`."""
        return read_records(self.folder, index=self._index)

    def day_files(self) -> Iterator[tuple[str, bytes]]:
        """See `RecordStore.day_files`."""
        return sound_day_files(self.folder)

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
        """See `RecordStore.dispose`."""
        check_allowed(by, authority)
        going = still_due(gone, self.read(), keep_years, today=at.date(), unit_ids=unit_ids)
        with refusals(self.folder):
            return len(going), take_out(self.folder, going, by=by, authority=authority, at=at)

    def give_up(self, name: str, *, by: str, reason: str, at: dt.datetime) -> None:
        """See `RecordStore.give_up`."""
        must_be_missing(self.read(), name)
        with refusals(self.folder):
            sha256 = known_sha256(self.folder, name)
            log_file(self.folder, name, sha256, at=at.isoformat(), by=by, lost=reason)


def must_be_missing(found: Indexed, name: str) -> None:
    """Refuse to give up a day file that is not missing.

    Raises
    ------
    RecordError
        When it is not.
    """
    missing = [aside.file for aside in found.set_aside if aside.code == GONE]
    if name not in missing:
        raise RecordError(
            f"{name!r} is not a missing day file",
            where="records",
            hint=f"use one of: {', '.join(missing) or '(no day file is missing)'}",
        )


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
            "the county file has no place for records",
            where="[records] of the county file",
            hint='add [records] with path = "records/"',
        )
    return FolderStore(base / section.path)
