"""The appendix's section on possible downstream effects by area: a scenario with its range."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from layers.store import Assessment

_SHOWN: Final = 15


def load(assessment: Assessment) -> dict[str, Any] | None:
    """Rows by area and how they were calculated; None where nothing is known."""
    table, by = assessment.water.loads, assessment.run.loads
    if not len(table) or not by:
        return None
    if table["expected_in_trouble"].isna().all() and not table["outlets"].any():
        return None
    names: dict[Any, str] = {}
    if {"area_id", "name"} <= set(assessment.areas.small):
        names = dict(
            zip(assessment.areas.small["area_id"], assessment.areas.small["name"], strict=True)
        )
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
    low, high = by["rate_band_per_day"]
    slow, fast = by["speed_band_m_s"]
    how = (
        f"First-order die-off at {by['rate_20c_per_day']:g} a day at 20 °C and {by['theta']:g} per"
        f" degree ({by['source']}), at {by['temperature_c']:g} °C and {by['speed_m_s']:g} m/s along"
        f" the mapped water. The range runs from {high:g} a day at {slow:g} m/s to {low:g} a day at"
        f" {fast:g} m/s. Dilution, deposits and growth in sediment are not included."
    )
    return {"rows": rows, "areas": len(table), "how": how}


def _name(area: Any, names: dict[Any, str]) -> str:
    if area is None or pd.isna(area):
        return "In no named area"
    text = names.get(area)
    return text if isinstance(text, str) else str(area)


def _band(row: dict[Any, Any], name: str) -> str:
    value, low, high = (float(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    if not np.isfinite(value):
        return "not calculated"
    return f"{value:.1f} ({low:.1f} to {high:.1f})"
