"""What is owed: each rule by hand, what resets a clock and what does not, sentences as text."""

import datetime as dt
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.cli.due import RECORDS
from geo.programme.owed import OBLIGATIONS, must_visit, owed_in, owed_visits, silent_programme
from layers import read_county
from layers.fields.schemas import OUTCOMES, RESULTS, STATUSES
from layers.outputs import OWED
from layers.settings.programme import DayOfYear, ProgrammeSection

AS_OF = dt.date(2026, 4, 1)
ALL = ProgrammeSection(
    interval_days={"surface_discharge": 365},
    permit_interval_days={"Yearly": 200},
    complaint_days=14,
    reinspection_days={"danger": 7, "repair": 60},
    renewal_days=60,
    service_lapse_days=30,
    sample_lapse_days=20,
)


def day(text):
    return pd.NaT if text is None else pd.Timestamp(text)


def unit(unit_id="U1", *, kind="surface_discharge", status="active", installed=None):
    return {
        "unit_id": unit_id, "kind": kind, "status": status, "installed": day(installed),
        "source_row": 2,
    }  # fmt: skip


def visit(date, outcome="completed", result="unknown", unit_id="U1", name="I1"):
    return {
        "inspection_id": name, "unit_id": unit_id, "date": day(date), "outcome": outcome,
        "result": result, "note": "", "source_row": 5,
    }  # fmt: skip


def complaint(date, closed=None, unit_id="U1", name="C1"):
    return {
        "complaint_id": name, "unit_id": unit_id, "date": day(date), "closed": day(closed),
        "note": "from the neighbor, J. Doe", "source_row": 7,
    }  # fmt: skip


def permit(unit_id="U1", name="P1", **more):
    days = {k: day(more.get(k)) for k in ("issued", "expires", "service_until", "last_sampled")}
    return {
        "permit_id": name, "unit_id": unit_id, "permit_kind": more.get("permit_kind"),
        "sample_interval_days": more.get("sample_interval_days"), "source_row": 9,
    } | days  # fmt: skip


def table(rows):
    frame = pd.DataFrame(rows)
    for name in frame.columns.intersection(
        ["date", "closed", "installed", "issued", "expires", "service_until", "last_sampled"]
    ):
        frame[name] = pd.to_datetime(frame[name]).astype("datetime64[ms]")
    return frame


def owed(units=None, programme=ALL, *, as_of=AS_OF, visits=(), complaints=(), permits=()):
    return owed_visits(
        table(units or [unit()]),
        programme,
        as_of=as_of,
        inspections=table(visits) if visits else None,
        complaints=table(complaints) if complaints else None,
        permits=table(permits) if permits else None,
    )


def only(got, obligation):
    """The one row of an obligation, or None."""
    rows = got[got["obligation"] == obligation]
    assert len(rows) < 2
    return rows.iloc[0] if len(rows) else None


def due(got, obligation):
    row = only(got, obligation)
    return None if row is None else row["due"].date().isoformat()


# ------------------------------------------------------------------------------------- intervals


def test_an_interval_runs_from_the_last_completed_visit():
    got = owed(visits=[visit("2024-05-01"), visit("2025-06-10", name="I2")])
    row = only(got, "interval")
    assert due(got, "interval") == "2026-06-10"
    assert (row["source_layer"], row["source_id"], row["source_row"]) == ("inspections", "I2", 5)
    assert row["since"] == pd.Timestamp("2025-06-10")
    assert row["overdue_days"] == 0
    assert row["why"] == (
        "The last completed visit was June 10, 2025. Units that discharge on the ground or into"
        " water are due a visit every year. One is due June 10, 2026."
    )


