"""Lawful disposal: a schedule, holds that stop it, and a log of what went.

Retention periods are set by law and differ from place to place; none is built in. Disposal is the
one time a day file is taken away: first the log says what goes, and from then on no copy of it is
read; then the records that stay are written to a new file, and last the old file is removed. Cut
anywhere in between, no record that must stay is lost, and what must go goes at the next run.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from layers.errors import RecordError
from layers.records.day_file import day_file_name, parse_day_file, without_records
from layers.records.folder import append_line, day_files, write_whole
from layers.records.model import Hold, HoldLifted, Record, Visit

LOG: Final = "disposal_log.jsonl"
_DAYS_A_YEAR: Final = 365.2425


@dataclass(frozen=True)
class Disposed:
    """One record that went, as the log keeps it: nothing of what it said."""

    record_id: str
    kind: str
    unit_id: str
    day: dt.date


def due_for_disposal(
    records: Sequence[Record], keep_years: Mapping[str, float], *, today: dt.date
) -> list[Disposed]:
    """Records older than the schedule keeps them and under no hold.

    Parameters
    ----------
    records
        All of them.
    keep_years
        By kind of record; a kind that is not named is kept for good.

    A word about another record (a result, an extension, a closure) goes no sooner than the visit
    it speaks of.
    """
    lifted = {r.of for r in records if isinstance(r, HoldLifted)}
    holds = [r for r in records if isinstance(r, Hold) and r.record_id not in lifted]
    if any(not hold.unit_id for hold in holds):
        return []
    held = {hold.unit_id for hold in holds}
    visits = {r.record_id: r for r in records if isinstance(r, Visit)}
    of_sample = {s.number: r for r in visits.values() for s in r.samples}
    gone = []
    for record in records:
        visit = record if isinstance(record, Visit) else _spoken_of(record, visits, of_sample)
        unit_id = "" if visit is None else visit.unit_id
        day = record.day if isinstance(record, Visit) else record.at.date()
        is_old = _is_older(day, keep_years.get(record.kind), today)
        if visit is not None and visit is not record:
            is_old = is_old and _is_older(visit.day, keep_years.get("visit"), today)
        if is_old and unit_id not in held and not isinstance(record, (Hold, HoldLifted)):
            gone.append(Disposed(record.record_id, record.kind, unit_id, day))
    return gone


def _is_older(day: dt.date, years: float | None, today: dt.date) -> bool:
    return years is not None and (today - day).days > years * _DAYS_A_YEAR


def _spoken_of(
    record: Record, visits: Mapping[str, Visit], of_sample: Mapping[str, Visit]
) -> Visit | None:
    number = getattr(record, "number", None)
    if number is not None:
        return of_sample.get(number)
    return visits.get(str(getattr(record, "of", "")).split("/")[0])


def dispose(
    folder: str | Path,
    gone: Sequence[Disposed],
    *,
    by: str,
    authority: str,
    at: dt.datetime,
) -> int:
    """Take records out of the folder for good and log it; how many day files were replaced.

    Parameters
    ----------
    authority
        What allows it: the schedule or order, in words.

    Raises
    ------
    RecordError
        When nobody or nothing is named that allows it.
    """
    check_allowed(by, authority)
    folder = Path(folder)
    for record in gone:
        line = {
            "at": at.isoformat(), "by": by, "authority": authority, "record_id": record.record_id,
            "kind": record.kind, "unit_id": record.unit_id, "day": record.day.isoformat(),
        }  # fmt: skip
        append_line(folder / LOG, json.dumps(line, sort_keys=True, ensure_ascii=False))
    return _take_out(folder, disposed_ids(folder))


def check_allowed(by: str, authority: str) -> None:
    """Refuse a disposal nobody answers for.

    Raises
    ------
    RecordError
        When nobody or nothing is named that allows it.
    """
    if not by.strip() or not authority.strip():
        raise RecordError(
            "disposal needs who does it and what allows it",
            where="records",
            mend="name the person, and the retention schedule or order",
        )


def _take_out(folder: Path, ids: set[str]) -> int:
    """Replace every day file that holds one of ``ids`` by one without; how many there were."""
    replaced = 0
    for path in day_files(folder):
        try:
            day = parse_day_file(path.read_bytes(), where=path.name)
        except RecordError:
            continue  # damaged: set aside elsewhere, nothing in it is used
        if ids.isdisjoint(record.record_id for record in day.records):
            continue
        if (content := without_records(day, ids)) is not None:
            write_whole(path.parent / day_file_name(day, content), content)
        path.unlink()
        replaced += 1
    return replaced


def disposed_ids(folder: str | Path) -> set[str]:
    """Ids the log says are gone: an old copy of their day file does not bring them back."""
    path = Path(folder) / LOG
    if not path.is_file():
        return set()
    ids = set()
    for line in path.read_text("utf-8").splitlines():
        try:
            ids.add(json.loads(line)["record_id"])
        except (ValueError, KeyError, TypeError):
            continue  # a line cut short by a crash: the record is still in its file
    return ids
