"""The report's section on what may come down the water of each area: a scenario with its band."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from geo.waters.die_off import (
    RATE_20C_PER_DAY,
    RATE_BAND_PER_DAY,
    SPEED_BAND_M_S,
    SPEED_M_S,
    TEMPERATURE_C,
    THETA,
    load_by_catchment,
)
from layers.store import Assessment

_SHOWN: Final = 15


def load(assessment: Assessment) -> dict[str, Any] | None:
    """Rows by area and how they were reckoned; None where the units lie in no area."""
    if "area_id" not in assessment.units or not len(assessment.units):
        return None
    table = load_by_catchment(assessment)
    names: dict[Any, str] = {}
    if {"area_id", "name"} <= set(assessment.areas):
        names = dict(zip(assessment.areas["area_id"], assessment.areas["name"], strict=True))
    rows = [
        {
            "name": _name(row["area_id"], names),
            "units": int(row["units"]),
            "outlets": int(row["outlets"]),
            "trouble": _band(row, "expected_in_trouble"),
            "arrives": _band(row, "arrives"),
        }
        for row in table.head(_SHOWN).to_dict("records")
    ]
    low, high = RATE_BAND_PER_DAY
    slow, fast = SPEED_BAND_M_S
    how = (
        f"First-order die-off at {RATE_20C_PER_DAY:g} a day at 20 °C and {THETA:g} per degree (the"
        f" form of Mancini 1978, values from memory), at {TEMPERATURE_C:g} °C and"
        f" {SPEED_M_S:g} m/s along the mapped water. The band runs from {high:g} a day at"
        f" {slow:g} m/s to {low:g} a day at {fast:g} m/s. No dilution, no settling, no growth in"
        " sediment: a scenario to compare areas by, not a forecast of any concentration."
    )
    return {"rows": rows, "areas": len(table), "how": how}


def _name(area: Any, names: dict[Any, str]) -> str:
    if area is None or pd.isna(area):
        return "in no area"
    said = names.get(area)
    return said if isinstance(said, str) else str(area)


def _band(row: dict[Any, Any], name: str) -> str:
    value, low, high = (float(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    if not np.isfinite(value):
        return "not told"
    return f"{value:.1f} ({low:.1f} to {high:.1f})"
