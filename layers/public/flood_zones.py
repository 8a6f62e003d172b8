"""Flood zones as written in flood insurance rate maps.

Sources: FEMA, "Domain Tables Technical Reference" and "FIRM Database Technical Reference"
(November 2024), read in a published analysis of them; the meanings of zones as FEMA publishes
them. Zones of the older digital layers (X500, 100IC, ANI ...) are from memory. A floodway lies
within the area of the base flood: 44 CFR 59.1, "regulatory floodway". How offices write a zone
and its floodway in one word (AEFW, "AE - FLOODWAY") is common practice, no source.
"""

from __future__ import annotations

import re
from typing import Final

import pandas as pd

MINIMAL: Final = "AREA OF MINIMAL FLOOD HAZARD"
MODERATE: Final = "0.2 PCT ANNUAL CHANCE FLOOD HAZARD"
LEVEE: Final = "AREA WITH REDUCED FLOOD RISK DUE TO LEVEE"
NOT_INCLUDED: Final = "AREA NOT INCLUDED"
OPEN_WATER: Final = "OPEN WATER"

# 1 % a year: A and V, numbered on maps before 1988, and AR with the zone it will become
_SPECIAL: Final = re.compile(r"A(\d{1,2}|E|H|O|R(/[A-Z0-9]+)?)?|V(\d{1,2}|E|O)?")
_WITH_FLOODWAY: Final = re.compile(
    r"(A(?:\d{1,2}|E|H|O)?|V(?:\d{1,2}|E)?)[ ,/_-]*[(]?(?:FW|FLOODWAY)[)]?"
)
_OTHER: Final = frozenset({"X", "B", "C", "D", NOT_INCLUDED, OPEN_WATER})

# zones of older layers: zone and subtype of today
_OLD_ZONES: Final[dict[str, tuple[str, str | None]]] = {
    "OW": (OPEN_WATER, None),
    "UNDES": (OPEN_WATER, None),
    "ANI": (NOT_INCLUDED, None),
    "X500": ("X", MODERATE),
    "500": ("X", MODERATE),
    MODERATE: ("X", MODERATE),
    "500IC": ("X", f"{MODERATE} CONTAINED IN CHANNEL"),
    "100IC": ("A", "1 PCT ANNUAL CHANCE FLOOD HAZARD CONTAINED IN CHANNEL"),
    "FWIC": ("A", "FLOODWAY CONTAINED IN CHANNEL"),
    "X PROTECTED BY LEVEE": ("X", LEVEE),
    "FW": ("A", "FLOODWAY"),
    "FLOODWAY": ("A", "FLOODWAY"),
    "X0.2": ("X", MODERATE),
    "X0.2 PCT": ("X", MODERATE),
    "X 0.2 PCT": ("X", MODERATE),
    "X-500": ("X", MODERATE),
    "0.2 PCT": ("X", MODERATE),
    "SHADED X": ("X", MODERATE),
    "X SHADED": ("X", MODERATE),
    "UNSHADED X": ("X", MINIMAL),
    "X UNSHADED": ("X", MINIMAL),
}
SUBTYPES: Final[dict[str, str]] = {
    "0100": "COASTAL FLOODPLAIN",
    "0110": "RIVERINE FLOODPLAIN IN COASTAL ZONE",
    "0120": "COMBINED RIVERINE AND COASTAL FLOODPLAIN",
    "0200": "1 PCT ANNUAL CHANCE FLOOD HAZARD CONTAINED IN STRUCTURE",
    "0210": "1 PCT ANNUAL CHANCE FLOOD HAZARD CONTAINED IN CHANNEL",
    "0300": "1 PCT FUTURE CONDITIONS",
    "0310": "1 PCT FUTURE CONDITIONS CONTAINED IN STRUCTURE",
    "0400": "1 PCT DEPTH LESS THAN 1 FOOT",
    "0410": "1 PCT DRAINAGE AREA LESS THAN 1 SQUARE MILE",
    "0500": MODERATE,
    "0510": f"{MODERATE} CONTAINED IN STRUCTURE",
    "0520": f"{MODERATE} CONTAINED IN CHANNEL",
    "0530": f"{MODERATE} IN COASTAL ZONE",
    "0540": f"{MODERATE} IN COMBINED RIVERINE AND COASTAL ZONE",
    "1120": "FLOODWAY CONTAINED IN CHANNEL",
    "1240": "RIVERINE FLOODWAY IN COMBINED RIVERINE AND COASTAL ZONE",
    "3000": "AREA WITH FLOOD HAZARD DUE TO NON-ACCREDITED LEVEE SYSTEM",
    "3010": "AREA WITH REDUCED FLOOD HAZARD DUE TO PROVISIONALLY ACCREDITED LEVEE SYSTEM",
    "3020": "AREA WITH UNDETERMINED FLOOD HAZARD DUE TO NON-ACCREDITED LEVEE SYSTEM",
    "3030": "AREA WITH REDUCED FLOOD HAZARD DUE TO ACCREDITED LEVEE SYSTEM",
}


