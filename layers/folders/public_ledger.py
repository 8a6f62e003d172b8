"""What was given out to everybody: `[public]` of the county file, and the file that keeps it.

The file, ``public_edition.json``, lies beside the folder of the assessment unless `[public]` names
another place, so that neither `--overwrite` nor a folder for each season hides the last edition
from the next. It is written before a public page is: what it lists may not all have been read by
anyone, but nothing was given out that it does not list. A file that cannot be read stops the work:
taken for a missing one, it would begin anew, and the old edition and the new one could be
subtracted.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import Field, ValidationError

from layers.errors import PublicLedgerError
from layers.folders.lock import one_writer
from layers.outputs.run import Run
from layers.settings.county_file import PublicSection
from layers.settings.settings_file import Model

LEDGER: Final = "public_edition.json"
_FOLDERS_UP: Final = 3  # above an assessment: as deep as offices nest them
VERSION: Final = 1
_NOTE: Final = (
    "Staff only. The numbers of each public edition; the next edition is checked against them."
    " Keep this file. Without it, comparing two editions may reveal a household."
)
_LARGEST: Final = 100_000_000  # bytes
_HINT: Final = (
    "restore the newest copy of this file from a backup. Only if there is none, move this file"
    " away. Comparing the next edition with the last may then reveal a household"
)

Count = Annotated[int, Field(ge=0)]
Step = Annotated[int, Field(ge=0, le=4)]
Box = tuple[int, int, int, int]


class Cell(Model):
    """An area of the public map: its box in whole kilometers, its units, the steps of its shares.

    A step is kept also while it is not told (`Edition.shown`).
    """

    box: Box
    units: Count
    first: Step | None = None
    wet: Step | None = None


class Edition(Model):
    """Every number of one public edition: of the map, and of the report.

    Attributes
    ----------
    as_of
        The day it speaks for.
    made_from
        A hash of all that it was counted from: the same again is the same edition.
    crs
        The system of the cells' boxes.
    cells
        In the order of the map's table.
    shown
        Which shares of the cells are told: ``first``, ``wet``.
    counts
        By what is counted, in fives; also those too small to be shown.
    """

    as_of: str
    made_from: str
    crs: str
    cells: tuple[Cell, ...]
    shown: tuple[str, ...]
    counts: Mapping[str, Count]


class _File(Model):
    public_edition: int
    note: str
    county: str
    editions: Annotated[tuple[Edition, ...], Field(min_length=1)]
    sha256: str


@dataclass(frozen=True)
class PublicLedger:
    """The editions given out so far, oldest first, and the bytes they were read from."""

    path: Path
    county: str
    editions: tuple[Edition, ...] = ()
    read_from: bytes | None = None


def public_section_on_record(run: Run) -> PublicSection:
    """`[public]` among the settings of a run, checked anew; the defaults where there is none.

    Raises
    ------
    PublicLedgerError
        For settings that `PublicSection` refuses: the folder was changed by hand.
    """
    try:
        return PublicSection.model_validate(run.settings.get("public") or {})
    except ValidationError as error:
        raise PublicLedgerError(
            f"the settings of public editions cannot be used: {error.errors()[0]['msg']}",
            where="settings, public, in run.json of the assessment",
            hint="correct [public] in county.toml and run 'rillmark assess' again",
        ) from error


def ledger_path(folder: str | Path, section: PublicSection) -> Path:
    """Where the ledger of an assessment's public editions lies.

    The nearest one in the folders above the assessment, so that a folder for each year does not
    begin anew; where there is none, beside the assessment.
    """
    if section.last_edition is not None:
        return Path(section.last_edition)
    above = list(Path(folder).resolve().parents)
    near = [place / LEDGER for place in above[:_FOLDERS_UP]]
    return next((path for path in near if path.exists() or path.is_symlink()), near[0])


def read_ledger(path: Path, county: str) -> PublicLedger:
    """The editions in a ledger; none where there is no file yet.

    Raises
    ------
    PublicLedgerError
        If its folder is not there, or the file cannot be read, is damaged, is of another county or
        of a newer version.
    """
    if not path.parent.is_dir():
        raise PublicLedgerError(
            "the folder with the record of public editions does not exist",
            where=str(path.parent),
            hint="connect the drive; or set last_edition in [public] of county.toml to another file"
            " and run 'rillmark assess' again",
        )
    if not path.exists() and not path.is_symlink():
        return PublicLedger(path, county)
    content = _bytes_of(path)
    try:
        data = json.loads(content.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise _damaged(path, "it is not a complete JSON file") from error
    version = data.get("public_edition") if isinstance(data, dict) else None
    if isinstance(version, int) and version > VERSION:
        raise PublicLedgerError(
            "the record of public editions was written by a newer Rillmark",
            where=str(path),
            hint="use that version for the next edition",
        )
    try:
        held = _File.model_validate(data)
    except (ValidationError, RecursionError) as error:
        raise _damaged(path, "a required entry is missing or wrong") from error
    if held.sha256 != _checksum(data):
        raise _damaged(path, "its checksum does not match its content")
    if held.county != county:
        raise PublicLedgerError(
            f"the record of public editions is for {held.county!r}, not {county!r}",
            where=str(path),
            hint="set last_edition in [public] of county.toml to another file and run"
            " 'rillmark assess' again; or, if it is the same county, use its old name",
        )
    return PublicLedger(path, county, held.editions, content)


def add_edition(ledger: PublicLedger, edition: Edition) -> PublicLedger:
    """The ledger with one edition more, written whole or not at all.

    Raises
    ------
    PublicLedgerError
        If the file changed since it was read, or cannot be written.
    """
    path = ledger.path
    editions = (*ledger.editions, edition)
    data: dict[str, Any] = {
        "public_edition": VERSION,
        "note": _NOTE,
        "county": ledger.county,
        "editions": [e.model_dump(mode="json") for e in editions],
    }
    text = json.dumps(data | {"sha256": _checksum(data)}, indent=1) + "\n"
    content = text.encode("utf-8")
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with one_writer(path.with_name(f".{path.name}.lock"), of=path):
            if (_bytes_of(path) if path.exists() else None) != ledger.read_from:
                raise PublicLedgerError(
                    "another public edition was made at the same time",
                    where=str(path),
                    hint="run the command again",
                )
            try:
                with part.open("xb") as stream:
                    stream.write(content)
                part.replace(path)
            finally:
                part.unlink(missing_ok=True)
    except OSError as error:
        raise PublicLedgerError(
            f"cannot write the record of public editions: {error.strerror or error}",
            where=str(path),
            hint="free disk space or get permission to write there; or set last_edition in [public]"
            " of county.toml to another file and run 'rillmark assess' again",
        ) from error
    return PublicLedger(path, ledger.county, editions, content)


def _bytes_of(path: Path) -> bytes:
    try:
        if not path.is_file():
            raise _damaged(path, "it is not a regular file")
        if path.stat().st_size > _LARGEST:
            raise _damaged(path, f"it is larger than {_LARGEST:,} bytes")
        return path.read_bytes()
    except OSError as error:
        raise PublicLedgerError(
            f"cannot read the record of public editions: {error.strerror or error}",
            where=str(path),
            hint="get permission to read it. Do not move it",
        ) from error


def _damaged(path: Path, why: str) -> PublicLedgerError:
    return PublicLedgerError(
        f"the record of public editions is damaged: {why}", where=str(path), hint=_HINT
    )


def _checksum(data: Mapping[str, Any]) -> str:
    claimed = {key: value for key, value in data.items() if key != "sha256"}
    text = json.dumps(claimed, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
