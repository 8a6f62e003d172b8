"""The records folder and its index: whole or not at all, once, and made again when damaged."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time

import pytest

from layers.errors import RecordError
from layers.records import add_day_file, day_files
from layers.records.folder import LEDGER
from layers.records.index import CHANGED, GONE, read_records
from layers.records.stores import FolderStore

COUNTY = "Larkmoor County"


def put(folder, content):
    return add_day_file(folder, content, where="f", county=COUNTY)


def test_the_same_file_twice_changes_nothing(tmp_path, a_visit, a_day):
    first = put(tmp_path, a_day(a_visit(1)))
    state = first.path.stat()
    second = put(tmp_path, a_day(a_visit(1)))
    assert first.is_new
    assert not second.is_new
    assert day_files(tmp_path) == [first.path]
    assert (first.path.stat().st_mtime_ns, first.path.stat().st_ino) == (
        state.st_mtime_ns,
        state.st_ino,
    )


def test_a_longer_export_of_the_same_day_adds_only_what_is_new(tmp_path, a_visit, a_day):
    put(tmp_path, a_day(a_visit(1)))
    put(tmp_path, a_day(a_visit(1), a_visit(2)))
    found = read_records(tmp_path, index=tmp_path / "index.sqlite")
    assert [r.record_id for r in found.records] == ["r0001", "r0002"]
    assert found.set_aside == ()
    assert len(day_files(tmp_path)) == 2


def test_two_people_with_one_name_of_a_day_keep_both_files(tmp_path, a_visit, a_day):
    put(tmp_path, a_day(a_visit(1)))
    put(tmp_path, a_day(a_visit(2)))
    assert len(day_files(tmp_path)) == 2


def test_a_file_of_another_county_is_refused(tmp_path, a_visit, a_day):
    with pytest.raises(RecordError, match="Larkmoor"):
        add_day_file(tmp_path, a_day(a_visit()), where="f", county="Elsewhere County")
    assert day_files(tmp_path) == []


def test_a_damaged_day_file_is_set_aside_and_said(tmp_path, a_visit, a_day):
    good = put(tmp_path, a_day(a_visit(1)))
    bad = put(tmp_path, a_day(a_visit(2), by="Inspector 2"))
    bad.path.write_bytes(bad.path.read_bytes()[:-20])
    found = read_records(tmp_path, index=tmp_path / "index.sqlite")
    assert [r.record_id for r in found.records] == ["r0001"]
    assert [a.file for a in found.set_aside] == [f"2026/{bad.path.name}"]
    assert good.path.exists()
    assert bad.path.exists()


def test_two_contents_under_one_id_are_told(tmp_path, a_visit, a_day):
    put(tmp_path, a_day(a_visit(1, note="a")))
    put(tmp_path, a_day(a_visit(1, note="b")))
    found = read_records(tmp_path, index=tmp_path / "index.sqlite")
    assert {r.note for r in found.records} == {"a", "b"}
    assert found.set_aside == ()
    (dispute,) = found.in_force().disputed
    assert dispute.record_id == "r0001"


@pytest.mark.parametrize("damage", [b"", b"not a database at all" * 50, None])
def test_a_damaged_index_is_made_again(tmp_path, a_visit, a_day, damage):
    put(tmp_path, a_day(a_visit(1), a_visit(2)))
    index = tmp_path / "index.sqlite"
    before = read_records(tmp_path, index=index)
    if damage is None:  # sound head, torn pages
        content = bytearray(index.read_bytes())
        content[200:] = os.urandom(len(content) - 200)
        index.write_bytes(content)
    else:
        index.write_bytes(damage)
    assert read_records(tmp_path, index=index) == before
    with sqlite3.connect(index) as connection:
        assert connection.execute("pragma integrity_check").fetchone() == ("ok",)
    connection.close()


def test_an_index_that_cannot_be_kept_is_no_fault(tmp_path, a_visit, a_day):
    put(tmp_path, a_day(a_visit(1)))
    (tmp_path / "file").write_text("in the way")
    found = read_records(tmp_path, index=tmp_path / "file" / "index.sqlite")
    assert len(found.records) == 1


def test_a_file_taken_away_is_forgotten_and_one_put_back_is_read(tmp_path, a_visit, a_day):
    added = put(tmp_path, a_day(a_visit(1)))
    index = tmp_path / "index.sqlite"
    content = added.path.read_bytes()
    assert len(read_records(tmp_path, index=index).records) == 1
    added.path.unlink()
    index.unlink()  # the index is a cache, the ledger is none
    found = read_records(tmp_path, index=index)
    assert found.records == ()
    assert [(a.file, a.code) for a in found.set_aside] == [(added.path.name, GONE)]
    added.path.write_bytes(content)
    found = read_records(tmp_path, index=index)
    assert len(found.records) == 1
    assert found.set_aside == ()


def test_a_file_version_0_1_left_is_on_the_ledger_once_it_was_read(tmp_path, a_visit, a_day):
    added = put(tmp_path, a_day(a_visit(1)))
    shutil.rmtree(tmp_path / LEDGER)  # version 0.1 had none
    assert read_records(tmp_path, index=tmp_path / "i").set_aside == ()
    added.path.unlink()
    assert [a.code for a in read_records(tmp_path, index=tmp_path / "i").set_aside] == [GONE]


def test_a_line_edited_with_its_checksum_made_again_is_noticed(tmp_path, a_visit, a_day):
    danger = a_day(a_visit(1, findings=[{"item": "lid", "severity": "danger"}]))
    added, index = put(tmp_path, danger), tmp_path / "index.sqlite"
    read_records(tmp_path, index=index)
    state = added.path.stat()
    forged = a_day(a_visit(1, findings=[{"item": "lid", "severity": "minor", "note": ""}]))
    added.path.write_bytes(forged)
    os.utime(added.path, ns=(state.st_atime_ns, state.st_mtime_ns))
    for place in (index, tmp_path / "another"):
        found = read_records(tmp_path, index=place)
        assert found.records == ()
        assert [a.code for a in found.set_aside] == [CHANGED]
    added.path.write_bytes(danger)
    assert read_records(tmp_path, index=index).set_aside == ()


def test_a_file_somebody_laid_there_by_hand_is_said(tmp_path, a_visit, a_day):
    (tmp_path / "2026").mkdir()
    (tmp_path / "2026" / "2026-04-03_kim.jsonl").write_bytes(a_day(a_visit(1)))
    (found,) = read_records(tmp_path, index=tmp_path / "i").set_aside
    assert "rillmark record" in found.reason


def test_a_renamed_file_is_not_missing(tmp_path, a_visit, a_day):
    added = put(tmp_path, a_day(a_visit(1)))
    added.path.rename(added.path.with_name(added.path.name.replace("inspector-1", "kim")))
    found = read_records(tmp_path, index=tmp_path / "i")
    assert len(found.records) == 1
    assert found.set_aside == ()


def test_a_pipe_among_the_day_files_does_not_hang(tmp_path, a_visit, a_day):
    put(tmp_path, a_day(a_visit(1)))
    os.mkfifo(tmp_path / "2026" / "2026-04-03_kim_0123456789ab.jsonl")
    found = read_records(tmp_path, index=tmp_path / "i")
    assert len(found.records) == 1
    assert "pipe" in found.set_aside[0].reason
    os.mkfifo(tmp_path / "disposal_log.jsonl")
    with pytest.raises(RecordError, match="pipe"):
        read_records(tmp_path, index=tmp_path / "i")


def test_an_index_with_a_changed_line_is_not_believed(tmp_path, a_visit, a_day):
    put(tmp_path, a_day(a_visit(1, note="here it is")))
    index = tmp_path / "index.sqlite"
    before = read_records(tmp_path, index=index)
    with sqlite3.connect(index) as connection:
        connection.execute("update files set held = replace(held, 'here', 'nope')")
    connection.close()
    assert read_records(tmp_path, index=index) == before


def test_a_folder_that_cannot_be_written_is_one_message(tmp_path, a_visit, a_day):
    (tmp_path / "records").write_text("a file stands where the folder should")
    with pytest.raises(RecordError, match="cannot be used"):
        put(tmp_path / "records", a_day(a_visit()))


def test_a_full_disk_leaves_no_half_file(tmp_path, a_visit, a_day, monkeypatch):
    def full(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordError, match="No space left"):
        put(tmp_path, a_day(a_visit()))
    assert list(tmp_path.rglob("*.jsonl*")) == []
    assert list(tmp_path.rglob(".*")) == []


def test_a_clock_that_runs_backwards_loses_nothing(tmp_path, a_visit, a_day, monkeypatch):
    put(tmp_path, a_day(a_visit(1)))
    index = tmp_path / "index.sqlite"
    read_records(tmp_path, index=index)
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now - 10 * 365 * 86_400)
    added = put(tmp_path, a_day(a_visit(2)))
    os.utime(added.path, (1, 1))
    assert len(read_records(tmp_path, index=index).records) == 2


def test_a_day_file_that_cannot_be_opened_is_said_and_read_once_it_can(tmp_path, a_visit, a_day):
    records, index = tmp_path / "records", tmp_path / "index.sqlite"
    put(records, a_day(a_visit(1)))
    closed = records / "2026" / "closed.jsonl"
    closed.mkdir()  # opens for nobody, not even for root
    store = FolderStore(records, index=index)
    for _ in range(2):
        found = store.read()
        assert [r.record_id for r in found.records] == ["r0001"]
        assert [a.file for a in found.set_aside] == ["2026/closed.jsonl"]
        assert "folder" in found.set_aside[0].reason
    assert len(found.hashes) == 1
    closed.rmdir()
    assert store.read().set_aside == ()


def test_a_ledger_that_cannot_be_kept_refuses_the_file_and_one_that_cannot_be_read_is_said(
    tmp_path, a_visit, a_day
):
    (tmp_path / LEDGER).write_text("in the way")
    with pytest.raises(RecordError, match="cannot be used"):
        put(tmp_path, a_day(a_visit(1)))
    assert day_files(tmp_path) == []
    (tmp_path / LEDGER).unlink()
    put(tmp_path, a_day(a_visit(1)))
    shutil.rmtree(tmp_path / LEDGER)
    (tmp_path / LEDGER).write_text("in the way")
    found = read_records(tmp_path, index=tmp_path / "i")
    assert len(found.records) == 1
    assert "ledger cannot be read" in found.set_aside[0].reason


def test_a_drive_that_is_not_connected_is_said(tmp_path, a_visit, a_day):
    folder, index = tmp_path / "records", tmp_path / "index.sqlite"
    assert read_records(folder, index=index).set_aside == ()
    put(folder, a_day(a_visit(1)))
    read_records(folder, index=index)
    folder.rename(tmp_path / "elsewhere")
    for _ in range(2):
        (aside,) = read_records(folder, index=index).set_aside
        assert "Connect the drive" in aside.reason
        folder.mkdir(exist_ok=True)  # an empty mount point
    folder.rmdir()
    (tmp_path / "elsewhere").rename(folder)
    assert read_records(folder, index=index).set_aside == ()
