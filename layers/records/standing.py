"""What counts of all records, as tables: visits, findings to follow up, conflicts, positions.

What counts is said by `layers.records.in_force`. Sees only records; no file.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, TypeVar, cast

import pandas as pd

from layers.fields.days import days_after
from layers.records.in_force import InForce, gravest, in_force, subject_id
from layers.records.model import Closure, Extension, Filed, Record, SampleResult, Visit

VISIT_COLUMNS: Final = [
    "inspection_id", "unit_id", "date", "outcome", "result", "by_lot", "note", "by",
]  # fmt: skip
FOLLOW_UP_COLUMNS: Final = [
    "follow_up_id", "unit_id", "item", "severity", "found_on", "found_by", "note", "due",
    "extended_because", "closed_on", "evidence", "state",
]  # fmt: skip
SAMPLE_COLUMNS: Final = [
    "number", "unit_id", "point", "taken_at", "on_ice", "laboratory", "what", "value", "unit",
    "qualifier", "limit", "limit_from",
]  # fmt: skip
POSITION_COLUMNS: Final = [
    "record_id", "unit_id", "part", "feature_id", "lat", "lon", "accuracy_m", "basis", "day",
]  # fmt: skip
TAPED_COLUMNS: Final = [
    "record_id", "unit_id", "part", "feature", "feature_id", "distance_m", "day",
]  # fmt: skip
MEASURED_COLUMNS: Final = [
    "record_id", "unit_id", "what", "value", "unit", "qualifier", "instrument", "day",
]  # fmt: skip
ANSWER_COLUMNS: Final = ["record_id", "unit_id", "item", "answer", "note", "day"]
RUNNING_OUT_COLUMNS: Final = ["record_id", "unit_id", "flow", "look", "smell", "day"]
CONFLICT_COLUMNS: Final = ["unit_id", "day", "record_ids", "differs"]
DISPUTED_COLUMNS: Final = ["record_id", "content", "governs", "unit_id", "says"]


@dataclass(frozen=True)
class Standing:
    """What the records say once withdrawals are heard, each as a table.

    Attributes
    ----------
    visits
        One row per visit that stands, oldest first, in the columns of the inspections layer.
    follow_ups
        One row per finding: due by its severity, or later by an extension; ``state`` is ``open``,
        ``overdue`` or ``closed``; ``due`` is null where no days are stated for the severity.
    samples
        One row per sample and result; results of unknown samples have no unit.
    positions, taped, measured, answers, running_out
        As taken on site, oldest first.
    conflicts
        Visits of one unit on one day, by two people or by one, that do not agree; all are kept.
    disputed
        Ids that stand for several contents, one row each: ``says`` is it in a few words, and
        ``governs`` whether it is the one that counts.
    holds
        Holds that stand: ``record_id, unit_id`` (empty for the whole county), ``reason``.
    withdrawn
        Records that no longer count: ``record_id, by, reason``.
    loose
        Words about records that are not there: ``record_id, of, reason``.
    """

    visits: pd.DataFrame
    follow_ups: pd.DataFrame
    samples: pd.DataFrame
    positions: pd.DataFrame
    taped: pd.DataFrame
    measured: pd.DataFrame
    answers: pd.DataFrame
    running_out: pd.DataFrame
    conflicts: pd.DataFrame
    disputed: pd.DataFrame
    holds: pd.DataFrame
    withdrawn: pd.DataFrame
    loose: pd.DataFrame


def standing(
    records: Iterable[Record | Filed] | InForce,
    *,
    follow_up_days: Mapping[str, int],
    as_of: dt.date,
) -> Standing:
    """What stands on a day.

    Parameters
    ----------
    records
        All of them, in any order, or what counts of them; visits after ``as_of`` are not heard.
    follow_up_days
        By severity: days from a finding until it must be followed up.
    """
    force = records if isinstance(records, InForce) else in_force(records)
    live = force.records
    visits, found_by, keys = _heard(force, as_of)
    follow_ups = _follow_ups(found_by, keys, force, follow_up_days, as_of)
    judged = {v.record_id: v.judged for v in visits}
    of_visits = partial(_of_visits, [(v, pd.Timestamp(v.day)) for v in visits])
    return Standing(
        visits=_visits(visits, judged),
        follow_ups=follow_ups,
        samples=_samples(visits, [r for r in live if isinstance(r, SampleResult)]),
        positions=of_visits(
            POSITION_COLUMNS,
            lambda v: (
                (p.part, p.feature_id, p.lat, p.lon, p.accuracy_m, p.basis) for p in v.positions
            ),
        ),
        taped=of_visits(
            TAPED_COLUMNS,
            lambda v: ((t.part, t.feature, t.feature_id, t.distance_m) for t in v.taped),
        ),
        measured=of_visits(
            MEASURED_COLUMNS,
            lambda v: ((m.what, m.value, m.unit, m.qualifier, m.instrument) for m in v.measured),
        ),
        answers=of_visits(
            ANSWER_COLUMNS, lambda v: ((a.item, a.answer, a.note) for a in v.answers)
        ),
        running_out=of_visits(
            RUNNING_OUT_COLUMNS,
            lambda v: [(r.flow, r.look, r.smell)] if (r := v.running_out) is not None else [],
        ),
        conflicts=_conflicts(visits, judged),
        disputed=_disputed(force),
        holds=_table(
            ((h.record_id, h.unit_id, h.reason) for h in force.holds),
            ["record_id", "unit_id", "reason"],
        ),
        withdrawn=_table(
            ((gone.record_id, word.by, word.reason) for gone, word in force.withdrawn),
            ["record_id", "by", "reason"],
        ),
        loose=_loose(force, set(follow_ups["follow_up_id"]), as_of),
    )


def _heard(force: InForce, as_of: dt.date) -> tuple[list[Visit], list[Visit], dict[int, str]]:
    """The visits that count, all that found something, and by visit the key of its findings.

    While contents are in dispute the gravest counts; what another found is not forgotten.
    """
    disputed = {d.record_id: _visits_made(d.contents, as_of) for d in force.disputed}
    visits = [
        r
        for r in force.records
        if isinstance(r, Visit) and r.day <= as_of and r.record_id not in disputed
    ]
    keys = {id(visit): visit.record_id for visit in visits}
    others = []
    for some in disputed.values():
        if governing := gravest(some):
            visits.append(cast(Visit, governing.record))
            keys[id(governing.record)] = governing.record.record_id
        for one in some:
            if one is not governing:
                others.append(cast(Visit, one.record))
                keys[id(one.record)] = f"{one.record.record_id}@{one.content[:8]}"
    visits.sort(key=lambda v: (v.at, v.record_id))
    return visits, sorted([*visits, *others], key=lambda v: (v.at, keys[id(v)])), keys


def _of_visits(
    visits: Sequence[tuple[Visit, pd.Timestamp]],
    columns: list[str],
    rows: Callable[[Visit], Iterable[tuple[Any, ...]]],
) -> pd.DataFrame:
    """What visits hold of one kind: record and unit first, the day last."""
    return _table(
        ((v.record_id, v.unit_id, *row, day) for v, day in visits for row in rows(v)), columns
    )


def _disputed(force: InForce) -> pd.DataFrame:
    return _table(
        (
            (
                d.record_id,
                one.content,
                one.content == d.governs,
                getattr(one.record, "unit_id", ""),
                shortly(one.record),
            )
            for d in force.disputed
            for one in d.contents
        ),
        DISPUTED_COLUMNS,
    )


def _table(rows: Iterable[Sequence[Any]], columns: list[str]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=columns)


def _visits(visits: Sequence[Visit], judged: Mapping[str, str]) -> pd.DataFrame:
    ordered = sorted(visits, key=lambda v: (v.day, v.at, v.record_id))
    table = _table(
        (
            (
                v.record_id,
                v.unit_id,
                pd.Timestamp(v.day),
                v.outcome,
                judged[v.record_id],
                v.by_lot,
                v.note or None,
                v.by,
            )
            for v in ordered
        ),
        VISIT_COLUMNS,
    )
    return table.astype({"date": "datetime64[us]"})


def shortly(record: Record) -> str:
    """A record in a few words, to tell two of one id apart."""
    text = f"{record.kind.replace('_', ' ')} by {record.by}, {record.at:%Y-%m-%d %H:%M} UTC"
    if isinstance(record, Visit):
        found = [f"{f.item} ({f.severity})" for f in record.findings]
        text = f"visit of {record.day} by {record.by}: {', '.join(found) or record.judged}"
    elif of := getattr(record, "of", ""):
        text += f", about {of}"
    return text


def _visits_made(contents: Sequence[Filed], as_of: dt.date) -> list[Filed]:
    """Visits among the contents of an id in dispute that were made by a day."""
    return [one for one in contents if isinstance(one.record, Visit) and one.record.day <= as_of]


def _follow_ups(
    visits: Sequence[Visit],
    keys: Mapping[int, str],
    force: InForce,
    days: Mapping[str, int],
    as_of: dt.date,
) -> pd.DataFrame:
    # of several that speak of one follow-up the last stands
    extended = {r.of: r for r in _words(force, Extension) if r.at.date() <= as_of}
    closed = {r.of: r for r in _words(force, Closure) if r.at.date() <= as_of}
    rows = []
    for visit in visits:
        for number, finding in enumerate(visit.findings, start=1):
            key = f"{keys[id(visit)]}/{number}"
            due = None
            if finding.severity in days:
                due = days_after(visit.day, days[finding.severity])
            more, done = extended.get(key), closed.get(key)
            if more is not None:
                due = more.until
            late = due is not None and due < as_of
            state = "closed" if done is not None else "overdue" if late else "open"
            rows.append(
                (
                    key, visit.unit_id, finding.item, finding.severity, pd.Timestamp(visit.day),
                    visit.by, finding.note, None if due is None else pd.Timestamp(due),
                    None if more is None else more.reason,
                    None if done is None else pd.Timestamp(done.at.date()),
                    None if done is None else done.evidence, state,
                )
            )  # fmt: skip
    table = _table(rows, FOLLOW_UP_COLUMNS)
    return table.astype(dict.fromkeys(("found_on", "due", "closed_on"), "datetime64[us]"))


W = TypeVar("W", Extension, Closure)


def _words(force: InForce, kind: type[W]) -> list[W]:
    """Words about follow-ups that speak of what counts under the id of their visit."""
    return [r for r in _kind(force, kind) if force.is_about(r, subject_id(r))]


def _kind(force: InForce, kind: type[W]) -> list[W]:
    return [r for r in force.records if isinstance(r, kind)]


def _samples(visits: Sequence[Visit], results: Sequence[SampleResult]) -> pd.DataFrame:
    by_number: dict[str, list[SampleResult]] = {}
    for result in results:
        by_number.setdefault(result.number, []).append(result)
    rows: list[tuple[Any, ...]] = []
    for visit in visits:
        for s in visit.samples:
            taken = (s.number, visit.unit_id, s.point, s.taken_at, s.on_ice, s.laboratory)
            known = [_result_cells(result) for result in by_number.pop(s.number, [])]
            rows += [(*taken, *cells) for cells in known or [(None,) * 6]]
    for number, lone in sorted(by_number.items()):
        rows += [(number, None, None, None, None, None, *_result_cells(result)) for result in lone]
    return _table(rows, SAMPLE_COLUMNS)


def _result_cells(result: SampleResult) -> tuple[Any, ...]:
    return (
        result.what, result.value, result.unit, result.qualifier, result.limit, result.limit_from,
    )  # fmt: skip


def _conflicts(visits: Sequence[Visit], judged: Mapping[str, str]) -> pd.DataFrame:
    """Where visits of one unit on one day do not agree.

    One person's outcomes may differ (nobody there, then let in); their results may not.
    """
    same_day: dict[tuple[str, dt.date], list[Visit]] = {}
    for visit in visits:
        same_day.setdefault((visit.unit_id, visit.day), []).append(visit)
    rows = []
    for (unit_id, day), some in sorted(item for item in same_day.items() if len(item[1]) > 1):
        differs = []
        if len({visit.by for visit in some}) > 1:
            differs += _differing("outcome", (visit.outcome for visit in some))
            differs += _differing("result", (judged[visit.record_id] for visit in some))
        else:
            differs += _differing("result", ({judged[v.record_id] for v in some} - {"unknown"}))
        if differs:
            ids = ", ".join(sorted(visit.record_id for visit in some))
            rows.append((unit_id, pd.Timestamp(day), ids, "; ".join(differs)))
    return _table(rows, CONFLICT_COLUMNS)


def _differing(what: str, values: Iterable[object]) -> list[str]:
    words = sorted({str(value) for value in values})
    return [f"{what}: {' / '.join(words)}"] if len(words) > 1 else []


def _loose(force: InForce, follow_ups: set[str], as_of: dt.date) -> pd.DataFrame:
    """Words about a record or follow-up nobody has: kept, and said."""
    rows = {word.record_id: (word.record_id, word.of, why) for word, why in force.loose}
    words: list[Extension | Closure] = [*_kind(force, Extension), *_kind(force, Closure)]
    for r in words:
        is_shown = r.of in follow_ups or force.was_disposed(subject_id(r))
        if r.at.date() <= as_of and not is_shown:
            rows.setdefault(r.record_id, (r.record_id, r.of, "there is no such follow-up"))
        elif r.of in follow_ups and not force.is_about(r, subject_id(r)):
            why = "it is about a version that does not count"
            rows.setdefault(r.record_id, (r.record_id, r.of, why))
    return _table(rows.values(), ["record_id", "of", "reason"])
