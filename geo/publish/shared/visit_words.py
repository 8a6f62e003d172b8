"""Words of a visit that its sheet, the record page and others share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import pandas as pd

from geo.publish.shared import words
from geo.results.visit_plan import VisitPlan
from layers.measures import format_height, format_length

OUTCOME_WORDS: Final = {
    "completed": "completed", "partly": "partly completed", "no_access": "no access",
    "refused": "access refused", "nobody_home": "nobody home", "vacant": "vacant or seasonal",
    "snow_covered": "snow-covered",
    "outlet_not_found": "discharge point not found",
}  # fmt: skip


def walk_in_words(plan: VisitPlan, measures: words.Measures) -> str:
    """How to walk from the lids to the discharge point, or why there is no such walk."""
    walk = plan.walk
    if walk is None:
        if plan.unit.get("outlet_state") == "not_expected":
            return "No discharge point is expected. Water goes into the soil or is hauled away."
        return (
            "The discharge point is not on record. Look downhill of the lids, along ditches and"
            " banks. Record its position."
        )
    route = (
        f"From the lids, go {format_length(walk.distance_m, measures)} at"
        f" {quadrant(walk.bearing_deg)} (true bearing)"
    )
    if not pd.isna(walk.drop_m):
        way = "downhill" if walk.drop_m >= 0 else "uphill"
        route += f", {format_height(abs(walk.drop_m), measures)} {way}"
    is_sure = plan.unit.get("link_confirmed", True)
    doubt = "" if is_sure else " It is not confirmed that this discharge point is this unit's."
    return f"{route}. Search within {format_length(walk.search_radius_m, measures)}.{doubt}"


def with_own(ours: Sequence[str], office: Sequence[str]) -> list[str]:
    """The built-in cautions, then what the office adds; nothing takes one of ours away.

    >>> with_own(("Keep children away.",), ["Mind the bull.", "Keep children away."])
    ['Keep children away.', 'Mind the bull.']
    """
    return list(dict.fromkeys([*ours, *office]))


def quadrant(bearing_deg: float) -> str:
    """A true bearing as surveyors write it.

    >>> quadrant(37), quadrant(217.4), quadrant(359.8), quadrant(90)
    ('N 37° E', 'S 37° W', 'N 0° E', 'N 90° E')
    """
    whole = round(bearing_deg) % 360
    if whole <= 90:
        return f"N {whole}° E"
    if whole <= 180:
        return f"S {180 - whole}° E"
    return f"S {whole - 180}° W" if whole <= 270 else f"N {360 - whole}° W"
