"""The numbers of the report's front, each counted from the tables of the assessment, once."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from geo.results.due_sentences import without_due
from layers.outputs import SETBACK_CHECKS, UNITS
from layers.outputs.run import Run
from layers.store import Assessment

STORM_YR: Final = 10
# A chance at least so high is called nearly certain, one below 1 minus it nearly none.
SURE: Final = 0.95
NO_AREA: Final = "In no named area"
_LATER_YEARS: Final = 5
_RESULTS: Final = {
    "danger": "Dangerous condition",
    "repair": "Repair needed",
    "minor": "Minor",
    "good": "In order",
}


@dataclass(frozen=True)
class Due:
    """Units by when their first visit is due, each counted once.

    ``is_known`` is False where no unit has a due date; ``planned`` is None where the county file
    gives no number of visits; ``samples`` counts the units with a sample due this season.
    """

    units: int
    is_known: bool
    overdue: int
    soon: int
    later: tuple[tuple[str, int], ...]
    undated_records: int
    planned: int | None
    last_day: dt.date | None
    samples: int

    @property
    def this_season(self) -> int:
        """Overdue, or due before the season ends."""
        return self.overdue + self.soon


@dataclass(frozen=True)
class Danger:
    """A dangerous condition without a completed follow-up; ``what`` says which visit found it."""

    unit_id: str
    address: str
    found: dt.date | None
    due: dt.date
    overdue_days: int
    what: str


@dataclass(frozen=True)
class Wells:
    """Wells by setback verdict; ``missing`` says what it takes where none can be given."""

    inside: int
    units_inside: int
    too_close: int
    units_not_known: int
    missing: str = ""


@dataclass(frozen=True)
class AreaWork:
    """The work of one named area."""

    name: str
    units: int
    overdue: int
    soon: int
    first: int


def day(value: object) -> dt.date | None:
    """A day of a table, None where there is none."""
    return None if pd.isna(value) else pd.Timestamp(str(value)).date()


def due_numbers(assessment: Assessment) -> Due:
    """Who is overdue, who comes due this season, and the first due dates after it by year."""
    units, run = assessment.units, assessment.run
    last = dt.date.fromisoformat(run.season.last_day) if run.season.last_day else None
    due = pd.to_datetime(UNITS.values(units, "must_visit_by"))
    is_known = bool(run.as_of) and bool(due.notna().any())
    is_late, is_soon = due_marks(units, run)
    later = due[due > (pd.Timestamp(last) if last else pd.Timestamp.max)]
    owed = assessment.visits.owed
    samples = 0
    if "obligation" in owed and last:
        mine = owed[(owed["obligation"] == "sampling") & (owed["due"] <= pd.Timestamp(last))]
        samples = int(mine["unit_id"].nunique())
    return Due(
        units=len(units),
        is_known=is_known,
        overdue=int(is_late.sum()),
        soon=int(is_soon.sum()),
        later=_by_year(later, last),
        undated_records=len(assessment.visits.unclear),
        planned=run.season.visits,
        last_day=last,
        samples=samples,
    )


def due_marks(units: pd.DataFrame, run: Run) -> tuple[pd.Series, pd.Series]:
    """By unit: overdue; due from the day of the assessment to the end of the season."""
    due = pd.to_datetime(UNITS.values(units, "must_visit_by"))
    if not run.as_of:
        none = pd.Series(False, units.index)
        return none, none
    as_of = pd.Timestamp(run.as_of)
    last = pd.Timestamp(run.season.last_day) if run.season.last_day else as_of
    return due < as_of, (due >= as_of) & (due <= last)


def _by_year(later: pd.Series, last: dt.date | None) -> tuple[tuple[str, int], ...]:
    counted = later.dt.year.value_counts().sort_index()
    rows = [
        (f"Later {year}" if last and year == last.year else f"{year}", int(n))
        for year, n in counted.items()
    ]
    if len(rows) <= _LATER_YEARS + 1:
        return tuple(rows)
    rest = sum(n for _, n in rows[_LATER_YEARS:])
    return (*rows[:_LATER_YEARS], (f"{rows[_LATER_YEARS][0]} on", rest))


def dangers(assessment: Assessment) -> list[Danger]:
    """Dangerous conditions without a completed follow-up, each once, the longest overdue first."""
    owed = assessment.visits.owed
    if "danger" not in owed or not len(owed):
        return []
    some = owed[owed["danger"].astype(bool)]
    # of the same visit the record of the finding says more than the result of the visit
    some = some.assign(plain=some["obligation"] != "follow_up")
    some = some.sort_values(["due", "unit_id", "plain"], kind="stable")
    some = some.drop_duplicates(["unit_id", "since"])
    units, as_of = assessment.units, day(assessment.run.as_of or None) or dt.date.min
    at = dict(zip(units["unit_id"], UNITS.values(units, "address"), strict=True))
    return [
        Danger(
            str(row["unit_id"]),
            text(at.get(row["unit_id"])),
            day(row["since"]),
            pd.Timestamp(row["due"]).date(),
            int(row["overdue_days"]),
            without_due(row, as_of),
        )
        for row in some.to_dict("records")
    ]


def text(value: object) -> str:
    """A text of a table, empty where there is none."""
    return "" if value is None or pd.isna(value) else str(value)


def wells(checks: pd.DataFrame) -> Wells:
    """Wells inside their setback, and those too close to tell."""
    applies = SETBACK_CHECKS.values(checks, "in_force").astype(bool)
    if not applies.any():
        return Wells(0, 0, 0, 0, "no setback table is adopted")
    some = checks[(checks["feature"] == "wells") & applies]
    if not len(some):
        return Wells(0, 0, 0, 0, "no adopted table names a setback from wells")
    short = some[some["verdict"] == "short"]
    open_ = some[some["verdict"] == "uncertain"]
    open_ = open_[~open_["feature_id"].isin(short["feature_id"])]
    unknown = some.loc[some["verdict"] == "not_known", "unit_id"].nunique()
    is_blind = unknown and unknown == some["unit_id"].nunique()
    return Wells(
        int(short["feature_id"].nunique()),
        int(short["unit_id"].nunique()),
        int(open_["feature_id"].nunique()),
        int(unknown),
        "well positions are not on record" if is_blind else "",
    )


def last_results(units: pd.DataFrame) -> list[tuple[str, int]]:
    """Units by what their last completed visit found; empty where no visit is on record."""
    if not UNITS.is_known(units, "last_result"):
        return []
    found = UNITS.values(units, "last_result")
    if not found.isin(list(_RESULTS)).any():
        return []
    rows = [(name, int((found == code).sum())) for code, name in _RESULTS.items()]
    return [*rows, ("Not on record", len(units) - sum(n for _, n in rows))]


def wet_lids(units: pd.DataFrame) -> int | None:
    """Lids that a storm of `STORM_YR` years appears to reach; None where it was not calculated."""
    if not UNITS.is_known(units, "lid_wet_state"):
        return None
    return int((UNITS.numbers(units, "lid_wet_return_yr") <= STORM_YR).sum())


def points_not_on_record(units: pd.DataFrame) -> tuple[int, int]:
    """Units whose discharge point is not on record; those where it is not confirmed."""
    state = UNITS.values(units, "outlet_state")
    return int((state == "unknown").sum()), int((state == "unconfirmed").sum())


def first_class(units: pd.DataFrame) -> tuple[int, int] | None:
    """Units to visit first, and those of them there by score; None where nothing is ranked."""
    if not UNITS.is_known(units, "visit_class"):
        return None
    first = units[units["visit_class"] == "first"]
    return len(first), int(UNITS.equals(first, "ranked_by", "score").sum())


def errors(problems: pd.DataFrame) -> int:
    """Errors in the source files."""
    return int((problems["severity"] == "error").sum()) if len(problems) else 0


def area_work(assessment: Assessment) -> list[AreaWork]:
    """Work by named area, most due first; empty where the county gives no named areas."""
    units, areas = assessment.units, assessment.areas.small
    if not {"area_id", "name"} <= set(areas) or not areas["name"].notna().any():
        return []
    names = areas.set_index("area_id")["name"].dropna()
    is_late, is_soon = due_marks(units, assessment.run)
    table = pd.DataFrame(
        {
            "name": UNITS.values(units, "area_id").map(names).fillna(NO_AREA),
            "units": 1,
            "overdue": is_late.astype(int),
            "soon": is_soon.astype(int),
            "first": UNITS.equals(units, "visit_class", "first").astype(int),
        }
    )
    found = [
        AreaWork(str(name), *(int(row[key]) for key in ("units", "overdue", "soon", "first")))
        for name, row in table.groupby("name").sum().iterrows()
    ]
    return sorted(found, key=lambda a: (a.name == NO_AREA, -(a.overdue + a.soon), -a.first, a.name))


@dataclass(frozen=True)
class PastOrder:
    """What the first visits of past years would have found in one order."""

    code: str
    met: float
    low: float
    high: float


@dataclass(frozen=True)
class PastTest:
    """The orders compared on past visits at one number of visits, the best first.

    ``low`` and ``high`` of ``gain`` hold the gain of each order over the order used 19 times in 20.
    """

    visits: int
    units: int
    repairs: int
    years: tuple[str, ...]
    orders: tuple[PastOrder, ...]
    gain: dict[str, tuple[float, float, float]]

    def order(self, code: str) -> PastOrder | None:
        """One of the orders."""
        return next((o for o in self.orders if o.code == code), None)


def past_test(assessment: Assessment, share: float) -> PastTest | None:
    """The comparison at the number of visits nearest to a share of all; None without one."""
    table = assessment.trust.replay
    if not len(table):
        return None
    table = table[table["among"] == "visited"]
    whole = table[table["year"].astype(str) == "all"]
    if not len(whole):
        return None
    visits = whole.loc[(whole["visits"] - share * whole["units"]).abs().idxmin(), "visits"]
    at = whole[whole["visits"] == visits]
    rows: list[dict[Any, Any]] = at.to_dict("records")
    orders = [PastOrder(r["order"], r["met"], r["met_low"], r["met_high"]) for r in rows]
    ends = ("", "_low", "_high")
    return PastTest(
        int(visits),
        int(at["units"].iloc[0]),
        int(at["troubles"].iloc[0]),
        tuple(sorted(set(table["year"].astype(str)) - {"all"})),
        tuple(sorted(orders, key=lambda o: -round(o.met))),
        {
            r["order"]: (
                r[f"more_than_as_visited{ends[0]}"],
                r[f"more_than_as_visited{ends[1]}"],
                r[f"more_than_as_visited{ends[2]}"],
            )
            for r in rows
        },
    )