@pytest.mark.parametrize("outcome", [o for o in OUTCOMES if o != "completed"])
def test_only_a_completed_visit_resets_a_clock(outcome):
    tried = [visit("2024-05-01"), visit("2025-12-10", outcome, name="I2")]
    got = owed(
        visits=tried,
        complaints=[complaint("2025-12-01")],
        permits=[permit(expires="2026-01-10", service_until="2025-12-02", issued="2021-01-10")],
    )
    assert due(got, "interval") == "2025-05-01"
    assert due(got, "complaint") == "2025-12-15"
    assert due(got, "permit") == "2026-01-10"
    assert due(got, "service") == "2026-01-01"
    could_not = got["why"].str.endswith("The December 10, 2025 visit could not be completed.")
    assert could_not.all() == (outcome != "unknown")
    assert only(got, "interval")["overdue_days"] == 335  # from the 1st of May to the 1st of April


def test_a_completed_visit_answers_everything_that_waited_for_one():
    got = owed(
        visits=[
            visit("2025-01-05", result="repair"),
            visit("2026-03-30", result="good", name="I2"),
        ],
        complaints=[complaint("2025-12-01"), complaint(None, closed="2026-01-01", name="C2")],
        permits=[
            permit(
                expires="2026-05-01",
                issued="2021-05-01",
                service_until="2026-02-01",
                last_sampled="2024-12-01",
                sample_interval_days=365,
            )
        ],
    )
    assert got["obligation"].tolist() == ["interval"]
    assert due(got, "interval") == "2027-03-30"


def test_visits_after_the_day_are_not_known_yet():
    later = [visit("2025-05-01"), visit("2026-04-02", name="I2")]
    assert due(owed(visits=later), "interval") == "2026-05-01"
    assert due(owed(visits=later, as_of=dt.date(2026, 4, 2)), "interval") == "2027-04-02"


def test_a_new_unit_counts_from_its_installation_else_from_its_first_permit():
    got = owed([unit(installed="2025-09-01")])
    assert due(got, "interval") == "2026-09-01"
    assert only(got, "interval")["why"].startswith("It was installed September 1, 2025. Units")
    issued = [permit(issued="2025-10-01"), permit(issued="2026-01-01", name="P2")]
    got = owed(permits=issued)
    assert due(got, "interval") == "2026-10-01"
    assert "Its first permit was issued October 1, 2025" in only(got, "interval")["why"]


@pytest.mark.parametrize("installed", [None, "1985-06-01", "2025-04-01"])
def test_nobody_can_say_since_when_an_old_unit_without_a_visit_is_owed_one(installed):
    got = owed([unit(installed=installed)])
    row = only(got, "interval")
    assert due(got, "interval") == AS_OF.isoformat()  # now, and not overdue by decades
    assert row["overdue_days"] == 0
    assert row["why"] == (
        "No completed visit is on record. Units that discharge on the ground or into water are due"
        " a visit every year. One is due now."
    )
    assert (row["source_layer"], row["source_id"]) == ("units", "U1")


def test_a_county_without_any_history_owes_today_and_leaves_the_order_to_the_score():
    units = [unit(f"U{k}", installed=f"{1960 + k}-07-01") for k in range(40)]
    got = owed(units)
    assert set(got["due"]) == {pd.Timestamp(AS_OF)}
    assert got["unit_id"].nunique() == 40


def test_the_permit_s_kind_takes_the_place_of_the_unit_s():
    seen = [visit("2026-01-01")]
    got = owed(visits=seen, permits=[permit(permit_kind=" YEARLY ", issued="2020-01-01")])
    assert due(got, "interval") == "2026-07-20"  # 200 days
    assert "Its permit (YEARLY) requires a visit every 200 days" in only(got, "interval")["why"]
    got = owed(visits=seen, permits=[permit(permit_kind="other", issued="2020-01-01")])
    assert due(got, "interval") == "2027-01-01"
    # the one issued last counts
    several = [
        permit(permit_kind="other", issued="2024-01-01", name="P2"),
        permit(permit_kind="yearly", issued="2020-01-01"),
    ]
    assert due(owed(visits=seen, permits=several), "interval") == "2027-01-01"


