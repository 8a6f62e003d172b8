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
import zlib
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import pytest

from layers.errors import RecordError
from layers.records import parse_day_file
from layers.records.database import DatabaseStore
from layers.records.day_file import day_file_name
from layers.records.disposal import due_for_disposal
from layers.records.index import CHANGED, GONE, held_lines
from layers.records.model import content_hash
from layers.records.photos import photos
from layers.records.stores import ADDRESS_IN, FolderStore, open_store
from layers.settings.county_file import RecordsSection

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

    name = f"t{zlib.crc32(request.node.nodeid.encode())}"
    with psycopg.connect(f"{server} dbname=postgres", autocommit=True) as connection:
        connection.execute(f"drop database if exists {name}")
        connection.execute(f"create database {name}")
    made = DatabaseStore(f"{server} dbname={name}")
    made.prepare()
    return made


def put(store, content):
    return store.add(content, where="f", county=COUNTY)


def test_the_same_file_twice_changes_nothing(store, a_visit, a_day):
    content = a_day(a_visit(1), a_visit(2, note="é ﷽ ' \" \\ %s"))
    assert put(store, content).is_new
    before = store.read().hashes
    assert not put(store, content).is_new
    assert store.read().hashes == before
    assert [content for _, content in store.day_files()] == [content]
    assert [r.record_id for r in store.read().records] == ["r0001", "r0002"]
    assert store.read().records[1].note == "é ﷽ ' \" \\ %s"


def test_a_damaged_file_and_one_of_another_county_are_refused(store, a_visit, a_day):
    with pytest.raises(RecordError, match=r"damaged|incomplete"):
        put(store, a_day(a_visit())[:-5])
    with pytest.raises(RecordError, match="Elsewhere"):
        store.add(a_day(a_visit()), where="f", county="Elsewhere County")
    assert store.read().hashes == {}


def test_two_contents_under_one_id_are_told(store, a_visit, a_day):
    put(store, a_day(a_visit(1, note="a")))
    put(store, a_day(a_visit(1, note="b")))
    found = store.read()
    assert {r.note for r in found.records} == {"a", "b"}
    assert len(found.in_force().disputed) == 1


def test_what_one_place_accepts_the_other_does(store, a_visit, a_day):
    odd = a_day(a_visit(1, note="AXB")).replace(b"AXB", b"A\\u0000B")
    body, _, _ = odd.removesuffix(b"\n").rpartition(b"\n")
    body += b"\n"
    odd = body + f'{{"crc32":"{zlib.crc32(body):08x}","records":1}}\n'.encode()
    put(store, odd)
    assert store.read().records[0].note == "AB"
    assert next(store.day_files())[1] == odd


def test_a_day_file_that_is_gone_is_missed_and_can_be_given_up(store, a_visit, a_day):
    put(store, a_day(a_visit(1)))
    added = put(store, a_day(a_visit(2), by="Inspector 2"))
    if isinstance(store, FolderStore):
        added.path.unlink()
    else:
        with store._transaction() as cursor:
            cursor.execute("delete from day_files where name = %s", (added.path.name,))
    found = store.read()
    assert [r.record_id for r in found.records] == ["r0001"]
    assert [(a.file, a.code) for a in found.set_aside] == [(added.path.name, GONE)]
    store.give_up(added.path.name, by="Office", reason="drive broke", at=NOW)
    assert store.read().set_aside == ()
    put(store, a_day(a_visit(2), by="Inspector 2"))  # it is found
    assert len(store.read().records) == 2
    if isinstance(store, FolderStore):
        added.path.unlink()
    else:
        with store._transaction() as cursor:
            cursor.execute("delete from day_files where name = %s", (added.path.name,))
    assert [a.code for a in store.read().set_aside] == [GONE]  # and missed again


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
    head, line, _, _ = a_day(old).split(b"\n")
    body = b"\n".join([head, line, other, b""])
    put(store, body + f'{{"crc32":"{zlib.crc32(body):08x}","records":2}}\n'.encode())
    disposed_now(store)
    ((_, content),) = store.day_files()
    assert other in content
    assert b"r0001" not in content
    assert store.read().disposed == {("r0001", content_hash(old))}
    assert len(store.read().set_aside) == 1


def disposed_now(store, authority="schedule 12"):
    keep = {"visit": 7}
    gone = due_for_disposal(store.read().filed, keep, today=NOW.date())
    return store.dispose(gone, keep, by="Office", authority=authority, at=NOW)


