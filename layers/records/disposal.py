"""Lawful disposal: a schedule, holds that stop it, and a log of what went.

Retention periods are set by law and differ from place to place; none is built in. Disposal is the
one time a day file is taken away: first the lines that stay are written to a new file, byte for
byte, then the log says what goes, and last the old file is removed. Cut anywhere in between, no
record that must stay is lost, and what must go goes at the next run.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from pathlib import Path
from typing import Final

from layers.errors import RecordError
from layers.fields.values import bare_id
from layers.records.day_file import day_file_name, parse_day_file, without_records
from layers.records.disposal_log import Disposed, log_record
from layers.records.folder import note_known, write_whole
from layers.records.in_force import Node, filed, in_force, subject_id
from layers.records.index import Indexed, sound_day_files
from layers.records.model import (
    Closure,
    Extension,
    Filed,
    Hold,
    HoldLifted,
    Record,
    SampleResult,
    Visit,
    Withdrawal,
    content_hash,
)

_DAYS_A_YEAR: Final = 365.2425


def due_for_disposal(
    records: Iterable[Record | Filed],
    keep_years: Mapping[str, float],
    *,
    today: dt.date,
    unit_ids: Set[str] | None = None,
) -> list[Disposed]:
    """Records older than the schedule keeps them that nothing protects.

    Parameters
    ----------
    records
        All of them.
    keep_years
        By kind of record; a kind that is not named is kept for good.
    unit_ids
        Units of the county's list; under any hold, a record of another unit stays.

    A hold protects what is of its unit, and whatever cannot be told to be of another; an id in
    dispute is kept until a person has settled it. Holds and what speaks of them are never disposed
    of. A word about another record (a result, a withdrawal, an extension, a closure) goes no sooner
    than what it speaks of.
    """
    every = filed(records)
    force = in_force(every)
    if any(not hold.unit_id for hold in force.holds):
        return []
    held = {_plain_id(hold.unit_id) for hold in force.holds}
    listed = None if unit_ids is None else {_plain_id(unit_id) for unit_id in unit_ids}
    disputed = {one.record_id for one in force.disputed}
    by_id: dict[str, list[Filed]] = {}
    sampled: dict[str, list[Filed]] = {}
    for one in every:
        by_id.setdefault(one.record.record_id, []).append(one)
        if isinstance(one.record, Visit):
            for sample in one.record.samples:
                sampled.setdefault(sample.number, []).append(one)

    def subjects(one: Filed) -> list[Filed]:
        record = one.record
        if isinstance(record, SampleResult):
            return sampled.get(record.number, [])
        if isinstance(record, (Withdrawal, Extension, Closure, HoldLifted)):
            return by_id.get(subject_id(record), [])
        return []

    going: dict[Node, Disposed] = {}
    for one in every:
        record = one.record
        roots = _roots(one, subjects)
        units = {root.record.unit_id for root in roots if isinstance(root.record, Visit)}
        plain = {_plain_id(unit_id) for unit_id in units}
        is_unknown = not plain or (listed is not None and not plain <= listed)
        is_protected = (
            record.record_id in disputed
            or any(isinstance(root.record, (Hold, HoldLifted)) for root in roots)
            or bool(held and (is_unknown or plain & held))
        )
        day = record.day if isinstance(record, Visit) else record.at.date()
        if not is_protected and _is_older(day, keep_years.get(record.kind), today):
            unit_id = ", ".join(sorted(units))
            node = (record.record_id, one.content)
            going[node] = Disposed(*node, record.kind, unit_id, day)
    is_settled = False
    while not is_settled:  # a word stays as long as what it speaks of; all of an id goes or none
        staying = [
            (one.record.record_id, one.content)
            for one in every
            if (one.record.record_id, one.content) in going
            and any(
                (other.record.record_id, other.content) not in going
                for other in (*subjects(one), *by_id[one.record.record_id])
            )
        ]
        for node in staying:
            del going[node]
        is_settled = not staying
    return list(going.values())


def _roots(one: Filed, subjects: Callable[[Filed], list[Filed]]) -> list[Filed]:
    """A record, what it speaks of, and what that speaks of in turn."""
    seen: dict[Node, Filed] = {}
    ahead = [one]
    while ahead:
        here = ahead.pop()
        node = (here.record.record_id, here.content)
        if node not in seen:
            seen[node] = here
            ahead += subjects(here)
    return list(seen.values())


def _plain_id(unit_id: str) -> str:
    """A unit's id as the most careless hand may have meant it: a hold protects too much."""
    return bare_id(unicodedata.normalize("NFKC", unit_id).strip())


def _is_older(day: dt.date, years: float | None, today: dt.date) -> bool:
    return years is not None and (today - day).days > years * _DAYS_A_YEAR


def still_due(
    wanted: Sequence[Disposed],
    found: Indexed,
    keep_years: Mapping[str, float],
    *,
    today: dt.date,
    unit_ids: Set[str] | None = None,
) -> list[Disposed]:
    """Those of some records that are due now too: a hold may have come in between.

    Raises
    ------
    RecordError
        When a day file cannot be read or is missing: a hold may stand in it.
    """
    unknown = sorted({aside.file for aside in found.set_aside if aside.may_hold})
    if wanted and unknown:
        raise RecordError(
            "nothing was deleted, because day files that may contain a hold are missing or"
            f" unreadable ({', '.join(unknown)})",
            where="records",
            hint="restore the file from a copy; if it is lost for good, report it with 'rillmark"
            " findings lost COUNTY.toml FILE'",
        )
    due = set(due_for_disposal(found.filed, keep_years, today=today, unit_ids=unit_ids))
    return [one for one in wanted if one in due]


def check_allowed(by: str, authority: str) -> None:
    """Refuse a disposal nobody answers for.

    Raises
    ------
    RecordError
        When nobody or nothing is named that allows it.
    """
    if not by.strip() or not authority.strip():
        raise RecordError(
            "--by or --authority is blank",
            where="records",
            hint="name the person, and the retention schedule or order that allows it",
        )


def take_out(
    folder: Path, gone: Sequence[Disposed], *, by: str, authority: str, at: dt.datetime
) -> int:
    """Take records out of a folder for good and log it; how many day files were replaced."""
    text = {"at": at.isoformat(), "by": by, "authority": authority}
    by_node = {(one.record_id, one.content): one for one in gone}
    replaced = 0
    for name, content in sound_day_files(folder):
        try:
            day = parse_day_file(content, where=name)
        except RecordError:
            continue  # set aside elsewhere; nothing in it is used
        mine = [(record.record_id, content_hash(record)) for record in day.records]
        going = {node for node in mine if node in by_node}
        if not going:
            continue
        rest = without_records(content, going)
        path = folder / name
        new = None if rest is None else path.parent / day_file_name(day, rest)
        if rest is not None and new is not None:
            write_whole(new, rest)
            note_known(folder, new.name, hashlib.sha256(rest).hexdigest())
        sha256, left = hashlib.sha256(content).hexdigest(), "" if new is None else new.name
        for node in sorted(going):
            log_record(folder, by_node[node], path.name, sha256, rest=left, **text)
        path.unlink()
        replaced += 1
    return replaced
