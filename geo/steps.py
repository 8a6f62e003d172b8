"""Which step of a long computation begins, and how long each took."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager


class Steps:
    """Says which step begins and keeps how long each took.

    ``with steps("setbacks: ..."):`` tells ``progress`` the words and keeps the seconds under what
    stands before the colon.
    """

    def __init__(self, progress: Callable[[str], None] | None = None) -> None:
        self.progress = progress
        self.seconds: dict[str, float] = {}

    @contextmanager
    def __call__(self, name: str) -> Iterator[None]:
        """One step, from the words of its name until the block ends."""
        if self.progress:
            self.progress(name)
        start = time.perf_counter()
        yield
        self.seconds[name.split(":")[0]] = round(time.perf_counter() - start, 3)
