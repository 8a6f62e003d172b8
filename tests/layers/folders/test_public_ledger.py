"""The file that keeps what was given out: read whole, or one message; never taken for none."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from layers.errors import CountyFileError, PublicLedgerError
from layers.folders.public_ledger import (
    LEDGER,
    Cell,
    Edition,
    PublicLedger,
    add_edition,
    ledger_path,
    public_section_on_record,
    read_ledger,
)
from layers.outputs.run import Run
from layers.settings.county_file import CountyFile, PublicSection
from layers.settings.settings_file import load_model

NAME = "Larkmoor County (invented)"


def edition(as_of: str, units: int = 40) -> Edition:
    cell = Cell(box=(430, 4760, 431, 4761), units=units, first=1, wet=None)
    return Edition(
        as_of=as_of, made_from=as_of, crs="EPSG:32616", cells=(cell,), shown=("first",),
        counts={"units": units, "area:Fennel Branch": 15},
    )  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    add_edition(read_ledger(tmp_path / LEDGER, NAME), edition("2026-04-01"))
    return tmp_path / LEDGER


def test_editions_come_back_as_they_were_given_out_oldest_first(path: Path) -> None:
    ledger = read_ledger(path, NAME)
    assert ledger.editions == (edition("2026-04-01"),)
    later = add_edition(ledger, edition("2026-10-01", 45))
    assert read_ledger(path, NAME) == later
    assert [e.as_of for e in later.editions] == ["2026-04-01", "2026-10-01"]
    assert sorted(p.name for p in path.parent.iterdir()) == [LEDGER]
    assert "Staff only" in json.loads(path.read_text("utf-8"))["note"]


def test_where_there_is_no_file_nothing_was_given_out(tmp_path: Path) -> None:
    assert read_ledger(tmp_path / LEDGER, NAME) == PublicLedger(tmp_path / LEDGER, NAME)


def test_cut_at_any_byte_or_changed_anywhere_it_is_one_message(path: Path) -> None:
    whole = path.read_bytes()
    cut = [whole[:n] for n in range(len(whole) - 1)]  # its last byte ends a line, no more
    changed = []
    for n, byte in enumerate(whole):
        for other in (byte ^ 1, byte ^ 16, 0):
            content = whole[:n] + bytes([other]) + whole[n + 1 :]
            if other != byte and not bytes([byte, other]).isspace():
                changed.append(content)
    assert len(cut) + len(changed) > 2_500
    read = sum(_is_read(path, content) for content in [*cut, *changed])
    assert read < 20


def _is_read(path: Path, content: bytes) -> bool:
    """Whether a file is taken; it must say what it said: only its layout was touched."""
    path.write_bytes(content)
    try:
        ledger = read_ledger(path, NAME)
    except PublicLedgerError as error:
        return error.where != str(path)  # every refusal names the file
    return ledger.editions == (edition("2026-04-01"),)


@pytest.mark.parametrize("content", [
    b"", b"{}", b"[]", b"null", b"1", b"\xff\xfe", b"[" * 100_000, b'{"public_edition": 1}',
    b'{"public_edition": true, "editions": []}', b'{"a":' * 50_000,
])  # fmt: skip
def test_what_is_no_ledger_is_never_a_first_edition(tmp_path: Path, content: bytes) -> None:
    (tmp_path / LEDGER).write_bytes(content)
    with pytest.raises(PublicLedgerError, match=r"(?s)is damaged.*Fix: .*backup"):
        read_ledger(tmp_path / LEDGER, NAME)


def test_a_folder_a_dead_link_and_a_missing_drive_are_no_first_edition(tmp_path: Path) -> None:
    (tmp_path / "as_folder").mkdir()
    (tmp_path / "as_link").symlink_to(tmp_path / "gone")
    for name in ("as_folder", "as_link"):
        with pytest.raises(PublicLedgerError, match="not a regular file"):
            read_ledger(tmp_path / name, NAME)
    with pytest.raises(
        PublicLedgerError, match="folder with the record of public editions does not"
    ):
        read_ledger(tmp_path / "drive" / LEDGER, NAME)


def test_another_county_and_a_newer_version_are_said(path: Path) -> None:
    with pytest.raises(PublicLedgerError, match="is for 'Larkmoor"):
        read_ledger(path, "Fenmoor (invented)")
    newer = json.loads(path.read_text("utf-8")) | {"public_edition": 2, "more": 1}
    path.write_text(json.dumps(newer), "utf-8")
    with pytest.raises(PublicLedgerError, match="a newer Rillmark"):
        read_ledger(path, NAME)


def test_two_editions_at_the_same_time_lose_neither(path: Path) -> None:
    one, other = read_ledger(path, NAME), read_ledger(path, NAME)
    add_edition(one, edition("2026-10-01"))
    with pytest.raises(PublicLedgerError, match="at the same time"):
        add_edition(other, edition("2026-10-02"))
    assert [e.as_of for e in read_ledger(path, NAME).editions] == ["2026-04-01", "2026-10-01"]
    path.unlink()
    with pytest.raises(PublicLedgerError, match="at the same time"):
        add_edition(other, edition("2026-10-02"))


def test_it_lies_beside_the_assessment_or_where_the_county_file_says(tmp_path: Path) -> None:
    folder = tmp_path / "spring"
    assert ledger_path(folder, PublicSection()) == tmp_path / LEDGER
    assert ledger_path(folder, PublicSection(last_edition="/kept/here.json")) == Path(
        "/kept/here.json"
    )


@pytest.mark.parametrize(("wording", "fault"), [
    ("least_change = 2", "public.least_change"), ("least_change = 11", "must be less than"),
    ("least_units = 4", "public.least_units"), ("least = 11", "there is no such key"),
    ('last_edition = ""', "public.last_edition"),
])  # fmt: skip
def test_settings_that_would_hold_nothing_are_refused(
    tmp_path: Path, wording: str, fault: str
) -> None:
    text = f'[county]\nname = "x"\n[layers.units]\npath = "u.csv"\n[public]\n{wording}\n'
    (tmp_path / "county.toml").write_text(text, "utf-8")
    with pytest.raises(CountyFileError, match=re.escape(fault)):
        load_model(tmp_path / "county.toml", CountyFile)


def test_settings_of_a_run_are_checked_anew() -> None:
    assert public_section_on_record(Run()) == PublicSection()
    run = Run(settings={"public": {"least_change": 7}})
    assert public_section_on_record(run).least_change == 7
    with pytest.raises(PublicLedgerError, match=r"in run\.json"):
        public_section_on_record(Run(settings={"public": {"least_change": 0}}))
