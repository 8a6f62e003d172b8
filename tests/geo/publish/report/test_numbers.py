"""Each number of the front is that of a table, counted here again row by row."""

import re
from collections import Counter
from dataclasses import replace
from decimal import Decimal
from html.parser import HTMLParser

import pandas as pd
import pytest

from geo.past.replay import SHOWN_AT
from geo.publish import report_page
from geo.publish.report import decisions, doubts, numbers, phrasing
from geo.publish.report.cost import cost_of, money
from support.assessments import with_run, with_tables

COSTS = {
    "visit_hours": 2.5, "hour_cost_usd": 46.5, "miles_per_visit": 9, "mile_cost_usd": 0.6,
    "sample_cost_usd": 85, "mailing_cost_usd": 0.95,
}  # fmt: skip


class Words(HTMLParser):
    def __init__(self, page):
        super().__init__()
        self.found, self.in_style = [], False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.in_style = tag == "style"

    def handle_endtag(self, tag):
        self.in_style = False

    def handle_data(self, data):
        if not self.in_style:
            self.found.append(data)


def said(assessment):
    return " ".join(" ".join(Words(report_page(assessment)).found).split())


@pytest.fixture(scope="module")
def page(larkmoor_result):
    return said(larkmoor_result)


def rows(result):
    return result.units.to_dict("records")


def days(result):
    as_of, last = pd.Timestamp(result.run.as_of), pd.Timestamp(result.run.season.last_day)
    return as_of, last, [u["must_visit_by"] for u in rows(result) if pd.notna(u["must_visit_by"])]


def test_overdue_due_and_planned_are_those_of_the_tables(page, larkmoor_result):
    as_of, last, due = days(larkmoor_result)
    late, soon = sum(d < as_of for d in due), sum(as_of <= d <= last for d in due)
    planned = larkmoor_result.run.season.visits
    assert late > 10 < soon
    assert f"{late} of {len(larkmoor_result.units)} units are overdue; {soon} more come due" in page
    spare = planned - late - soon
    assert f"The {planned} planned visits cover all {late + soon} and leave {spare}." in page
    assert f"{late} units stay overdue and {soon} more become overdue by November 15" in page


def test_workload_by_year_counts_each_unit_once(larkmoor_result):
    _, last, due = days(larkmoor_result)
    shown = numbers.due_numbers(larkmoor_result)
    later = Counter(str(d.year) for d in due if d > last)
    assert dict(shown.later) == later
    assert shown.overdue + shown.soon + sum(later.values()) == len(due)


def test_every_dangerous_condition_is_in_the_table_by_date(page, larkmoor_result):
    owed = larkmoor_result.visits.owed
    mine = owed[owed["danger"]]
    conditions = {(r["unit_id"], r["since"]) for r in mine.to_dict("records")}
    found = numbers.dangers(larkmoor_result)
    assert {(d.unit_id, pd.Timestamp(d.found)) for d in found} == conditions
    assert [d.due for d in found] == sorted(d.due for d in found)
    marked = larkmoor_result.units.loc[larkmoor_result.units["danger_open"].astype(bool), "unit_id"]
    assert set(marked) == {d.unit_id for d in found}
    assert f"{len(conditions)} dangerous conditions have no completed follow-up." in page
    address = {u["unit_id"]: u["address"] for u in rows(larkmoor_result)}
    for each in found[: decisions.DANGERS_SHOWN]:
        assert each.unit_id in page
        assert address[each.unit_id] in page
        assert phrasing.short_date(each.due) in page
        # what was found and no more: the days have columns of their own
        assert f"{each.what} {phrasing.short_date(each.found)} " in page
        assert re.fullmatch(r"The \w+ \d+, \d+ visit found [^.]+\.", each.what)
        assert [why for why in mine["why"] if why.startswith(f"{each.what} ")]


