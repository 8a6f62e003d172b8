"""What is freed goes back, where the C library can be told so."""

from __future__ import annotations

import ctypes
import subprocess
import sys

import pytest

from layers.files.memory import give_back

# In a process of its own, so that nothing freed before decides where pieces lie.
HELD_AT_THE_END = """
import ctypes, os
from pathlib import Path
from layers.files.memory import give_back

def resident_mb():
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGESIZE") / 1e6

libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.malloc.argtypes = [ctypes.c_size_t]
libc.free.argtypes = [ctypes.c_void_p]
before = resident_mb()
pieces = [libc.malloc(64_000) for _ in range(1_000)]  # too small for pages of their own
for piece in pieces:
    ctypes.memset(piece, 1, 64_000)
full = resident_mb()
for piece in pieces[:-1]:  # the last one holds the end of the heap in place
    libc.free(piece)
kept = resident_mb()
give_back()
print(full - before, kept - before, resident_mb() - before)
"""


@pytest.mark.skipif(
    not sys.platform.startswith("linux") or not hasattr(ctypes.CDLL(None), "malloc_trim"),
    reason="another C library",
)
def test_pieces_freed_below_one_that_is_held_go_back() -> None:
    done = subprocess.run(
        [sys.executable, "-c", HELD_AT_THE_END], check=True, capture_output=True, text=True
    )
    full, kept, left = map(float, done.stdout.split())
    assert full > 50
    assert kept > 50
    assert left < 20


def test_another_library_is_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda _: object())
    give_back()
