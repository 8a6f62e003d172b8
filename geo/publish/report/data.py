"""What a report says of its data: rows read, problems, positions to measure, and sources."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any, Final

import pandas as pd

from layers.outputs.run import Run
from layers.problems import CODES, NOT_GIVEN, is_accepted
from layers.store import Assessment

_FIXES_SHOWN: Final = 12
_SEVERITIES: Final = ("error", "warning", "note")
_WHAT: Final = {
    "lid": "Position of the lid",
    "discharge_point": "Position of the discharge point",
    "well": "Position of the well",
    "unlocated": "Discharge point without a position",
}


def data(assessment: Assessment) -> dict[str, Any]:
    """Rows by layer, problems by code, what such records often leave out."""
    run = assessment.run
    completeness = run.completeness
    problems = assessment.problems
    is_absent = problems["code"].isin(NOT_GIVEN) if len(problems) else pd.Series(dtype=bool)
    return {
        "layers": [
            {
                **asdict(row),
                "layer": row.layer.replace("_", " "),
                "often": often(completeness, row.layer),
            }
            for row in run.counts
            if row.rows_read
        ],
        "problems": _by_code(problems[~is_absent]) if len(problems) else [],
        "accepted": _accepted(run),
        "accepted_count": int(is_accepted(problems).sum()),
        "absent": not_given(problems),
        "fixes": _fixes(assessment.trust.worth_a_fix),
    }


def not_given(problems: pd.DataFrame) -> list[str]:
    """Layers that the county does not give, in words."""
    if not len(problems):
        return []
    layers = problems.loc[problems["code"].isin(NOT_GIVEN), "layer"]
    return [name.replace("_", " ") for name in sorted({str(layer) for layer in layers})]


def _by_code(problems: pd.DataFrame) -> list[dict[str, Any]]:
    """Problems of a kind together, the most severe and most frequent first."""
    found = []
    for (severity, code), some in problems.groupby(["severity", "code"]):
        layers = (
            some["layer"].value_counts().sort_index().sort_values(ascending=False, kind="stable")
        )
        found.append(
            {
                "severity": severity,
                "what": str(code).replace("_", " "),
                "count": len(some),
                "layers": ", ".join(f"{str(n).replace('_', ' ')} {k:,}" for n, k in layers.items()),
                "cost": CODES[code].cost if code in CODES else "",
            }
        )
    order = {name: i for i, name in enumerate(_SEVERITIES)}
    return sorted(found, key=lambda f: (order.get(f["severity"], 9), -f["count"], f["what"]))


def _accepted(run: Run) -> list[dict[str, str]]:
    """What the county file accepts: which fault, why, by whom and until when."""
    return [
        {
            "what": f"{entry['fault'].replace('_', ' ')}: {entry['layer'].replace('_', ' ')}"
            + (f", {entry['column']}" if entry.get("column") else "")
            + (f" ({', '.join(entry['words'])})" if entry.get("words") else ""),
            **{key: str(entry[key]) for key in ("why", "by", "until")},
        }
        for entry in run.settings.get("accepted", [])
    ]


def often(completeness: Mapping[str, str], layer: str) -> str:
    """What a record of this layer often leaves out: the second half of its sentence."""
    return str(completeness.get(layer, "")).partition("; ")[2]


def _fixes(fixes: pd.DataFrame) -> list[dict[str, Any]]:
    if "what" not in fixes:
        return []
    return [
        {
            "what": _WHAT.get(row["what"], row["what"]),
            "id": str(row["id"]),
            "settles": int(row["settles"]),
            "another": int(row["settles_with_another"]),
            "may_change": bool(row["class_may_change"]),
        }
        for row in fixes.head(_FIXES_SHOWN).to_dict("records")
    ]


def provenance(run: Run) -> dict[str, Any]:
    """What went in, with hashes; programs; settings, one line each."""
    return {
        "inputs": sorted(run.inputs.items()),
        "versions": sorted(run.versions.items()),
        "settings": list(_lines(run.settings)),
        "as_of": run.as_of,
        "seed": run.seed,
        "crs": run.crs,
    }


def _lines(settings: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Settings by section, one line each; of the layers one line for each layer."""
    for section, values in settings.items():
        if section == "layers":
            yield from ((f"layer {name}", _plain(layer)) for name, layer in values.items())
        elif _plain(values):
            yield str(section), _plain(values)


def _plain(value: Any) -> str:
    """A setting in one line; what is empty or not set is left out."""
    if isinstance(value, Mapping):
        wording = ((key, _plain(inner)) for key, inner in value.items() if inner is not False)
        return "; ".join(
            f"{key}: {text}" if isinstance(value[key], Mapping) else f"{key} = {text}"
            for key, text in wording
            if text
        )
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_plain(v) for v in value)
    return "" if value is None else str(value)
