"""A folder and a database keep the same records: every test runs on both.

The database is Debian's PostgreSQL, started on loopback in a folder of its own. Where it is not
installed these tests are skipped, unless RILLMARK_REQUIRE_POSTGRES=1 turns that into a failure.
"""

from __future__ import annotations

import base64
import datetime as dt
import os
import shutil
import socket
import subprocess
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from layers.errors import RecordError
from layers.records import DayFile, write_day_file
from layers.records.disposal import due_for_disposal
from layers.records.photos import photos
from layers.records.settings import RecordsSection
from layers.records.stores import ADDRESS_IN, FolderStore, open_store

COUNTY = "Larkmoor County"
NOW = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else None


@pytest.fixture(scope="session")
def server():
    """The address of a server of its own, without the name of a database."""
    programs = _programs()
    try:
        import psycopg  # noqa: F401
    except ImportError:
        programs = None
    if programs is None:
        if os.environ.get("RILLMARK_REQUIRE_POSTGRES") == "1":
            pytest.fail("PostgreSQL or its driver is not installed")
        pytest.skip("PostgreSQL or its driver is not installed: records in a database not tested")
    folder = Path(tempfile.mkdtemp(prefix="rillmark_postgres_"))
    as_user: list[str] = []
    if os.geteuid() == 0:  # the server refuses to run as root
        shutil.chown(folder, "postgres")
        as_user = ["runuser", "-u", "postgres", "--"]
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]

    def run(*command: str) -> None:
        done = subprocess.run(
            [*as_user, *command], cwd=folder, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr

    data = str(folder / "data")
    run(str(programs / "initdb"), "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8",
        "--locale=C", "-N")  # fmt: skip
    options = f"-c listen_addresses=127.0.0.1 -p {port} -c unix_socket_directories= -c fsync=off"
    run(str(programs / "pg_ctl"), "-D", data, "-w", "-o", options, "-l", f"{data}.log", "start")
    yield f"host=127.0.0.1 port={port} user=tester"
    run(str(programs / "pg_ctl"), "-D", data, "-m", "immediate", "stop")
    shutil.rmtree(folder)


@pytest.fixture(params=["folder", "database"])
def store(request, tmp_path):
    if request.param == "folder":
        return FolderStore(tmp_path / "records", index=tmp_path / "index.sqlite")
    server = request.getfixturevalue("server")
    import psycopg

    from layers.records.database import DatabaseStore

    name = f"t{abs(hash(request.node.nodeid)) % 10**12}"
    with psycopg.connect(f"{server} dbname=postgres", autocommit=True) as connection:
        connection.execute(f"drop database if exists {name}")
        connection.execute(f"create database {name}")
    return DatabaseStore(f"{server} dbname={name}")


def put(store, content):
    return store.add(content, where="f", county=COUNTY)


def test_the_same_file_twice_changes_nothing(store, a_visit, a_day):
    content = a_day(a_visit(1), a_visit(2, note="é ﷽ ' \" \\ %s"))
    assert put(store, content).is_new
    before = store.hashes()
    assert not put(store, content).is_new
    assert store.hashes() == before
    assert [content for _, content in store.day_files()] == [content]
    assert [r.record_id for r in store.read().records] == ["r0001", "r0002"]
    assert store.read().records[1].note == "é ﷽ ' \" \\ %s"


def test_a_damaged_file_and_one_of_another_county_are_refused(store, a_visit, a_day):
    with pytest.raises(RecordError, match=r"damaged|cut short"):
        put(store, a_day(a_visit())[:-5])
    with pytest.raises(RecordError, match="Elsewhere"):
        store.add(a_day(a_visit()), where="f", county="Elsewhere County")
    assert store.hashes() == {}


def test_two_contents_under_one_id_are_told(store, a_visit, a_day):
    put(store, a_day(a_visit(1, note="a")))
    put(store, a_day(a_visit(1, note="b")))
    found = store.read()
    assert len(found.records) == 1
    assert "other content" in found.set_aside[0].reason


def test_photos_stay_in_the_day_file(store, a_visit, a_day):
    put(store, a_day(a_visit(1, photos=[{"name": "p", "jpeg": "AAAA"}])))
    assert store.read().records[0].photos == ()
    assert b"AAAA" in next(store.day_files())[1]


def test_photos_are_given_back_once_and_whole(store, a_visit, a_day):
    # the smallest that a JPEG's segments can say; the picture itself does not matter here
    held = [b"\xff\xd8\xff\xc0\x00\x02\xff\xda\x00\x02%c\xff\xd9" % n for n in (1, 2)]
    pictures = [{"name": "p", "jpeg": base64.b64encode(jpeg).decode()} for jpeg in held]
    put(store, a_day(a_visit(1, photos=pictures), a_visit(2, photos=pictures[:1])))
    put(store, a_day(a_visit(1, photos=pictures), a_visit(3)))  # a later export of the day
    got = list(photos(store, {"r0001", "r0003"}))
    assert [(p.record_id, p.number, p.jpeg) for p in got] == [
        ("r0001", 1, held[0]), ("r0001", 2, held[1]),
    ]  # fmt: skip


def test_disposal_keeps_a_line_of_a_later_version(store, a_visit, a_day):
    old, other = a_visit(1, day=dt.date(2010, 1, 1)), b'{"kind":"of a later version"}'
    day = DayFile(COUNTY, dt.date(2026, 4, 3), "Inspector 1", (old,), (), (other,))
    put(store, write_day_file(day))
    gone = due_for_disposal(store.read().records, {"visit": 7}, today=NOW.date())
    store.dispose(gone, by="Office", authority="schedule 12", at=NOW)
    ((_, content),) = store.day_files()
    assert other in content
    assert b"r0001" not in content
    assert store.disposed() == {"r0001"}
    assert len(store.read().set_aside) == 1


def test_many_at_once_lose_nothing(store, a_visit, a_day):
    days = [a_day(a_visit(n), by=f"Inspector {n % 4}") for n in range(1, 41)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda content: put(store, content), days * 2))
    assert len(store.read().records) == 40
    assert len(store.hashes()) == 40


