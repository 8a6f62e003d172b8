"""The files the program itself keeps beside the records, damaged in every way: nothing is lost.

Of each damage: the same records, or a part of them and a word about the rest; never a traceback.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from layers.records.disposal import due_for_disposal
from layers.records.folder import day_files
from layers.records.index import Indexed
from layers.records.stores import FolderStore
from support import fuzzing

WAYS = ("cut", "flip", "flip_head", "holes", "shuffled", "doubled", "noise", "empty", "zeros",
        "hostile", "numbers", "nested", "masquerade")  # fmt: skip
KEPT = ("index", "log", "ledger", "day file", "part")


@pytest.fixture(scope="module")
def sound(tmp_path_factory, a_visit, a_day, word):
    """Records with a hold, a disposal and its log, and the index of them."""
    import datetime as dt

    folder = tmp_path_factory.mktemp("sound")
    store = FolderStore(folder / "records", index=folder / "index.sqlite")
    lid = [{"item": "lid", "severity": "danger"}]
    visits = [a_visit(n, findings=lid if n % 3 else ()) for n in range(1, 8)]
    old = a_visit(9, day=dt.date(2010, 1, 1), by="Inspector 2")
    for records in ([old, visits[0]], visits[1:4], visits[4:], [word("hold", "h", reason="x")]):
        store.add(a_day(*records), where="f", county="Larkmoor County")
    keep, at = {"visit": 7}, dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
    lift = word("hold_lifted", "l", of="h", reason="x")
    store.add(a_day(lift), where="f", county="Larkmoor County")
    due = due_for_disposal(store.read().filed, keep, today=at.date())
    assert store.dispose(due, keep, by="Zoé", authority="schedule 12", at=at) == (1, 1)
    (store.folder / "2026" / ".2026-04-03_x.jsonl.1-a.part").write_bytes(b"half a file")
    return folder, store.read()


def one_of(folder: Path, what: str, rng: np.random.Generator) -> Path:
    records = folder / "records"
    some = {
        "index": [folder / "index.sqlite"],
        "log": [records / "disposal_log.jsonl"],
        "ledger": sorted((records / "known").iterdir()),
        "day file": day_files(records),
        "part": sorted((records / "2026").glob(".*")),
    }[what]
    return some[rng.integers(len(some))]


def tried(folder: Path, before: Indexed, number: int, place: Path) -> None:
    """Damage one file by its number and read: the same, or less and a word about it."""
    rng = np.random.default_rng(number)
    what, way = KEPT[number % len(KEPT)], WAYS[int(rng.integers(len(WAYS)))]
    copy = place / str(number)
    shutil.copytree(folder, copy)
    path = one_of(copy, what, rng)
    whole = path.read_bytes()
    path.write_bytes(getattr(fuzzing, way)(whole, rng))
    store = FolderStore(copy / "records", index=copy / "index.sqlite")
    found = store.read()
    if what != "day file":
        assert found.filed == before.filed, (number, what, way)
    elif path.read_bytes() != whole:
        assert set(found.filed) < set(before.filed), (number, way)
        name = path.relative_to(copy / "records").as_posix()
        assert [a.file for a in found.set_aside] == [name]
    lost = before.disposed - found.disposed
    assert not lost or found.set_aside or what == "log", (number, what, way)
    assert store.read() == found  # and again, from an index made anew
    shutil.rmtree(copy)


def test_60_damages_of_our_own_files(sound, tmp_path):
    for number in range(60):
        tried(*sound, number, tmp_path)


@pytest.mark.long
def test_3000_damages_of_our_own_files(sound, tmp_path):
    for number in range(1_000, 4_000):
        tried(*sound, number, tmp_path)
