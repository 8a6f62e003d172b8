"""What may ask for a visit and lacks what tells by when: each by hand, and nothing is forgotten."""

import datetime as dt

import pandas as pd
import pytest

from geo.programme.history import history_columns
from geo.programme.owed import owed_visits
from geo.programme.unclear import silent_columns, unclear_obligations
from layers.settings.programme import ProgrammeSection

AS_OF = dt.date(2026, 4, 1)
ALL = ProgrammeSection(
    interval_days={"surface_discharge": 365, "holding_tank": 180},
    permit_interval_days={"Operating": 90},
    complaint_days=14,
    reinspection_days={"repair": 60},
    renewal_days=60,
    service_lapse_days=30,
    sample_lapse_days=20,
)
SOLID = {"unit_id": "S", "kind": "surface_discharge", "status": "active", "source_row": 1}


def units(*rows):
    frame = pd.DataFrame([SOLID, *rows])
    return frame.assign(installed=pd.NaT)


def visits(*rows):
    """A visit of another unit fills every column."""
    other = ("I0", "S", "2025-01-01", "completed", "good")
    names = ["inspection_id", "unit_id", "date", "outcome", "result"]
    frame = pd.DataFrame([other, *rows], columns=names)
    frame["date"] = pd.to_datetime(frame["date"])
    return frame.assign(source_row=range(len(frame)))


def permits(*rows):
    """A permit of another unit fills every column."""
    full = {
        "permit_id": "P0", "unit_id": "S", "permit_kind": "Operating", "issued": "2020-01-01",
        "expires": "2027-01-01", "service_until": "2027-01-01", "last_sampled": "2026-01-01",
        "sample_interval_days": 365.0,
    }  # fmt: skip
    blank = dict.fromkeys(full)
    frame = pd.DataFrame(
        [full, *(blank | {"permit_id": f"P{k}"} | r for k, r in enumerate(rows, 1))]
    )
    for name in ("issued", "expires", "service_until", "last_sampled"):
        frame[name] = pd.to_datetime(frame[name])
    return frame.assign(source_row=range(len(frame)))


U = {"unit_id": "U", "kind": "surface_discharge", "status": "active", "source_row": 2}


def of_u(table):
    mine = table[table["unit_id"] == "U"]
    return set(zip(mine["obligation"], mine["lacks"], strict=False)) if "lacks" in mine else mine


def unclear(unit=U, **tables):
    return of_u(unclear_obligations(units(unit), ALL, as_of=AS_OF, **tables))


def owed(unit=U, programme=ALL, **tables):
    table = of_u(owed_visits(units(unit), programme, as_of=AS_OF, **tables))
    return {row.obligation: row.due.date() for row in table.itertuples()}


# ------------------------------------------------------------------------------------- visits


@pytest.mark.parametrize("outcome", ["completed", "partly", "unknown"])
def test_a_danger_stays_open_whatever_else_is_unknown(outcome):
    dangers = visits(("I1", "U", "2026-01-10", outcome, "danger"))
    assert owed(inspections=dangers)["reinspection"] == dt.date(2026, 1, 10)
    undated = visits(("I1", "U", None, outcome, "danger"))
    assert owed(inspections=undated)["reinspection"] == AS_OF
    silent = ProgrammeSection()
    assert owed(programme=silent, inspections=undated) == {"reinspection": AS_OF}


@pytest.mark.parametrize(
    ("day", "outcome", "result", "closes"),
    [
        ("2026-01-10", "completed", "good", False),  # of the same day
        ("2026-02-10", "completed", "unknown", False),
        ("2026-02-10", "partly", "good", False),
        ("2026-02-10", "unknown", "good", False),
        (None, "completed", "good", False),
        ("2026-02-10", "completed", "good", True),
    ],
)
def test_a_danger_is_closed_only_by_what_is_wholly_known(day, outcome, result, closes):
    table = visits(
        ("I1", "U", "2026-01-10", "completed", "danger"), ("I2", "U", day, outcome, result)
    )
    assert ("reinspection" not in owed(inspections=table)) == closes
    last = history_columns(units(U), table, as_of=AS_OF)["last_result"].iloc[1]
    assert last == ("good" if closes else "danger")


def test_a_result_that_is_not_known_is_to_be_found_and_takes_good_away():
    table = visits(
        ("I1", "U", "2025-06-01", "completed", "good"),
        ("I2", "U", "2026-01-10", "completed", "unknown"),
    )
    assert unclear(inspections=table) == {("reinspection", "result")}
    assert history_columns(units(U), table, as_of=AS_OF)["last_result"].tolist()[1] == "unknown"
    nobody = visits(
        ("I1", "U", "2025-06-01", "completed", "good"),
        ("I2", "U", "2026-01-10", "nobody_home", "unknown"),
    )
    assert unclear(inspections=nobody) == set()
    assert history_columns(units(U), nobody, as_of=AS_OF)["last_result"].tolist()[1] == "good"


def test_a_repair_without_a_day_is_to_be_dated():
    table = visits(("I1", "U", None, "completed", "repair"))
    assert unclear(inspections=table) == {("reinspection", "date")}


def test_without_any_result_one_sentence_says_so():
    table = visits(("I1", "U", "2026-01-10", "completed", "unknown")).assign(result="unknown")
    assert unclear(inspections=table) == set()
    assert "what a visit found" in silent_columns(ALL, table, None)[0]


# ------------------------------------------------------------------------------------- permits


