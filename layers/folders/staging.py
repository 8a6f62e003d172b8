"""A folder filled whole or not at all, by one writer at a time.

Each run fills a folder of its own beside the place, under a lock of its own, so that what a dead
run left is known for that. Once it is complete the writer takes the place's lock, writes a journal
(the point of no return) and moves the files; whoever comes next finishes a move that was cut.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from layers.errors import AssessmentFolderError
from layers.files.geopackage import beside
from layers.folders.lock import Lock, NoLocksError, one_writer, try_lock
from layers.folders.run_file import (
    AGAIN,
    RUN_FILE,
    file_sha256,
    is_plain,
    run_of,
    run_text,
    same_data,
    with_files,
)
from layers.outputs.run import Run

_RUN_OF_ITS_OWN: Final = re.compile(r"\.\d+-[0-9a-f]{8}(\.lock)?")
_OLD_S: Final = 7 * 24 * 3600  # a staging folder of version 0.1, which held no lock


@contextmanager
def staging(out: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """An empty folder beside ``out`` to fill; put in place when the block ends without an error.

    Cut before the journal is written, ``out`` is as it was; cut after it, the next start moves the
    rest into place. Files in ``out`` that the last assessment did not write are left alone. Two at
    once fill a folder each; the second puts its files in place after the first.

    Raises
    ------
    AssessmentFolderError
        If ``out`` is a file, or holds an assessment and ``overwrite`` is False, or cannot be
        written, or another run is putting files in place and does not end.
    """
    out = Path(out).absolute()
    with _text(out):
        out.parent.mkdir(parents=True, exist_ok=True)
        _ready(out, overwrite=overwrite)
        with _own_folder(out) as stage:
            yield stage
            files = sorted(p.relative_to(stage).as_posix() for p in stage.rglob("*") if p.is_file())
            path = stage / RUN_FILE
            run = json.loads(path.read_text("utf-8")) if path.exists() else {}
            path.write_text(run_text(with_files(run, stage, files)), "utf-8")
            with one_writer(lock_path(out), of=out):
                _ready(out, overwrite=overwrite, is_writer=True)  # another may have been first
                old = []
                with suppress(AssessmentFolderError):  # a damaged list names none to remove
                    old = list(run_of(out).get("files", {}))
                _put_in_place(stage, out, sorted({*files, RUN_FILE}), old)


def add_files(
    folder: str | Path,
    pages: Mapping[str, str | bytes],
    *,
    drawn_from: Run | None = None,
) -> list[Path]:
    """Write pages into a finished folder, all or none, and list them in `run.json`.

    Parameters
    ----------
    drawn_from
        The run of the assessment the pages show; they are refused where another one stands in the
        folder by now. None for pages that show none.

    Raises
    ------
    AssessmentFolderError
        If the folder holds no assessment, or another one by now, or cannot be written.
    """
    folder = Path(folder)
    out = folder.absolute()
    with _text(out):
        _must_hold_one(out)
        with _own_folder(out) as stage:
            for name, content in pages.items():
                (stage / name).parent.mkdir(parents=True, exist_ok=True)
                (stage / name).write_bytes(
                    content if isinstance(content, bytes) else content.encode("utf-8")
                )
            hashes = {name: file_sha256(stage / name) for name in pages}
            with one_writer(lock_path(out), of=out):
                _finish_cut(out)
                _must_hold_one(out)
                run = run_of(out)
                if drawn_from is not None and not same_data(Run.of(run), drawn_from):
                    raise AssessmentFolderError(
                        "another assessment was written there meanwhile; nothing was added",
                        where=str(folder),
                        hint="run the same command again, for the new assessment",
                    )
                run["files"] = run.get("files", {}) | hashes
                (stage / RUN_FILE).write_text(run_text(run), "utf-8")
                _put_in_place(stage, out, sorted({*pages, RUN_FILE}), [])
    return [folder / name for name in pages]


def finish_cut(folder: Path) -> None:
    """Finish what a writer that was cut left to do; wait for one that is at it.

    Raises
    ------
    AssessmentFolderError
        When that is not possible: why, and what to do.
    """
    out = folder.absolute()
    if _journal_path(out).exists():
        with _text(out), one_writer(lock_path(out), of=out):
            _finish_cut(out)


def lock_path(out: Path) -> Path:
    """The file whose lock a writer of ``out`` holds."""
    return out.parent / f".{out.name}.lock"


def _must_hold_one(out: Path) -> None:
    if not (out / RUN_FILE).exists() and not _journal_path(out).exists():
        raise AssessmentFolderError(
            "there is no assessment here", where=str(out), hint="run 'rillmark assess' first"
        )


def _ready(out: Path, *, overwrite: bool, is_writer: bool = False) -> None:
    """Finish what was cut, and refuse a place that may not be written to."""
    if is_writer:
        try:
            _finish_cut(out)
        except AssessmentFolderError:
            if not overwrite:
                raise
            _journal_path(out).unlink(missing_ok=True)  # all it would have moved is made anew
    else:
        with suppress(AssessmentFolderError) if overwrite else nullcontext():
            finish_cut(out)
    if out.exists() and not out.is_dir():
        raise AssessmentFolderError(
            "the folder for the assessment is a file", where=str(out), hint="name a folder"
        )
    if not overwrite and (out / RUN_FILE).exists():
        raise AssessmentFolderError(
            "an assessment is already there",
            where=str(out),
            hint="use --overwrite to replace its files, or name another folder",
        )


@contextmanager
def _text(out: Path) -> Iterator[None]:
    """The system's refusals as one clear message."""
    try:
        yield
    except OSError as error:
        raise AssessmentFolderError(
            f"cannot write the assessment: {error.strerror or error}",
            where=str(error.filename or out),
            hint="free disk space, close programs that have the file open, or name another folder",
        ) from error


