"""The front of the staff report: decisions, evidence, doubts, cost and next steps."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, Final

from geo.publish.report import data as report_data
from geo.publish.report import numbers
from geo.publish.report.area_map import area_map
from geo.publish.report.charts import PlotFrame, bar_chart, range_chart, steps
from geo.publish.report.cost import Cost, cost_of, money
from geo.publish.report.method import input_label, unsourced_parts
from geo.publish.shared import words
from geo.results import cautions
from layers.measures import count_of, format_age_short
from layers.outputs import UNITS
from layers.outputs.run import Run
from layers.store import Assessment

# Rows on the front; what is more stands in the appendix.
DANGERS_SHOWN: Final = 5
AREAS_SHOWN: Final = 7
HELPS_SHOWN: Final = 6
ABSENT_SHOWN: Final = 8
# The share of past visits at which orders are compared, as `geo.past.replay.SHOWN_AT`.
COMPARED_AT: Final = 0.25
NO_SCHEDULE: Final = (
    "Not calculated: the county file sets no visit schedule ([programme]), or no record gives a"
    " date to count from."
)
ORDER_NAMES: Final = {
    "oldest_first": "Oldest first",
    "likelihood_alone": "By likelihood alone",
    "this_order": "By score",
    "as_visited": "As visited",
    "random": "At random",
}


def front(assessment: Assessment) -> dict[str, Any]:
    """What the four pages show, as words, rows and charts."""
    due = numbers.due_numbers(assessment)
    settings = assessment.run.settings.get("programme") or {}
    cost = cost_of(due, settings)
    return {
        "due": due_section(due),
        "key": _key_numbers(assessment, due, cost),
        "dangers": _dangers(assessment),
        "decisions": _decisions(assessment, due, cost),
        "evidence": _evidence(assessment, due),
        "doubts": _doubts(assessment, due),
        "cost": _cost(due, cost),
        "steps": _next_steps(assessment, due),
    }


# ------------------------------------------------------------------------------ due visits


def by_day(due: numbers.Due) -> str:
    """The last day of the season in words."""
    return words.date(due.last_day) if due.last_day else "the end of the season"


def due_section(due: numbers.Due) -> tuple[str, ...]:
    """Who is overdue, who comes due, and whether the planned visits cover them."""
    undated = (
        f"{count_of(due.undated_records, 'more record')} may mean that a visit is due. The dates"
        " are not on record."
        if due.undated_records
        else ""
    )
    if not due.is_known:
        return tuple(filter(None, (f"Visits due: {NO_SCHEDULE}", _planned_only(due), undated)))
    are = "is" if due.overdue == 1 else "are"
    come = "comes" if due.soon == 1 else "come"
    said = (
        f"{due.overdue:,} of {count_of(due.units, 'unit')} {are} overdue;"
        f" {due.soon:,} more {come} due by {by_day(due)}."
    )
    return tuple(filter(None, (said, covered(due), undated)))


def _planned_only(due: numbers.Due) -> str:
    if due.planned is None:
        return ""
    return f"The office plans {count_of(due.planned, 'visit')} until {by_day(due)}."


def covered(due: numbers.Due) -> str:
    """Whether the planned visits cover those due."""
    wanted = due.this_season
    if due.planned is None:
        return (
            "The county file gives no number of visits per year (visits_per_year), so how many of"
            " these can be made is not known."
        )
    plan = f"The {count_of(due.planned, 'planned visit')}"
    if due.planned >= wanted:
        spare = due.planned - wanted
        return f"{plan} cover all {wanted:,} and leave {spare:,}."
    return f"{plan} cover {due.planned:,} of the {wanted:,} and leave {wanted - due.planned:,} due."


# ------------------------------------------------------------------------------ page 1


def _key_numbers(assessment: Assessment, due: numbers.Due, cost: Cost) -> list[tuple[str, str]]:
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


def _dangers(assessment: Assessment) -> dict[str, Any]:
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
            "why": each.why,
        }
        for each in found
    ]


def short(name: object) -> str:
    """A name no longer than a line.

    >>> short("Wells"), len(short("a very long name " * 9))
    ('Wells', 60)
    """
    text = str(name)
    return text if len(text) <= 60 else f"{text[:59]}\u2026"


def short_date(day: dt.date) -> str:
    """A day for a narrow column.

    >>> short_date(dt.date(2026, 4, 1))
    'Apr 1, 2026'
    """
    return f"{day:%b} {day.day}, {day.year}"


def _more(found: Sequence[Any]) -> str:
    rest = len(found) - DANGERS_SHOWN
    return f"And {rest:,} more, see the appendix." if rest > 0 else ""


def _decisions(assessment: Assessment, due: numbers.Due, cost: Cost) -> list[dict[str, str]]:
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


# ------------------------------------------------------------------------------ page 2


def _evidence(assessment: Assessment, due: numbers.Due) -> dict[str, Any]:
    units = assessment.units
    results = numbers.last_results(units)
    areas = numbers.area_work(assessment)
    return {
        "map": area_map(assessment),
        "workload": _workload(due),
        "no_workload": "" if due.is_known else f"Workload by year: {NO_SCHEDULE}",
        "results": results,
        "results_note": _of_results(assessment.run, results),
        "facts": _facts(assessment),
        "areas": areas[:AREAS_SHOWN],
        "areas_more": _more_areas(areas),
        "last_day": by_day(due),
        "due_known": due.is_known,
        "measure_first": cautions.MEASURE_FIRST,
        "rain_only": cautions.RAIN_ONLY,
    }


def workload_rows(due: numbers.Due) -> list[tuple[str, int]]:
    """Units by when their first visit is due: overdue, this season, then each year."""
    return [("Overdue", due.overdue), ("This season", due.soon), *due.later]


def _workload(due: numbers.Due) -> Any:
    if not due.is_known:
        return None
    rows = workload_rows(due)
    most = max(n for _, n in rows)
    return bar_chart(
        PlotFrame(
            title="Units by when their first visit is due",
            description="; ".join(f"{name}: {n:,}" for name, n in rows) + ".",
            x_ticks=[(0.0, ""), (1.0, "")],
            y_ticks=steps(most * 1.12),
            y_label="units",
            width=700,
            height=140,
        ),
        [name for name, _ in rows],
        [("units", [n for _, n in rows])],
    )


def _of_results(run: Run, results: Sequence[tuple[str, int]]) -> str:
    if not results:
        return "What was found is not known: no visit results are on record."
    learned = run.learned
    if learned.get("visits"):
        return (
            f"Of {learned['visits']:,} completed visits on record,"
            f" {learned['troubles']:,} found a repair needed or a dangerous condition."
        )
    return ""


def _facts(assessment: Assessment) -> list[dict[str, str]]:
    """Findings from maps, each with what to add where a person acts on it."""
    units = assessment.units
    wells = numbers.wells(assessment.setback_checks)
    facts = []
    if wells.missing:
        facts.append(_fact(f"Wells inside setbacks are not calculated: {wells.missing}."))
    else:
        appear = "well appears inside its" if wells.inside == 1 else "wells appear inside their"
        said = f"{wells.inside:,} {appear} setback, near {count_of(wells.units_inside, 'unit')}."
        facts.append(_fact(said, cautions.MEASURE_FIRST))
    wet = numbers.wet_lids(units)
    if wet is None:
        facts.append(
            _fact(
                "Storm water over lids is not calculated: it takes a terrain raster and depths of"
                " rain by return period."
            )
        )
    else:
        years = numbers.STORM_YR
        many = "lid appears" if wet == 1 else "lids appear"
        facts.append(
            _fact(f"{wet:,} {many} under water in a {years}-year storm.", cautions.RAIN_ONLY)
        )
    missing, guessed = numbers.points_not_on_record(units)
    if missing or guessed:
        facts.append(
            _fact(
                f"The discharge point is not on record for {count_of(missing, 'unit')} and not"
                f" confirmed for {guessed:,} more."
            )
        )
    return facts


def _fact(said: str, caution: str = "") -> dict[str, str]:
    return {"said": said, "caution": caution}


def _more_areas(areas: Sequence[numbers.AreaWork]) -> str:
    rest = areas[AREAS_SHOWN:]
    if not rest:
        return ""
    units = sum(area.units for area in rest)
    return f"And {count_of(len(rest), 'more area')} with {count_of(units, 'unit')}, see the appendix."


# ------------------------------------------------------------------------------ page 3


def _doubts(assessment: Assessment, due: numbers.Due) -> dict[str, Any]:
    test = numbers.past_test(assessment, COMPARED_AT)
    return {
        "test": None if test is None else _test(test),
        "visited_only": cautions.VISITED_ONLY,
        "open": _open_questions(assessment, due),
        "helps": _helps(assessment),
        "unsettled": assessment.run.steadiness.get("unsettled"),
    }


def _test(test: numbers.PastTest) -> dict[str, Any]:
    last = test.years[-1] if test.years else ""
    span = last if len(test.years) < 2 else f"{test.years[0]} to {last}"
    return {
        "span": span,
        "units": test.units,
        "repairs": test.repairs,
        "visits": test.visits,
        "said": past_sentences(test),
        "chart": _orders_chart(test),
    }


def past_sentences(test: numbers.PastTest) -> list[str]:
    """The comparison in words, the best order first, whichever it is."""
    best, this, used = test.orders[0], test.order("this_order"), test.order("as_visited")
    named = list(dict.fromkeys(o for o in (best, this, used) if o is not None))
    named.sort(key=lambda o: -round(o.met))
    parts = [f"{o.met:.0f} {ORDER_NAMES[o.code].lower()}" for o in named]
    parts[0] = parts[0].replace(" ", " repairs ", 1)
    counted = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    said = [f"In past records, the first {test.visits:,} visits would have found {counted}."]
    if this is not None and used is not None:
        said.append(_against_used(test, this, used))
    if this is None or best.code == "this_order":
        return said
    if this.high >= best.low:
        said.append(
            f"{ORDER_NAMES[best.code]} could be {best.low:.0f} to {best.high:.0f}. That range"
            " overlaps the range by score, so this difference may be chance too."
        )
    else:
        said.append(
            f"{ORDER_NAMES[best.code]} could be {best.low:.0f} to {best.high:.0f}, which is above"
            " the range by score."
        )
    said.append(
        f"For finding repairs alone, these records favor “{ORDER_NAMES[best.code].lower()}”. The"
        " score also weighs harm."
    )
    return said


def _against_used(test: numbers.PastTest, this: numbers.PastOrder, used: numbers.PastOrder) -> str:
    gain, low, high = test.gain["this_order"]
    spread = f"{this.met:.0f} could be {this.low:.0f} to {this.high:.0f}"
    if low > 0:
        return (
            f"By score found {gain:.0f} more than as visited. That is more than chance explains"
            f" ({low:.0f} to {high:.0f} more)."
        )
    if high < 0:
        return (
            f"By score found {-gain:.0f} fewer than as visited. That is more than chance explains"
            f" ({-high:.0f} to {-low:.0f} fewer)."
        )
    return f"The difference between {this.met:.0f} and {used.met:.0f} may be chance; {spread}."


def _orders_chart(test: numbers.PastTest) -> Any:
    rows = [
        (f"{ORDER_NAMES.get(o.code, o.code)}: {o.met:.0f}", o.low, o.met, o.high)
        for o in test.orders
    ]
    widest = max(len(name) for name, *_ in rows)
    return range_chart(
        PlotFrame(
            title=f"Repairs found by the first {test.visits:,} past visits, by order",
            description="; ".join(f"{n}, could be {a:.0f} to {b:.0f}" for n, a, _, b in rows) + ".",
            x_ticks=steps(max(high for *_, high in rows)),
            y_ticks=[(0.0, " " * widest)],
            x_label=f"repairs found in the first {test.visits:,} visits; line: 19 times in 20",
            width=640,
            height=50 + 24 * len(rows),
        ),
        rows,
    )


def _open_questions(assessment: Assessment, due: numbers.Due) -> list[dict[str, str]]:
    run = assessment.run
    found = []
    wells = numbers.wells(assessment.setback_checks)
    if not wells.missing:
        more = "more " if wells.inside else ""
        is_ = "well is" if wells.too_close == 1 else "wells are"
        found.append(_fact(f"{wells.too_close:,} {more}{is_} too close to tell."))
        if wells.units_not_known:
            found.append(
                _fact(
                    f"For {count_of(wells.units_not_known, 'unit')} the wells are not known: their"
                    " positions are not on record."
                )
            )
    doubt = (run.steadiness.get("first_class") or {}).get("in_doubt")
    if doubt is None:
        found.append(
            _fact(
                "How sure the ranking is: not calculated. Set the number of computer"
                " runs under [steadiness] in priorities.toml."
            )
        )
    else:
        found.append(
            _fact(f"{count_of(doubt, 'unit')} could fall on either side of the visit-first line.")
        )
    parts, unsourced = unsourced_parts(run)
    if parts:
        found.append(
            _fact(
                f"{unsourced:,} of {count_of(parts, 'score part')} have no published source.",
            )
        )
    if due.undated_records:
        found.append(
            _fact(
                f"{count_of(due.undated_records, 'record')} may mean that a visit is due. The"
                " dates are not on record."
            )
        )
    return found + _of_data(assessment)


def _of_data(assessment: Assessment) -> list[dict[str, str]]:
    errors = numbers.errors(assessment.problems)
    found = []
    if errors:
        found.append(
            _fact(f"{count_of(errors, 'error')} in the source files; the appendix lists them.")
        )
    counts = next((c for c in assessment.run.counts if c.layer == "units"), None)
    if counts and counts.set_aside:
        found.append(
            _fact(
                f"{counts.set_aside:,} of {count_of(counts.rows_read, 'row')} of the list of units"
                " could not be used."
            )
        )
    absent = report_data.not_given(assessment.problems)
    if absent:
        more = f" and {len(absent) - ABSENT_SHOWN:,} more" if len(absent) > ABSENT_SHOWN else ""
        found.append(_fact(f"Not given, so not used: {', '.join(absent[:ABSENT_SHOWN])}{more}."))
    return found


def _helps(assessment: Assessment) -> list[dict[str, str]]:
    """What would make the ranking surer, were it known; the weights are the board's, not data."""
    steady = assessment.run.steadiness
    whole = steady.get("unsettled") or 0
    rows = [
        {
            "what": _named(row, assessment.run.parts),
            "units": f"{row.get('units') or 0:,}",
            "share": f"{(row.get('settles') or 0) / whole:.0%}",
        }
        for row in steady.get("inputs") or []
        if whole and row.get("input") != "weights" and (row.get("settles") or 0) > 0
    ]
    return rows[:HELPS_SHOWN]


def _named(row: Mapping[str, Any], parts: Mapping[str, Any]) -> str:
    name = str(row.get("input"))
    if name in parts:
        return f"Records for “{short(parts[name].get('label', name))}”"
    return input_label(name)


# ------------------------------------------------------------------------------ page 4


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
