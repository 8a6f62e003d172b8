"""Photos as they stand in the day files; the index leaves them out."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
from collections.abc import Container, Iterator, Set
from contextlib import suppress
from dataclasses import dataclass

from layers.errors import RecordError
from layers.records.day_file import parse_day_file, rewritten
from layers.records.in_force import Node
from layers.records.jpeg import without_metadata
from layers.records.model import Photo, Visit, content_hash, parse_record, record_line
from layers.records.stores import RecordStore


@dataclass(frozen=True)
class KeptPhoto:
    """One photo of a visit.

    ``number`` counts those of its visit from 1; ``jpeg`` is the picture without its metadata, None
    where the text is no JPEG picture.
    """

    record_id: str
    unit_id: str
    day: dt.date
    by: str
    number: int
    note: str
    jpeg: bytes | None

    @property
    def file_name(self) -> str | None:
        """Of its picture alone: two pictures are never one file, and no id is part of a path."""
        return None if self.jpeg is None else f"photo_{hashlib.sha256(self.jpeg).hexdigest()}.jpg"


def photos(store: RecordStore, visits: Set[str]) -> Iterator[KeptPhoto]:
    """The photos of some visits by their record ids, in the order of the day files.

    A record that stands in several day files is given once, one that differs in them as often as
    it differs. One day file is held at a time. One that cannot be read is passed over: the records
    say so.
    """
    given: set[str] = set()
    for name, content in store.day_files():
        with suppress(RecordError):
            for record in parse_day_file(content, where=name).records:
                if not isinstance(record, Visit) or record.record_id not in visits:
                    continue
                if (same := content_hash(record)) in given:
                    continue
                given.add(same)
                for number, photo in enumerate(record.photos, start=1):
                    yield KeptPhoto(
                        record.record_id, record.unit_id, record.day, record.by, number,
                        photo.note, _picture(photo),
                    )  # fmt: skip


@dataclass(frozen=True)
class Stripped:
    """A day file whose photos hold no metadata.

    Attributes
    ----------
    content
        The file as it came where there was none; else with those photos' texts changed and nothing
        more, so that the same file gives the same bytes.
    removed
        From how many photos metadata was removed.
    no_picture
        How many are no JPEG picture; they stay as they came and are never shown.
    """

    content: bytes
    removed: int = 0
    no_picture: int = 0


def strip_photos(content: bytes, on_file: Container[Node], *, where: str) -> Stripped:
    """A day file without the metadata of its photos: positions, times and devices.

    Parameters
    ----------
    on_file
        Records that were kept as they came, by id and content hash; they stay what they are.

    Raises
    ------
    RecordError
        When it is no day file.
    """
    if b'"photos"' not in content:
        return Stripped(content)
    parse_day_file(content, where=where)
    removed = no_picture = 0

    def bare(line: bytes) -> bytes:
        nonlocal removed, no_picture
        with suppress(RecordError):  # what is no record is kept as it came, and said elsewhere
            record = parse_record(line)
            is_kept = (record.record_id, content_hash(record)) in on_file
            if isinstance(record, Visit) and record.photos and not is_kept:
                some = [_bare(photo) for photo in record.photos]
                new = tuple(b or p for b, p in zip(some, record.photos, strict=True))
                no_picture += some.count(None)
                changed = sum(b != p for b, p in zip(new, record.photos, strict=True))
                removed += changed
                if changed:
                    return record_line(record.model_copy(update={"photos": new})).encode("utf-8")
        return line

    return Stripped(rewritten(content, bare) or content, removed, no_picture)


def _bare(photo: Photo) -> Photo | None:
    """A photo without metadata, itself where it had none; None where it is no picture."""
    picture = _picture(photo)
    if picture is None:
        return None
    text = base64.b64encode(picture).decode("ascii")
    return photo if text == photo.jpeg else photo.model_copy(update={"jpeg": text})


def _picture(photo: Photo) -> bytes | None:
    """The picture of a photo without its metadata; None where its text is no JPEG picture."""
    try:
        return without_metadata(base64.b64decode(photo.jpeg, validate=True))
    except ValueError:  # not base64, not a JPEG, or a broken one
        return None