def test_wells_lids_and_findings_are_those_of_the_tables(page, larkmoor_result):
    checks = [
        c for c in larkmoor_result.setback_checks.to_dict("records")
        if c["feature"] == "wells" and c["in_force"]
    ]  # fmt: skip
    inside = {c["feature_id"] for c in checks if c["verdict"] == "short"}
    close = {c["feature_id"] for c in checks if c["verdict"] == "uncertain"} - inside - {None}
    units = {c["unit_id"] for c in checks if c["verdict"] == "short"}
    assert f"{len(inside)} wells appear inside their setback, near {len(units)} units." in page
    assert f"{len(close)} more wells are too close to tell." in page
    wet = sum(u["lid_wet_return_yr"] <= 10 for u in rows(larkmoor_result))
    assert f"{wet} lids appear under water in a 10-year storm." in page
    results = Counter(u["last_result"] for u in rows(larkmoor_result))
    shown = dict(numbers.last_results(larkmoor_result.units))
    assert shown["Repair needed"] == results["repair"]
    assert sum(shown.values()) == len(larkmoor_result.units)


def test_the_ten_year_storm_counts_and_the_next_does_not(larkmoor_result):
    units = larkmoor_result.units.head(5).assign(
        lid_wet_return_yr=[1.0, 10.0, 25.0, float("nan"), 2.0]
    )
    assert numbers.wet_lids(units) == 3


def test_areas_add_up_to_the_county(larkmoor_result):
    _, last, due = days(larkmoor_result)
    areas = numbers.area_work(larkmoor_result)
    assert sum(a.units for a in areas) == len(larkmoor_result.units)
    assert sum(a.overdue + a.soon for a in areas) == sum(d <= last for d in due)
    assert sum(a.first for a in areas) == (larkmoor_result.units["visit_class"] == "first").sum()


def test_the_test_on_past_visits_leads_with_the_best_order(page, larkmoor_result):
    table = larkmoor_result.trust.replay
    whole = table[(table["year"] == "all") & (table["among"] == "visited")]
    assert doubts.COMPARED_AT == SHOWN_AT
    n = whole.loc[(whole["visits"] - SHOWN_AT * whole["units"]).abs().idxmin(), "visits"]
    met = whole[whole["visits"] == n].set_index("order")["met"].round().astype(int)
    assert met["oldest_first"] == met.max()
    assert (
        f"the first {n} visits would have found {met['oldest_first']} repairs oldest first,"
        f" {met['this_order']} by score and {met['as_visited']} as visited."
    ) in page
    assert "may be chance" in page
    assert "these records favor “oldest first”" in page


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ({"met": 40, "met_low": 30, "met_high": 50, "low": 3, "high": 40}, "more than chance"),
        ({"met": 2, "met_low": 1, "met_high": 3, "low": -20, "high": -4}, "fewer than as visited"),
        ({"met": 14, "met_low": 9, "met_high": 20, "low": -4, "high": 6}, "may be chance"),
    ],
)
def test_whichever_way_the_test_falls_it_is_said(larkmoor_result, change, wanted):
    table = larkmoor_result.trust.replay.copy()
    mine = table["order"] == "this_order"
    for name in ("met", "met_low", "met_high"):
        table.loc[mine, name] = float(change[name])
    for end in ("low", "high"):
        table.loc[mine, f"more_than_as_visited_{end}"] = float(change[end])
    table.loc[mine, "more_than_as_visited"] = (change["low"] + change["high"]) / 2
    text = said(with_tables(larkmoor_result, replay=table))
    assert wanted in text
    best = "40 repairs by score" if change["met"] == 40 else "repairs oldest first"
    assert re.search(rf"would have found (?:\d+ )?{best}", text)


def test_doubts_are_those_of_the_run(page, larkmoor_result):
    run = larkmoor_result.run
    doubt = run.steadiness["first_class"]["in_doubt"]
    assert f"{doubt} units could fall on either side of the visit-first line." in page
    alone = [p for p in run.parts.values() if p["source"].startswith("common practice")]
    assert f"{len(alone)} of {len(run.parts)} score parts have no published source." in page


# ------------------------------------------------------------------------------------ cost


def costs(larkmoor_result, **settings):
    return cost_of(numbers.due_numbers(larkmoor_result), settings)


