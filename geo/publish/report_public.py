"""What the public edition of the report shows: counts of many, the method, the limits."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from geo.areas import LEAST_UNITS
from geo.publish import privacy, report_data, report_method, words
from layers.measures import show_units_of
from layers.store import Assessment

_STORM_YR: Final = 10
_REST: Final = "all other areas together"
_CLASS_NAMES: Final = {"first": "visit first", "next": "visit next", "routine": "routine"}


def public_contents(assessment: Assessment) -> dict[str, Any]:
    """Everything the public edition shows; no id, name, address, place or finding is among it."""
    run, units = assessment.run, assessment.units
    county = run.get("county") or {}
    measures = show_units_of(run)
    version = (run.get("versions") or {}).get("rillmark")
    return {
        "county": str(county.get("name", "")),
        "invented": bool(county.get("invented")),
        "as_of": words.date(run["as_of"]) if run.get("as_of") else "",
        "least": LEAST_UNITS,
        "unit_count": len(units) if len(units) >= LEAST_UNITS else None,
        "classes": _classes(units),
        "facts": _facts(units),
        "areas": _areas(units, assessment.areas),
        "method": report_method.method(run, measures),
        "layers": [
            row for row in report_data.data(assessment)["layers"] if row["used"] >= LEAST_UNITS
        ],
        "made_by": f"Rillmark {version}" if version else "Rillmark",
    }


def _classes(units: pd.DataFrame) -> list[tuple[str, int]]:
    if "visit_class" not in units:
        return []
    counts = units["visit_class"].value_counts()
    return privacy.merged(
        [(_CLASS_NAMES[name], int(counts.get(name, 0))) for name in words.CLASSES]
    )


def _facts(units: pd.DataFrame) -> list[tuple[str, str]]:
    total, facts = len(units), []
    if "must_visit_by" in units and "ranked_by" in units:
        owed = int((units["ranked_by"] == "owed").sum())
        facts.append(("Units that are owed a visit this season", privacy.guarded(owed, total)))
    if "outlet_state" in units:
        unknown = int((units["outlet_state"] == "unknown").sum())
        facts.append(
            ("Units whose discharge point is not on record", privacy.guarded(unknown, total))
        )
    if "lid_wet_return_yr" in units:
        wet = int((units["lid_wet_return_yr"] <= _STORM_YR).sum())
        facts.append(
            (f"Lids that a {_STORM_YR}-year storm appears to reach", privacy.guarded(wet, total))
        )
    return facts


def _areas(units: pd.DataFrame, areas: pd.DataFrame) -> list[tuple[str, int, int]]:
    """By area, where the county gives areas with names; squares would be positions."""
    if not {"area_id", "visit_class"} <= set(units) or "name" not in areas:
        return []
    names = areas.set_index("area_id")["name"]
    area = units["area_id"].map(names[names.notna()])
    if not area.notna().any():
        return []
    soon = units["visit_class"].isin(["first", "next"])
    return [
        (name, privacy.to_fives(n), privacy.to_fives(k))
        for name, n, k in privacy.by_area(area, soon, rest=_REST)
    ]
