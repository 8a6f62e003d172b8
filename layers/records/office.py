"""Words the office adds, each a record of its own: withdrawals, extensions, closures, holds."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any, Final

from pydantic import ValidationError

from layers.errors import RecordError
from layers.records.day_file import DayFile, write_day_file
from layers.records.folder import Added
from layers.records.index import Indexed
from layers.records.model import (
    Closure,
    Extension,
    Hold,
    HoldLifted,
    SampleResult,
    Visit,
    Withdrawal,
)
from layers.records.standing import shortly
from layers.records.stores import RecordStore
from layers.settings.settings_file import Model, fault_words

_LEAST_START: Final = 6  # digits of a hash that a person types
KINDS: Final[dict[str, type[Model]]] = {
    "withdrawal": Withdrawal,
    "extension": Extension,
    "closure": Closure,
    "hold": Hold,
    "hold_lifted": HoldLifted,
    "sample_result": SampleResult,
}


def add_word(
    store: RecordStore, kind: str, *, county: str, by: str, at: dt.datetime, **fields: Any
) -> Added:
    """Add one word of the office to the records.

    Parameters
    ----------
    kind
        A key of `KINDS`; ``fields`` are those of its model. Of ``content`` the start is enough;
        it is needed only where the id stands for several.

    Raises
    ------
    RecordError
        When it speaks of a record or follow-up that is not there, or a field is not as it must be.
    """
    text = {"by": by} | fields
    text = {
        key: value.replace("\x00", "").strip() if isinstance(value, str) else value
        for key, value in text.items()
    }
    if "of" in text:
        text["content"] = _content_meant(
            store.read(), kind, str(text["of"]), str(text.get("content", ""))
        )
    try:
        record: Any = KINDS[kind].model_validate(
            {"kind": kind, "record_id": str(uuid.uuid4()), "county": county, "at": at} | text
        )
    except ValidationError as error:
        raise RecordError(
            "; ".join(
                fault_words(fault, KINDS[kind]).removeprefix("the file: ")
                for fault in error.errors()
            ),
            where=kind.replace("_", " "),
            hint="correct this value",
        ) from error
    content = write_day_file(DayFile(county, at.date(), record.by, (record,)))
    return store.add(content, where=kind, county=county)


def _content_meant(found: Indexed, kind: str, of: str, start: str) -> str:
    """The content that a word is about, which is kept with it."""
    force = found.in_force()
    if kind in ("extension", "closure"):
        record_id, _, number = of.rpartition("/")
        visit = next((r for r in force.records if r.record_id == record_id), None)
        count = len(visit.findings) if isinstance(visit, Visit) else 0
        if number not in {str(n + 1) for n in range(count)}:
            raise _no_such("follow-up", of)
        return force.content_of(record_id)
    if kind == "hold_lifted" and of not in {hold.record_id for hold in force.holds}:
        raise _no_such("hold", of)
    disputed = next((d.contents for d in force.disputed if d.record_id == of), None)
    if disputed is None:
        only = force.content_of(of)
        if not only or not only.startswith(start):
            if any(r.record_id == of for r, _ in force.withdrawn):
                raise RecordError(
                    f"the record {of!r} was already withdrawn",
                    where="records",
                    hint="to bring it back, withdraw its withdrawal",
                )
            raise _no_such("record", f"{of} {start}".strip())
        return only
    meant = [one.content for one in disputed if one.content.startswith(start)]
    if len(meant) != 1 or len(start) < _LEAST_START or kind != "withdrawal":
        choices = "; ".join(f"{o.content[:12]}: {shortly(o.record)}" for o in disputed)
        raise RecordError(
            f"the id {of!r} has several contents: {choices}",
            where="records",
            hint=f"withdraw the wrong one first: 'rillmark findings withdraw COUNTY.toml {of}"
            f" --content ...', with at least {_LEAST_START} digits of its hash",
        )
    return meant[0]


def _no_such(what: str, of: str) -> RecordError:
    return RecordError(
        f"there is no {what} {of!r}",
        where="records",
        hint="'rillmark findings list COUNTY.toml' lists the ids",
    )
