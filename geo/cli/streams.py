"""Standard streams that may be closed or end early: who stops listening changes nothing."""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

_NOBODY_LISTENS: Final = (errno.EPIPE, errno.ESHUTDOWN)


class _Pipe(io.FileIO):
    """A stream's end: what nobody reads any more is dropped, so that the work goes on."""

    def write(self, data: Any) -> int:
        """Write bytes; all count as written when the other end is closed."""
        try:
            return super().write(data) or 0
        except OSError as error:
            # Windows says of a closed pipe that the argument is invalid
            if error.errno in _NOBODY_LISTENS or (os.name == "nt" and error.errno == errno.EINVAL):
                return len(memoryview(data).cast("B"))
            raise


def make_ready() -> None:
    """Prepare the three standard streams of this process.

    A closed one is opened to nowhere, or the next file that is written would take its number and
    messages would land in it. Pipes are read as long as somebody does: a command whose reader has
    had enough does the rest of its work, and ends with the status it would have had.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
    for number, name in ((1, "stdout"), (2, "stderr")):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, _text_stream(number, "utf-8", "backslashreplace"))
        elif _is_plain_pipe(stream, number):
            stream.flush()
            setattr(sys, name, _text_stream(number, stream.encoding, stream.errors))


@contextmanager
def written_out() -> Iterator[None]:
    """Write out what was said inside the block; what a full disk does not take is dropped.

    Raises
    ------
    OSError
        Where a stream cannot be written to for another reason than that nobody reads it.
    """
    try:
        yield
    finally:
        for stream in (sys.stdout, sys.stderr):
            try:
                stream.flush()
            except OSError:
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, stream.fileno())  # so that it is not tried once more at the end
                os.close(nowhere)
                raise


def _is_plain_pipe(stream: Any, number: int) -> bool:
    """Whether it is the process's own stream, and no terminal: tests put others in its place."""
    try:
        return bool(stream.fileno() == number and not stream.isatty())
    except (AttributeError, OSError, ValueError):
        return False


def _text_stream(number: int, encoding: str, errors: str | None) -> io.TextIOWrapper:
    pipe = io.BufferedWriter(_Pipe(number, "w", closefd=False))
    return io.TextIOWrapper(pipe, encoding, errors, line_buffering=number == 2)
