"""The records of each unit, gathered: its visits, complaints and permit, as known on a day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import pandas as pd

from layers.fields.schemas import UNIT_KINDS

# Outcomes with which a visit may have found something; the others looked at nothing.
LOOKED: Final = ("completed", "partly", "unknown")
Source = tuple[str, str, int]
"""Table, entry and row that says something."""


@dataclass(frozen=True)
class UnitVisit:
    """A visit that was made or tried; ``day`` is None where it is not known."""

    day: dt.date | None
    outcome: str
    result: str
    id: str
    row: int

    @property
    def is_completed(self) -> bool:
        """Whether it was made to its end; only such a visit resets a clock."""
        return self.outcome == "completed"

    @property
    def source(self) -> Source:
        """Where it stands."""
        return "inspections", self.id, self.row


@dataclass(frozen=True)
class Complaint:
    """A complaint that the office has not closed; who made it is not kept."""

    day: dt.date | None
    id: str
    row: int


@dataclass(frozen=True)
class Permits:
    """What the permits of a unit say: each fact from the newest that tells it, and where.

    ``kind`` is empty where none tells it.
    """

    newest: Source
    kind: str = ""
    issued: dt.date | None = None
    expires: dt.date | None = None
    service_until: dt.date | None = None
    last_sampled: dt.date | None = None
    sample_interval_days: int | None = None
    source_of: Mapping[str, Source] = field(default_factory=dict)


@dataclass(frozen=True)
class UnitRecords:
    """Everything on record of one unit; visits and complaints oldest first.

    ``undated`` are visits of which nobody knows the day.
    """

    unit_id: str
    row: int
    kind: str
    status: str
    installed: dt.date | None
    visits: list[UnitVisit]
    undated: list[UnitVisit]
    complaints: list[Complaint]
    permit: Permits | None
    first_issued: dt.date | None

    @cached_property
    def last_completed(self) -> UnitVisit | None:
        """The last completed visit, or None."""
        return next((v for v in reversed(self.visits) if v.is_completed), None)

    @cached_property
    def last_answered(self) -> UnitVisit | None:
        """The last completed visit of which is known what it found, or None."""
        done = (v for v in reversed(self.visits) if v.is_completed and v.result != "unknown")
        return next(done, None)

    def completed_since(self, day: dt.date) -> bool:
        """Whether a visit on or after the day was completed."""
        last = self.last_completed
        return last is not None and last.day is not None and last.day >= day


def unit_records(
    units: pd.DataFrame,
    inspections: pd.DataFrame | None,
    complaints: pd.DataFrame | None,
    permits: pd.DataFrame | None,
    as_of: dt.date,
) -> Iterator[UnitRecords]:
    """The records of each unit in the order of ``units``, as known on the day ``as_of``.

    Visits, complaints and permits of later days are left out, those without a day are not. Tables
    and columns are those of `geo.programme.owed.owed_visits`; what a table does not have is not
    known.
    """
    visits, undated = _visits(inspections, as_of)
    open_complaints = _complaints(complaints, as_of)
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
            undated=undated.get(unit_id, []),
            complaints=open_complaints.get(unit_id, []),
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


def _visits(
    inspections: pd.DataFrame | None, as_of: dt.date
) -> tuple[dict[str, list[UnitVisit]], dict[str, list[UnitVisit]]]:
    """Visits by unit: those up to the day, oldest first, and those without a day."""
    by_unit: dict[str, list[UnitVisit]] = {}
    undated: dict[str, list[UnitVisit]] = {}
    if inspections is None:
        return by_unit, undated
    names = ["unit_id", "date", "outcome", "result", "inspection_id", "source_row"]
    for unit_id, day, outcome, result, name, row in _columns(inspections, names):
        if day is None or day <= as_of:
            visit = UnitVisit(day, outcome or "unknown", result or "unknown", str(name), row)
            (undated if day is None else by_unit).setdefault(unit_id, []).append(visit)
    for visits in by_unit.values():
        visits.sort(key=lambda v: (v.day or as_of, v.id))
    return by_unit, undated


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
    for some in by_unit.values():
        some.sort(key=lambda c: (c.day or dt.date.min, c.id))
    return by_unit


_SHOWN: Final = ("kind", "issued", "expires", "service_until", "last_sampled",
                "sample_interval_days")  # fmt: skip


def _permits(
    permits: pd.DataFrame | None, as_of: dt.date
) -> tuple[dict[str, Permits], dict[str, dt.date]]:
    """By unit: what its permits say, and the day of the first one."""
    rows: dict[str, list[tuple[tuple[Any, ...], Source, tuple[Any, ...]]]] = {}
    first: dict[str, dt.date] = {}
    if permits is None:
        return {}, first
    names = ["unit_id", "permit_id", "source_row", "permit_kind", *_SHOWN[1:]]
    for unit_id, name, row, kind, issued, expires, until, sampled, every in _columns(
        permits, names
    ):
        if unit_id is None or (issued is not None and issued > as_of):
            continue
        if sampled is not None and sampled > as_of:
            sampled = None
        every = None if every is None else int(every)
        shown = (" ".join((kind or "").split()) or None, issued, expires, until, sampled, every)
        # one without a day of issue may be the newest: as new as the last day it tells
        latest = max(day for day in (expires, until, sampled, dt.date.min) if day is not None)
        order = (issued or latest, expires or dt.date.min, str(name))
        rows.setdefault(unit_id, []).append((order, ("permits", str(name), row), shown))
        if issued is not None:
            first[unit_id] = min(issued, first.get(unit_id, issued))
    return {unit_id: _as_shown(some) for unit_id, some in rows.items()}, first


def _as_shown(rows: list[tuple[tuple[Any, ...], Source, tuple[Any, ...]]]) -> Permits:
    """Each fact from the newest row that tells it."""
    rows = sorted(rows, key=lambda each: each[0], reverse=True)
    facts: dict[str, Any] = {}
    source_of: dict[str, Source] = {}
    for _, source, shown in rows:
        for name, value in zip(_SHOWN, shown, strict=True):
            if value is not None and name not in facts:
                facts[name], source_of[name] = value, source
    return Permits(newest=rows[0][1], source_of=source_of, **facts)