def test_what_the_programme_does_not_name_is_not_owed():
    rows = [unit("U1", kind="soil_absorption"), unit("U2", kind="holding_tank"), unit("U3")]
    got = owed(rows, visits=[visit("2024-05-01", unit_id=u, name=u) for u in ("U1", "U2", "U3")])
    assert got["unit_id"].tolist() == ["U3"]
    nothing = owed(rows, ProgrammeSection(visits_per_year=9), complaints=[complaint("2026-01-01")])
    assert len(nothing) == 0
    assert nothing.columns.tolist() == OWED.names


# ------------------------------------------------------------------- complaints, findings, permits


def test_a_complaint_is_owed_until_a_completed_visit_on_or_after_its_day():
    warnings = [complaint("2026-03-20")]
    got = owed(complaints=warnings, visits=[visit("2026-03-19")])
    assert due(got, "complaint") == "2026-04-03"
    assert only(got, "complaint")["why"] == (
        "The March 20, 2026 complaint requires a visit by April 3, 2026."
    )
    assert due(owed(complaints=warnings, visits=[visit("2026-03-20")]), "complaint") is None
    late = owed(complaints=[complaint("2026-02-01")])
    assert "complaint required a visit by" in only(late, "complaint")["why"]
    assert only(late, "complaint")["overdue_days"] == 45


def test_complaints_closed_or_of_later_days_are_not_owed_and_undated_ones_are_owed_now():
    assert due(owed(complaints=[complaint("2026-03-20", closed="2026-03-25")]), "complaint") is None
    still_open = owed(complaints=[complaint("2026-03-20", closed="2026-05-01")])
    assert due(still_open, "complaint") == "2026-04-03"
    assert due(owed(complaints=[complaint("2026-04-02")]), "complaint") is None
    undated = owed(complaints=[complaint(None)], visits=[visit("2026-03-31")])
    assert due(undated, "complaint") == "2026-04-01"
    assert only(undated, "complaint")["why"] == (
        "A complaint with no date on record is still open. A visit is due now."
    )


def test_every_open_complaint_is_a_row_of_its_own():
    got = owed(complaints=[complaint("2026-03-20"), complaint("2026-03-02", name="C2")])
    rows = got[got["obligation"] == "complaint"]
    assert rows["source_id"].tolist() == ["C2", "C1"]


def test_a_bad_finding_asks_for_another_look_until_a_later_completed_visit():
    got = owed(visits=[visit("2026-02-01", result="repair")])
    assert due(got, "reinspection") == "2026-04-02"
    assert only(got, "reinspection")["why"] == (
        "The February 1, 2026 visit found a needed repair. Reinspection is due April 2, 2026."
    )
    followed = [visit("2026-02-01", result="repair"), visit("2026-02-20", result="good", name="I2")]
    assert due(owed(visits=followed), "reinspection") is None
    assert due(owed(visits=[visit("2026-02-01", result="minor")]), "reinspection") is None
    # what a visit that was not completed has found counts too, and the sooner day
    partly = [
        visit("2026-03-01", result="repair"),
        visit("2026-03-10", "partly", "danger", name="I2"),
    ]
    got = owed(visits=partly)
    assert due(got, "reinspection") == "2026-03-17"
    assert only(got, "reinspection")["source_id"] == "I2"


def test_a_permit_asks_for_a_visit_in_the_days_before_it_ends():
    held = [permit(issued="2021-04-20", expires="2026-04-20")]
    got = owed(permits=held, visits=[visit("2026-02-18")])
    assert due(got, "permit") == "2026-04-20"  # the 60 days begin on the 19th of February
    assert only(got, "permit")["since"] == pd.Timestamp("2026-02-19")
    assert due(owed(permits=held, visits=[visit("2026-02-19")]), "permit") is None
    renewed = [*held, permit(issued="2026-03-01", expires="2031-03-01", name="P2")]
    assert due(owed(permits=renewed), "permit") == "2031-03-01"
    ended = owed(permits=[permit(issued="2021-01-01", expires="2026-01-01")])
    assert only(ended, "permit")["why"].startswith(
        "Its permit ended January 1, 2026. A visit was due in the 60 days before that."
    )


