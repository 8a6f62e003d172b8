"""Which visits are owed, by when and why: from the county's programme and its records."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import pandas as pd

from geo.programme.follow_ups import FOLLOW_UP, with_follow_ups
from geo.programme.obligations import (
    FOUND_WORDS,
    KIND_WORDS,
    OWES,
    RULES,
    again_within,
    interval_of,
)
from geo.programme.season import Season, season_at
from geo.programme.unclear import silent_columns, unclear_obligations
from geo.programme.unit_records import UnitRecords, unit_records
from layers.county import County
from layers.fields.days import format_day
from layers.outputs import OWED, OWED_UNCLEAR
from layers.settings.programme import ProgrammeSection

OBLIGATIONS: Final = tuple(RULES)
DAY_DTYPE: Final = "datetime64[ms]"
_EACH: Final = ["why", "tried", "obligation", "since"]


@dataclass(frozen=True)
class CountyOwed:
    """What a county's units owe: `owed_visits`, `unclear_obligations`, the season, and notes."""

    visits: pd.DataFrame
    unclear: pd.DataFrame
    season: Season
    notes: tuple[str, ...]

    @property
    def visits_left(self) -> tuple[int | None, int | None]:
        """What the office can make in the rest of this season, and in the next."""
        return self.season.visits, self.season.visits_after


def owed_in(county: County) -> CountyOwed:
    """What the units of a county owe on its day."""
    programme, units = county.file.programme, county.layers["units"]
    tables = ("inspections", "complaints", "permits")
    records = {name: county.layers.get(name) for name in tables}
    visits = owed_visits(units, programme, as_of=county.as_of, **records)
    if county.records is not None:
        visits = with_follow_ups(
            visits,
            county.records.follow_ups,
            county.links,
            records["inspections"],
            as_of=county.as_of,
        )
    season = season_at(programme, county.as_of)
    unclear = unclear_obligations(
        units, programme, as_of=county.as_of, strays=county.strays, **records
    )
    silent = silent_programme(units, programme, as_of=county.as_of, **records)
    if silent and len(visits) and not programme.asks_for_visits:
        silent = (
            "[programme] in the county file sets no visit interval and no response time. Only"
            " dangerous conditions make a visit due."
        )
    notes = [silent] if silent else []
    notes += silent_columns(programme, records["inspections"], records["permits"])
    notes += _undated_note(records["inspections"])
    notes += unclear_notes(unclear)
    owing = visits.loc[visits["due"] <= pd.Timestamp(season.last_day), "unit_id"].nunique()
    if season.visits is not None and owing > season.visits:
        notes.append(
            f"{owing:,} units are due for a visit by {format_day(season.last_day)}. The office can"
            f" make {season.visits:,} visits by then. Those due last will be late."
        )
    return CountyOwed(visits, unclear, season, tuple(notes))


def _undated_note(inspections: pd.DataFrame | None) -> list[str]:
    """How many visits have no day, where some have one: they close nothing until it is found."""
    if inspections is None or inspections["date"].isna().all():
        return []
    undated = int(inspections["date"].isna().sum())
    if not undated:
        return []
    if undated == 1:
        return ["1 visit on record has no date. Until the date is found, it closes nothing."]
    return [
        f"{undated:,} visits on record have no date. Until the dates are found, they close nothing."
    ]


def unclear_notes(unclear: pd.DataFrame) -> list[str]:
    """How much of what may be owed has no day, in a sentence."""
    if not len(unclear):
        return []
    words = OWED_UNCLEAR.field("lacks").codes
    counts = unclear["lacks"].value_counts()
    listed = ", ".join(f"{words[code]} ({counts[code]:,})" for code in words if code in counts)
    return [
        (
            f"{len(unclear):,} records may mean that a visit is due. The due date is not known"
            f" until these are found: {listed}. The table owed_unclear lists them."
        )
    ]