# --------------------------------------------------------------------------- folders of each run


@contextmanager
def _own_folder(out: Path) -> Iterator[Path]:
    """An empty folder of this run; gone afterwards, unless a journal has it moved later."""
    _sweep(out)
    stage = out.parent / f"{_stage_start(out)}.{os.getpid()}-{secrets.token_hex(4)}"
    lock: Lock | None = None
    with suppress(NoLocksError):  # then nothing of it is ever swept
        lock = try_lock(_lock_of(stage))
    try:
        stage.mkdir()
        yield stage
    finally:
        if not _is_pledged(out, stage):
            shutil.rmtree(stage, ignore_errors=True)
        if lock is not None:
            lock.release()
        _sweep(out)  # what a damaged journal, now replaced, still named


def _stage_start(out: Path) -> str:
    return f".{out.name}.staging"


def _lock_of(stage: Path) -> Path:
    return stage.with_name(f"{stage.name}.lock")


def _is_pledged(out: Path, stage: Path) -> bool:
    try:
        return stage.name.rpartition(".")[2].encode() in _journal_path(out).read_bytes()
    except OSError:
        return False


def _sweep(out: Path) -> None:
    """Remove the folders of runs that are gone: those whose lock nobody holds."""
    if _journal_path(out).exists():
        return
    start = _stage_start(out)
    for path in out.parent.iterdir():
        if not path.name.startswith(start):
            continue
        with suppress(OSError, NoLocksError):
            if path.name == start:
                newest = max(p.stat().st_mtime for p in (path, *path.rglob("*")))
                if time.time() - newest > _OLD_S:
                    shutil.rmtree(path, ignore_errors=True)
            elif _RUN_OF_ITS_OWN.fullmatch(path.name, len(start)):
                stage = path.with_name(path.name.removesuffix(".lock"))
                if (lock := try_lock(_lock_of(stage))) is not None:
                    if not _is_pledged(out, stage):  # it may have died just after its journal
                        shutil.rmtree(stage, ignore_errors=True)
                    lock.release()


# ------------------------------------------------------------------------- the journal, the moves