def test_a_service_contract_owes_a_visit_once_it_has_ended():
    def until(end, **more):
        return owed(permits=[permit(service_until=end)], **more)

    assert due(until("2026-03-31"), "service") == "2026-04-30"
    assert due(until("2026-04-01"), "service") is None
    assert due(until("2026-03-01", visits=[visit("2026-03-02")]), "service") is None


def test_a_late_sample_owes_a_visit():
    def sampled(last, every=365, **more):
        return owed(permits=[permit(last_sampled=last, sample_interval_days=every, **more)])

    got = sampled("2025-03-01")
    assert due(got, "sampling") == "2026-03-21"  # due on the 1st of March, and 20 days
    assert only(got, "sampling")["why"] == (
        "The last sample on record was taken March 1, 2025. A sample is required every year. A"
        " visit was due by March 21, 2026."
    )
    assert due(sampled("2025-04-01"), "sampling") is None  # due today, late tomorrow
    never = sampled(None, issued="2024-01-01")
    assert due(never, "sampling") == "2025-01-20"
    assert due(sampled(None), "sampling") is None  # no day to count from
    assert due(sampled("2020-03-01", every=None), "sampling") is None  # nobody asks for one
    by_kind = ALL.model_copy(update={"sample_interval_days": {"surface_discharge": 30}})
    got = owed(programme=by_kind, permits=[permit(last_sampled="2026-02-01")])
    assert due(got, "sampling") == "2026-03-23"


# ------------------------------------------------------------------------------ status and season


@pytest.mark.parametrize("status", STATUSES)
def test_what_a_unit_can_owe_goes_with_its_status(status):
    got = owed(
        [unit(status=status)],
        visits=[visit("2024-01-05", result="danger")],
        complaints=[complaint("2025-12-01")],
        permits=[
            permit(
                issued="2021-01-10",
                expires="2026-01-10",
                service_until="2025-12-02",
                last_sampled="2024-01-01",
                sample_interval_days=365,
            )
        ],
    )
    always = {"complaint", "reinspection"}
    asked = {
        "vacant": always | {"permit"},
        "abandoned": always,
        "sewered": always,
    }.get(status, set(OBLIGATIONS))
    assert set(got["obligation"]) == asked


SEASONAL = ALL.model_copy(update={"season_from": DayOfYear(4, 1), "season_to": DayOfYear(11, 15)})


def test_a_day_outside_the_season_becomes_the_last_day_in_season_before_it():
    got = owed(programme=SEASONAL, visits=[visit("2025-12-20")])
    assert due(got, "interval") == "2026-11-15"
    assert only(got, "interval")["why"].endswith(
        "every year. The due date moved from December 20, 2026 to November 15, 2026, the last day"
        " of the season."
    )
    ends = owed(programme=SEASONAL, permits=[permit(issued="2022-01-02", expires="2027-01-02")])
    assert due(ends, "permit") == "2026-11-15"


def test_complaints_and_findings_do_not_wait_for_the_season():
    got = owed(
        programme=SEASONAL,
        as_of=dt.date(2026, 12, 5),
        complaints=[complaint("2026-12-01")],
        visits=[visit("2026-11-30", result="repair")],
        permits=[permit(service_until="2026-12-04")],
    )
    assert due(got, "service") == "2027-01-03"
    got = owed(programme=SEASONAL, as_of=dt.date(2026, 12, 5), complaints=[complaint("2026-12-01")])
    assert due(got, "complaint") == "2026-12-15"
    bad = [visit("2026-11-30", result="danger")]
    got = owed(programme=SEASONAL, as_of=dt.date(2026, 12, 5), visits=bad)
    assert due(got, "reinspection") == "2026-12-07"