def test_a_later_permit_that_says_nothing_takes_no_clock_away():
    shown = {"unit_id": "U", "issued": "2021-01-01", "expires": "2026-05-01",
            "service_until": "2026-01-01", "last_sampled": "2024-01-01",
            "sample_interval_days": 365.0, "permit_kind": "Operating"}  # fmt: skip
    one = owed(permits=permits(shown))
    two = owed(permits=permits(shown, {"unit_id": "U", "issued": "2025-01-01"}))
    assert one.keys() == {"permit", "service", "sampling", "interval"}
    assert two == one


@pytest.mark.parametrize(
    ("lacks", "obligation"),
    [("expires", "permit"), ("service_until", "service"), ("last_sampled", "sampling"),
     ("sample_interval_days", "sampling"), ("permit_kind", "interval")],
)  # fmt: skip
def test_a_fact_a_permit_lacks_is_to_be_found(lacks, obligation):
    shown = {"unit_id": "U", "expires": "2026-05-01", "service_until": "2026-01-01",
            "last_sampled": "2024-01-01", "sample_interval_days": 365.0,
            "permit_kind": "Operating"}  # fmt: skip
    assert unclear(permits=permits(shown)) == set()
    assert unclear(permits=permits(shown | {lacks: None})) == {(obligation, lacks)}


def test_a_permit_kind_mistyped_may_ask_for_more_and_another_kind_asks_nothing():
    for kind, lacks in (("Operatng", {("interval", "permit_kind")}), ("Construction", set())):
        shown = {"unit_id": "U", "expires": "2026-05-01", "service_until": "2027-01-01",
                "permit_kind": kind}  # fmt: skip
        assert unclear(permits=permits(shown)) == lacks
    many = [shown | {"permit_kind": "Repair", "unit_id": f"X{n}"} for n in range(10)]
    assert unclear(permits=permits(shown, *many)) == {("interval", "permit_kind")}  # nobody else's
    assert unclear(permits=permits(shown, shown, *many)) == set()


def test_a_permit_of_a_unit_not_on_the_list_asks_all_the_same():
    table = permits({"unit_id": "Z", "expires": "2026-05-01", "service_until": "2027-01-01",
                     "last_sampled": "2025-01-01"})  # fmt: skip
    got = unclear_obligations(units(), ALL, as_of=AS_OF, strays={"permits": table})
    got = got[got["unit_id"] == "Z"]
    assert got[["unit_id", "obligation", "lacks"]].to_numpy().tolist() == [
        ["Z", "permit", "unit"], ["Z", "sampling", "unit"], ["Z", "service", "unit"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("says", "asked"),
    [
        ({"permit_kind": "Operating"}, ["interval"]),  # without a day of issue, too
        ({"permit_kind": "Construction", "issued": "2020-01-01"}, []),
        ({"issued": "2020-01-01", "sample_interval_days": 365.0}, ["sampling"]),
        ({"issued": "2020-01-01"}, []),
    ],
)
def test_a_permit_of_a_unit_not_on_the_list_asks_what_its_unit_would_owe(says, asked):
    table = permits({"unit_id": "Z"} | says)
    got = unclear_obligations(units(), ALL, as_of=AS_OF, strays={"permits": table})
    assert got.loc[got["unit_id"] == "Z", "obligation"].tolist() == asked


@pytest.mark.parametrize(
    ("kind", "asked"), [(None, ["interval"]), ("Operatng", ["interval"]), ("Repair", [])]
)
def test_a_stray_permit_of_unknown_kind_may_ask_for_visits(kind, asked):
    others = [{"permit_kind": "Repair", "unit_id": f"X{n}"} for n in range(10)]
    table = permits({"unit_id": "Z", "permit_kind": kind})
    got = unclear_obligations(
        units(), ALL, as_of=AS_OF, permits=permits(*others), strays={"permits": table}
    )
    assert got.loc[got["unit_id"] == "Z", "obligation"].tolist() == asked


def test_a_unit_of_unknown_kind_may_be_under_any_interval():
    table = visits(("I1", "U", "2026-01-01", "completed", "good"))
    assert unclear(U | {"kind": "unknown"}, inspections=table) == {("interval", "kind")}
    got = unclear_obligations(
        units(U | {"kind": "unknown"}), ALL, as_of=AS_OF, inspections=table
    ).set_index("unit_id")
    assert got.loc["U", "earliest"] == pd.Timestamp("2026-06-30")  # 180 days on


def test_a_complaint_and_a_danger_of_a_unit_not_on_the_list_are_listed():
    danger = visits(("I9", "U-", "2026-01-01", "completed", "danger")).iloc[1:]
    complaint = pd.DataFrame(
        {"complaint_id": ["C1", "C2"], "unit_id": [None, "X"], "source_row": [1, 2],
         "date": pd.to_datetime(["2026-03-01", "2026-03-01"]),
         "closed": pd.to_datetime([None, "2026-03-02"])}
    )  # fmt: skip
    got = unclear_obligations(
        units(), ALL, as_of=AS_OF, strays={"inspections": danger, "complaints": complaint}
    )
    assert got[["unit_id", "source_id", "lacks"]].to_numpy().tolist() == [
        ["", "C1", "unit"], ["U-", "I9", "unit"],
    ]  # fmt: skip


def test_the_end_of_a_permit_that_had_run_out_says_nothing_of_the_newer_one():
    def held(newer_ends):
        older = {"permit_id": "P1", "issued": "1999-03-03", "expires": "2004-03-03"}
        newer = {"permit_id": "P2", "issued": "2013-04-02", "expires": newer_ends}
        return permits(*({"unit_id": "U", **permit} for permit in (older, newer)))

    assert ("permit", "expires") in unclear(permits=held(None))
    assert ("permit", "expires") not in unclear(permits=held("2031-04-30"))
