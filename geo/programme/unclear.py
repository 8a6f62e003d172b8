"""What may ask for a visit, but by which day cannot be told: it is listed, and never forgotten."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import pandas as pd

from geo.programme.obligations import FOUND_WORDS, OWES, again_within, interval_of
from geo.programme.unit_records import LOOKED, Permits, Source, UnitRecords, unit_records
from layers.fields.days import days_after, format_day
from layers.fields.ledger import listed
from layers.outputs import OWED_UNCLEAR
from layers.settings.programme import ProgrammeSection, permit_kind_key

# A word so much like one the programme names may be that one mistyped; common practice, no source.
_LIKE: Final = 0.75
# Of so many permits and more, a kind that one only has is a word nobody uses; common practice, no
# source.
_ENOUGH: Final = 10


@dataclass(frozen=True)
class Unclear:
    """One thing that may ask for a visit; ``earliest`` is the first day it could be due."""

    obligation: str
    lacks: str
    source: Source
    why: str
    earliest: dt.date | None = None


def unclear_obligations(
    units: pd.DataFrame,
    programme: ProgrammeSection,
    *,
    as_of: dt.date,
    inspections: pd.DataFrame | None = None,
    complaints: pd.DataFrame | None = None,
    permits: pd.DataFrame | None = None,
    strays: Mapping[str, pd.DataFrame] | None = None,
) -> pd.DataFrame:
    """What may ask for a visit and lacks what would tell by when, one row each.

    Parameters
    ----------
    units, programme, as_of, inspections, complaints, permits
        As `geo.programme.owed.owed_visits` takes them.
    strays
        Rows of inspections, complaints and permits whose unit is not on the list.

    Returns
    -------
    `layers.outputs.OWED_UNCLEAR`. A column that no row of its table fills is told of once, by
    `silent_columns`, not for each unit.
    """
    filled = _filled(inspections, permits)
    single = _single_kinds(permits)
    rows = []
    for file in unit_records(units, inspections, complaints, permits, as_of):
        allowed = OWES.get(file.status)
        rows += [
            (file.unit_id, found)
            for found in _of_unit(file, programme, as_of, filled, single)
            if allowed is None or found.obligation in allowed
        ]
    rows += _of_strays(strays or {}, programme, as_of, filled, single)
    table = pd.DataFrame(
        [(unit, o.obligation, o.lacks, o.earliest, *o.source, o.why) for unit, o in rows],
        columns=OWED_UNCLEAR.names,
    )
    table["earliest"] = pd.to_datetime(table["earliest"]).astype("datetime64[ms]")
    table = table.astype({"source_row": "Int64"})
    order = ["obligation", "lacks", "unit_id", "source_id"]
    return table.sort_values(order, kind="stable", ignore_index=True)


def gaps_of_records(unclear: pd.DataFrame, problems: pd.DataFrame) -> dict[str, list[str]]:
    """By unit, what its records leave open: visits without a day, places that are in doubt."""
    gaps: dict[str, list[str]] = {}
    for unit_id, why in zip(unclear["unit_id"], unclear["why"], strict=True):
        gaps.setdefault(unit_id, []).append(f"Visits: {why.rstrip('.')}")
    doubted = problems[problems["code"] == "record_position_doubtful"]
    for unit_id, why in zip(doubted["feature_id"], doubted["message"], strict=True):
        gaps.setdefault(unit_id, []).append(f"Position: {why}")
    return gaps


def silent_columns(
    programme: ProgrammeSection, inspections: pd.DataFrame | None, permits: pd.DataFrame | None
) -> list[str]:
    """What the programme asks for and a table on record never tells, in sentences."""
    filled = _filled(inspections, permits)
    asks = {
        ("permits", "expires"): (programme.renewal_days, "when a permit ends"),
        ("permits", "service_until"): (
            programme.service_lapse_days, "when a service contract ends"
        ),
        ("permits", "last_sampled"): (
            programme.sample_lapse_days, "when a sample was taken"
        ),
        ("permits", "permit_kind"): (
            programme.permit_interval_days, "what kind a permit is"
        ),
        ("inspections", "result"): (True, "what a visit found"),
    }  # fmt: skip
    given = {"permits": permits, "inspections": inspections}
    notes = []
    named = programme.permit_interval_days
    if named and permits is not None and "permit_kind" in filled:
        kinds = permits["permit_kind"].dropna().map(permit_kind_key)
        if not kinds.isin(list(named)).any():
            notes.append(
                f"No permit is of a kind that [programme] names ({', '.join(named)}), so no visit"
                f" is due by permit kind. Kinds on record: {listed(sorted(set(kinds)))}."
            )
    return notes + [
        f"The {layer} layer never says {what}, so no visit is due for that."
        for (layer, name), (is_asked, what) in asks.items()
        if (is_asked is not None and is_asked != {})
        and given[layer] is not None
        and name not in filled
    ]


def _filled(inspections: pd.DataFrame | None, permits: pd.DataFrame | None) -> frozenset[str]:
    """Columns of visits and permits that some row tells."""
    named: set[str] = set()
    for table in (inspections, permits):
        if table is not None:
            known = table.notna() & (table != "unknown")
            named |= {str(name) for name in table.columns[known.any()]}
    return frozenset(named)


def _single_kinds(permits: pd.DataFrame | None) -> frozenset[str]:
    """Kinds that one permit only is of: a word nobody else uses may stand for another."""
    if permits is None or "permit_kind" not in permits:
        return frozenset()
    counts = permits["permit_kind"].dropna().map(permit_kind_key).value_counts()
    return frozenset(counts.index[counts == 1] if counts.sum() >= _ENOUGH else ())


def _of_unit(
    file: UnitRecords,
    programme: ProgrammeSection,
    as_of: dt.date,
    filled: frozenset[str],
    single: frozenset[str],
) -> Iterator[Unclear]:
    if "result" in filled:
        yield from _unknown_results(file)
    for visit in file.undated:
        if visit.result in again_within(programme) and visit.result != "danger":
            why = (
                f"A visit with no date on record found {FOUND_WORDS[visit.result]}. Find its date."
            )
            yield Unclear("reinspection", "date", visit.source, why)
    yield from _permit_facts(file, programme, filled)
    yield from _kinds(file, programme, as_of, filled, single)


def _unknown_results(file: UnitRecords) -> Iterator[Unclear]:
    """Visits that no later one answered and of which nobody knows what they found."""
    last = file.last_answered
    since = dt.date.min if last is None or last.day is None else last.day
    for visit in (*file.visits, *file.undated):
        is_open = visit.day is None or visit.day >= since
        if visit.result == "unknown" and visit.outcome in LOOKED and is_open:
            which = (
                "a visit with no date"
                if visit.day is None
                else f"the {format_day(visit.day)} visit"
            )
            why = f"What {which} found is not on record. Find its result."
            yield Unclear("reinspection", "result", visit.source, why, visit.day)


def _permit_facts(
    file: UnitRecords, programme: ProgrammeSection, filled: frozenset[str]
) -> Iterator[Unclear]:
    permit = file.permit
    if permit is None:
        return
    source = permit.newest
    if programme.renewal_days is not None and _lacks(permit, "expires") and "expires" in filled:
        why = "When its permit ends is not on record."
        yield Unclear("permit", "expires", source, why)
    lapses = programme.service_lapse_days is not None and _lacks(permit, "service_until")
    if lapses and "service_until" in filled:
        why = "When its service contract ends is not on record."
        yield Unclear("service", "service_until", source, why)
    if programme.sample_lapse_days is None:
        return
    every = permit.sample_interval_days or programme.sample_interval_days.get(file.kind)
    since = None if permit.issued is None else days_after(permit.issued, every or 0)
    is_asked = every is not None and permit.last_sampled is None
    if is_asked and (since is None or ("last_sampled" in filled and file.completed_since(since))):
        why = "Samples are required, but the date of the last sample is not on record."
        yield Unclear("sampling", "last_sampled", source, why)
    elif every is None and permit.last_sampled is not None:
        why = "It was sampled before, but how often samples are required is not on record."
        yield Unclear("sampling", "sample_interval_days", source, why, permit.last_sampled)


def _lacks(permit: Permits, name: str) -> bool:
    """Whether no permit tells a day, or only one that had ended when the newest was issued."""
    day = getattr(permit, name)
    if day is None or permit.issued is None:
        return day is None
    return permit.source_of[name] != permit.newest and bool(day <= permit.issued)


def _kinds(
    file: UnitRecords,
    programme: ProgrammeSection,
    as_of: dt.date,
    filled: frozenset[str],
    single: frozenset[str],
) -> Iterator[Unclear]:
    """Intervals the unit may be under, where its kind or its permit's is not known."""
    asked = interval_of(file, programme)
    last = file.last_completed
    began = (None if last is None else last.day) or file.installed or file.first_issued
    source = ("units", file.unit_id, file.row)
    ruled = "" if file.permit is None else permit_kind_key(file.permit.kind)
    by_permit = asked is not None and ruled in programme.permit_interval_days

    def earliest(days: int) -> dt.date:
        return as_of if began is None else days_after(began, days)

    if asked is not None and last is None and file.installed is None and file.first_issued:
        why = "Its installation date is not on record, and no visit has been completed."
        yield Unclear("interval", "installed", source, why)
    shorter = [d for d in programme.interval_days.values() if asked is None or d < asked[0]]
    if file.kind == "unknown" and shorter and not by_permit:
        why = "Its kind is not on record, so how often it needs a visit is not known."
        yield Unclear("interval", "kind", source, why, earliest(min(shorter)))
    if file.permit is None or by_permit or "permit_kind" not in filled:
        return
    names = list(programme.permit_interval_days)
    if ruled and ruled not in single:
        names = difflib.get_close_matches(ruled, names, n=len(names) or 1, cutoff=_LIKE)
    shorter = [d for name in names if (d := programme.permit_interval_days[name])]
    shorter = [d for d in shorter if asked is None or d < asked[0]]
    if shorter:
        known = f"{file.permit.kind!r}, which [programme] does not name" if ruled else ""
        why = (
            f"The kind of its permit is {known or 'not on record'}. It may require earlier visits."
        )
        yield Unclear("interval", "permit_kind", file.permit.newest, why, earliest(min(shorter)))


