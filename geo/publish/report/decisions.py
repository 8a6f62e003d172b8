"""Page 1 of the report: the numbers a board takes in first, the dangers, the votes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from geo.publish.report import numbers
from geo.publish.report.cost import Cost, money
from geo.publish.report.phrasing import NO_SCHEDULE, by_day, covered, short, short_date
from geo.results import cautions
from layers.measures import count_of, format_age_short
from layers.outputs import UNITS
from layers.outputs.run import Run
from layers.store import Assessment

# Rows on the page; the appendix has all.
DANGERS_SHOWN: Final = 5


def key_numbers(assessment: Assessment, due: numbers.Due, cost: Cost) -> list[tuple[str, str]]:
    """The few numbers a reader takes in first: number and label."""
    found = []
    danger_count = len(numbers.dangers(assessment))
    if due.is_known:
        found += [
            (f"{due.overdue:,}", "units overdue"),
            (f"{due.soon:,}", f"more due by {by_day(due)}"),
        ]
    else:
        found.append((f"{due.units:,}", "units on the list"))
    if due.planned is not None:
        found.append((f"{due.planned:,}", "visits planned"))
    if danger_count or findings_are_known(assessment):
        found.append((f"{danger_count:,}", "dangerous conditions without follow-up"))
    if cost.is_calculated and cost.total:
        found.append((money(cost.total[-1]), f"for {cost.of[-1].visits:,} visits"))
    return found


def danger_section(assessment: Assessment) -> dict[str, Any]:
    """Dangerous conditions without a completed follow-up, and how many more there are."""
    found = numbers.dangers(assessment)
    count = len(found)
    if count:
        have = "condition has" if count == 1 else "conditions have"
        goes = "It goes" if count == 1 else "They go"
        said = (
            f"{count:,} dangerous {have} no completed follow-up. {goes} first,"
            " by date. The score is not used here."
        )
    elif findings_are_known(assessment):
        said = "No dangerous condition on record lacks a completed follow-up."
    else:
        said = "Not known: no visit results are on record."
    return {"said": said, "rows": danger_rows(found[:DANGERS_SHOWN]), "more": _more(found)}


def findings_are_known(assessment: Assessment) -> bool:
    """Whether any visit's result is on record, so that no danger means that none was found."""
    return bool(numbers.last_results(assessment.units)) or bool(len(assessment.visits.owed))


def danger_rows(found: Sequence[numbers.Danger]) -> list[dict[str, str]]:
    """Dangerous conditions as rows of a table."""
    return [
        {
            "unit": each.unit_id,
            "address": each.address or "Address not on record",
            "found": short_date(each.found) if each.found else "Not on record",
            "due": short_date(each.due),
            "late": format_age_short(each.overdue_days) if each.overdue_days else "Not yet",
            "what": each.what,
        }
        for each in found
    ]


def _more(found: Sequence[Any]) -> str:
    rest = len(found) - DANGERS_SHOWN
    return f"And {rest:,} more, see the appendix." if rest > 0 else ""


def decisions(assessment: Assessment, due: numbers.Due, cost: Cost) -> list[dict[str, str]]:
    """What the board is asked to decide, and the facts it rests on."""
    run = assessment.run
    is_adopted = bool(run.setback_tables) and not not_adopted(run)
    return [
        {
            "ask": f"{'Confirm' if uses_own_weights(run) else 'Adopt'} the score weights",
            "text": _of_weights(assessment),
        },
        {
            "ask": f"{'Confirm' if is_adopted else 'Adopt'} the setback table",
            "text": _of_setbacks(run),
        },
        {"ask": _ask_for_visits(due), "text": _of_visits(due, cost)},
        {"ask": "Set the share of visits picked at random", "text": _of_share(run, due)},
    ]


def uses_own_weights(run: Run) -> bool:
    """Whether the county file names priorities of its own."""
    return bool((run.settings.get("priorities") or {}).get("path"))


def _of_weights(assessment: Assessment) -> str:
    by_score = int(UNITS.equals(assessment.units, "ranked_by", "score").sum())
    what = (
        "The weights named in the county file are in use."
        if uses_own_weights(assessment.run)
        else "The example weights are in use, because the county file names none."
    )
    if not by_score:
        return f"{what} {cautions.NO_SOURCE} No unit is ranked by score."
    first = " Visits due come first, by date." if by_score < len(assessment.units) else ""
    return (
        f"{what} {cautions.NO_SOURCE} They rank {count_of(by_score, 'unit')}.{first} Section 3 says"
        " how sure this is."
    )


def not_adopted(run: Run) -> list[str]:
    """Names of the setback tables that name nobody who adopted them."""
    tables = run.setback_tables
    return [str(t.get("name", "")) for t in tables if not str(t.get("adopted_by") or "").strip()]


def _of_setbacks(run: Run) -> str:
    tables = run.setback_tables
    if not tables:
        return "No setback table is given, so no setback is checked."
    if waiting := not_adopted(run):
        more = f" and {len(waiting) - 1:,} more" if len(waiting) > 1 else ""
        return (
            f"“{short(waiting[0])}”{more}: who adopted it is not on record (adopted_by in"
            " setbacks.toml). Until then distances are measured without a verdict."
        )
    now = [t for t in tables if not t.get("effective_to")] or list(tables)
    said = f"In use: “{short(now[-1]['name'])}”, adopted by {short(now[-1]['adopted_by'])}."
    if others := len(tables) - 1:
        apply = "table applies" if others == 1 else "tables apply"
        said += f" {others:,} other adopted {apply} to other units; the appendix lists all."
    return said


def _ask_for_visits(due: numbers.Due) -> str:
    if due.planned is not None:
        return f"Fund {count_of(due.planned, 'visit')}"
    if due.is_known and due.this_season:
        return f"Fund the {count_of(due.this_season, 'visit')} due"
    return "Set a visit schedule and fund it"


def _of_visits(due: numbers.Due, cost: Cost) -> str:
    first = covered(due) if due.is_known else f"Visits due: {NO_SCHEDULE}"
    if cost.is_calculated and cost.total:
        each = cost.of[-1]
        least = "" if not cost.said else " at least"
        second = (
            f"{count_of(each.visits, 'visit')} cost{least} {money(cost.total[-1])} (section 4)."
        )
    else:
        second = cost.said[0]
    return f"{first} {second}"


def _of_share(run: Run, due: numbers.Due) -> str:
    share = float((run.settings.get("programme") or {}).get("random_share") or 0.0)
    why = "Only such visits show how units do that nobody chose to visit."
    if share and due.planned is not None:
        picked = round(share * due.planned)
        return f"Now {share:.0%}: {picked:,} of {count_of(due.planned, 'planned visit')}. {why}"
    spare = due.planned - due.this_season if due.planned is not None and due.is_known else 0
    now = f"Now no visit is picked at random. {why}"
    if spare > 0 and due.planned:
        now += (
            f" The {spare:,} visits left over could be picked so:"
            f" {spare / due.planned:.0%} of the plan."
        )
    return now