def test_the_season_never_takes_a_day_back_before_its_clock_started():
    monthly = SEASONAL.model_copy(update={"interval_days": {"surface_discharge": 30}})
    got = owed(programme=monthly, as_of=dt.date(2026, 12, 5), visits=[visit("2026-11-20")])
    assert due(got, "interval") == "2026-12-20"  # the 15th of November lies before the visit
    assert "season" not in only(got, "interval")["why"]


# --------------------------------------------------------------------------- the whole as a table


def test_a_unit_must_be_visited_by_the_earliest_day_and_all_of_that_season_is_said():
    got = owed(
        [unit("U1"), unit("U2", kind="holding_tank"), unit("U3")],
        visits=[visit("2025-06-10"), visit("2025-03-10", unit_id="U3", name="I3")],
        complaints=[complaint("2026-03-20")],
        permits=[permit(issued="2024-01-01", expires="2029-01-01")],
    )
    units = table([unit("U1"), unit("U2"), unit("U3")]).set_axis([7, 8, 9])
    must = must_visit(units, got, until=dt.date(2026, 11, 15))
    assert must.index.tolist() == [7, 8, 9]
    assert must["must_visit_by"].tolist() == [day("2026-04-03"), pd.NaT, day("2026-03-10")]
    assert must["why_due"][7] == got[got["unit_id"] == "U1"]["why"].tolist()[:2]
    assert must["owed_for"][7] == ["complaint", "interval"]
    assert must["why_due"][8] is None
    assert must["owed_for"][8] is None
    only_the_first = must_visit(units, got, until=dt.date(2026, 4, 2))
    assert len(only_the_first["why_due"][7]) == 1
    assert not must["danger_open"].any()
    assert must_visit(units, got.iloc[:0], until=AS_OF)["must_visit_by"].isna().all()


def test_a_danger_is_open_until_a_completed_visit_finds_none():
    found = [visit("2026-01-10", result="danger", outcome="partly")]
    later = visit("2026-03-20", result="repair", name="I2")
    for visits, is_open in ((found, True), ([*found, later], False)):
        got = owed([unit("U1")], visits=visits)
        must = must_visit(table([unit("U1")]), got, until=AS_OF)
        assert must["danger_open"].tolist() == [is_open]


@st.composite
def records(draw):
    days = st.dates(dt.date(2020, 1, 1), dt.date(2027, 12, 31)).map(pd.Timestamp)
    maybe = st.one_of(st.none(), days)
    ids = st.sampled_from(["U1", "U2", "U3"])
    rows = draw(
        st.lists(
            st.tuples(ids, days, st.sampled_from(OUTCOMES), st.sampled_from(RESULTS)), max_size=9
        )
    )
    visits = [visit(d, o, r, u, name=f"I{k}") for k, (u, d, o, r) in enumerate(rows)]
    warnings = [
        complaint(d, c, u, name=f"C{k}")
        for k, (u, d, c) in enumerate(draw(st.lists(st.tuples(ids, maybe, maybe), max_size=5)))
    ]
    held = [
        permit(
            u, f"P{k}", issued=a, expires=b, service_until=c, last_sampled=d, permit_kind=e,
            sample_interval_days=f,
        )
        for k, (u, a, b, c, d, e, f) in enumerate(
            draw(
                st.lists(
                    st.tuples(
                        ids, maybe, maybe, maybe, maybe, st.sampled_from([None, "yearly"]),
                        st.sampled_from([None, 30, 365]),
                    ),
                    max_size=4,
                )
            )
        )
    ]  # fmt: skip
    units = [
        unit(u, kind=draw(st.sampled_from(["surface_discharge", "soil_absorption"])),
             status=draw(st.sampled_from(STATUSES)), installed=draw(maybe))
        for u in ("U1", "U2", "U3")
    ]  # fmt: skip
    return {"units": units, "visits": visits, "complaints": warnings, "permits": held}


as_ofs = st.dates(dt.date(2021, 1, 1), dt.date(2027, 6, 30))


