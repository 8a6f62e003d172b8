"""One writer at a time; a dead one holds nobody off, and one that lives is named."""

import os
import subprocess
import sys
import time

import pytest

from layers.errors import AssessmentFolderError
from layers.folders import lock as folder_lock
from layers.folders.lock import NoLocksError, one_writer, try_lock

HOLD = """
import sys, time
from pathlib import Path
from layers.folders.lock import one_writer
with one_writer(Path(sys.argv[1]), of=Path("there")):
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def holder(tmp_path):
    """A living process that holds the lock."""
    path = tmp_path / ".out.lock"
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout.readline() == "held\n"
    yield path, process
    process.kill()
    process.communicate()


def test_the_second_is_told_who_holds_it_and_a_killed_one_holds_nobody_off(holder, tmp_path):
    path, process = holder
    with pytest.raises(AssessmentFolderError) as text, one_writer(path, of=tmp_path, wait_s=0.2):
        pass
    assert f"process {process.pid}, since " in text.value.what
    assert "wait until it ends" in text.value.hint
    process.kill()
    process.wait()
    assert path.exists()  # left behind ...
    start = time.monotonic()
    with one_writer(path, of=tmp_path):  # ... harmlessly
        assert f"process {os.getpid()}" in path.read_text("utf-8")
    assert time.monotonic() - start < 1
    assert list(tmp_path.iterdir()) == []


def test_one_that_waits_comes_in_when_the_first_ends(tmp_path):
    path = tmp_path / ".out.lock"
    first = try_lock(path)
    assert try_lock(path) is None
    first.release()
    second = try_lock(path)
    assert second is not None
    second.release()
    assert list(tmp_path.iterdir()) == []


def test_a_lock_on_a_file_taken_away_meanwhile_is_no_lock(tmp_path, monkeypatch):
    """Between opening and locking the first holder lets go: the second locks a nameless file."""
    path = tmp_path / ".out.lock"
    first = try_lock(path)
    real, turns = folder_lock._locked, []

    def late(descriptor):
        if not turns:
            turns.append(1)
            first.release()
        return real(descriptor)

    monkeypatch.setattr(folder_lock, "_locked", late)
    second = try_lock(path)
    assert second is not None
    assert os.path.samestat(os.fstat(second.descriptor), path.stat())
    monkeypatch.undo()
    assert try_lock(path) is None
    second.release()


def test_a_lock_file_of_another_user_can_be_taken(tmp_path):
    if os.name == "nt" or os.geteuid() == 0:
        pytest.skip("nothing is refused to this user")
    path = tmp_path / ".out.lock"
    path.touch(0o444)
    with one_writer(path, of=tmp_path, wait_s=0):
        pass


def test_a_link_in_the_place_of_the_lock_is_not_written_through(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    (tmp_path / ".out.lock").symlink_to(tmp_path / "mine.txt")
    with pytest.raises(OSError, match="symbolic"), one_writer(tmp_path / ".out.lock", of=tmp_path):
        pass
    assert (tmp_path / "mine.txt").read_text() == "mine"


@pytest.fixture
def no_locks(monkeypatch):
    def refused(_descriptor):
        raise NoLocksError

    monkeypatch.setattr(folder_lock, "_locked", refused)


def test_a_drive_without_locks_still_lets_in_one_only(tmp_path, no_locks):
    path = tmp_path / ".out.lock"
    with (
        one_writer(path, of=tmp_path),
        pytest.raises(AssessmentFolderError, match=r"delete .*\.out\.locked"),
        one_writer(path, of=tmp_path, wait_s=0.2),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_drive_without_locks_forgets_an_old_holder_and_no_fresh_one(tmp_path, no_locks):
    stand_in = tmp_path / ".out.locked"
    stand_in.write_text("somebody")
    with (
        pytest.raises(AssessmentFolderError, match="somebody"),
        one_writer(tmp_path / ".out.lock", of=tmp_path, wait_s=0.1),
    ):
        pass
    os.utime(stand_in, (0, time.time() - folder_lock._OLD_S - 1))
    with one_writer(tmp_path / ".out.lock", of=tmp_path, wait_s=1):
        pass
    assert list(tmp_path.iterdir()) == []
