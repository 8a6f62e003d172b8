"""``rillmark due`` as it is typed."""

import csv
import json
import shutil

import icalendar
import pytest
from click.testing import CliRunner

from geo.cli import main


def due(*args):
    return CliRunner().invoke(main, ["due", *map(str, args)])


@pytest.fixture(scope="module")
def files(tmp_path_factory, larkmoor_toml):
    out = tmp_path_factory.mktemp("due")
    run = due(
        larkmoor_toml, "--within", 30, "--csv", out / "due.csv", "--calendar", out / "due.ics",
        "--json",
    )  # fmt: skip
    assert run.exit_code == 0, run.output
    return json.loads(run.stdout), out


def test_table_json_and_calendar_tell_the_same(files, larkmoor_toml):
    report, out = files
    assert (report["as_of"], report["until"]) == ("2026-04-01", "2026-05-01")
    days = [row["due"] for row in report["owed"]]
    assert days == sorted(days)
    assert max(days) <= "2026-05-01"
    assert report["owed"][0]["overdue_days"] > 0
    with (out / "due.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(r["unit_id"], r["due"]) for r in rows] == [
        (r["unit_id"], r["due"]) for r in report["owed"]
    ]
    events = icalendar.Calendar.from_ical((out / "due.ics").read_bytes()).walk("VEVENT")
    assert [e["DTSTART"].dt.isoformat() for e in events] == days
    plain = due(larkmoor_toml, "--within", 30)
    lines = [line.split("\t") for line in plain.stdout.splitlines() if line.count("\t") == 4]
    assert lines[0] == ["due", "overdue by", "unit", "visit", "reason"]
    assert [line[0] for line in lines[1:]] == days
    assert f"Due later: {report['later']:,} items" in plain.stdout
    assert "No visit schedule is set for: " in plain.stdout


def test_it_agrees_with_the_assessment(larkmoor_toml, larkmoor_result):
    report = json.loads(due(larkmoor_toml, "--json").stdout)
    assert report["until"] == report["season"]["last_day"] == "2026-11-15"
    earliest = {}
    for row in report["owed"]:
        earliest.setdefault(row["unit_id"], row["due"])
    units = larkmoor_result.units[larkmoor_result.units["ranked_by"] == "owed"]
    dangers = {row["unit_id"] for row in report["owed"] if row["danger"]}
    assert dangers
    assert units["unit_id"].tolist() == sorted(
        earliest,
        key=lambda u: (u not in dangers, earliest[u], units["unit_id"].tolist().index(u)),
    )
    assert earliest == {
        u: f"{d:%Y-%m-%d}" for u, d in zip(units["unit_id"], units["must_visit_by"], strict=True)
    }
    assert len(report["owed"]) + report["later"] == len(larkmoor_result.visits.owed)


def test_dangers_are_named_once_more(larkmoor_toml):
    report = json.loads(due(larkmoor_toml, "--json").stdout)
    dangers = dict.fromkeys(row["unit_id"] for row in report["owed"] if row["danger"])
    lines = due(larkmoor_toml).output.splitlines()
    (line,) = [w for w in lines if w.startswith("Dangerous conditions")]
    assert all(unit_id in line for unit_id in dangers)


def test_complaints_of_later_days_are_not_owed_yet(larkmoor_toml):
    run = due(larkmoor_toml, "--as-of", "2025-02-01", "--json")
    assert run.exit_code == 0, run.output
    warnings = [r for r in json.loads(run.stdout)["owed"] if r["obligation"] == "complaint"]
    assert warnings
    assert all(row["since"] <= "2025-02-01" for row in warnings)


def test_nothing_is_owed_where_no_programme_asks(tmp_path, larkmoor_toml):
    units = larkmoor_toml.parent / "units.xlsx"
    shutil.copy(units, tmp_path / "units.xlsx")
    text = larkmoor_toml.read_text("utf-8")
    begin, end = text.index("[layers.units]"), text.index("[layers.discharge_points]")
    county = tmp_path / "county.toml"
    accepted = text[text.index("[[accepted]]") :]
    county.write_text(
        f'[county]\nname = "x"\nas_of = 2026-04-01\n{text[begin:end]}\n{accepted}', "utf-8"
    )
    run = due(county, "--calendar", tmp_path / "due.ics")
    assert run.exit_code == 0, run.output
    assert "No visits are due: [programme] in the county file sets no visit interval" in run.output
    assert "was not written" in run.output
    assert not (tmp_path / "due.ics").exists()


def test_a_records_list_that_cannot_be_read_is_a_part_that_is_missing(tmp_path, larkmoor_toml):
    folder = shutil.copytree(larkmoor_toml.parent, tmp_path / "county")
    (folder / "inspections.csv").unlink()
    run = due(folder / "county.toml")
    assert run.exit_code == 1, run.output


def test_bad_calls(tmp_path, larkmoor_toml):
    for args, shown in (
        (["nowhere.toml"], "Fix: "),
        ([larkmoor_toml, "--csv", larkmoor_toml.parent / "permits.csv"], "is read from this file"),
        ([larkmoor_toml, "--calendar", tmp_path / "no" / "x.ics"], "cannot write the file"),
        ([larkmoor_toml, "--within", -1], "-1"),
    ):
        run = due(*args)
        assert run.exit_code == 2, run.output
        assert shown in run.output
        assert "Traceback" not in run.output


def test_help_has_an_example():
    run = due("--help")
    assert run.exit_code == 0
    assert "rillmark due our_county/county.toml" in run.output


def test_a_table_that_was_lost_is_named_where_visits_may_be_missing(tmp_path, larkmoor_toml):
    folder = shutil.copytree(larkmoor_toml.parent, tmp_path / "county")
    (folder / "permits.csv").write_bytes(b"\x00\x01garbage")
    done = CliRunner().invoke(main, ["due", str(folder / "county.toml")])
    assert done.exit_code == 1
    assert "permits: not a table of rows and columns: its header has binary data" in done.stderr
    assert "Fix: " in done.stderr