def owed_visits(
    units: pd.DataFrame,
    programme: ProgrammeSection,
    *,
    as_of: dt.date,
    inspections: pd.DataFrame | None = None,
    complaints: pd.DataFrame | None = None,
    permits: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Every visit that is owed, one row each, in the order in which they are due.

    Parameters
    ----------
    units
        ``unit_id, kind, status, installed, source_row``.
    programme
        What is asked for; what it says nothing about is not owed.
    as_of
        The day from which is looked back: later visits, complaints and permits are not known yet.
    inspections
        ``inspection_id, unit_id, date, outcome, result, source_row``.
    complaints
        ``complaint_id, unit_id, date, closed, source_row``.
    permits
        ``permit_id, unit_id, permit_kind, issued, expires, service_until, last_sampled,
        sample_interval_days, source_row``. Of several of a unit the newest that tells it counts.

    Returns
    -------
    `layers.outputs.OWED`: ``obligation`` is one of `OBLIGATIONS`; ``due`` the day by which the
    visit is owed and ``since`` the day its clock started (null where none is on record);
    ``source_*`` the row that started it; ``overdue_days`` at ``as_of`` (0 for a day still to
    come); ``danger`` whether it is owed for a danger that was found; ``why`` in sentences for the
    owner to read, the last of them ``tried``, where a visit since could not be completed.

    Notes
    -----
    complaint: owed until a completed visit on or after its day, or until the office closed it;
    one without a day is owed now. reinspection: owed after any visit that found what the
    programme names, or a danger, until a later completed one says what it found; a danger on an
    unknown day is owed now. permit: owed in the days before the permit ends.
    service, sampling: owed once a service contract has ended or a sample is late, until a
    completed visit after that. interval: from the last completed visit; without one from the
    installation, else the first permit; where that lies longer ago than the interval, or nothing
    is on record, the visit is owed now, for nobody can say since when.

    An interval's or a permit's day outside the season becomes the last day in season before it,
    if that is later than the day the clock started. The others keep their day.
    """
    found = []
    for file in unit_records(units, inspections, complaints, permits, as_of):
        allowed = OWES.get(file.status)
        for name, rule in RULES.items():
            if allowed is None or name in allowed:
                found += [(file.unit_id, owed) for owed in rule(file, programme, as_of)]
    rows = [
        (
            unit_id,
            o.obligation,
            o.due,
            o.since,
            *o.source,
            max((as_of - o.due).days, 0),
            o.danger,
            f"{o.why} {o.tried}".rstrip(),
            o.tried or None,
        )
        for unit_id, o in found
    ]
    table = pd.DataFrame(rows, columns=OWED.names)
    for name in ("due", "since"):
        table[name] = pd.to_datetime(table[name]).astype(DAY_DTYPE)
    kinds = {"source_row": "Int64", "overdue_days": "Int64", "danger": bool, "tried": object}
    table = table.astype(kinds)
    order = table["obligation"].map({name: k for k, name in enumerate(OBLIGATIONS)})
    return (
        table.assign(order=order)
        .sort_values(["due", "order", "unit_id", "source_id"], kind="stable")
        .drop(columns="order")
        .reset_index(drop=True)
    )


def must_visit(units: pd.DataFrame, owed: pd.DataFrame, *, until: dt.date) -> pd.DataFrame:
    """What each unit must be visited for and by when, on the same index.

    ``must_visit_by`` is the earliest day of what it owes, null where it owes nothing; ``why_due``
    lists what is owed by that day or by ``until``, in the order in which it is due, a visit that
    could not be completed once, and ``owed_for`` the obligations in the same order; both are null
    where nothing is. ``danger_open`` says whether any of it is owed for a danger that was found.
    """
    first = owed.groupby("unit_id")["due"].min()
    by = pd.Series(first.reindex(units["unit_id"]).to_numpy(), index=units.index)
    latest = owed.groupby("unit_id")["due"].transform("min").clip(lower=pd.Timestamp(until))
    soon = owed[owed["due"] <= latest]
    listed = {unit: _each_once(some) for unit, some in soon.groupby("unit_id", sort=False)}
    why, owed_for = (
        pd.Series([listed.get(unit, (None, None))[k] for unit in units["unit_id"]], units.index)
        for k in (0, 1)
    )
    return pd.DataFrame(
        {
            "must_visit_by": by.astype(DAY_DTYPE),
            "why_due": why.astype(object),
            "owed_for": owed_for.astype(object),
            "danger_open": units["unit_id"].isin(owed.loc[owed["danger"], "unit_id"]),
        },
        index=units.index,
    )


def _each_once(owed: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Why visits are due, and for which obligation; what could not be completed is in the first.

    A follow-up that is due first says what the reinspection after the same visit would.
    """
    shown: set[str] = set()
    found: dict[str, str] = {}
    followed: set[object] = set()
    for why, tried, obligation, since in owed[_EACH].itertuples(index=False):
        if obligation == FOLLOW_UP:
            followed.add(since)
        elif obligation == "reinspection" and since in followed:
            continue
        if isinstance(tried, str):
            why = why.removesuffix(f" {tried}") if tried in shown else why
            shown.add(tried)
        found.setdefault(why, obligation)
    return list(found), list(found.values())


def silent_programme(
    units: pd.DataFrame,
    programme: ProgrammeSection,
    *,
    as_of: dt.date,
    inspections: pd.DataFrame | None = None,
    complaints: pd.DataFrame | None = None,
    permits: pd.DataFrame | None = None,
) -> str | None:
    """What is on record and the programme says nothing about, in a sentence; None where nothing is.

    Parameters are those of `owed_visits`.
    """
    if not programme.asks_for_visits:
        return (
            "No visits are due: [programme] in the county file sets no visit interval and no"
            " response time. Units are ranked by score alone."
        )
    counted: Counter[str] = Counter()
    for file in unit_records(units, inspections, complaints, permits, as_of):
        allowed = OWES.get(file.status)
        for what, name, has_it in _unasked(file, programme):
            if has_it and (allowed is None or name in allowed):
                counted[what] += 1
    if not counted:
        return None
    listed = ", ".join(f"{what} ({counted[what]:,})" for what in sorted(counted))
    return f"No visit schedule is set for: {listed}. No visit is due for these."


def _unasked(file: UnitRecords, asked: ProgrammeSection) -> Iterator[tuple[str, str, bool]]:
    """What the programme does not speak of, the obligation it would be, whether the unit has it."""
    permit, last = file.permit, file.last_completed
    if asked.complaint_days is None:
        yield "complaints", "complaint", bool(file.complaints)
    if last is not None and last.result in FOUND_WORDS and last.result not in again_within(asked):
        yield f"visits that found {FOUND_WORDS[last.result]}", "reinspection", True
    if interval_of(file, asked) is None:
        yield f"routine visits to {KIND_WORDS[file.kind]}", "interval", True
    if permit is None:
        return
    if asked.renewal_days is None:
        yield "permits that end", "permit", permit.expires is not None
    if asked.service_lapse_days is None:
        yield "service contracts that end", "service", permit.service_until is not None
    if asked.sample_lapse_days is None:
        has_it = permit.last_sampled is not None or permit.sample_interval_days is not None
        yield "samples", "sampling", has_it