def test_many_at_once_lose_nothing(store, a_visit, a_day):
    days = [a_day(a_visit(n), by=f"Inspector {n % 4}") for n in range(1, 41)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda content: put(store, content), days * 2))
    assert len(store.read().records) == 40
    assert len(store.read().hashes) == 40


def test_disposal_takes_what_is_old_and_nothing_else(store, a_visit, a_day):
    content = a_day(a_visit(1, day=dt.date(2010, 1, 1)), a_visit(2))
    put(store, content)
    with pytest.raises(RecordError, match="allows"):
        disposed_now(store, authority=" ")
    assert disposed_now(store) == (1, 1)
    assert [r.record_id for r in store.read().records] == ["r0002"]
    assert all(b"r0001" not in content for _, content in store.day_files())
    put(store, content)  # an old copy counts until the next disposal
    assert [r.record_id for r in store.read().records] == ["r0001", "r0002"]
    assert disposed_now(store) == (1, 1)
    assert all(b"r0001" not in content for _, content in store.day_files())
    assert store.read().set_aside == ()


@pytest.fixture
def roles(server, store):
    """The address of a prepared database for roles that may read, add, dispose, and nothing."""
    import psycopg

    names = ("reader", "adder", "disposer", "stranger")
    with psycopg.connect(f"{server} dbname=postgres", autocommit=True) as connection:
        for name in names:
            with suppress(psycopg.errors.DuplicateObject):
                connection.execute(f"create role {name} login")
    store.prepare(readers=["reader"], adders=["adder"], disposers=["disposer"])
    address = store._address.replace("user=tester", "")
    return {name: DatabaseStore(f"{address} user={name}") for name in names}


@pytest.mark.parametrize("store", ["database"], indirect=True)
def test_each_role_may_do_what_it_may_and_no_more(store, roles, a_visit, a_day):
    put(roles["adder"], a_day(a_visit(1, day=dt.date(2010, 1, 1)), a_visit(2)))
    for name in ("reader", "adder", "disposer"):
        assert len(roles[name].read().records) == 2
    with pytest.raises(RecordError, match="permission"):
        roles["stranger"].read()
    with pytest.raises(RecordError, match="permission") as refused:
        put(roles["reader"], a_day(a_visit(3)))
    assert "--may-add" in refused.value.hint
    for name in ("reader", "adder"):
        with pytest.raises(RecordError, match="permission"):
            disposed_now(roles[name])
        with pytest.raises(RecordError, match="permission"):
            roles[name].prepare()
    put(roles["disposer"], a_day(a_visit(4)))
    assert disposed_now(roles["disposer"]) == (1, 1)
    assert [r.record_id for r in roles["reader"].read().records] == ["r0002", "r0004"]
    store.prepare()  # again, without naming anybody: rights stay
    assert len(roles["reader"].read().records) == 2


@pytest.mark.parametrize("store", ["database"], indirect=True)
def test_no_role_but_the_owner_can_change_what_is_kept(store, roles, a_visit, a_day):
    put(store, a_day(a_visit(1)))
    for name in ("reader", "adder", "disposer"):
        for table in ("day_files", "known_files", "disposal_log", "disposed_files"):
            with (
                pytest.raises(RecordError, match="permission"),
                roles[name]._transaction() as cursor,
            ):
                cursor.execute(f"update {table} set at = now()" if "dispos" in table
                               else f"update {table} set name = 'x'")  # fmt: skip
    with pytest.raises(RecordError, match="permission"), roles["adder"]._transaction() as cursor:
        cursor.execute("delete from day_files")


@pytest.mark.parametrize("store", ["database"], indirect=True)
def test_rows_slipped_in_beside_the_day_files_say_nothing(store, roles, a_visit, a_day):
    added = put(store, a_day(a_visit(1)))
    with roles["adder"]._transaction() as cursor:
        cursor.execute(
            "insert into records values ('r0001', %s, 'f', '{}'), ('r9', %s, 'f', '{}')",
            (added.path.name, added.path.name),
        )
        cursor.execute("insert into day_files (name, content) values ('x_000000000000.jsonl', '')")
    found = store.read()
    assert found.records == (a_visit(1),)
    assert [a.code for a in found.set_aside] == [CHANGED]


