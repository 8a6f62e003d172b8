"""One rule for each thing a programme can ask for: the visit it owes, by when and why.

Only a completed visit resets a clock: one that was partly made, found nobody home, no access or no
outlet leaves it running. What the programme says nothing about is not owed, but for a danger that
was found: it is owed at once, until a later completed visit says what it found.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from geo.programme.season import last_day_in_season
from geo.programme.unit_records import Source, UnitRecords
from geo.results.due_sentences import due_sentence
from layers.fields.days import days_after, format_day, format_every
from layers.fields.schemas import OUTCOMES
from layers.settings.programme import ProgrammeSection, permit_kind_key

NOT_COMPLETED: Final = frozenset(OUTCOMES) - {"completed", "unknown"}
_ALWAYS: Final = frozenset({"complaint", "reinspection"})
# What a unit can owe by its status; every other status owes all. A vacant house lets out no water
# to judge; a tank that is out of use or on the sewer stays in the ground until somebody has seen
# it closed, so that a complaint or a bad finding is still followed up.
OWES: Final[Mapping[str, frozenset[str]]] = {
    "vacant": _ALWAYS | {"permit"},
    "abandoned": _ALWAYS,
    "sewered": _ALWAYS,
}
KIND_WORDS: Final = {
    "surface_discharge": "units that discharge on the ground or into water",
    "soil_absorption": "units that discharge into the soil",
    "shared_collector": "units on a shared collector",
    "holding_tank": "holding tanks",
    "unknown": "units whose kind is not on record",
}
FOUND_WORDS: Final = {
    "danger": "a dangerous condition",
    "repair": "a needed repair",
    "minor": "a minor problem",
}


@dataclass(frozen=True)
class Owed:
    """One visit that is owed; ``since`` is the day its clock started.

    ``danger`` says that a danger was found, which cannot wait behind what is merely long overdue;
    ``tried`` is a sentence on the last visit since that could not be completed.
    """

    obligation: str
    due: dt.date
    since: dt.date | None
    source: Source
    why: str
    danger: bool = False
    tried: str = ""


def _complaint(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[Owed]:
    days = programme.complaint_days
    if days is None:
        return
    for complaint in file.complaints:
        day, source = complaint.day, ("complaints", complaint.id, complaint.row)
        if day is None:
            why = "A complaint with no date on record is still open. A visit is due now."
            yield Owed("complaint", as_of, None, source, why)
        elif not file.completed_since(day):
            due = days_after(day, days)
            requires = "required" if due < as_of else "requires"
            why = f"The {format_day(day)} complaint {requires} a visit by {format_day(due)}."
            yield Owed("complaint", due, day, source, why, tried=_tried(file, day))


def _reinspection(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[Owed]:
    """The earliest due of the bad findings that no later visit answered; what has no day, now.

    A danger speaks for itself: a repair found before it, though due earlier, does not take its
    place.
    A visit of the same day answers nothing: which of the two came first is not on record.
    """
    asked, answered = again_within(programme), file.last_answered
    since = dt.date.min if answered is None or answered.day is None else answered.day
    later = [(v.day, v) for v in file.visits if v.day is not None and v.day >= since]
    found = [(days_after(day, asked[v.result]), day, v) for day, v in later if v.result in asked]
    if found:
        dangers = [each for each in found if each[2].result == "danger"]
        due, day, visit = min(dangers or found, key=lambda each: each[0])
        when = due_sentence("reinspection", due if asked[visit.result] else None, as_of)
        why = f"The {format_day(day)} visit found {FOUND_WORDS[visit.result]}. {when}"
        tried = _tried(file, day)
        yield Owed("reinspection", due, day, visit.source, why, bool(dangers), tried=tried)
    for visit in file.undated:
        if visit.result == "danger":
            when = due_sentence("reinspection", None, as_of)
            why = f"A visit with no date on record found {FOUND_WORDS['danger']}. {when}"
            yield Owed("reinspection", as_of, None, visit.source, why, danger=True)


def again_within(programme: ProgrammeSection) -> dict[str, int]:
    """Within how many days another look is asked for, by what was found."""
    return {"danger": 0, **programme.reinspection_days}


def _permit(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[Owed]:
    permit = file.permit
    if programme.renewal_days is None or permit is None or permit.expires is None:
        return
    opens = days_after(permit.expires, -programme.renewal_days)
    if file.completed_since(opens):
        return
    due, season = _in_season(permit.expires, opens, programme)
    ends = "ended" if permit.expires < as_of else "ends"
    why = (
        f"Its permit {ends} {format_day(permit.expires)}. A visit {_is(due, as_of)} due in the"
        f" {programme.renewal_days} days before that.{season}"
    )
    source = permit.source_of["expires"]
    yield Owed("permit", due, opens, source, why, tried=_tried(file, opens))


def _service(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[Owed]:
    permit, days = file.permit, programme.service_lapse_days
    ended = None if permit is None else permit.service_until
    if permit is None or days is None or ended is None or ended >= as_of:
        return
    if file.completed_since(ended):
        return
    due = days_after(ended, days)
    why = (
        f"Its service contract ended {format_day(ended)}, and no later one is on record. A visit"
        f" {_is(due, as_of)} due by {format_day(due)}."
    )
    source = permit.source_of["service_until"]
    yield Owed("service", due, ended, source, why, tried=_tried(file, ended))


def _sampling(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[Owed]:
    permit, days = file.permit, programme.sample_lapse_days
    if permit is None or days is None:
        return
    every = permit.sample_interval_days or programme.sample_interval_days.get(file.kind)
    start = permit.last_sampled or permit.issued
    if every is None or start is None:
        return
    late = days_after(start, every)
    if late >= as_of or file.completed_since(late):
        return
    if permit.last_sampled is None:
        known = f"No sample is on record since its permit was issued {format_day(start)}"
    else:
        known = f"The last sample on record was taken {format_day(start)}"
    due = days_after(late, days)
    why = (
        f"{known}. A sample is required {format_every(every)}. A visit {_is(due, as_of)} due by"
        f" {format_day(due)}."
    )
    source = permit.source_of["issued" if permit.last_sampled is None else "last_sampled"]
    yield Owed("sampling", due, late, source, why, tried=_tried(file, late))


def _interval(file: UnitRecords, programme: ProgrammeSection, as_of: dt.date) -> Iterator[Owed]:
    asked = interval_of(file, programme)
    if asked is None:
        return
    days, whose = asked
    last = file.last_completed
    if last is not None and last.day is not None:
        source = last.source
        known = f"The last completed visit was {format_day(last.day)}. {whose}."
        due, season = _in_season(days_after(last.day, days), last.day, programme)
        why = known + (season or f" One {_is(due, as_of)} due {format_day(due)}.")
        yield Owed("interval", due, last.day, source, why, tried=_tried(file, last.day))
        return
    source = ("units", file.unit_id, file.row)
    began = file.installed or file.first_issued
    if began is not None:
        due, season = _in_season(days_after(began, days), began, programme)
        if due > as_of:
            how = "It was installed" if file.installed else "Its first permit was issued"
            known = f"{how} {format_day(began)}. {whose}."
            why = known + (season or f" One is due {format_day(due)}.")
            yield Owed("interval", due, began, source, why, tried=_tried(file, None))
            return
    known = f"No completed visit is on record. {whose}. One is due now."
    yield Owed("interval", as_of, began, source, known, tried=_tried(file, None))


def interval_of(file: UnitRecords, programme: ProgrammeSection) -> tuple[int, str] | None:
    """The interval for a unit and a sentence on what sets it: its permit's kind, else its own."""
    kind = "" if file.permit is None else file.permit.kind
    if (days := programme.permit_interval_days.get(permit_kind_key(kind))) is not None:
        return days, f"Its permit ({kind}) requires a visit {format_every(days)}"
    if (days := programme.interval_days.get(file.kind)) is not None:
        units = KIND_WORDS[file.kind]
        return days, f"{units[0].upper()}{units[1:]} are due a visit {format_every(days)}"
    return None


Rule = Callable[[UnitRecords, ProgrammeSection, dt.date], Iterator[Owed]]
RULES: Final[Mapping[str, Rule]] = {
    "complaint": _complaint,
    "reinspection": _reinspection,
    "permit": _permit,
    "service": _service,
    "sampling": _sampling,
    "interval": _interval,
}


def _in_season(due: dt.date, start: dt.date, programme: ProgrammeSection) -> tuple[dt.date, str]:
    """The due date, and a sentence where it was moved into the season."""
    moved = last_day_in_season(due, programme)
    if moved == due or moved <= start:
        return due, ""
    return moved, (
        f" The due date moved from {format_day(due)} to {format_day(moved)}, the last day of the"
        " season."
    )


def _tried(file: UnitRecords, since: dt.date | None) -> str:
    """A sentence on the last visit since a day that could not be completed."""
    days = [v.day for v in file.visits if v.day is not None and v.outcome in NOT_COMPLETED]
    days = [day for day in days if since is None or day > since]
    return f"The {format_day(days[-1])} visit could not be completed." if days else ""


def _is(due: dt.date, as_of: dt.date) -> str:
    return "was" if due < as_of else "is"