@settings(max_examples=15, deadline=None)
@given(records(), as_ofs, st.sampled_from([ALL, SEASONAL]), st.randoms(use_true_random=False))
def test_whatever_is_on_record(rows, as_of, programme, random):
    got = owed(programme=programme, as_of=as_of, **rows)
    assert got["due"].is_monotonic_increasing
    assert ((got["since"].isna()) | (got["since"] <= got["due"])).all()
    late = (pd.Timestamp(as_of) - got["due"]).dt.days.clip(lower=0)
    assert (late == got["overdue_days"]).all()
    # the order of rows in a list, and what is dated after the day, change nothing
    shuffled = {name: random.sample(rows[name], len(rows[name])) for name in rows}
    pd.testing.assert_frame_equal(owed(programme=programme, as_of=as_of, **shuffled), got)
    known = dict(rows, visits=[v for v in rows["visits"] if v["date"].date() <= as_of])
    pd.testing.assert_frame_equal(owed(programme=programme, as_of=as_of, **known), got)
    # a visit completed on the day itself, with nothing to follow up, leaves only what lies ahead
    seen = [visit(as_of, result="good", unit_id=u, name=f"X{u}") for u in ("U1", "U2", "U3")]
    after = owed(programme=programme, as_of=as_of, **(rows | {"visits": rows["visits"] + seen}))
    undated = after["obligation"].eq("complaint") & after["since"].isna()
    assert set(after.loc[~undated, "obligation"]) <= {"interval", "permit"}
    assert (after.loc[after["obligation"] == "interval", "due"] > pd.Timestamp(as_of)).all()


@settings(max_examples=15, deadline=None)
@given(records(), as_ofs, st.sampled_from(["partly", "no_access", "refused", "nobody_home"]))
def test_a_visit_that_was_not_completed_moves_no_day(rows, as_of, outcome):
    before = owed(as_of=as_of, **rows)
    tried = [visit(as_of, outcome, unit_id=u, name=f"X{u}") for u in ("U1", "U2", "U3")]
    after = owed(as_of=as_of, **(rows | {"visits": rows["visits"] + tried}))
    pd.testing.assert_frame_equal(
        after.drop(columns=["why", "tried"]), before.drop(columns=["why", "tried"])
    )


# -------------------------------------------------------------------------------- said to people

NOT_STATED = re.compile(
    r"neighbor|Doe|refus|nobody home|fail|violat|illegal|guilty|fault|must have|\bNaT\b|\bnan\b"
    r"|None|complainant|\d{4}-\d{2}-\d{2}|_",
    re.IGNORECASE,
)


@settings(max_examples=15, deadline=None)
@given(records(), as_ofs)
def test_sentences_are_whole_blame_nobody_and_name_no_complainant(rows, as_of):
    for why in owed(programme=SEASONAL, as_of=as_of, **rows)["why"]:
        assert not NOT_STATED.search(why), why
        assert why[0].isupper()
        assert why.endswith(".")
        assert " | " not in why
        assert "  " not in why


def test_what_the_programme_is_silent_about_is_said():
    units = table([unit(), unit("U2", kind="soil_absorption"), unit("U3", kind="holding_tank")])
    records_ = {
        "inspections": table([visit("2025-06-01", result="minor")]),
        "complaints": table([complaint("2026-03-20")]),
        "permits": table([permit(expires="2027-01-01", service_until="2026-01-01")]),
    }
    some = ProgrammeSection(interval_days={"surface_discharge": 365})
    assert silent_programme(units, some, as_of=AS_OF, **records_) == (
        "No visit schedule is set for: complaints (1), permits that end (1), routine visits to"
        " holding tanks (1), routine visits to units that discharge into the soil (1), service"
        " contracts that end (1), visits that found a minor problem (1). No visit is due for these."
    )
    assert silent_programme(units.iloc[:1], ALL, as_of=AS_OF) is None
    nothing = silent_programme(units, ProgrammeSection(), as_of=AS_OF, **records_)
    assert nothing.startswith("No visits are due: [programme] in the county file sets")


