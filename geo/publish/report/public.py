"""What the public edition of the report shows: counts of many, the method, the limits.

Every number of households comes from the edition (`geo.results.public_editions`), none from the
units.
"""

from __future__ import annotations

from typing import Any, Final

from geo.publish.report import data as report_data
from geo.publish.report import method as report_method
from geo.publish.shared import privacy, words
from geo.results.public_editions import STORM_YR, edition_of, is_of_households
from layers.folders.public_ledger import Edition, public_section_on_record
from layers.outputs.run import Run
from layers.store import Assessment

_REST: Final = "all other areas together"
_CLASS_NAMES: Final = {"first": "visit first", "next": "visit next", "routine": "routine"}
_FACTS: Final = {
    "owed": "Units that are owed a visit this season",
    "outlet_unknown": "Units whose discharge point is not on record",
    "wet_lids": f"Lids that a {STORM_YR}-year storm appears to reach",
}


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
    return {
        "county": county.name,
        "invented": county.invented,
        "as_of": words.date(edition.as_of) if edition.as_of else "",
        "least": least,
        "held": privacy.held_words(section.least_change),
        "unit_count": total if total >= least else None,
        "classes": _classes(edition, least),
        "facts": [
            (text, privacy.guarded(counts[name], total, least=least))
            for name, text in _FACTS.items()
            if name in edition.shown
        ],
        "areas": _areas(edition, least),
        "method": _method(run),
        "layers": _layers(assessment, edition, least),
        "made_by": f"Rillmark {version}" if version else "Rillmark",
    }


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
