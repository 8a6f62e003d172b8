"""What the public edition of the report shows: counts of many, the method, the limits.

Every number of households comes from the edition (`geo.results.public_editions`), none from the
units.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from geo.publish.report import data as report_data
from geo.publish.report import method as report_method
from geo.publish.report.area_map import squares_map
from geo.publish.shared import privacy, words
from geo.publish.shared.public_areas import PUBLIC_LAYERS, STEP_WORDS, shown_cells
from geo.results import cautions
from geo.results.areas import STEP_EDGES
from geo.results.public_editions import STORM_YR, edition_of, is_of_households
from layers.folders.public_ledger import Edition, public_section_on_record
from layers.measures import count_of
from layers.outputs.run import Run
from layers.store import Assessment

_REST: Final = "all other areas together"
_CLASS_NAMES: Final = {"first": "visit first", "next": "visit next", "routine": "routine"}
_FACTS: Final = {
    "owed": "Units with a visit due this season",
    "outlet_unknown": "Units whose discharge point is not on record",
    "wet_lids": f"Units whose lid a {STORM_YR}-year storm appears to reach",
}
# Rows on paper; what is more is on the public map.
_AREAS_SHOWN, _SQUARES_SHOWN = 14, 24


def public_contents(assessment: Assessment, edition: Edition | None = None) -> dict[str, Any]:
    """Everything the public edition shows; no id, name, address, place or finding is among it.

    Parameters
    ----------
    edition
        The numbers, held to what was given out before; of a first edition where None.
    """
    run = assessment.run
    edition = edition or edition_of(assessment)
    section = public_section_on_record(run)
    least, counts = section.least_units, edition.counts
    county = run.county
    version = run.versions.get("rillmark")
    total = counts["units"]
    areas = _areas(edition, least)
    return {
        "county": county.name or "County",
        "invented": county.invented,
        "as_of": words.date(edition.as_of) if edition.as_of else "a date not on record",
        "least": least,
        "held": privacy.held_words(section.least_change),
        "unit_count": total if total >= least else None,
        "classes": _classes(edition, least),
        "facts": [
            (text, privacy.guarded(counts[name], total, least=least))
            for name, text in _FACTS.items()
            if name in edition.shown
        ],
        "areas": areas[:_AREAS_SHOWN],
        "areas_more": _more(areas[_AREAS_SHOWN:], "named area"),
        "squares": _squares(assessment, edition),
        "method": _method(run),
        "layers": _layers(assessment, edition, least),
        "made_by": f"Rillmark {version}" if version else "Rillmark",
        "has_storm": "wet_lids" in edition.shown,
        "high_rank": cautions.HIGH_RANK,
        "rain_only": cautions.RAIN_ONLY,
        "no_source": cautions.NO_SOURCE,
        "none_on_record": cautions.NONE_ON_RECORD,
    }


def _more(rest: list[Any], what: str) -> str:
    return f"And {count_of(len(rest), f'more {what}')}." if rest else ""


def _squares(assessment: Assessment, edition: Edition) -> dict[str, Any]:
    """The areas of the public map, numbered, with the shares the map shows of each."""
    cells = shown_cells(edition)
    if not len(cells):
        return {"rows": [], "svg": "", "more": ""}
    rows = [
        {
            "number": n,
            "units": int(cell["units"]),
            **{name: _step_words(cell[f"{name}_from"]) for name in ("first", "wet")},
        }
        for n, cell in enumerate(cells.to_dict("records"), 1)
    ]
    layers = {
        name: assessment.context[name] for name in PUBLIC_LAYERS if name in assessment.context
    }
    return {
        "rows": rows[:_SQUARES_SHOWN],
        "svg": squares_map(cells, layers, assessment.run.county.show_units),
        "more": _more(rows[_SQUARES_SHOWN:], "area")
        and (f"And {count_of(len(rows) - _SQUARES_SHOWN, 'more area')}, see the public map."),
    }


def _step_words(low: float | None) -> str:
    if low is None or not np.isfinite(low):
        return "not shown"
    return STEP_WORDS[int(np.searchsorted(STEP_EDGES, low, side="right")) - 1]


def _classes(edition: Edition, least: int) -> list[tuple[str, int]]:
    if "classes" not in edition.shown:
        return []
    return privacy.merged(
        [(_CLASS_NAMES[n], edition.counts.get(f"class:{n}", 0)) for n in words.CLASSES],
        least=least,
    )


def _areas(edition: Edition, least: int) -> list[privacy.Row]:
    """By area, where the county gives areas with names."""
    if "areas" not in edition.shown:
        return []
    counts = edition.counts
    names = [key.removeprefix("area:") for key in counts if key.startswith("area:")]
    rows = [(name, counts[f"area:{name}"], counts.get(f"soon:{name}", 0)) for name in names]
    return privacy.by_area(rows, (counts["units"], counts["soon"]), rest=_REST, least=least)


def _method(run: Run) -> dict[str, Any] | None:
    """The method; how many visits a class holds hangs on the visits made, and is left out."""
    method = report_method.method(run, run.county.show_units)
    return method and method | {"classes": None}


def _layers(assessment: Assessment, edition: Edition, least: int) -> list[dict[str, Any]]:
    """The layers the county file names, with rows where these are not records of households."""
    run = assessment.run
    named = run.settings.get("layers") or {}
    often = run.completeness
    shown: list[tuple[str, int | None]] = []
    for row in run.counts:
        layer, used = row.layer, edition.counts.get(f"layer:{row.layer}", 0)
        if is_of_households(layer):
            if layer in named:
                shown.append((layer, None))
        elif used >= least:
            shown.append((layer, used))
    return [
        {"layer": layer.replace("_", " "), "used": used, "often": report_data.often(often, layer)}
        for layer, used in shown
    ]
