"""Page 3 of the report: the test on past visits, what is uncertain, which data would help."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from geo.publish.report import data as report_data
from geo.publish.report import numbers
from geo.publish.report.charts import PlotFrame, range_chart, steps
from geo.publish.report.method import input_label, unsourced_parts
from geo.publish.report.phrasing import fact, short
from geo.results import cautions
from layers.measures import count_of
from layers.store import Assessment

# Rows and names on the page; the appendix has all.
HELPS_SHOWN: Final = 6
ABSENT_SHOWN: Final = 8
# The share of past visits at which orders are compared, as `geo.past.replay.SHOWN_AT`.
COMPARED_AT: Final = 0.25
ORDER_NAMES: Final = {
    "oldest_first": "Oldest first",
    "likelihood_alone": "By likelihood alone",
    "this_order": "By score",
    "as_visited": "As visited",
    "random": "At random",
}


def doubts(assessment: Assessment, due: numbers.Due) -> dict[str, Any]:
    """Everything page 3 shows."""
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
        found.append(fact(f"{wells.too_close:,} {more}{is_} too close to tell."))
        if wells.units_not_known:
            found.append(
                fact(
                    f"For {count_of(wells.units_not_known, 'unit')} the wells are not known: their"
                    " positions are not on record."
                )
            )
    first = run.steadiness.get("first_class") or {}
    doubt = first.get("in_doubt")
    if doubt is None:
        found.append(
            fact(
                "How sure the ranking is: not calculated. Set the number of computer"
                " runs under [steadiness] in priorities.toml."
            )
        )
    elif not doubt and not first.get("first_by_score"):
        found.append(
            fact("How sure the visit-first group is: not calculated. The score puts no unit in it.")
        )
    else:
        found.append(
            fact(f"{count_of(doubt, 'unit')} could fall on either side of the visit-first line.")
        )
    parts, unsourced = unsourced_parts(run)
    if parts:
        found.append(
            fact(
                f"{unsourced:,} of {count_of(parts, 'score part')} have no published source.",
            )
        )
    if due.undated_records:
        found.append(
            fact(
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
            fact(f"{count_of(errors, 'error')} in the source files; the appendix lists them.")
        )
    counts = next((c for c in assessment.run.counts if c.layer == "units"), None)
    if counts and counts.set_aside:
        found.append(
            fact(
                f"{counts.set_aside:,} of {count_of(counts.rows_read, 'row')} of the list of units"
                " could not be used."
            )
        )
    absent = report_data.not_given(assessment.problems)
    if absent:
        more = f" and {len(absent) - ABSENT_SHOWN:,} more" if len(absent) > ABSENT_SHOWN else ""
        found.append(fact(f"Not given, so not used: {', '.join(absent[:ABSENT_SHOWN])}{more}."))
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
