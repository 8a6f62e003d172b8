"""What is freed goes back, where the C library can be told so."""

from __future__ import annotations

import ctypes
import os
import sys
from pathlib import Path

import pytest

from layers.memory import give_back


def resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE") / 1e6


@pytest.mark.skipif(
    not sys.platform.startswith("linux") or not hasattr(ctypes.CDLL(None), "malloc_trim"),
    reason="another C library",
)
def test_pieces_freed_below_one_that_is_held_go_back() -> None:
    libc = ctypes.CDLL(None)
    libc.malloc.restype = ctypes.c_void_p
    libc.malloc.argtypes = [ctypes.c_size_t]
    libc.free.argtypes = [ctypes.c_void_p]
    before = resident_mb()
    pieces = [libc.malloc(64_000) for _ in range(1_000)]  # too small for pages of their own
    for piece in pieces:
        ctypes.memset(piece, 1, 64_000)
    assert resident_mb() > before + 50
    for piece in pieces[:-1]:  # the last one holds the heap's end in place
        libc.free(piece)
    assert resident_mb() > before + 50
    give_back()
    assert resident_mb() < before + 20
    libc.free(pieces[-1])


def test_another_library_is_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda _: object())
    give_back()
