"""Setback checks as the page tells them: every state counted as what it is."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from geo.publish.map.contents import Contents, contents
from geo.publish.map.units.checks import STATES
from layers.store import Assessment
from support.made_checks import check, with_checks

Undo = Callable[..., Any]
Shown = Callable[..., list[dict[str, Any]]]
COLUMNS_OF_LATE = [
    "table", "judged_on", "judged_by", "inside_m", "measured_by", "variance_id", "link_confirmed",
    "settled_by",
]  # fmt: skip


@pytest.fixture
def shown(undo_details: Callable[..., Any]) -> Callable[[Contents, int], list[dict[str, Any]]]:
    """A unit's checks undone from their columns, the slow way, in the order of their rules."""

    def rows(held: Contents, row: int) -> list[dict[str, Any]]:
        checks = undo_details(held.blocks)["checks"]
        found = []
        for slot in checks["slots"]:
            if slot["kind"][row] is None:
                continue
            rule, state, in_force, remark = slot["kinds"][slot["kind"][row]]
            table = checks["rules"][rule][4]
            number = slot["distance"][row]
            found.append(
                {
                    "state": list(STATES)[state],
                    "in_force": in_force,
                    "remarks": list(checks["remarks"][remark]),
                    "day": text_of(checks["judged"][table], row),
                    "table": checks["tables"][table],
                    "required": checks["rules"][rule][2],
                    "distance": checks["lengths"]["length"]["said"][-1 - number]
                    if number is not None and number < 0
                    else number,
                }
            )
        return found

    return rows


def text_of(coded: dict[str, Any], row: int) -> str | None:
    if "words" in coded:
        at = coded["at"][row]
        return None if at is None else coded["words"][at]
    if coded["form"][row] is None:
        return None
    pieces, kinds = coded["forms"][coded["form"][row]]
    assert all(kind <= 0 for kind in kinds)
    numbers = [str(fill[row]) for fill in coded["fills"]]
    return "".join(a + b for a, b in zip(pieces, [*numbers, ""], strict=False))


def test_no_distance_is_not_known_and_a_rule_that_does_not_apply_is_no_result(
    assessment: Assessment, shown: Shown, undo_details: Undo
) -> None:
    rows = [
        check(verdict="uncertain"),
        check(verdict="uncertain", distance_m=None, settled_by="locate", part="discharge_point"),
        check(verdict="no_rule", in_force=False),
        check(verdict="none_on_record", distance_m=None),
    ]
    found = shown(contents(with_checks(assessment, {3: rows})), 3)
    assert [row["state"] for row in found] == [
        "uncertain",
        "not_known",
        "no_rule",
        "none_on_record",
    ]
    assert [row["in_force"] for row in found] == [1, 1, 0, 1]
    assert found[1]["remarks"] == ["The discharge point is not on record. Find it first"]


@pytest.mark.parametrize(
    ("changes", "remark"),
    [
        ({"variance_id": "V1"}, "Variance V1 applies"),
        ({"measured_by": "tape"}, "Measured by tape"),
        (
            {"part": "discharge_point", "link_confirmed": False},
            "The discharge point is not confirmed",
        ),
        ({"settled_by": "fix_part"}, "A better position of the lid would answer it"),
        (
            {"settled_by": "fix_part", "part": "discharge_point"},
            "A better position of the discharge point would answer it",
        ),
        ({"settled_by": "fix_feature"}, "A better position of the well would answer it"),
        (
            {"settled_by": "fix_both", "feature": "drains"},
            "Better positions of the lid and the drain would answer it",
        ),
        ({"settled_by": "tape"}, "Measure by tape on site"),
    ],
)
def test_what_helps_is_said_in_words(
    assessment: Assessment, changes: dict[str, Any], remark: str, shown: Shown, undo_details: Undo
) -> None:
    (row,) = shown(contents(with_checks(assessment, {0: [check(**changes)]})), 0)
    assert row["remarks"] == [remark]


