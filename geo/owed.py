"""Which visits are owed, by when and why: from the county's programme and its records.

Only a completed visit resets a clock: one that was partly made, found nobody home, no access or no
outlet leaves it running. What the programme says nothing about is not owed.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import pandas as pd

from geo.season import Season, last_day_in_season, season_at
from geo.unit_records import UnitRecords, unit_records
from layers.county import County
from layers.days import say_day, say_every
from layers.programme import ProgrammeSection, permit_kind_key

OBLIGATIONS: Final = ("complaint", "reinspection", "permit", "service", "sampling", "interval")
OWED_COLUMNS: Final = [
    "unit_id", "obligation", "due", "since", "source_layer", "source_id", "source_row",
    "overdue_days", "why",
]  # fmt: skip
SEPARATOR: Final = " | "
DAY_DTYPE: Final = "datetime64[ms]"

_ALWAYS: Final = frozenset({"complaint", "reinspection"})
# What a unit can owe by its status; every other status owes all. A vacant house lets out no water
# to judge; a tank that is out of use or on the sewer stays in the ground until somebody has seen
# it closed, so that a complaint or a bad finding is still followed up.
_OWES: Final[Mapping[str, frozenset[str]]] = {
    "vacant": _ALWAYS | {"permit"},
    "abandoned": _ALWAYS,
    "sewered": _ALWAYS,
}
_KINDS: Final = {
    "surface_discharge": "units that let water out on the ground or into water",
    "soil_absorption": "units that let water into the soil",
    "shared_collector": "units on a shared collector",
    "holding_tank": "holding tanks",
    "unknown": "units whose kind is not on record",
}
_FOUND: Final = {
    "danger": "something dangerous",
    "repair": "something to repair",
    "minor": "something minor",
}


@dataclass(frozen=True)
class _Owed:
    """One visit that is owed; ``since`` is the day its clock started."""

    obligation: str
    due: dt.date
    since: dt.date | None
    source: tuple[str, str, int]
    why: str


@dataclass(frozen=True)
class CountyOwed:
    """What a county's units owe: the table of `owed_visits`, the season planned for, and notes."""

    visits: pd.DataFrame
    season: Season
    notes: tuple[str, ...]

    @property
    def visits_left(self) -> tuple[int | None, int | None]:
        """What the office can make in the rest of this season, and in the next."""
        return self.season.visits, self.season.visits_after


def owed_in(county: County) -> CountyOwed:
    """What the units of a county owe on its day."""
    programme, units = county.file.programme, county.layers["units"]
    records = {name: county.layers.get(name) for name in ("inspections", "permits")}
    records["complaints"] = _known_by_then(county)
    visits = owed_visits(units, programme, as_of=county.as_of, **records)
    season = season_at(programme, county.as_of)
    silent = silent_programme(units, programme, as_of=county.as_of, **records)
    notes = [silent] if silent else []
    owing = visits.loc[visits["due"] <= pd.Timestamp(season.last_day), "unit_id"].nunique()
    if season.visits is not None and owing > season.visits:
        notes.append(
            f"{owing:,} units owe a visit by {say_day(season.last_day)}, and the office can make"
            f" {season.visits:,} until then: those due last will not be seen in time."
        )
    return CountyOwed(visits, season, tuple(notes))