def _of_strays(
    strays: Mapping[str, pd.DataFrame],
    programme: ProgrammeSection,
    as_of: dt.date,
    filled: frozenset[str],
    single: frozenset[str],
) -> list[tuple[str, Unclear]]:
    """Complaints and bad findings whose unit is not on the list."""
    found = []
    visits = strays.get("inspections")
    if visits is not None:
        is_shown = (visits["result"] != "unknown").any()
        open_ = (visits["result"] == "unknown") & visits["outcome"].isin(LOOKED) & is_shown
        bad = visits[visits["result"].isin(again_within(programme)) | open_]
        for row in bad.to_dict("records"):
            what = FOUND_WORDS.get(row["result"], "something not on record")
            why = f"A visit found {what} at a unit that is not on the list. Find out which unit."
            source = ("inspections", str(row["inspection_id"]), row["source_row"])
            found.append((row, Unclear("reinspection", "unit", source, why, _day(row["date"]))))
    complaints = strays.get("complaints")
    if complaints is not None:
        closed = pd.to_datetime(complaints["closed"]) <= pd.Timestamp(as_of)
        for row in complaints[~closed].to_dict("records"):
            why = "A complaint names a unit that is not on the list. Find out which unit."
            source = ("complaints", str(row["complaint_id"]), row["source_row"])
            found.append((row, Unclear("complaint", "unit", source, why, _day(row["date"]))))
    rows = [
        ("" if pd.isna(row["unit_id"]) else str(row["unit_id"]), unclear)
        for row, unclear in found
        if unclear.earliest is None or unclear.earliest <= as_of
    ]
    permits = strays.get("permits")
    if permits is None:
        return rows
    return [*rows, *_of_stray_permits(permits, programme, as_of, filled, single)]