def folded_text(text: object) -> str:
    """A zone or subtype for comparing: capitals, single spaces, no leading "ZONE"."""
    return " ".join(text.upper().split()).removeprefix("ZONE ") if isinstance(text, str) else ""


def zone_of_today(zone: str) -> tuple[str, str | None]:
    """A zone as written today, and the subtype an older zone says as well.

    >>> zone_of_today("Zone ae"), zone_of_today("X500"), zone_of_today("AE-FW")
    (('AE', None), ('X', '0.2 PCT ANNUAL CHANCE FLOOD HAZARD'), ('AE', 'FLOODWAY'))
    """
    text = folded_text(zone).replace("%", " PCT").replace("  ", " ")
    with_floodway = _WITH_FLOODWAY.fullmatch(text)
    if with_floodway:
        return with_floodway[1], "FLOODWAY"
    return _OLD_ZONES.get(text, (text, None))


def subtype_of_today(subtype: str) -> str:
    """A subtype as text: its code looked up, dashes between words taken for spaces.

    >>> subtype_of_today("0500"), subtype_of_today("Floodway")
    ('0.2 PCT ANNUAL CHANCE FLOOD HAZARD', 'FLOODWAY')
    """
    text = folded_text(subtype)
    if text.isdigit():
        return SUBTYPES.get(text.zfill(4), text)
    plain = " ".join(re.sub(r"[-–]", " ", text).replace("%", " PCT").split())
    return plain.replace("NON ACCREDITED", "NON-ACCREDITED")


def is_known_zone(zone: object) -> bool:
    """Whether a zone is one a flood insurance rate map uses."""
    text = zone_of_today(zone)[0] if isinstance(zone, str) else ""
    return text in _OTHER or _SPECIAL.fullmatch(text) is not None


def is_sfha(zone: object) -> bool:
    """Whether a zone is a special flood hazard area: 1 % or more a year.

    >>> is_sfha("AE"), is_sfha("X"), is_sfha("Area Not Included")
    (True, False, False)
    """
    return isinstance(zone, str) and _SPECIAL.fullmatch(zone_of_today(zone)[0]) is not None


def is_minimal(zone: object, subtype: object = None) -> bool:
    """Whether a zone is one of minimal hazard: C, or X said to be so.

    >>> is_minimal("X", "AREA OF MINIMAL FLOOD HAZARD"), is_minimal("X"), is_minimal("D")
    (True, False, False)
    """
    return hazard_class(zone, subtype) == "minimal"


def hazard_class(zone: object, subtype: object = None, stated: object = None) -> str:
    """What a zone says of the hazard, for people and for rules.

    Parameters
    ----------
    stated
        Whether the layer flags it as a special flood hazard area: True, False, or anything else
        for not said. It decides where the zone is unknown, and where it contradicts one of
        minimal hazard the class is no longer minimal.

    Returns
    -------
    str
        ``special`` (1 % a year), ``moderate`` (0.2 %, or shallow or small 1 %), ``levee`` (behind
        one), ``minimal``, ``unspecified`` (an X that may be shaded or not), ``open_water``, or
        ``undetermined``: D, areas not included and unknown zones, which are unknown, not low.

    >>> hazard_class("AE"), hazard_class("X"), hazard_class("D"), hazard_class("B")
    ('special', 'unspecified', 'undetermined', 'moderate')
    """
    text, implied = zone_of_today(zone) if isinstance(zone, str) else ("", None)
    kind = subtype_of_today(subtype) if isinstance(subtype, str) and subtype else implied or ""
    if is_sfha(zone):
        return "special"
    if text == OPEN_WATER:
        return "open_water"
    if text == "B":
        return "moderate"
    if text == "C" or (text == "X" and kind == MINIMAL):
        return "unspecified" if stated is True else "minimal"
    if text == "X":
        if "LEVEE" in kind:
            return "levee"
        return "moderate" if "PCT" in kind else "unspecified"
    return "special" if stated is True and text not in ("D", NOT_INCLUDED) else "undetermined"


def add_hazard_columns(frame: pd.DataFrame) -> None:
    """Add ``hazard_class``, ``is_sfha`` and ``is_minimal`` to areas of a floodplain layer.

    A floodway that only the zone's own word tells (AEFW) is one where nothing else is said.
    """
    subtypes = [zone_of_today(z)[1] if isinstance(z, str) else None for z in frame["zone"]]
    shown = [True if "FLOODWAY" in (subtype or "") else None for subtype in subtypes]
    hazard_by_zone = pd.Series(shown, index=frame.index, dtype="boolean")
    frame["is_floodway"] = frame["is_floodway"].fillna(hazard_by_zone)
    classes = [
        hazard_class(zone, subtype, None if pd.isna(stated) else bool(stated))
        for zone, subtype, stated in zip(
            frame["zone"], frame["zone_subtype"], frame["sfha_stated"], strict=True
        )
    ]
    frame["hazard_class"] = pd.Series(classes, index=frame.index, dtype=object)
    frame["is_sfha"] = frame["hazard_class"] == "special"
    frame["is_minimal"] = frame["hazard_class"] == "minimal"