def test_a_visit_that_stands_in_the_way_of_several_obligations_is_told_once() -> None:
    tried = "The December 10, 2025 visit could not be completed."
    day = pd.to_datetime(pd.Series(["2025-03-01", "2025-04-01", "2025-05-01"]))
    owed = pd.DataFrame(
        {
            "unit_id": "1",
            "due": day,
            "since": day,
            "danger": False,
            "why": [f"A complaint. {tried}", f"A sample. {tried}", "Its permit ends."],
            "tried": [tried, tried, None],
            "obligation": ["complaint", "sampling", "permit"],
        }
    )
    units = pd.DataFrame({"unit_id": ["1"]})
    got = must_visit(units, owed, until=dt.date(2026, 1, 1))
    assert got["why_due"].tolist() == [[f"A complaint. {tried}", "A sample.", "Its permit ends."]]


@pytest.mark.parametrize(
    ("days", "shown"),
    [
        (["2025-03-01", "2025-03-01"], ["follow_up"]),
        (["2025-04-01", "2025-03-01"], ["reinspection", "follow_up"]),
    ],
)
def test_a_finding_followed_up_is_not_said_again_by_its_reinspection(days, shown):
    found = pd.DataFrame(
        {
            "unit_id": "1",
            "due": pd.to_datetime(days),
            "since": pd.Timestamp("2025-02-01"),
            "danger": False,
            "why": ["Follow-up was due.", "Reinspection was due."],
            "tried": None,
            "obligation": ["follow_up", "reinspection"],
        }
    ).sort_values(["due", "obligation"])
    got = must_visit(pd.DataFrame({"unit_id": ["1"]}), found, until=dt.date(2026, 1, 1))
    assert got["owed_for"].tolist() == [shown]


def test_visits_without_a_day_are_counted_in_a_note(larkmoor):
    dated = larkmoor.layers["inspections"].dropna(subset="date")

    def notes(undated):
        frame = dated.assign(date=dated["date"].mask(np.arange(len(dated)) < undated))
        county = replace(larkmoor, layers={**larkmoor.layers, "inspections": frame})
        return [note for note in owed_in(county).notes if "no date" in note]

    assert notes(0) == notes(len(dated)) == []
    assert notes(1) == [
        "1 visit on record has no date. Until the date is found, it closes nothing."
    ]
    assert notes(3) == [
        "3 visits on record have no date. Until the dates are found, they close nothing."
    ]


def test_what_is_owed_is_the_same_of_a_county_read_for_its_records_only(larkmoor, larkmoor_toml):
    some = read_county(larkmoor_toml, only_records=True)
    assert "wells" in larkmoor.layers
    assert "wells" not in some.layers
    whole, part = owed_in(larkmoor), owed_in(some)
    pd.testing.assert_frame_equal(whole.visits, part.visits)
    pd.testing.assert_frame_equal(whole.unclear, part.unclear)
    assert whole.season == part.season
    pd.testing.assert_frame_equal(larkmoor.records.follow_ups, some.records.follow_ups)
    pd.testing.assert_series_equal(
        larkmoor.layers["units"]["unit_id"], some.layers["units"]["unit_id"]
    )

    def faults(county):  # what layers say against each other moves and leaves out nothing
        table = county.problems[county.problems["layer"].isin(RECORDS)]
        return table[table["action"] != "kept"].reset_index(drop=True)

    pd.testing.assert_frame_equal(faults(larkmoor), faults(some))


def test_a_danger_speaks_for_itself_before_a_repair_that_is_due_earlier():
    visits = [
        visit("2025-10-01", result="repair", name="I1"),
        visit("2026-03-30", "partly", result="danger", name="I2"),
    ]
    row = only(owed(visits=visits), "reinspection")
    assert row["danger"]
    assert "dangerous condition" in row["why"]
    assert str(row["due"])[:10] == "2026-04-06"