def _of_stray_permits(
    permits: pd.DataFrame,
    programme: ProgrammeSection,
    as_of: dt.date,
    filled: frozenset[str],
    single: frozenset[str],
) -> Iterator[tuple[str, Unclear]]:
    """What permits ask for whose unit is not on the list: each by itself, of whichever unit."""
    permits = permits[permits["unit_id"].notna()]
    alone = permits.assign(unit_id=[str(k) for k in range(len(permits))])
    files = unit_records(alone[["unit_id", "source_row"]], None, None, alone, as_of)
    for named, file in zip(permits["unit_id"], files, strict=True):
        permit = file.permit
        if permit is None:
            continue
        begun = "last_sampled"  # or, where samples are asked and none was taken, the permit
        if permit.last_sampled is None and (
            permit.sample_interval_days or programme.sample_interval_days
        ):
            begun = "issued"
        asked = {
            "permit": ("expires", programme.renewal_days),
            "service": ("service_until", programme.service_lapse_days),
            "sampling": (begun, programme.sample_lapse_days),
            "interval": ("kind", programme.permit_interval_days.get(permit_kind_key(permit.kind))),
        }
        kinds = _kinds(file, programme, as_of, filled, single)
        may_ask = {each.obligation for each in kinds if each.lacks == "permit_kind"}
        for obligation, (name, days) in asked.items():
            is_asked = getattr(permit, name) is not None and days is not None
            if is_asked or obligation in may_ask:
                why = "A permit names a unit that is not on the list. Find out which unit."
                source = permit.source_of.get(name, permit.newest)
                yield str(named), Unclear(obligation, "unit", source, why)


def _day(value: object) -> dt.date | None:
    return None if pd.isna(value) else pd.Timestamp(str(value)).date()
