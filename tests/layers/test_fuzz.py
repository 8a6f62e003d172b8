"""Damaged files end in a result or one message: eight here, two thousand when run long.

What is done to them and how a case is judged stands in fuzzing.py.
"""

import json
import subprocess
import sys

import pytest

from support import fuzzing


def start(first, count):
    command = [sys.executable, fuzzing.__file__, "--start", str(first), "--count", str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)


def finished(process):
    out, _ = process.communicate()
    assert process.returncode == 0
    return json.loads(out)


def in_order(report, count):
    assert report["failures"] == []
    assert report["cases"] == count
    assert set(report["by_status"]) <= {"0", "1", "2"}
    assert all("rillmark: " in message for message in report["messages"])


def test_eight_damaged_files():
    report = finished(start(0, 8))
    in_order(report, 8)
    assert len(report["by_kind"]) == 8
    assert report["by_command"] == {"check": 7, "assess": 1}


@pytest.mark.long
def test_two_thousand_damaged_files():
    halves = [start(0, 1000), start(1000, 1000)]
    for half in halves:
        report = finished(half)
        in_order(report, 1000)
        assert set(report["by_status"]) == {"0", "1", "2"}


def test_the_same_number_damages_the_same_file_alike(tmp_path):
    sound, one, two = (tmp_path / name for name in ("sound", "one", "two"))
    sound.mkdir()
    fuzzing.build(sound)
    import shutil

    for folder in (one, two):
        shutil.copytree(sound, folder)
        assert fuzzing.damage(folder, 4) == fuzzing.damage(folder, 4)
    changed = 0
    for path in sorted(p for p in one.rglob("*") if p.is_file()):
        assert path.read_bytes() == (two / path.relative_to(one)).read_bytes()
        before = sound / path.relative_to(one)
        changed += before.exists() and path.read_bytes() != before.read_bytes()
    assert changed == 1


@pytest.mark.parametrize(
    ("status", "text", "fault"),
    [
        (98, "Traceback (most recent call last)", "traceback"),
        ("SIGSEGV", "", "status SIGSEGV"),
        ("too long", "", "status too long"),
        (2, "rillmark: a\n  Where: b\n", "not one message"),
        (2, "rillmark: a\n  Fix: b\nrillmark: c\n  Fix: d\n", "not one message"),
        (2, "x.py:1: RuntimeWarning: y\nrillmark: a\n  Fix: b", "noise"),
        (0, "fine", "left behind"),
    ],
)
def test_what_is_not_in_order_is_seen(tmp_path, status, text, fault):
    (tmp_path / fuzzing.KEPT).write_text("kept")
    faults = fuzzing._faults(status, text, tmp_path, is_assess=False)
    assert any(fault in wording for wording in faults)
    sound = fuzzing._faults(2, "rillmark: a\n  Fix: b", tmp_path, is_assess=False)
    assert sound == []
    (tmp_path / ".places.part.gpkg").write_bytes(b"")
    halves = fuzzing._faults(2, "rillmark: a\n  Fix: b", tmp_path, is_assess=False)
    assert "left behind" in halves[0]
