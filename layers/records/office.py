"""Words the office adds, each a record of its own: withdrawals, extensions, closures, holds."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any, Final

from pydantic import ValidationError

from layers.errors import RecordError
from layers.records.day_file import DayFile, write_day_file
from layers.records.folder import Added
from layers.records.model import (
    Closure,
    Extension,
    Hold,
    HoldLifted,
    SampleResult,
    Visit,
    Withdrawal,
)
from layers.records.stores import RecordStore
from layers.settings_file import Model, fault_words

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
        A key of `KINDS`; ``fields`` are those of its model.

    Raises
    ------
    RecordError
        When it speaks of a record or follow-up that is not there, or a field is not as it must be.
    """
    said = {"by": by} | fields
    said = {key: value.strip() if isinstance(value, str) else value for key, value in said.items()}
    if "of" in fields:
        _must_be_there(store, kind, str(fields["of"]))
    try:
        record: Any = KINDS[kind].model_validate(
            {"kind": kind, "record_id": str(uuid.uuid4()), "county": county, "at": at} | said
        )
    except ValidationError as error:
        raise RecordError(
            "; ".join(
                fault_words(fault, KINDS[kind]).removeprefix("the file: ")
                for fault in error.errors()
            ),
            where=kind.replace("_", " "),
            mend="mend the value named",
        ) from error
    content = write_day_file(DayFile(county, at.date(), record.by, (record,)))
    return store.add(content, where=kind, county=county)


def _must_be_there(store: RecordStore, kind: str, of: str) -> None:
    records = store.read().records
    if kind in ("extension", "closure"):
        known = {
            f"{r.record_id}/{n}"
            for r in records
            if isinstance(r, Visit)
            for n in range(1, len(r.findings) + 1)
        }
        what = "follow-up"
    elif kind == "hold_lifted":
        known = {r.record_id for r in records if isinstance(r, Hold)}
        what = "hold"
    else:
        known = {r.record_id for r in records}
        what = "record"
    if of not in known:
        raise RecordError(
            f"there is no {what} {of!r}",
            where="records",
            mend="'rillmark findings list COUNTY.toml' gives the ids",
        )