@pytest.mark.parametrize("store", ["database"], indirect=True)
def test_rows_slipped_in_make_no_disposer_take_away_another_day_file(store, roles, a_visit, a_day):
    old = a_visit(1, day=dt.date(2010, 1, 1))
    put(store, a_day(old))
    kept = put(store, a_day(a_visit(2), by="Inspector 2"))
    with roles["adder"]._transaction() as cursor:
        cursor.execute(
            "insert into records values ('r0001', %s, %s, '{}')",
            (kept.path.name, content_hash(old)),
        )
    assert disposed_now(roles["disposer"]) == (1, 1)
    found = store.read()
    assert found.records == (a_visit(2),)
    assert found.set_aside == ()


@pytest.mark.parametrize("store", ["database"], indirect=True)
def test_a_damaged_row_is_made_good_by_recording_the_file_again(store, roles, a_visit, a_day):
    content = a_day(a_visit(1))
    put(store, content)
    with store._transaction() as cursor:
        cursor.execute("update day_files set content = content || 'x'")
    assert store.read().records == ()
    assert put(roles["adder"], content).is_new
    assert store.read().records == (a_visit(1),)
    assert not put(roles["adder"], content).is_new
    assert [a.code for a in store.read().set_aside] == [CHANGED]


def test_a_database_nobody_prepared_and_one_of_version_0_1_say_so(server, a_visit, a_day):
    import psycopg

    content = a_day(a_visit(1))
    name = day_file_name(parse_day_file(content, where="f"), content)
    with psycopg.connect(f"{server} dbname=postgres", autocommit=True) as connection:
        connection.execute("drop database if exists older")
        connection.execute("create database older")
    older = DatabaseStore(f"{server} dbname=older")
    with pytest.raises(RecordError, match="not set up") as refused:
        older.read()
    assert "--prepare" in refused.value.hint
    with psycopg.connect(f"{server} dbname=older") as connection:
        connection.execute("create schema rillmark_records")
        connection.execute("set search_path to rillmark_records")
        connection.execute(
            "create table day_files (name text primary key, content bytea not null,"
            " added timestamptz not null default now());"
            "create table records (record_id text not null, file text not null references day_files"
            " on delete cascade, line jsonb not null, text text not null,"
            " primary key (record_id, file));"
            "create table set_aside (file text not null references day_files on delete cascade,"
            " reason text not null);"
            "create table disposal_log (record_id text not null, kind text not null, unit_id text"
            " not null, day date not null, done_by text not null, authority text not null,"
            " at timestamptz not null)"
        )
        connection.execute("insert into day_files (name, content) values (%s, %s)", (name, content))
    with pytest.raises(RecordError, match="of this version"):
        older.read()
    older.prepare()
    assert older.read().records == (a_visit(1),)
    with psycopg.connect(f"{server} dbname=older") as connection:
        connection.execute("update rillmark_records.version set number = 99")
    with pytest.raises(RecordError, match="newer Rillmark"):
        older.read()


def test_a_database_that_does_not_answer_is_one_message(server, monkeypatch, tmp_path):
    monkeypatch.setenv(ADDRESS_IN, f"{server} dbname=nobody_made_this")
    with pytest.raises(RecordError, match="cannot be used"):
        open_store(None, tmp_path).read()


def test_the_environment_comes_before_the_county_file(server, monkeypatch, tmp_path):
    monkeypatch.setenv(ADDRESS_IN, f"{server} dbname=postgres")
    assert isinstance(open_store(RecordsSection(path="records"), tmp_path), DatabaseStore)
    monkeypatch.delenv(ADDRESS_IN)
    assert isinstance(open_store(RecordsSection(path="records"), tmp_path), FolderStore)
    with pytest.raises(RecordError, match="no place"):
        open_store(None, tmp_path)


def test_a_fetch_that_fails_tells_nothing_of_where_the_records_are_kept(tmp_path):
    def fetch(_name):
        raise OSError("gone")

    with pytest.raises(RecordError) as refused:
        held_lines({"f": "0" * 64}, fetch, key="host=db password=s3cret", index=tmp_path / "i")
    assert "s3cret" not in str(refused.value)


def test_the_address_of_a_database_never_gets_into_what_settings_are_told():
    section = RecordsSection(database="postgresql://kim:s3cret@db/records")
    assert "s3cret" not in section.model_dump_json()
    assert section.database.endswith("@db/records")
