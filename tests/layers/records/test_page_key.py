"""The key of a county's record pages: one for every later page, and never another in its place."""

from __future__ import annotations

import multiprocessing
import os
import stat

import pytest

from layers.errors import RecordError
from layers.records import page_key as module
from layers.records.page_key import KEY_BYTES, page_key

COUNTY = "Läke County"


@pytest.fixture
def county(tmp_path):
    folder = tmp_path / "our_county"
    (folder / "results" / "spring").mkdir(parents=True)
    (folder / "county.toml").write_text(f'[county]\nname = "{COUNTY}"\n', "utf-8")
    return folder


def test_every_assessment_of_a_county_has_the_same_key(county, tmp_path):
    first = page_key(county / "results" / "spring", COUNTY)
    assert first.is_new
    assert first.is_lasting
    assert first.path.parent == county
    assert len(first.key) == KEY_BYTES
    for place in ("results/spring", "results/autumn", "later"):
        again = page_key(county / place, COUNTY)
        assert (again.key, again.is_new) == (first.key, False)
    assert page_key(county / "results" / "spring", "Another County").key != first.key


def test_it_is_for_its_owner_alone_and_nothing_is_left_beside_it(county):
    path = page_key(county / "results" / "spring", COUNTY).path
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert sorted(file.name for file in county.iterdir()) == sorted(
        ["county.toml", "results", path.name]
    )


def test_without_a_county_file_above_it_lies_beside_the_assessment(tmp_path):
    made = page_key(tmp_path / "out", COUNTY)
    assert made.path.parent == tmp_path
    assert made.is_lasting


def test_where_nobody_may_write_beside_it_it_lies_in_the_assessment(tmp_path, monkeypatch):
    folder = tmp_path / "out"
    folder.mkdir()
    write = module._write_new

    def refuse(path, text):
        if path.parent == tmp_path:
            raise PermissionError(13, "Permission denied", str(path))
        write(path, text)

    monkeypatch.setattr(module, "_write_new", refuse)
    made = page_key(folder, COUNTY)
    assert (made.path.parent, made.is_lasting, made.is_new) == (folder, False, True)
    assert page_key(folder, COUNTY).key == made.key


def test_a_place_where_none_can_be_kept_is_one_message(tmp_path):
    with pytest.raises(RecordError, match="cannot write"):
        page_key(tmp_path / "not there" / "out", COUNTY)


@pytest.mark.parametrize("links", [True, False])
def test_a_disk_without_links_has_a_key_too(county, monkeypatch, links):
    if not links:
        monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(OSError(95, "no links")))
    made = page_key(county / "results" / "spring", COUNTY)
    assert page_key(county / "results" / "spring", COUNTY).key == made.key


def _ask(folder, ready, answers):
    ready.wait()
    answers.put(page_key(folder, COUNTY).key)


def test_commands_at_once_agree_on_one(county):
    start = multiprocessing.get_context("fork")
    ready, answers = start.Event(), start.Queue()
    asked = [
        start.Process(target=_ask, args=(county / "results" / "spring", ready, answers))
        for _ in range(8)
    ]
    for process in asked:
        process.start()
    ready.set()
    keys = {answers.get(timeout=30) for _ in asked}
    for process in asked:
        process.join()
    assert len(keys) == 1


def test_every_cut_and_every_other_file_is_one_message_and_stays(county, monkeypatch):
    monkeypatch.setattr(module, "_WAIT_S", 0.0)
    spring = county / "results" / "spring"
    path = page_key(spring, COUNTY).path
    whole = path.read_bytes()
    damaged = [whole[:n] for n in range(len(whole) - 2)]
    damaged += [b"[]", b"null", b"\xff\xfe", b"[" * 100_000, whole.replace(b"L", b"M")]
    damaged += [whole.replace(b'"key": "', b'"key": "AA')]
    for content in damaged:
        path.write_bytes(content)
        with pytest.raises(RecordError, match="restore it from a copy"):
            page_key(spring, COUNTY)
        assert path.read_bytes() == content
    path.write_bytes(whole)
    assert not page_key(spring, COUNTY).is_new


def test_names_of_counties_never_leave_the_folder(tmp_path):
    for name in ("../../etc/passwd", "a" * 500, "", "\ud800", "con", "/", "💧"):
        made = page_key(tmp_path / "out", name)
        assert made.path.parent == tmp_path
        assert page_key(tmp_path / "out", name).key == made.key
