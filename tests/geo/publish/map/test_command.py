"""``rillmark map --before``: the map of two finished folders."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner

from geo.cli.map import map_
from geo.publish.map.contents import contents
from geo.publish.map.units.moves import Earlier, moves_block
from layers.outputs.run import Run
from layers.store import Assessment
from support.assessments import with_run

Undo = Callable[..., Any]


@pytest.fixture
def folders(assessment: Assessment, tmp_path: Path) -> tuple[Path, Path]:
    """A finished assessment, and an earlier one in which the first two stood the other way."""

    def written(name: str, units: pd.DataFrame) -> Path:
        units = units.assign(ranked_by="score", must_visit_by=pd.NaT)
        whole = dataclasses.replace(assessment, units=units, context={}, rasters={})
        with_run(whole, context=[], rasters=[]).write(tmp_path / name)
        return tmp_path / name

    swapped = assessment.units.copy()
    swapped.loc[[0, 1], "rank"] = [2, 1]
    return written("spring", swapped), written("autumn", assessment.units)


def test_the_map_of_two_folders_tells_who_moved(folders: tuple[Path, Path]) -> None:
    spring, autumn = folders
    done = CliRunner().invoke(map_, [str(autumn), "--before", str(spring)])
    assert done.exit_code == 0, done.output
    assert 'id="block-moves"' in (autumn / "map_staff.html").read_text("utf-8")
    again = CliRunner().invoke(map_, [str(autumn)])
    assert again.exit_code == 0
    assert 'id="block-moves"' not in (autumn / "map_staff.html").read_text("utf-8")


def test_a_public_map_takes_no_earlier_one(folders: tuple[Path, Path]) -> None:
    spring, autumn = folders
    done = CliRunner().invoke(map_, [str(autumn), "--audience", "public", "--before", str(spring)])
    assert done.exit_code == 2
    assert "staff map only" in done.output


def test_columns_of_the_block(assessment: Assessment, undo: Undo) -> None:
    moves = pd.DataFrame(
        {
            "unit_id": ["LK-0053", "LK-0041", "LK-0054", "LK-0999"],
            "change": ["moved", "appeared", "stayed", "vanished"],
            "places_up": pd.array([3, None, 0, None], "Int64"),
            "rank_before": pd.array([4, None, 3, 9], "Int64"),
            "class_before": ["next", None, "first", "routine"],
            "moved_by": ["wetness", None, None, None],
            "owed_by_before": None,
            "owed_by_after": None,
        }
    )
    earlier = Earlier(moves, Run(as_of="2025-10-01"))
    units = assessment.units[assessment.units["unit_id"].isin(moves["unit_id"])]
    block = moves_block(earlier, units, assessment.run.parts)
    assert block["before"] == "October 1, 2025"
    assert block["change"].tolist() == [1, 2, 0]
    assert block["gone"] == ["LK-0999"]
    held = undo(contents(assessment, earlier).blocks["moves"])
    assert held["places"][:3] == [3, None, 0]
    assert held["rank"][:3] == [4, None, 3]
    assert held["class"][:3] == [1, None, 0]
    label = assessment.run.parts["wetness"]["label"]
    text = [held["by"]["words"][at] for at in held["by"]["at"][:3]]
    assert text == [f"{label[0].lower()}{label[1:]}", "other units moved", "other units moved"]


def test_what_is_owed_is_told_with_its_day(assessment: Assessment, undo: Undo) -> None:
    ids = assessment.units["unit_id"].astype(str).head(3)
    before, after = dt.date(2026, 1, 20), dt.date(2026, 2, 9)
    moves = pd.DataFrame(
        {
            "unit_id": ids,
            "change": "moved",
            "places_up": pd.array([3, -1, -2], "Int64"),
            "rank_before": pd.array([4, 1, 1], "Int64"),
            "class_before": "first",
            "moved_by": "owed",
            "owed_by_before": [None, before, before],
            "owed_by_after": [after, None, after],
        }
    )
    held = undo(contents(assessment, Earlier(moves, Run())).blocks["moves"])
    text = [held["by"]["words"][at] for at in held["by"]["at"][:3]]
    assert text == [
        "a visit is now due by February 9, 2026",
        "the visit due by January 20, 2026 is no longer due",
        "the due date moved from January 20, 2026 to February 9, 2026",
    ]
