"""How the score works, as a report shows it: the parts, their weights, their curves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from geo.publish.report.charts import PlotFrame, curve_chart
from geo.publish.shared import words
from layers.measures import format_area
from layers.outputs import UNITS
from layers.outputs.run import Run

COMMON_PRACTICE: Final = "common practice"
_RATING_TICKS: Final = ((0.0, "0"), (0.5, "0.5"), (1.0, "1"))
# Units that stand beside each number, as people measure.
_MEASURED: Final = ("m", "m2")
# Units of chances, which people read in percent.
_CHANCES: Final = ("chance", "a year")
_WORDS: Final = {
    "dry_in_all": "dry in all",
    "at_or_below_smallest": "in the smallest",
    "base_flood": "under the base flood only",
    "good": "in order",
}


def method(run: Run, measures: words.Measures) -> dict[str, Any] | None:
    """The parts of each axis with their curves; None where the run does not hold them."""
    parts: Mapping[str, Mapping[str, Any]] = run.parts
    if not parts:
        return None
    shown = [_part(part, measures) for part in parts.values()]
    unsourced = [p["label"] for p in shown if p["common_practice"]]
    return {
        "axes": [
            {"title": title, "parts": [p for p in shown if p["axis"] == axis]}
            for axis, title in words.AXES.items()
        ],
        "unsourced": unsourced,
        "count": len(shown),
        "not_scored": [
            f"{column.replace('_', ' ')}: {', '.join(str(w) for w in listed)}"
            for column, listed in run.not_scored.items()
            if listed
        ],
        "classes": run.visit_classes,
    }


def unsourced_parts(run: Run) -> tuple[int, int]:
    """How many parts the score has, and how many of them name no published source."""
    alone = [p for p in run.parts.values() if _has_no_source(p)]
    return len(run.parts), len(alone)


def _has_no_source(part: Mapping[str, Any]) -> bool:
    return str(part.get("source", "")).casefold().startswith(COMMON_PRACTICE)


def input_label(column: str) -> str:
    """What an input is called in a report."""
    return UNITS.field(column).alias


def _part(part: Mapping[str, Any], measures: words.Measures) -> dict[str, Any]:
    inputs = [item for item in part.get("of") or [part] if item.get("curve") or item.get("ratings")]
    unknown = part.get("unknown")
    source = str(part.get("source", ""))
    return {
        "axis": part.get("axis"),
        "label": str(part.get("label", "")),
        "weight": part.get("weight"),
        "unknown": unknown,
        "reason": str(part.get("reason", "")),
        "source": source,
        "common_practice": _has_no_source(part),
        "several": len(inputs) > 1,
        "inputs": [_input(item, unknown, measures) for item in inputs],
    }


def _input(
    item: Mapping[str, Any], unknown: float | None, measures: words.Measures
) -> dict[str, Any]:
    label = input_label(item["column"])
    shown: dict[str, Any] = {"label": label, "unless": "", "chart": None, "ratings": []}
    if item.get("unless"):
        better = input_label(item["unless"])
        shown["unless"] = f"Not used when this is known: {better[0].lower()}{better[1:]}."
    if item.get("curve"):
        points = [(float(x), float(y)) for x, y in item["curve"]]
        shown["chart"] = curve_chart(_frame(item, label, points, measures), points, unknown)
    else:
        shown["ratings"] = [
            (_WORDS.get(word, word.replace("_", " ")), rating)
            for word, rating in item["ratings"].items()
        ]
    return shown


def _frame(
    item: Mapping[str, Any],
    label: str,
    points: Sequence[tuple[float, float]],
    measures: words.Measures,
) -> PlotFrame:
    unit = str(item.get("unit", ""))
    values = [x for x, _ in points]
    west, east = min(0.0, values[0]), values[-1]
    east += 0.06 * (east - west or 1.0)
    ticks = [(x, _value(x, unit, measures)) for x in values]
    if values[0] > west:
        ticks.insert(0, (west, _value(west, unit, measures)))
    ticks.append((east, ""))
    text = "; ".join(f"{_value(x, unit, measures, spell=True)}: {y:g}" for x, y in points)
    return PlotFrame(
        title=f"Rating by: {label}",
        description=f"Straight lines through these points, level beyond them. {text}.",
        x_ticks=ticks,
        y_ticks=_RATING_TICKS,
        x_label="" if unit in _MEASURED else unit,
        width=232,
        height=124 if unit in _MEASURED else 138,
    )


def _value(value: float, unit: str, measures: words.Measures, *, spell: bool = False) -> str:
    if unit == "m":
        return "0" if value == 0 else words.length(value, measures).replace("\u00a0", " ")
    if unit == "m2":
        return "0" if value == 0 else format_area(value, measures)
    if unit in _CHANCES:
        return "0" if value == 0 else f"{100 * value:.2g}%"
    return f"{value:,.6g} {unit}".strip() if spell else f"{value:,.6g}"
