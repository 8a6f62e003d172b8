"""One writer at a time: the system's own lock on a small file, gone with the process that holds it.

The file says who holds it, for the message of whoever waits. What counts is the lock, never that
the file is there: one that a killed process leaves behind is taken over at once. On a drive that
gives no locks a file that only one process can make stands in for it.
"""

from __future__ import annotations

import datetime as dt
import errno
import getpass
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from layers.errors import AssessmentFolderError

WAIT_S: Final = 10.0  # putting files in place takes less, unless the writer hangs
_TURN_S: Final = 0.05
_OLD_S: Final = 600.0  # without locks only: no writer takes as long
_FAR: Final = 1 << 30  # the byte Windows locks: what is locked cannot be read by others
_NO_LOCKS: Final = {errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}
_MOST: Final = 300  # letters of the words on who holds it


class NoLocksError(Exception):
    """The drive gives no locks."""


@dataclass(frozen=True)
class Lock:
    """A lock that is held, with its file."""

    path: Path
    descriptor: int | None  # None where the drive gives no locks

    def release(self) -> None:
        """Let go, and take the file away."""
        with suppress(OSError):  # while it is held; on Windows an open file cannot be taken away
            self.path.unlink(missing_ok=True)
        if self.descriptor is not None:
            os.close(self.descriptor)
        if sys.platform == "win32":
            with suppress(OSError):  # another holds it by now
                self.path.unlink(missing_ok=True)


def try_lock(path: Path) -> Lock | None:
    """The lock, or None where another process holds it.

    Raises
    ------
    NoLocksError
        Where the drive gives none.
    OSError
        Where the file cannot be made.
    """
    while True:
        descriptor = _opened(path)
        try:
            held = _locked(descriptor)
            # who let go took the file away: a lock on a file without a name keeps nobody out
            current = held and _is_file_at(descriptor, path)
            if current:
                _describe_who(descriptor)
        except BaseException:
            os.close(descriptor)
            raise
        if current:
            return Lock(path, descriptor)
        os.close(descriptor)
        if not held:
            return None


@contextmanager
def one_writer(path: Path, *, of: Path, wait_s: float | None = None) -> Iterator[None]:
    """Hold the lock for the block; wait a short while for it.

    Parameters
    ----------
    path
        The lock's file; its folder must be there.
    of
        What is written, for the message.
    wait_s
        None for `WAIT_S`.

    Raises
    ------
    AssessmentFolderError
        When another process still holds it: who, since when, and how to go on.
    OSError
        Where the file cannot be made.
    """
    until = time.monotonic() + (WAIT_S if wait_s is None else wait_s)
    while (lock := _try_any(path)) is None:
        if time.monotonic() >= until:
            raise AssessmentFolderError(
                f"another run of Rillmark is writing there: {_who(path)}",
                where=str(of),
                hint=f"wait until it ends, then run the command again{_if_it_stays(path)}",
            )
        time.sleep(_TURN_S)
    try:
        yield
    finally:
        lock.release()


# ------------------------------------------------------------------------------- the system's lock


def _opened(path: Path) -> int:
    flags = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOFOLLOW", 0)
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | flags, 0o666)
    except PermissionError:  # another user's, left by a process that was killed
        return os.open(path, os.O_RDONLY | flags)


def _locked(descriptor: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(descriptor, _FAR, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            return False
        if error.errno in _NO_LOCKS:
            raise NoLocksError from error
        raise
    return True


def _is_file_at(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat(follow_symlinks=False))
    except FileNotFoundError:
        return False


def _describe_who(descriptor: int) -> None:
    try:
        user = getpass.getuser()
    except (KeyError, OSError, ImportError):
        user = "somebody"
    now = dt.datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
    command = " ".join([os.path.basename(sys.argv[0]), *sys.argv[1:2]])  # noqa: PTH119
    words = f"{user} on {socket.gethostname()}, process {os.getpid()}, since {now}: {command}"
    with suppress(OSError):  # opened for reading only
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, words[:_MOST].encode("utf-8", "replace"))


def _who(path: Path) -> str:
    for place in (path, _stand_in(path)):
        try:
            with place.open("rb") as stream:
                words = " ".join(stream.read(4 * _MOST).decode("utf-8", "replace").split())
        except OSError:
            continue
        if words:
            return "".join(c for c in words if c.isprintable())[:_MOST]
    return "user not known"


# ------------------------------------------------------------------------- where there are no locks


def _try_any(path: Path) -> Lock | None:
    try:
        return try_lock(path)
    except NoLocksError:
        with suppress(OSError):
            path.unlink(missing_ok=True)
    stand_in = _stand_in(path)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
    try:
        descriptor = os.open(stand_in, flags, 0o666)
    except FileExistsError:
        _take_away_if_old(stand_in)
        return None
    try:
        _describe_who(descriptor)
    finally:
        os.close(descriptor)
    return Lock(stand_in, None)


def _stand_in(path: Path) -> Path:
    return path.with_name(f"{path.name}ed")


def _take_away_if_old(stand_in: Path) -> None:
    """By renaming it first, which only one process can do; a fresh one is put back."""
    aside = stand_in.with_name(f"{stand_in.name}.{os.getpid()}")
    with suppress(OSError):
        if time.time() - stand_in.stat().st_mtime < _OLD_S:
            return
        stand_in.rename(aside)
        if time.time() - aside.stat().st_mtime < _OLD_S:
            aside.rename(stand_in)
        else:
            aside.unlink()


def _if_it_stays(path: Path) -> str:
    stand_in = _stand_in(path)
    if not stand_in.exists():
        return ""
    return f". This drive has no file locks. If no run is left, delete {stand_in}"
