"""`rillmark compare` as an inspector types it."""

import json
from dataclasses import replace

import pandas as pd
import pytest
from click.testing import CliRunner

from geo.cli import main
from geo.order.priorities import prioritize
from support.assessments import with_run


@pytest.fixture(scope="module")
def folders(larkmoor, larkmoor_result, tmp_path_factory):
    """The invented county as it is, with wells that weigh more, and under another name."""
    root = tmp_path_factory.mktemp("compare")
    weights = {"well": 0.7, "water": 0.1, "place": 0.1, "neighbours": 0.1}
    settings = larkmoor.priorities.for_columns(larkmoor_result.units.columns)
    parts = {
        name: part.model_copy(update={"weight": weights.get(name, part.weight)})
        for name, part in settings.parts.items()
    }
    changed = settings.model_copy(update={"parts": parts})
    units = larkmoor_result.units
    order = prioritize(units, changed)
    other = units.drop(columns=[c for c in order.columns if c in units]).join(order)
    other = other.drop(index=other.index[other["unit_id"] == units["unit_id"].iloc[-1]])
    small = replace(larkmoor_result, rasters={}, context={})
    run = {"rasters": [], "context": []}
    with_run(small, **run).write(root / "spring")
    kept = [*units.columns.intersection(other.columns)]
    with_run(replace(small, units=other[kept]), **run).write(root / "wells")
    strange = {"county": {"name": "Fenmoor (invented)"}}
    with_run(replace(small, units=other[kept]), **run, **strange).write(root / "fenmoor")
    return root


def typed(*words):
    return CliRunner().invoke(main, ["compare", *map(str, words)])


def test_who_moved_is_said_with_the_part_that_moved_them(folders):
    got = typed(folders / "spring", folders / "wells")
    assert got.exit_code == 0, got.output
    assert "401 units in both" in got.stdout
    assert "Units no longer listed: 1 (" in got.stdout
    assert "Main reason: " in got.stdout
    assert "Wells" in got.stdout
    header, first = got.stdout.split("Largest changes\n")[1].splitlines()[:2]
    assert header.split("\t") == ["unit", "rank", "class", "score", "main reason"]
    assert " -> " in first.split("\t")[1]


def test_the_table_and_the_json_hold_every_unit_and_add_up(folders, tmp_path):
    table = tmp_path / "moves.csv"
    got = typed(folders / "spring", folders / "wells", "--json", "--csv", table)
    assert got.exit_code == 0, got.output
    shown = json.loads(got.stdout)
    assert shown["units"] == 401
    assert shown["vanished"] == 1
    assert sum(shown["moved_by"].values()) == shown["moved"]
    assert len(shown["moves"]) == 402
    rows = pd.read_csv(table, dtype={"unit_id": str})
    assert rows["unit_id"].tolist() == [row["unit_id"] for row in shown["moves"]]
    total = rows.filter(regex="^change_").sum(axis=1, min_count=1)
    both = rows["change"].isin(["moved", "stayed"])
    assert (total - rows["score_change"])[both].abs().max() < 1e-9


def test_verdicts_under_another_table_of_setbacks_are_counted(folders, larkmoor_result, tmp_path):
    """Under other rules nobody may move: what changed is said all the same."""
    checks = larkmoor_result.setback_checks.copy()
    of_wells = (checks["feature"] == "wells") & (checks["part"] == "tank")
    before = checks[of_wells].groupby("unit_id")["verdict"].agg(list)
    checks.loc[of_wells, "verdict"] = "short"
    checks["rule_id"] = checks["rule_id"] + "-new"
    small = replace(larkmoor_result, rasters={}, context={}, setback_checks=checks)
    with_run(small, rasters=[], context=[]).write(tmp_path / "strict")
    got = typed(folders / "spring", tmp_path / "strict")
    wanted = sum("short" not in verdicts for verdicts in before)
    assert wanted > 100
    assert f"Setback verdicts changed: {wanted} (" in got.stdout
    assert " 0 changed rank" in got.stdout
    shown = json.loads(typed(folders / "spring", tmp_path / "strict", "--json").stdout)
    assert sum(v["count"] for v in shown["verdicts"]) == wanted
    assert {v["after"] for v in shown["verdicts"]} == {"short"}


def test_the_same_folder_twice_moves_nobody(folders):
    got = typed(folders / "spring", folders / "spring")
    assert got.exit_code == 0, got.output
    assert "0 changed rank" in got.stdout
    assert "Largest changes" not in got.stdout


@pytest.mark.parametrize(
    ("other", "says"),
    [("fenmoor", "different counties: 'Larkmoor"), ("nowhere", "no assessment here")],
)
def test_what_cannot_be_compared_is_refused_with_a_way_out(folders, other, says):
    got = typed(folders / "spring", folders / other)
    assert got.exit_code == 2
    assert says in got.stderr
    assert "Fix:" in got.stderr


def test_a_table_that_cannot_be_written_is_said(folders, tmp_path):
    got = typed(folders / "spring", folders / "wells", "--csv", tmp_path / "no" / "moves.csv")
    assert got.exit_code == 2
    assert "cannot write the table" in got.stderr