@dataclass(frozen=True)
class _Plan:
    stage: Path
    files: tuple[str, ...]  # to move from the stage
    old: tuple[str, ...]  # to remove, where they are not among them


def _journal_path(out: Path) -> Path:
    return out.parent / f".{out.name}.replacing.json"


def _put_in_place(stage: Path, out: Path, files: Sequence[str], old: Sequence[str]) -> None:
    """Move a complete stage's files; the lock is held."""
    for name in files:
        _on_disk(stage / name)
    if not out.exists():
        stage.rename(out)
        _settle(out.parent)
        return
    plan = {"stage": stage.name, "files": list(files), "old": [n for n in old if is_plain(n)]}
    staged = stage / _journal_path(out).name
    staged.write_text(json.dumps(plan | {"check": _check(plan)}), "utf-8")
    _on_disk(staged)
    staged.replace(_journal_path(out))
    _settle(out.parent)
    _finish_cut(out)


def _check(plan: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(plan, sort_keys=True).encode()).hexdigest()


def _finish_cut(out: Path) -> None:
    """Do what the journal says, if there is one; the lock is held."""
    journal = _journal_path(out)
    if not journal.exists():
        return
    plan = _plan(out, journal)
    for name in plan.files:
        if (plan.stage / name).is_file():
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            for left in beside(out / name) if name.endswith(".gpkg") else ():
                left.unlink(missing_ok=True)  # else the old one's changes get into the new one
            (plan.stage / name).replace(out / name)
    for name in plan.old:
        if name not in plan.files and _is_inside(out, name):
            (out / name).unlink(missing_ok=True)
    _settle(out)
    journal.unlink()
    _settle(out.parent)
    shutil.rmtree(plan.stage, ignore_errors=True)


def _plan(out: Path, journal: Path) -> _Plan:
    """What the journal says, once it is sure that it says so."""
    if not journal.is_file():
        raise _damaged(out, journal)
    try:
        plan = json.loads(journal.read_text("utf-8"))
    except (ValueError, RecursionError) as error:
        raise _damaged(out, journal) from error
    keys = set(plan) if isinstance(plan, dict) else set()
    if keys == {"stage", "files", "old", "check"}:
        is_sound = plan.pop("check") == _check(plan)
    else:  # that of version 0.1 had no check
        is_sound = keys == {"files", "old"}
        plan = plan | {"stage": _stage_start(out)} if is_sound else {}
    if not is_sound or not _is_of(out, plan):
        raise _damaged(out, journal)
    stage = out.parent / plan["stage"]
    staged = {p.relative_to(stage).as_posix() for p in stage.rglob("*") if p.is_file()}
    if not staged <= set(plan["files"]):
        raise _damaged(out, journal)
    return _Plan(stage, tuple(plan["files"]), tuple(plan["old"]))


def _is_of(out: Path, plan: Mapping[str, Any]) -> bool:
    """Whether a plan moves and removes nothing outside the folder."""
    stage, start = plan["stage"], _stage_start(out)
    lists = (plan["files"], plan["old"])
    return (
        isinstance(stage, str)
        and (stage == start or _RUN_OF_ITS_OWN.fullmatch(stage.removeprefix(start)) is not None)
        and all(
            isinstance(names, list) and all(isinstance(n, str) and is_plain(n) for n in names)
            for names in lists
        )
        and all(_is_inside(out, name) for name in plan["files"])
    )


def _damaged(out: Path, journal: Path) -> AssessmentFolderError:
    return AssessmentFolderError(
        f"a change to {out.name} was interrupted, and the note for finishing it is damaged",
        where=str(journal),
        hint=f"{AGAIN}, which writes every file again. To keep the present files, delete that"
        " note; an incomplete folder is refused when it is read",
    )


def _is_inside(folder: Path, name: str) -> bool:
    return (folder / name).resolve().is_relative_to(folder.resolve())


def _on_disk(path: Path) -> None:
    descriptor = os.open(path, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _settle(folder: Path) -> None:
    """Make sure that renames are on the disk; where a drive cannot do that, it does so itself."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
