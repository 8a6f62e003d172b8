"""Real processes killed at random instants, and several at once on one folder: nothing is lost.

The long campaign (`make test-long`) kills 300; what it found stands in RELIABILITY.md.
"""

from __future__ import annotations

import random
import subprocess
import sys
import time

import pytest

from layers.records import parse_day_file
from layers.records.folder import day_files
from layers.records.index import read_records

# Imports one day file after another, reads them all by the index now and then, and says which
# file is safe only after it is.
WORKER = """
import datetime as dt, sys
from layers.records import DayFile, Visit, add_day_file, write_day_file
from layers.records.index import read_records
folder, index, who, count = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])
at = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
print("ready", flush=True)
for k in range(count):
    day = dt.date(2026, 1, 1) + dt.timedelta(days=k % 300)
    visits = tuple(
        Visit(kind="visit", record_id=f"{who}-{k}-{n}", county="L", at=at, by=who, unit_id=str(n),
              day=day, outcome="completed", note="n" * 2000)
        for n in range(20)
    )
    content = write_day_file(DayFile("L", day, who, visits))
    add_day_file(folder, content, where="f", county="L")
    print(k, flush=True)
    if k % 5 == 0:
        read_records(folder, index=index)
"""


def start(tmp_path, who, count):
    command = [sys.executable, "-c", WORKER, tmp_path / "records", tmp_path / "index.sqlite", who]
    return subprocess.Popen([*command, str(count)], stdout=subprocess.PIPE, text=True)


def safe_records(process, who):
    """Ids of the records the process said are safe before it was killed."""
    text = [line for line in process.stdout.read().splitlines() if line.isdigit()]
    return {f"{who}-{k}-{n}" for k in text for n in range(20)}


def killed_over_and_over(tmp_path, times, seed):
    chance = random.Random(seed)
    expected = set()
    for attempt in range(times):
        who = f"k{attempt}"
        process = start(tmp_path, who, 100_000)
        assert process.stdout.readline() == "ready\n"
        time.sleep(chance.uniform(0, 0.15))
        process.kill()
        process.wait()
        expected |= safe_records(process, who)
        process.stdout.close()
        for path in day_files(tmp_path / "records"):
            if f"_{who}_" in path.name:
                assert len(parse_day_file(path.read_bytes(), where=path.name).records) == 20
    found = read_records(tmp_path / "records", index=tmp_path / "index.sqlite")
    assert found.set_aside == ()
    ids = {record.record_id for record in found.records}
    assert expected <= ids
    assert len(ids) % 20 == 0  # no half day
    return len(ids), len(expected)


def test_no_record_is_lost_or_halved_by_10_kills(tmp_path):
    there, text = killed_over_and_over(tmp_path, 6, seed=1)
    assert there >= text > 0


@pytest.mark.long
def test_no_record_is_lost_or_halved_by_300_kills(tmp_path):
    there, text = killed_over_and_over(tmp_path, 300, seed=2)
    assert there >= text > 0


def test_four_processes_on_one_folder_lose_nothing(tmp_path):
    processes = {f"p{n}": start(tmp_path, f"p{n}", 25) for n in range(4)}
    expected = set()
    for who, process in processes.items():
        expected |= safe_records(process, who)
        assert process.wait() == 0
        process.stdout.close()
    assert len(expected) == 4 * 25 * 20
    found = read_records(tmp_path / "records", index=tmp_path / "index.sqlite")
    assert {record.record_id for record in found.records} == expected
    assert found.set_aside == ()
