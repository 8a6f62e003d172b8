"""The records of each unit, gathered: its visits, complaints and permit, as known on a day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from layers.fields.schemas import UNIT_KINDS


@dataclass(frozen=True)
class Visit:
    """A visit that was made; only a completed one resets a clock."""

    day: dt.date
    is_completed: bool
    result: str
    id: str
    row: int


@dataclass(frozen=True)
class Complaint:
    """A complaint that the office has not closed; who made it is not kept."""

    day: dt.date | None
    id: str
    row: int


@dataclass(frozen=True)
class Permit:
    """The permit a unit stands under; ``kind`` is empty where none is on record."""

    id: str
    row: int
    kind: str
    issued: dt.date | None
    expires: dt.date | None
    service_until: dt.date | None
    last_sampled: dt.date | None
    sample_interval_days: int | None


@dataclass(frozen=True)
class UnitRecords:
    """Everything on record of one unit; visits and complaints oldest first."""

    unit_id: str
    row: int
    kind: str
    status: str
    installed: dt.date | None
    visits: list[Visit]
    complaints: list[Complaint]
    permit: Permit | None
    first_issued: dt.date | None

    @cached_property
    def last_completed(self) -> Visit | None:
        """The last completed visit, or None."""
        return next((v for v in reversed(self.visits) if v.is_completed), None)

    def completed_since(self, day: dt.date) -> bool:
        """Whether a visit on or after the day was completed."""
        last = self.last_completed
        return last is not None and last.day >= day


def unit_records(
    units: pd.DataFrame,
    inspections: pd.DataFrame | None,
    complaints: pd.DataFrame | None,
    permits: pd.DataFrame | None,
    as_of: dt.date,
) -> Iterator[UnitRecords]:
    """The records of each unit in the order of ``units``, as known on the day ``as_of``.

    Visits, complaints and permits of later days are left out. Of several permits of a unit the
    one issued last counts. Tables and columns are those of `geo.programme.owed.owed_visits`;
    what a table does not have is not known.
    """
    visits = _visits(inspections, as_of)
    heard = _complaints(complaints, as_of)
    held, first_issued = _permits(permits, as_of)
    columns = _columns(units, ["unit_id", "kind", "status", "installed", "source_row"])
    for unit_id, kind, status, installed, row in columns:
        yield UnitRecords(
            unit_id=unit_id,
            row=row,
            kind=kind if kind in UNIT_KINDS else "unknown",
            status=status,
            installed=None if installed is None or installed > as_of else installed,
            visits=visits.get(unit_id, []),
            complaints=heard.get(unit_id, []),
            permit=held.get(unit_id),
            first_issued=first_issued.get(unit_id),
        )


def _columns(table: pd.DataFrame, names: list[str]) -> Iterator[tuple[Any, ...]]:
    """Rows as tuples: days as dates, nulls and columns that are not there as None."""
    columns: list[list[Any]] = []
    for name in names:
        if name not in table:
            columns.append([None] * len(table))
        elif pd.api.types.is_datetime64_any_dtype(table[name]):
            columns.append(table[name].to_numpy("datetime64[D]").astype(object).tolist())
        else:
            columns.append(table[name].astype(object).where(table[name].notna(), None).tolist())
    return zip(*columns, strict=True)


def _visits(inspections: pd.DataFrame | None, as_of: dt.date) -> dict[str, list[Visit]]:
    """Visits up to the day by unit, oldest first."""
    by_unit: dict[str, list[Visit]] = {}
    if inspections is None:
        return by_unit
    names = ["unit_id", "date", "outcome", "result", "inspection_id", "source_row"]
    for unit_id, day, outcome, result, name, row in _columns(inspections, names):
        if day is not None and day <= as_of:
            visit = Visit(day, outcome == "completed", result, str(name), row)
            by_unit.setdefault(unit_id, []).append(visit)
    for visits in by_unit.values():
        visits.sort(key=lambda v: (v.day, v.id))
    return by_unit


def _complaints(complaints: pd.DataFrame | None, as_of: dt.date) -> dict[str, list[Complaint]]:
    """Complaints made up to the day and not closed by then, by unit."""
    by_unit: dict[str, list[Complaint]] = {}
    if complaints is None:
        return by_unit
    names = ["unit_id", "date", "closed", "complaint_id", "source_row"]
    for unit_id, day, closed, name, row in _columns(complaints, names):
        is_known = day is None or day <= as_of
        if is_known and (closed is None or closed > as_of):
            by_unit.setdefault(unit_id, []).append(Complaint(day, str(name), row))
    for heard in by_unit.values():
        heard.sort(key=lambda c: (c.day or dt.date.min, c.id))
    return by_unit


def _permits(
    permits: pd.DataFrame | None, as_of: dt.date
) -> tuple[dict[str, Permit], dict[str, dt.date]]:
    """By unit: the permit that counts, and the day of the first one."""
    held: dict[str, Permit] = {}
    first: dict[str, dt.date] = {}
    if permits is None:
        return held, first
    names = ["unit_id", "permit_id", "source_row", "permit_kind", "issued", "expires",
             "service_until", "last_sampled", "sample_interval_days"]  # fmt: skip
    for unit_id, name, row, kind, issued, expires, until, sampled, every in _columns(
        permits, names
    ):
        if unit_id is None or (issued is not None and issued > as_of):
            continue
        if sampled is not None and sampled > as_of:
            sampled = None
        every = None if every is None else int(every)
        kind = " ".join((kind or "").split())
        permit = Permit(str(name), row, kind, issued, expires, until, sampled, every)
        if unit_id not in held or _later(permit) > _later(held[unit_id]):
            held[unit_id] = permit
        if issued is not None:
            first[unit_id] = min(issued, first.get(unit_id, issued))
    return held, first


def _later(permit: Permit) -> tuple[dt.date, dt.date, str]:
    return permit.issued or dt.date.min, permit.expires or dt.date.min, permit.id
