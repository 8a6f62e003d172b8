"""The first page of a report: what a county should know, each a number, a sentence, a next step."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

import pandas as pd

from geo.publish.shared import words
from geo.publish.shared.lids import not_dry
from layers.outputs import SETBACK_CHECKS, UNITS
from layers.outputs.run import Run
from layers.problems import CODES
from layers.store import Assessment

STORM_YR: Final = 10
# A chance at least so high is called nearly certain, one below 1 minus it nearly none.
SURE: Final = 0.95
_WEIGHTY: Final = ("units", "discharge_points", "terrain", "storms", "wells", "inspections")


@dataclass(frozen=True)
class Fact:
    """``number`` is None where the answer is missing; ``text`` then says what it would take."""

    what: str
    number: int | None
    text: tuple[str, ...]
    do: str = ""


def front_page(assessment: Assessment) -> list[Fact]:
    """The facts of the first page, in the order in which an office acts on them."""
    return [
        _units(assessment),
        _owed(assessment.units, assessment.run, len(assessment.visits.unclear)),
        _first(assessment.units, assessment.run),
        _wet_lids(assessment.units),
        _wells(assessment.setback_checks),
        _outlets(assessment.units),
        _problems(assessment.problems),
    ]


def count(n: int, one: str, many: str = "") -> str:
    """A number with its noun.

    >>> count(1, "unit"), count(1200, "unit")
    ('1 unit', '1,200 units')
    """
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def _units(assessment: Assessment) -> Fact:
    text, aside = [], 0
    of_units = next((c for c in assessment.run.counts if c.layer == "units"), None)
    if of_units and of_units.rows_read:
        aside = of_units.set_aside
        text.append(
            f"{count(of_units.rows_read, 'row')} of the list were read;"
            f" {'none' if not aside else f'{aside:,}'} had to be set aside."
        )
    left_out = int(UNITS.equals(assessment.units, "ranked_by", "nothing").sum())
    if left_out:
        stands = "unit stands" if left_out == 1 else "units stand"
        text.append(f"{left_out:,} {stands} at the end of the list without a score.")
    return Fact(
        "Units in the order",
        len(assessment.units),
        tuple(text),
        "Put rows that were set aside right in the office's own list; problems.csv names them."
        if aside
        else "",
    )


def _owed(units: pd.DataFrame, run: Run, unclear: int) -> Fact:
    """Who is late; ``unclear`` is how many things may ask for a visit nobody knows by when."""
    what = "Visits overdue"
    undated = f"{count(unclear, 'record')} may mean that a visit is due. The date is not known."
    if not run.as_of:
        return Fact(
            what,
            None,
            ("Which visits are owed is not told.",),
            "Give the programme's intervals and the records of past visits and complaints.",
        )
    as_of = pd.Timestamp(run.as_of)
    due = pd.to_datetime(UNITS.values(units, "must_visit_by"))
    season = run.season
    if due.isna().all():
        return Fact(
            what,
            None,
            (undated if unclear else "Nothing given says that a visit is owed.",),
            "Give the programme's intervals and the records of past visits, permits and"
            " complaints.",
        )
    late = int((due < as_of).sum())
    text = [f"{count(late, 'unit')} owed a visit before {words.date(run.as_of)}."]
    if season.last_day:
        soon = int(((due >= as_of) & (due <= pd.Timestamp(season.last_day))).sum())
        text.append(f"{soon:,} more fall due by {words.date(season.last_day)}.")
        if season.visits is not None:
            text.append(f"The office plans {count(season.visits, 'visit')} until then.")
    if unclear:
        text.append(undated)
    return Fact(
        what,
        late,
        tuple(text),
        "See these first: they stand at the head of the list. 'rillmark due' lists them by day.",
    )


def _first(units: pd.DataFrame, run: Run) -> Fact:
    if not UNITS.is_known(units, "visit_class"):
        return Fact("Units to visit first", None, ("The units are not ranked.",), "Assess again.")
    first = units[units["visit_class"] == "first"]
    plan = "Plan visits from the list on the next page, top down."
    if not len(first):
        return Fact("Units to visit first", 0, ("The first class holds no unit.",), plan)
    owed = int(UNITS.equals(first, "ranked_by", "owed").sum())
    text = [f"{owed:,} of them because a visit is owed, {len(first) - owed:,} by their score."]
    steady = (run.steadiness.get("first_class")) or {}
    if steady.get("in_doubt") is not None:
        text.append(
            f"For {count(steady['in_doubt'], 'unit')} the records are too rough to say on which"
            " side of the line they belong."
        )
    return Fact(
        "Units to visit first",
        len(first),
        tuple(text),
        plan,
    )


def _wet_lids(units: pd.DataFrame) -> Fact:
    what = f"Lids under water in a {STORM_YR}-year storm"
    if not UNITS.is_known(units, "lid_wet_state"):
        return Fact(
            what,
            None,
            ("Water over lids in a storm is not told.", *not_dry(units)),
            "Give a terrain raster that reaches well beyond the units and the depths of rain by"
            " return period, a 100-year storm among them.",
        )
    wet = UNITS.values(units, "lid_wet_return_yr") <= STORM_YR
    text = []
    p = UNITS.values(units, f"lid_wet_{STORM_YR}yr_probability")
    if p.notna().any():
        sure, maybe = int((p >= SURE).sum()), int(((p < SURE) & (p > 1 - SURE)).sum())
        text.append(
            "With the terrain's own error counted in, it is nearly certain for"
            f" {sure:,} and cannot be told for {maybe:,} more."
        )
    else:
        text.append("What the terrain's own error does to this number is not told.")
    blocked = UNITS.values(units, "lid_wet_return_blocked_yr") <= STORM_YR
    if more := int((blocked & ~wet).sum()):
        text.append(f"{more:,} more would be if every way under a road were blocked.")
    if no_riser := int((wet & UNITS.values(units, "riser_height_m").isna()).sum()):
        text.append(
            f"For {no_riser:,} of them the riser height is not on record: told for the ground."
        )
    text += not_dry(units)
    return Fact(
        what,
        int(wet.sum()),
        tuple(text),
        "On the visit measure from the ground to the top of the lid, and leave the lid closed.",
    )


def _wells(checks: pd.DataFrame) -> Fact:
    what = "Wells that appear inside their setback"
    in_force = SETBACK_CHECKS.values(checks, "in_force").astype(bool)
    if not in_force.any():
        return Fact(
            what,
            None,
            ("No setback table is in force: distances are measured without a verdict.",),
            "Name in setbacks.toml who adopted the table.",
        )
    wells = checks[(checks["feature"] == "wells") & in_force]
    short = wells[wells["verdict"] == "short"]
    open_ = wells[wells["verdict"] == "uncertain"]
    open_ = open_[~open_["feature_id"].isin(short["feature_id"])]
    text: tuple[str, ...] = (
        (
            f"They lie near {count(short['unit_id'].nunique(), 'unit')}, by the table in force in"
            " the unit's own time; a variance or a permit may allow it."
        ),
        f"For {count(open_['feature_id'].nunique(), 'more well')} it is too close to tell.",
    )
    unknown = wells.loc[wells["verdict"] == "not_known", "unit_id"].nunique()
    if unknown:
        why = (
            "no layer of wells was given"
            if wells["settled_by"].eq("give_layer").any()
            else "some wells on record have no place"
        )
        text = (*text, f"For {count(unknown, 'unit')} it is not known: {why}.")
        if unknown == wells["unit_id"].nunique():
            return Fact(what, None, text[2:], "Give the wells with their places, or find them.")
    return Fact(
        what,
        int(short["feature_id"].nunique()),
        text,
        "Tape the distance on site before anything is said of it. Wells nobody recorded are"
        " not counted.",
    )


def _outlets(units: pd.DataFrame) -> Fact:
    unknown = int(UNITS.equals(units, "outlet_state", "unknown").sum())
    guessed = int(UNITS.equals(units, "outlet_state", "unconfirmed").sum())
    text = []
    if guessed:
        text.append(f"For {count(guessed, 'more unit')} it is linked by guess, not confirmed.")
    return Fact(
        "Discharge points nobody has recorded",
        unknown,
        tuple(text) or ("Where their water comes out is not on record.",),
        "Locate first: ask the owner, look at the permit's drawing, record the place on site.",
    )


def _problems(problems: pd.DataFrame) -> Fact:
    errors = problems[problems["severity"] == "error"] if len(problems) else problems
    text = []
    if len(errors):
        counted = errors.value_counts(["layer", "code"]).items()
        worst = sorted(counted, key=lambda item: (_place(item[0][0]), -item[1], item[0]))
        for (layer, code), n in worst[:3]:
            cost = CODES[code].cost if code in CODES else code.replace("_", " ")
            text.append(f"In {layer.replace('_', ' ')}, {count(n, 'row')}: {cost}.")
    if not text:
        text = ["No error was found in the lists and layers that were given."]
    return Fact(
        "Errors in the data",
        len(errors),
        tuple(text),
        "Mend them at their source and assess again; section 'Data' counts them all."
        if len(errors)
        else "",
    )


def _place(layer: str) -> int:
    """Faults of the layers that the order hangs on most are told first."""
    return _WEIGHTY.index(layer) if layer in _WEIGHTY else len(_WEIGHTY)


def day(value: object) -> dt.date | None:
    """A day of a table, None where there is none."""
    return None if pd.isna(value) else pd.Timestamp(str(value)).date()
