"""``rillmark report``: drawn again from the folder, listed in the run, nothing else touched."""

import hashlib
import json
import shutil

import pytest
from click.testing import CliRunner

from geo.cli import main


@pytest.fixture(scope="module")
def folder(demo_run, tmp_path_factory):
    out = tmp_path_factory.mktemp("report") / "larkmoor"
    shutil.copytree(demo_run.folder, out, ignore=shutil.ignore_patterns("county"))
    return out


def hashes(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


def test_assess_writes_report_and_spreadsheet_and_lists_them(folder):
    listed = json.loads((folder / "run.json").read_text("utf-8"))["files"]
    for name in ("report_staff.html", "report_appendix_staff.html", "priorities.xlsx"):
        assert listed[name] == hashes(folder)[name]


def test_drawn_again_the_bytes_are_the_same(folder):
    before = hashes(folder)
    run = CliRunner().invoke(main, ["report", str(folder)])
    assert run.exit_code == 0, run.output
    assert str((folder / "report_staff.html").resolve()) in run.stdout
    assert str((folder / "report_appendix_staff.html").resolve()) in run.stdout
    assert str((folder / "priorities.xlsx").resolve()) in run.stdout
    assert hashes(folder) == before


def test_the_public_edition_comes_alone_and_says_so_in_its_name(folder):
    before = hashes(folder)
    run = CliRunner().invoke(main, ["report", str(folder), "--audience", "public", "--json"])
    assert run.exit_code == 0, run.output
    path = folder / "report_public.html"
    assert json.loads(run.stdout) == {"report_public.html": str(path.resolve())}
    now = hashes(folder)
    assert set(now) - set(before) == {"report_public.html"}
    assert {n for n in before if before[n] != now[n]} == {"run.json"}
    listed = json.loads((folder / "run.json").read_text("utf-8"))["files"]
    assert listed["report_public.html"] == now["report_public.html"]


def test_a_folder_without_an_assessment_is_one_clear_message(tmp_path):
    run = CliRunner().invoke(main, ["report", str(tmp_path)])
    assert run.exit_code == 2
    assert "no assessment here" in run.stderr
    assert "mend:" in run.stderr or "Fix:" in run.stderr
    assert "Traceback" not in run.output


def test_who_moved_since_an_earlier_assessment_stands_in_the_appendix(folder, tmp_path):
    from layers import store

    later = tmp_path / "later"
    shutil.copytree(folder, later)
    result = store.read_assessment(folder)
    units = result.units.copy()
    scored = units.index[units["ranked_by"] == "score"]
    first, last = scored[0], scored[-1]
    units.loc[[first, last], "rank"] = units.loc[[last, first], "rank"].to_numpy()
    from dataclasses import replace

    replace(result, units=units).write(later, overwrite=True)
    run = CliRunner().invoke(main, ["report", str(later), "--before", str(folder)])
    assert run.exit_code == 0, run.output
    text = (later / "report_appendix_staff.html").read_text("utf-8")
    section = text.split('id="moves"')[1].split("</section>")[0]
    assert "2 moved" in section
    for row in (first, last):
        assert units.loc[row, "unit_id"] in section
    run = CliRunner().invoke(
        main, ["report", str(later), "--before", str(folder), "--audience", "public"]
    )
    assert run.exit_code == 2
    assert "staff" in run.output
