"""Which text a spreadsheet program may run as a formula."""

from __future__ import annotations

import unicodedata
from typing import Final

_SIGNS: Final = frozenset("=+-@\N{MINUS SIGN}")
_STARTS: Final = ("\t", "\r")
# blanks and marks that show nothing, which some programs pass over before they look for a sign
_UNSEEN: Final = ("Z", "C")


def is_like_formula(text: str) -> bool:
    r"""Whether text begins as a formula does, for the most careless reader of it.

    A sign counts (``= + - @``, the minus sign, and the wide, small or raised forms that Unicode
    holds for the same) also behind blanks, control characters, byte order marks and other marks
    that show nothing; a tab or carriage return counts by itself.

    >>> [is_like_formula(text) for text in ("=1", " -1", "\ufeff+1", "\uff1d1", "a=1", "")]
    [True, True, True, True, False, False]
    """
    if not text or (text[0].isalnum() and text[0].isascii()):
        return False
    if text.startswith(_STARTS):
        return True
    first = next((c for c in text if unicodedata.category(c)[0] not in _UNSEEN), "")
    return first != "" and unicodedata.normalize("NFKC", first)[0] in _SIGNS
