"""What is told of single units, in blocks that a page reads only when somebody asks.

A page for 50,000 units would fill a browser's memory with facts that nobody looks at; a block is
read when one of its units is opened.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish import checks, encode, facts, words
from layers.store import Assessment

BLOCK_UNITS: Final = 1000
SEARCHED: Final = ("address", "parcel_id")
"""Columns that the search needs of all units; blocks do not repeat them."""


def in_blocks(
    assessment: Assessment,
    units: gpd.GeoDataFrame,
    row_of: Mapping[str, int],
    at: NDArray[np.float64],
    plane: encode.Plane,
    measures: words.Measures,
) -> list[dict[str, Any]]:
    """Facts, reasons, parts of the score and setback checks, `BLOCK_UNITS` units at a time.

    Parameters
    ----------
    units
        In the order shown.
    row_of
        Their rows by id.
    at
        Their places in steps, NaN where not known.
    """
    faults = _faults(assessment.problems, row_of, len(units))
    of_unit = checks.in_order_of_units(assessment.setback_checks, row_of)
    blocks = []
    for first in range(0, len(units), BLOCK_UNITS):
        block = slice(first, first + BLOCK_UNITS)
        some = units.iloc[block]
        blocks.append(
            {
                "sections": _sections(some, measures),
                "parts": _parts(some, assessment.run.get("parts", {})),
                "reasons": encode.sentences(encode.text_column(some, "reasons")),
                "gaps": encode.sentences(encode.text_column(some, "data_gaps")),
                "faults": encode.sentences(faults[block]),
                "checks": checks.shown_checks(
                    of_unit.of(first, len(some)), assessment.problems, at[block], plane, measures
                ),
            }
        )
    return blocks


def _sections(units: pd.DataFrame, measures: words.Measures) -> list[dict[str, Any]]:
    sections = []
    for section in facts.SECTIONS:
        fields = [
            _field(units[field.column], field, measures)
            for field in facts.fields_present(section, units.columns)
        ]
        if fields:
            sections.append({"title": section.title, "fields": fields})
    return sections


def _field(values: pd.Series, field: facts.Field, measures: words.Measures) -> dict[str, Any]:
    entry: dict[str, Any] = {"label": field.label, "column": field.column}
    if field.needs:
        entry["needs"] = field.needs
    if field.column in SEARCHED:
        return entry | {"searched": True}
    if field.kind in {"code", "flag", "text", "date", "bearing"}:
        return entry | encode.texts(facts.shown(values, field))
    numbers = encode.numbers(values)
    if field.kind in words.LENGTHS:
        return entry | encode.lengths(numbers, field.kind, measures, zero=field.zero)
    scale = words.scale(field.kind, measures)
    shown = encode.whole(numbers, factor=scale.factor, decimals=scale.decimals)
    return entry | {"unit": scale.unit, "decimals": scale.decimals, "numbers": shown}


def _parts(units: pd.DataFrame, parts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The parts of the score in tenths that add up to the score's; likelihood first."""
    names = [name for name in units.columns if name.startswith("part_")]
    if "score" not in units or not names:
        return []
    names.sort(key=lambda name: (_part(parts, name).get("axis") != "likelihood",))
    values = np.column_stack([encode.numbers(units[name]) for name in names])
    tenths = encode.shares(values, encode.numbers(units["score"]))
    found = []
    for i, name in enumerate(names):
        part = _part(parts, name)
        label = part.get("label") or words.in_words(name.removeprefix("part_"), {})
        found.append(
            {
                "label": str(label),
                "axis": part.get("axis"),
                "weight": part.get("weight"),
                "source": part.get("source"),
                "tenths": tenths[:, i].tolist(),
            }
        )
    return found


def _part(parts: Mapping[str, Any], column: str) -> Mapping[str, Any]:
    return parts.get(column.removeprefix("part_")) or parts.get(column) or {}


def _faults(problems: pd.DataFrame, row_of: Mapping[str, int], count: int) -> list[str | None]:
    """Faults of each unit's own row of the input, in words."""
    told: list[str | None] = [None] * count
    if not len(problems):
        return told
    own = problems[(problems["layer"] == "units") & problems["feature_id"].isin(list(row_of))]
    for unit, messages in own.groupby("feature_id", sort=True)["message"]:
        told[row_of[str(unit)]] = " | ".join(dict.fromkeys(messages))
    return told
