"""What the appendix of the staff report shows: the long parts, for whoever asks for them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from geo.publish.report import data as report_data
from geo.publish.report import load as report_load
from geo.publish.report import method as report_method
from geo.publish.report import numbers
from geo.publish.report import outlets as report_outlets
from geo.publish.report import trust as report_trust
from geo.publish.report.decisions import danger_rows
from geo.publish.shared import words
from geo.results import cautions
from layers.outputs import UNITS
from layers.outputs.field import sentences_of
from layers.outputs.run import Run
from layers.store import Assessment

# The list on paper: as many as the visit-first group holds, within these.
_LEAST_LISTED, _MOST_LISTED = 20, 300
_SENTENCES: Final = re.compile(r"(?<=\.) (?=[A-Z])")


def appendix_contents(assessment: Assessment) -> dict[str, Any]:
    """Everything the appendix shows, as lists and words."""
    run = assessment.run
    measures = run.county.show_units
    return {
        "dangers": danger_rows(numbers.dangers(assessment)),
        "order": unit_list(assessment.units),
        "unit_count": len(assessment.units),
        "areas": numbers.area_work(assessment),
        "spread": report_trust.spread_by_area(assessment),
        "setback_tables": _tables(run),
        "load": report_load.load(assessment),
        "method": report_method.method(run, measures),
        "steadiness": report_trust.steadiness(assessment),
        "missing_records": report_trust.missing_records(run),
        "replay": report_trust.replay_chart(assessment),
        "calibration": report_trust.calibration_section(run),
        "ponding": report_trust.ponding(assessment),
        "outlets": report_outlets.outlets(assessment, measures),
        "data": report_data.data(assessment),
        "provenance": report_data.provenance(run),
        "notes": [str(note) for note in run.notes if note != cautions.RAIN_ONLY],
        "cautions": cautions,
    }


def unit_list(units: pd.DataFrame) -> list[dict[str, Any]]:
    """The first units of the list, each with its rank range, why, and what is due."""
    if not {"rank", "visit_class", "score"} <= set(units):
        return []
    first = int((units["visit_class"] == "first").sum())
    danger = int(UNITS.values(units, "danger_open").fillna(False).astype(bool).sum())
    count = max(min(max(first, _LEAST_LISTED), _MOST_LISTED), danger)
    return [_row(unit) for unit in units.sort_values("rank").head(count).to_dict("records")]


def _row(unit: Mapping[Any, Any]) -> dict[str, Any]:
    rank, low, high = (unit.get(name) for name in ("rank", "rank_low", "rank_high"))
    due = numbers.day(unit.get("must_visit_by"))
    due_because = sentences_of(unit.get("why_due"))
    is_fixed = low is None or pd.isna(low) or low == high
    return {
        "rank": int(rank) if rank is not None else "",
        "range": "" if is_fixed else f"{low:.0f} to {high:.0f}",
        "unit": str(unit["unit_id"]),
        "address": numbers.text(unit.get("address")),
        "score": f"{unit['score']:.0f}" if pd.notna(unit["score"]) else "",
        "why": [text for text in sentences_of(unit.get("reasons")) if text not in due_because],
        "due": list(dict.fromkeys(s for piece in due_because for s in _SENTENCES.split(piece))),
        "by": words.date(due) if due else "",
    }


def _tables(run: Run) -> list[dict[str, str]]:
    return [
        {
            "name": str(table.get("name", "")),
            "by": str(table.get("adopted_by") or "") or "Not on record",
            "since": words.date(table["effective_from"]) if table.get("effective_from") else "",
            "until": words.date(table["effective_to"]) if table.get("effective_to") else "",
        }
        for table in run.setback_tables
    ]