def test_disposal_takes_what_is_old_and_nothing_else(store, a_visit, a_day):
    content = a_day(a_visit(1, day=dt.date(2010, 1, 1)), a_visit(2))
    put(store, content)
    gone = due_for_disposal(store.read().records, {"visit": 7}, today=NOW.date())
    with pytest.raises(RecordError, match="allows"):
        store.dispose(gone, by="Office", authority=" ", at=NOW)
    assert store.dispose(gone, by="Office", authority="schedule 12", at=NOW) == 1
    assert [r.record_id for r in store.read().records] == ["r0002"]
    assert all(b"r0001" not in content for _, content in store.day_files())
    put(store, content)  # an old copy
    assert [r.record_id for r in store.read().records] == ["r0002"]
    assert store.dispose([], by="Office", authority="schedule 12", at=NOW) == 1
    assert all(b"r0001" not in content for _, content in store.day_files())


def test_a_database_that_does_not_answer_is_one_message(server, monkeypatch, tmp_path):
    monkeypatch.setenv(ADDRESS_IN, f"{server} dbname=nobody_made_this")
    with pytest.raises(RecordError, match="cannot be used"):
        open_store(None, tmp_path)


def test_the_environment_comes_before_the_county_file(server, monkeypatch, tmp_path):
    from layers.records.database import DatabaseStore

    monkeypatch.setenv(ADDRESS_IN, f"{server} dbname=postgres")
    assert isinstance(open_store(RecordsSection(path="records"), tmp_path), DatabaseStore)
    monkeypatch.delenv(ADDRESS_IN)
    assert isinstance(open_store(RecordsSection(path="records"), tmp_path), FolderStore)
    with pytest.raises(RecordError, match="no place"):
        open_store(None, tmp_path)


def test_the_address_of_a_database_never_gets_into_what_settings_are_told():
    section = RecordsSection(database="postgresql://kim:s3cret@db/records")
    assert "s3cret" not in section.model_dump_json()
    assert section.database.endswith("@db/records")
