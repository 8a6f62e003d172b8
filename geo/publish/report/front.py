"""The front of the staff report: decisions, evidence, doubts, cost and next steps."""

from __future__ import annotations

from typing import Any

from geo.publish.report import numbers
from geo.publish.report.cost import Cost, cost_of, money
from geo.publish.report.decisions import danger_section, decisions, key_numbers
from geo.publish.report.doubts import doubts
from geo.publish.report.evidence import evidence
from geo.publish.report.phrasing import by_day, due_section
from layers.measures import count_of
from layers.store import Assessment


def front(assessment: Assessment) -> dict[str, Any]:
    """What the four pages show, as words, rows and charts."""
    due = numbers.due_numbers(assessment)
    settings = assessment.run.settings.get("programme") or {}
    cost = cost_of(due, settings)
    return {
        "due": due_section(due),
        "key": key_numbers(assessment, due, cost),
        "dangers": danger_section(assessment),
        "decisions": decisions(assessment, due, cost),
        "evidence": evidence(assessment, due),
        "doubts": doubts(assessment, due),
        "cost": _cost(due, cost),
        "steps": _next_steps(assessment, due),
    }


def _cost(due: numbers.Due, cost: Cost) -> dict[str, Any]:
    return {
        "columns": [f"{each.label} ({each.visits:,})" for each in cost.of],
        "rows": [
            (line.name, line.how, [money(n) if n is not None else "" for n in line.amounts])
            for line in cost.lines
            if not line.missing
        ]
        if cost.of
        else [],
        "total": [money(n) for n in cost.total],
        "is_whole": not cost.said,
        "said": cost.said,
        "without": without(due),
    }


def without(due: numbers.Due) -> str:
    """What happens without the visits."""
    if not due.is_known:
        return (
            "What happens without these visits is not calculated: no unit has a due date on record."
        )
    stay = "unit stays" if due.overdue == 1 else "units stay"
    become = "becomes" if due.soon == 1 else "become"
    return (
        f"Without these visits, {due.overdue:,} {stay} overdue and {due.soon:,} more {become}"
        f" overdue by {by_day(due)}."
    )


def _next_steps(assessment: Assessment, due: numbers.Due) -> list[str]:
    """What the office does next, in order; only what the numbers call for."""
    found = len(numbers.dangers(assessment))
    late = due.overdue
    wells = numbers.wells(assessment.setback_checks)
    missing, guessed = numbers.points_not_on_record(assessment.units)
    errors = numbers.errors(assessment.problems)
    named = [
        (found, f"Follow up the {count_of(found, 'dangerous condition')}, before all other visits"),
        (late, f"Visit the {count_of(late, 'overdue unit')}, those longest overdue first"),
        (due.soon, f"Visit the {count_of(due.soon, 'unit')} that come due by {by_day(due)}"),
        (
            not due.is_known,
            (
                "Set the visit schedule under [programme] in county.toml, and give the records of"
                " past visits, permits and complaints"
            ),
        ),
        (
            wells.inside,
            (
                f"Measure by tape at {count_of(wells.units_inside, 'unit')} near wells that appear"
                " inside their setback"
            ),
        ),
        (
            missing + guessed,
            f"Find and record the discharge points of {count_of(missing + guessed, 'unit')}",
        ),
        (
            due.undated_records,
            f"Find the missing dates of {count_of(due.undated_records, 'record')}",
        ),
        (
            errors,
            f"Correct {count_of(errors, 'error')} in the source files; problems.csv lists each",
        ),
        (
            True,
            (
                "Write the board's decisions into county.toml, priorities.toml and setbacks.toml,"
                " and run the assessment again"
            ),
        ),
    ]  # fmt: skip
    return [f"{what}." for wanted, what in named if wanted]