def test_cost_is_exact_to_the_cent(larkmoor_result):
    due = numbers.due_numbers(larkmoor_result)
    got = costs(larkmoor_result, **COSTS)
    assert got.said == ()
    owed = larkmoor_result.visits.owed
    last = pd.Timestamp(larkmoor_result.run.season.last_day)
    samples = owed[(owed["obligation"] == "sampling") & (owed["due"] <= last)]["unit_id"].nunique()
    assert samples > 0
    for i, n in enumerate((due.overdue + due.soon, due.planned)):
        expected = [
            n * Decimal("2.5") * Decimal("46.5"),
            n * 9 * Decimal("0.6"),
            samples * Decimal(85),
            n * Decimal("0.95"),
        ]
        assert [line.amounts[i] for line in got.lines] == expected
        assert got.total[i] == sum(expected)


def test_the_page_shows_the_same_cost(larkmoor_result):
    settings = larkmoor_result.run.settings
    asked = settings["programme"] | COSTS
    text = said(with_run(larkmoor_result, settings=settings | {"programme": asked}))
    got = costs(larkmoor_result, **COSTS)
    for line in got.lines:
        for amount in line.amounts:
            assert money(amount) in text
    assert f"150 visits cost {money(got.total[1])} (section 4)." in text
    assert "not calculated: the county file gives no" not in text


def test_cents_are_not_lost_where_a_float_would_lose_them():
    due = numbers.Due(3, True, 3, 0, (), 0, None, None, 0)
    got = cost_of(due, {"mailing_cost_usd": 0.1, "miles_per_visit": 0.7, "mile_cost_usd": 0.1})
    assert [line.amounts for line in got.lines if not line.missing] == [
        (Decimal("0.21"),),
        (Decimal("0.30"),),
    ]
    assert got.total == (Decimal("0.51"),)


@pytest.mark.parametrize("name", COSTS)
def test_a_missing_setting_is_left_out_in_words(larkmoor_result, name):
    got = costs(larkmoor_result, **{k: v for k, v in COSTS.items() if k != name})
    whole = costs(larkmoor_result, **COSTS)
    assert len(got.said) == 1
    assert re.search(
        rf"not calculated: the county file gives no [a-z ]+ \({name}\)\.$", got.said[0]
    )
    gone = [line for line in got.lines if line.missing]
    assert len(gone) == 1
    without = [line for line in whole.lines if line.name != gone[0].name]
    assert got.total[0] == sum(line.amounts[0] for line in without)


def test_without_any_rate_there_is_no_sum(larkmoor_result):
    settings = larkmoor_result.run.settings
    asked = {k: v for k, v in settings["programme"].items() if k not in COSTS}
    text = said(with_run(larkmoor_result, settings=settings | {"programme": asked}))
    assert "Cost not calculated: the county file gives no hourly rate." in text
    assert "$" not in text


def test_no_schedule_is_not_the_same_as_nothing_due(larkmoor_result):
    units = larkmoor_result.units.assign(must_visit_by=pd.NaT, why_due=None)
    nothing = replace(larkmoor_result, units=units)
    text = said(nothing)
    assert "the county file sets no visit schedule ([programme])" in text
    assert "0 of" not in text
    undated = len(larkmoor_result.visits.unclear)
    assert f"{undated} more records may mean that a visit is due." in text


def test_too_few_visits_leave_some_due(larkmoor_result):
    season = {"first_day": "2026-04-01", "last_day": "2026-11-15", "visits": 40}
    due = numbers.due_numbers(larkmoor_result)
    wanted = due.overdue + due.soon
    text = said(with_run(larkmoor_result, season=season))
    assert f"The 40 planned visits cover 40 of the {wanted} and leave {wanted - 40} due." in text
    season = {"first_day": "2026-04-01", "last_day": "2026-11-15", "visits": None}
    assert "gives no number of visits per year" in said(with_run(larkmoor_result, season=season))


def test_a_table_that_nobody_adopted_is_to_be_adopted(larkmoor_result):
    tables = [{"name": "A table", "adopted_by": "", "judged_on": "unit"}]
    text = said(with_run(larkmoor_result, setback_tables=tables))
    assert "2. Adopt the setback table “A table”: who adopted it is not on record" in text
    assert "2. Confirm the setback table In use:" in said(larkmoor_result)