@pytest.mark.parametrize(
    ("basis", "words"),
    [
        ("permit", "2004, the year of its permit"),
        ("installed", "2004, the year it was installed"),
        ("assessment", "May 1, 2004, the day of this assessment"),
    ],
)
def test_the_day_that_decides_is_told_per_unit_and_table(
    assessment: Assessment, basis: str, words: str, shown: Shown, undo_details: Undo
) -> None:
    other = check(table="State table", judged_on="2026-04-01", judged_by="assessment")
    held = contents(with_checks(assessment, {5: [check(judged_by=basis), other], 6: [check()]}))
    first, second = shown(held, 5)
    assert (first["table"], first["day"]) == ("County table", words)
    assert (second["table"], second["day"]) == (
        "State table",
        "April 1, 2026, the day of this assessment",
    )
    assert shown(held, 6)[0]["day"] == "2004, the year of its permit"


def test_inside_an_area_the_depth_inside_is_told(
    assessment: Assessment, shown: Shown, undo_details: Undo
) -> None:
    rows = [
        check(distance_m=0.0, inside_m=3.6576, feature="floodplain"),
        check(distance_m=0.0, inside_m=0.0),
        check(distance_m=0.1),
        check(distance_m=15.24),
    ]
    found = shown(contents(with_checks(assessment, {0: rows})), 0)
    distances = [row["distance"] for row in found]
    assert distances == ["inside it, 12 ft from its edge", "at it", "4\u00a0in", 50]


def test_a_variance_puts_its_own_distance_in_place(
    assessment: Assessment, shown: Shown, undo_details: Undo
) -> None:
    rows = [check(), check(required_m=9.144, variance_id="V1")]
    found = shown(contents(with_checks(assessment, {0: rows})), 0)
    assert [row["required"] for row in found] == ["50 ft", "30 ft"]


def test_a_distance_is_never_rounded_across_what_is_required(
    assessment: Assessment, shown: Shown, undo_details: Undo
) -> None:
    feet = 0.3048
    rows = [
        check(distance_m=297 * feet, required_m=300 * feet),
        check(distance_m=303 * feet, required_m=300 * feet),
        check(distance_m=99.7 * feet, required_m=100 * feet),
        check(distance_m=99.97 * feet, required_m=100 * feet),
        check(distance_m=124 * feet, required_m=125 * feet),
    ]
    found = shown(contents(with_checks(assessment, {0: rows})), 0)
    assert [row["distance"] for row in found] == [
        "297 ft",
        300,
        "99.7 ft",
        "just under 100 ft",
        120,
    ]
    assert [row["required"] for row in found] == ["300 ft", "300 ft", "100 ft", "100 ft", "125 ft"]


def test_older_folders_without_the_late_columns_are_shown(
    assessment: Assessment, shown: Shown, undo_details: Undo
) -> None:
    older = assessment.setback_checks.drop(columns=COLUMNS_OF_LATE)
    held = contents(dataclasses.replace(assessment, setback_checks=older))
    now = contents(assessment)
    old_rows, new_rows = shown(held, 0), shown(now, 0)
    assert [r["state"] for r in old_rows] == [r["state"] for r in new_rows]
    assert all(r["day"] is None and r["table"] is None for r in old_rows)
    assert undo_details(held.blocks)["checks"]["variancesKnown"] is False
    bare = older[["unit_id", "geometry"]]
    held = contents(dataclasses.replace(assessment, setback_checks=bare))
    assert {r["state"] for r in shown(held, 0)} == {"no_rule"}


def test_variances_are_known_only_where_their_layer_was_given(
    assessment: Assessment, shown: Shown, undo_details: Undo
) -> None:
    assert undo_details(contents(assessment).blocks)["checks"]["variancesKnown"] is True
    row = {
        "layer": "variances", "row": None, "feature_id": None, "code": "layer_missing",
        "severity": "warning", "message": "", "action": "layer_left_out",
    }  # fmt: skip
    problems = pd.DataFrame([row])
    held = contents(dataclasses.replace(assessment, problems=problems))
    assert undo_details(held.blocks)["checks"]["variancesKnown"] is False
