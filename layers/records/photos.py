"""Photos as they stand in the day files; the index leaves them out."""

from __future__ import annotations

import base64
import datetime as dt
from collections.abc import Iterator, Set
from contextlib import suppress
from dataclasses import dataclass

from layers.errors import RecordError
from layers.records.day_file import parse_day_file
from layers.records.model import Visit
from layers.records.stores import RecordStore


@dataclass(frozen=True)
class KeptPhoto:
    """One photo of a visit.

    ``number`` counts those of its visit from 1; ``jpeg`` is None where its text is no picture.
    """

    record_id: str
    unit_id: str
    day: dt.date
    by: str
    number: int
    note: str
    jpeg: bytes | None


def photos(store: RecordStore, visits: Set[str]) -> Iterator[KeptPhoto]:
    """The photos of some visits by their record ids, each once, in the order of the day files.

    One day file is held at a time. One that cannot be read is passed over: the records say so.
    """
    wanted = set(visits)
    for name, content in store.day_files():
        with suppress(RecordError):
            for record in parse_day_file(content, where=name).records:
                if isinstance(record, Visit) and record.record_id in wanted:
                    wanted.discard(record.record_id)
                    for number, photo in enumerate(record.photos, start=1):
                        yield KeptPhoto(
                            record.record_id, record.unit_id, record.day, record.by, number,
                            photo.note, _decoded(photo.jpeg),
                        )  # fmt: skip


def _decoded(text: str) -> bytes | None:
    try:
        return base64.b64decode(text)
    except ValueError:  # of a length that base64 does not have
        return None
