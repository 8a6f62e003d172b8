"""Ids as parts of file names: what every system takes, and no two units in one file."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from typing import Final

LONGEST: Final = 80
# Windows takes these for devices, whatever the ending.
_DEVICES: Final = re.compile(r"(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?", re.IGNORECASE)


def file_names(unit_ids: Iterable[str]) -> dict[str, str]:
    """For each id a part of a file name: letters, digits, dot, dash and underscore.

    Ids whose names would be one, on a disk that does not tell capitals apart, wear the first
    digits of their SHA-256 too. Give all ids of the county, so that a unit's name does not hang
    on who else is asked for.
    """
    plain = {unit_id: _plain(unit_id) for unit_id in unit_ids}
    count = Counter(name.casefold() for name in plain.values())
    return {
        unit_id: name if count[name.casefold()] == 1 else f"{name}-{_digest(unit_id)}"
        for unit_id, name in plain.items()
    }


def down_page(name: str) -> str:
    """The page of whom to tell down the water, in the assessment's folder; ``name``: as above.

    >>> down_page("00109")
    'down_00109_staff.html'
    """
    return f"down_{name}_staff.html"


def unlike_their_ids(unit_ids: Iterable[str]) -> list[tuple[str, str]]:
    """Ids and names that cannot be told from them alone: of devices, of ids whose names would meet.

    Pairs, for a page: an object by id would take a unit called `constructor` for its own.
    """
    return [
        (unit_id, name) for unit_id, name in file_names(unit_ids).items() if name != _clean(unit_id)
    ]


def _clean(unit_id: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", unit_id).strip("._")[:LONGEST].rstrip("._")


def _plain(unit_id: str) -> str:
    name = _clean(unit_id)
    if not name:
        return "unit"
    return f"unit_{name}" if _DEVICES.fullmatch(name) else name


def _digest(unit_id: str) -> str:
    return hashlib.sha256(unit_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
