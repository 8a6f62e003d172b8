"""What a test of the record page waits for."""

from __future__ import annotations

from typing import Any

_WORDS = "await keeping.queue(() => null);"
_BOTH = "const { sealed } = keeping.written(); if (sealed) await sealed.first;"


def until_kept(page: Any, *, both: bool = True) -> None:
    """Until the page has kept all that was typed so far: in both stores, or in the second alone."""
    page.evaluate(f"(async () => {{ {_WORDS} {_BOTH if both else ''} }})()")