def _known_by_then(county: County) -> pd.DataFrame | None:
    """The complaints but for those whose day lies ahead, of which the reading kept no day."""
    complaints, problems = county.layers.get("complaints"), county.problems
    if complaints is None:
        return None
    ahead = problems[(problems["layer"] == "complaints") & (problems["code"] == "date_in_future")]
    if ahead["row"].isna().any():  # one problem for all rows
        return complaints[complaints["date"].notna()]
    return complaints[~complaints["source_row"].isin(ahead["row"])]


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
        sample_interval_days, source_row``. Of several of a unit the one issued last counts.

    Returns
    -------
    `OWED_COLUMNS`: ``obligation`` is one of `OBLIGATIONS`; ``due`` the day by which the visit is
    owed and ``since`` the day its clock started (null where none is on record); ``source_*`` the
    row that started it; ``overdue_days`` at ``as_of`` (0 for a day still to come); ``why`` in
    sentences for the owner to read.

    Notes
    -----
    complaint: owed until a completed visit on or after its day, or until the office closed it;
    one without a day is owed now. reinspection: owed after any visit that found what the
    programme names, until a later completed one. permit: owed in the days before the permit ends.
    service, sampling: owed once a service contract has ended or a sample is late, until a
    completed visit after that. interval: from the last completed visit; without one from the
    installation, else the first permit; where that lies longer ago than the interval, or nothing
    is on record, the visit is owed now, for nobody can say since when.

    An interval's or a permit's day outside the season becomes the last day in season before it,
    if that is later than the day the clock started. The others keep their day.
    """
    found = []
    for file in unit_records(units, inspections, complaints, permits, as_of):
        allowed = _OWES.get(file.status)
        for name, rule in _RULES.items():
            if allowed is None or name in allowed:
                found += [(file.unit_id, owed) for owed in rule(file, programme, as_of)]
    rows = [
        (unit_id, o.obligation, o.due, o.since, *o.source, max((as_of - o.due).days, 0), o.why)
        for unit_id, o in found
    ]
    table = pd.DataFrame(rows, columns=OWED_COLUMNS)
    for name in ("due", "since"):
        table[name] = pd.to_datetime(table[name]).astype(DAY_DTYPE)
    table = table.astype({"source_row": "Int64", "overdue_days": "Int64"})
    order = table["obligation"].map({name: k for k, name in enumerate(OBLIGATIONS)})
    return (
        table.assign(order=order)
        .sort_values(["due", "order", "unit_id", "source_id"], kind="stable")
        .drop(columns="order")
        .reset_index(drop=True)
    )


def must_visit(units: pd.DataFrame, owed: pd.DataFrame, *, until: dt.date) -> pd.DataFrame:
    """``must_visit_by`` and ``why_due`` of each unit, on the same index.

    ``must_visit_by`` is the earliest day of what it owes, null where it owes nothing; ``why_due``
    says what is owed by that day or by ``until``, in the order in which it is due, joined by
    `SEPARATOR`.
    """
    first = owed.groupby("unit_id")["due"].min()
    by = pd.Series(first.reindex(units["unit_id"]).to_numpy(), index=units.index)
    latest = owed["unit_id"].map(first).clip(lower=pd.Timestamp(until))
    soon = owed[owed["due"] <= latest]
    said = {
        unit: SEPARATOR.join(dict.fromkeys(why))
        for unit, why in soon.groupby("unit_id", sort=False)["why"]
    }
    why = [said.get(unit) for unit in units["unit_id"]]
    return pd.DataFrame(
        {"must_visit_by": by.astype(DAY_DTYPE), "why_due": pd.Series(why, units.index, object)},
        index=units.index,
    )


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
            "No visit is owed to any unit: [programme] of the county file sets no interval and no"
            " response time. The score alone orders the units."
        )
    met: Counter[str] = Counter()
    for file in unit_records(units, inspections, complaints, permits, as_of):
        allowed = _OWES.get(file.status)
        for what, name, has_it in _unasked(file, programme):
            if has_it and (allowed is None or name in allowed):
                met[what] += 1
    if not met:
        return None
    listed = ", ".join(f"{what} ({met[what]:,})" for what in sorted(met))
    return f"The programme says nothing of the following, and no visit is owed for it: {listed}."


def _unasked(file: UnitRecords, asked: ProgrammeSection) -> Iterator[tuple[str, str, bool]]:
    """What the programme does not speak of, the obligation it would be, whether the unit has it."""
    permit, last = file.permit, file.last_completed
    if asked.complaint_days is None:
        yield "complaints", "complaint", bool(file.complaints)
    if last is not None and last.result in _FOUND and last.result not in asked.reinspection_days:
        yield f"visits that found {_FOUND[last.result]}", "reinspection", True
    if _interval_of(file, asked) is None:
        yield f"routine visits to {_KINDS[file.kind]}", "interval", True
    if permit is None:
        return
    if asked.renewal_days is None:
        yield "permits that end", "permit", permit.expires is not None
    if asked.service_lapse_days is None:
        yield "service contracts that end", "service", permit.service_until is not None
    if asked.sample_lapse_days is None:
        has_it = permit.last_sampled is not None or permit.sample_interval_days is not None
        yield "samples", "sampling", has_it


# ------------------------------------------------------------------------------- one rule each


def _complaint(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[_Owed]:
    days = programme.complaint_days
    if days is None:
        return
    for complaint in file.complaints:
        day, source = complaint.day, ("complaints", complaint.id, complaint.row)
        if day is None:
            why = "A complaint whose day is not on record has not been answered: it is due now."
            yield _Owed("complaint", as_of, None, source, why)
        elif not file.completed_since(day):
            why = f"A complaint of {say_day(day)} is to be answered by a visit {_within(days)}."
            due = day + dt.timedelta(days=days)
            yield _Owed("complaint", due, day, source, why + _tried(file, day))


def _reinspection(file: UnitRecords, programme: ProgrammeSection, _: dt.date) -> Iterator[_Owed]:
    """The earliest due of the bad findings made at or after the last completed visit."""
    last = file.last_completed
    later = file.visits if last is None else file.visits[file.visits.index(last) :]
    asked = programme.reinspection_days
    found = [(v.day + dt.timedelta(days=asked[v.result]), v) for v in later if v.result in asked]
    if not found:
        return
    due, visit = min(found, key=lambda each: each[0])
    why = (
        f"The visit of {say_day(visit.day)} found {_FOUND[visit.result]}: another look is due"
        f" {_within(asked[visit.result])}."
    )
    source = ("inspections", visit.id, visit.row)
    yield _Owed("reinspection", due, visit.day, source, why + _tried(file, visit.day))


def _permit(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[_Owed]:
    permit = file.permit
    if programme.renewal_days is None or permit is None or permit.expires is None:
        return
    opens = permit.expires - dt.timedelta(days=programme.renewal_days)
    if file.completed_since(opens):
        return
    due, season = _in_season(permit.expires, opens, programme)
    ends = "ended" if permit.expires < as_of else "ends"
    why = (
        f"Its permit {ends} on {say_day(permit.expires)}: a visit is due in the"
        f" {programme.renewal_days} days before.{season}"
    )
    yield _Owed("permit", due, opens, ("permits", permit.id, permit.row), why)


def _service(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[_Owed]:
    permit, days = file.permit, programme.service_lapse_days
    ended = None if permit is None else permit.service_until
    if permit is None or days is None or ended is None or ended >= as_of:
        return
    if file.completed_since(ended):
        return
    why = (
        f"The service contract on record ended on {say_day(ended)}, and no later one is on record:"
        f" a visit is due {_within(days)}."
    )
    source = ("permits", permit.id, permit.row)
    yield _Owed("service", ended + dt.timedelta(days=days), ended, source, why)


def _sampling(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[_Owed]:
    permit, days = file.permit, programme.sample_lapse_days
    if permit is None or days is None:
        return
    every = permit.sample_interval_days or programme.sample_interval_days.get(file.kind)
    start = permit.last_sampled or permit.issued
    if every is None or start is None:
        return
    late = start + dt.timedelta(days=every)
    if late >= as_of or file.completed_since(late):
        return
    if permit.last_sampled is None:
        known = f"No sample is on record since its permit was issued on {say_day(start)}"
    else:
        known = f"The last sample on record is of {say_day(start)}"
    why = (
        f"{known}, and one is asked {say_every(every)}: a visit is due {_within(days)} after"
        f" {say_day(late)}."
    )
    source = ("permits", permit.id, permit.row)
    yield _Owed("sampling", late + dt.timedelta(days=days), late, source, why)


def _interval(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[_Owed]:
    asked = _interval_of(file, programme)
    if asked is None:
        return
    days, whose = asked
    last = file.last_completed
    if last is not None:
        source = ("inspections", last.id, last.row)
        known = f"The last completed visit was on {say_day(last.day)}; {whose}."
        due, season = _in_season(last.day + dt.timedelta(days=days), last.day, programme)
        yield _Owed("interval", due, last.day, source, known + season + _tried(file, last.day))
        return
    source = ("units", file.unit_id, file.row)
    began = file.installed or file.first_issued
    if began is not None:
        due, season = _in_season(began + dt.timedelta(days=days), began, programme)
        if due > as_of:
            how = "It was installed" if file.installed else "Its first permit was issued"
            known = f"{how} on {say_day(began)}; {whose}."
            yield _Owed("interval", due, began, source, known + season + _tried(file, None))
            return
    known = f"No completed visit is on record; {whose}, so one is due now."
    yield _Owed("interval", as_of, began, source, known + _tried(file, None))


def _interval_of(file: UnitRecords, programme: ProgrammeSection) -> tuple[int, str] | None:
    """The interval that holds for a unit and who asks it: its permit's kind, else its own."""
    kind = "" if file.permit is None else file.permit.kind
    if (days := programme.permit_interval_days.get(permit_kind_key(kind))) is not None:
        return days, f"its permit ({kind}) asks for a visit {say_every(days)}"
    if (days := programme.interval_days.get(file.kind)) is not None:
        return days, f"{_KINDS[file.kind]} are to be visited {say_every(days)}"
    return None


_Rule = Callable[[UnitRecords, ProgrammeSection, dt.date], Iterator[_Owed]]
_RULES: Final[Mapping[str, _Rule]] = {
    "complaint": _complaint,
    "reinspection": _reinspection,
    "permit": _permit,
    "service": _service,
    "sampling": _sampling,
    "interval": _interval,
}


def _in_season(due: dt.date, start: dt.date, programme: ProgrammeSection) -> tuple[dt.date, str]:
    """The day to keep, and a sentence where it is not the day that was reckoned."""
    moved = last_day_in_season(due, programme)
    if moved == due or moved <= start:
        return due, ""
    said = f" As {say_day(due)} lies outside the season, the last day in season counts."
    return moved, said


def _tried(file: UnitRecords, since: dt.date | None) -> str:
    """A sentence on the last visit since a day that could not be completed."""
    tries = [v for v in file.visits if not v.is_completed and (since is None or v.day > since)]
    if not tries:
        return ""
    return f" The visit of {say_day(tries[-1].day)} could not be completed."


def _within(days: int) -> str:
    if days == 0:
        return "the same day"
    return "within a day" if days == 1 else f"within {days} days"
