"""The key of a county's record pages: made once, and the same in every later page.

Drafts lie on a phone under this key, so that other local pages cannot read them and tomorrow's page
opens today's. It stands in the page's file and in a file of its own, in no other output.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import secrets
import time
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from layers.errors import RecordError

KEY_BYTES: Final = 32  # AES-256
_VERSION: Final = 1
_FOLDERS_UP: Final = 3  # above an assessment: as deep as offices nest them
_WAIT_S: Final = 2.0  # for another command that is writing the file just now


@dataclass(frozen=True)
class PageKey:
    """The key, its file, whether it was made just now, and whether it outlives the assessment."""

    key: bytes
    path: Path
    is_new: bool
    is_lasting: bool


def page_key(folder: Path, county: str) -> PageKey:
    """The key of the county whose assessment lies in ``folder``; made where there is none.

    It is looked for in the folders above the assessment, nearest first, then in the assessment. A
    new one goes beside the county file, where a folder above holds one of that name; else beside
    the assessment; else, where nobody may write there, into the assessment.

    Raises
    ------
    RecordError
        If the file is damaged or of another county, or none can be written. No file that is there
        is ever written over.
    """
    folder = folder.resolve()
    above = list(folder.parents)[:_FOLDERS_UP]
    name = _file_name(county)
    for place in (*above, folder):
        if (place / name).exists():
            key = _read(place / name, county)
            return PageKey(key, place / name, is_new=False, is_lasting=place != folder)
    text: OSError | None = None
    for place in _places(folder, above, county):
        try:
            is_new = _make(place / name, county)
        except OSError as error:
            text = error
            continue
        key = _read(place / name, county)  # another command's, where it was first
        return PageKey(key, place / name, is_new=is_new, is_lasting=place != folder)
    raise RecordError(
        f"cannot write the key of the record pages: {text and text.strerror}",
        where=str(folder.parent / name),
        hint="use a folder that you can write to",
    )


def _places(folder: Path, above: list[Path], county: str) -> Iterator[Path]:
    yield from (place for place in above if _is_of(place / "county.toml", county))
    yield from above[:1]
    yield folder


def _is_of(county_file: Path, county: str) -> bool:
    with suppress(OSError, ValueError):
        shown = tomllib.loads(county_file.read_text("utf-8")).get("county")
        return isinstance(shown, dict) and shown.get("name") == county
    return False


def _file_name(county: str) -> str:
    plain = re.sub(r"[^a-z0-9]+", "_", county.lower()).strip("_")[:40] or "county"
    digest = hashlib.sha256(county.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"record_page_{plain}_{digest}.key"


def _make(path: Path, county: str) -> bool:
    """Whether the file was made: whole, for its owner alone, and only where there is none."""
    key = base64.b64encode(secrets.token_bytes(KEY_BYTES)).decode("ascii")
    text = json.dumps({"record_page_key": _VERSION, "county": county, "key": key}) + "\n"
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    _write_new(part, text)
    try:
        os.link(part, path)  # at once, and not over another's
    except FileExistsError:
        return False
    except OSError:  # a disk without links
        try:
            _write_new(path, text)
        except FileExistsError:
            return False
    finally:
        part.unlink(missing_ok=True)
    return True


def _write_new(path: Path, text: str) -> None:
    number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(number, "w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())


def _read(path: Path, county: str) -> bytes:
    deadline = time.monotonic() + _WAIT_S
    while (key := _key_of(path, county)) is None:
        if time.monotonic() > deadline:
            raise RecordError(
                f"it is not the key of the record pages of {county}, or it is damaged",
                where=str(path),
                hint="restore it from a copy. If there is none, first export all drafts from the"
                " phones. Then move this file; a new key is made, which cannot open old drafts",
            )
        time.sleep(0.05)
    return key


def _key_of(path: Path, county: str) -> bytes | None:
    """The key in a file; None where it is damaged or of another county."""
    try:
        shown = json.loads(path.read_text("utf-8"))
        key = base64.b64decode(shown["key"], validate=True)
        is_ours = shown["county"] == county and shown["record_page_key"] == _VERSION
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return key if is_ours and len(key) == KEY_BYTES else None
