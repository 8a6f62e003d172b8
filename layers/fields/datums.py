"""Vertical datums by their many spellings."""

from __future__ import annotations

from typing import Final

from layers.fields.column_names import folded

# spellings of V_DATUM as met in flood layers, and the names reference systems use
_SPELLINGS: Final[dict[str, str]] = {
    "navd88": "NAVD88",
    "navd1988": "NAVD88",
    "navdof1988": "NAVD88",
    "northamericanverticaldatum1988": "NAVD88",
    "northamericanverticaldatumof1988": "NAVD88",
    "ngvd29": "NGVD29",
    "ngvd1929": "NGVD29",
    "ngvdof1929": "NGVD29",
    "nationalgeodeticverticaldatum1929": "NGVD29",
    "nationalgeodeticverticaldatumof1929": "NGVD29",
    "asvd02": "ASVD02",
    "guvd03": "GUVD03",
    "guvd04": "GUVD04",
    "prvd02": "PRVD02",
    "vivd09": "VIVD09",
    "localtidaldatum": "LOCAL TIDAL DATUM",
}
_NOTHING: Final = frozenset({"", "9999", "8888", "null", "none", "na", "np", "unknown"})


def vertical_datum(text: object) -> str | None:
    """A datum under one name, or None where none is said; an unknown name stays as it is.

    >>> vertical_datum("NAVD 88"), vertical_datum("ngvd-1929"), vertical_datum("-9999")
    ('NAVD88', 'NGVD29', None)
    """
    if not isinstance(text, str) or folded(text) in _NOTHING:
        return None
    return _SPELLINGS.get(folded(text), " ".join(text.upper().split()))
