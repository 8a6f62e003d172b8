"""What is said of single units: one table of columns, packed in blocks of units.

A page for 50,000 units would fill a browser's memory with facts that nobody looks at; a block is
read when one of its units is opened. What all blocks share (labels, words, forms of sentences) is
told once and names the columns by their numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.map.units import checks
from geo.publish.packing import pack
from geo.publish.shared import encode, field_texts, phrases, words
from geo.results import cautions
from layers.files.memory import give_back
from layers.outputs import UNITS, Field
from layers.store import Assessment

BLOCK_UNITS: Final = 700
SHOWN_WITH_RANK: Final = ("rank_low", "rank_high")
"""Columns that stand beside a unit's rank on the page; its facts do not repeat them."""
SEARCHED: Final = ("address", "parcel_id")
"""Columns that the search needs of all units; blocks do not repeat them."""


CAUTIONS: Final = MappingProxyType(
    {
        "well_id": cautions.NONE_ON_RECORD,
        "flood_distance_m": cautions.OUTSIDE_FLOOD_ZONE,
        "lid_wet_annual_probability": cautions.NOT_NEVER,
    }
)
"""What is said under the facts of a section that holds a column."""


@dataclass
class DetailTable:
    """Columns of numbers, one row a unit, and the numbers that fill sentences."""

    columns: list[NDArray] = field(default_factory=list)
    fills: list[dict[str, Any]] = field(default_factory=list)

    def put(self, shown: Any) -> Any:
        """The same with each column replaced by ``{"column": its number}``."""
        if isinstance(shown, np.ndarray):
            self.columns.append(_in_four_bytes(shown))
            return {"column": len(self.columns) - 1}
        if isinstance(shown, Mapping):
            return {key: self.put(value) for key, value in shown.items()}
        if isinstance(shown, list | tuple):
            return [self.put(value) for value in shown]
        return shown

    def sentences(self, values: list[str | None]) -> dict[str, Any]:
        """Sentences by row, their numbers told from the columns that are there already."""
        shown, fills = phrases.sentences(values, self.columns)
        first = len(self.fills)
        self.fills += fills
        entries = [
            {"form": fill["form"], "place": fill["place"], "fill": first + i}
            | ({"source": fill["source"]} if "source" in fill else {})
            for i, fill in enumerate(fills)
        ]
        return {**self.put(shown), "fills": entries}

    def data(self) -> dict[str, Any]:
        """All rows, to be packed."""
        return {"columns": self.columns, "fills": [fill["numbers"] for fill in self.fills]}

    def cut(self, first: int, count: int) -> dict[pack.Path, slice]:
        """Where the rows from ``first`` on stand in each column of `data`."""
        found: dict[pack.Path, slice] = {
            ("columns", i): slice(first, first + count) for i in range(len(self.columns))
        }
        for i, fill in enumerate(self.fills):
            found["fills", i] = slice(*np.searchsorted(fill["rows"], (first, first + count)))
        return found


def _in_four_bytes(numbers: NDArray) -> NDArray:
    """The same numbers in half the memory, where they are the same."""
    small = numbers.astype(np.float32 if numbers.dtype.kind == "f" else np.int32)
    return small if np.array_equal(small, numbers, equal_nan=True) else numbers


def in_blocks(
    assessment: Assessment,
    units: gpd.GeoDataFrame,
    setbacks: gpd.GeoDataFrame,
    row_of: Mapping[str, int],
    places: checks.PlaceColumns,
    measures: words.Measures,
) -> dict[str, str]:
    """What blocks share (``details``), and themselves, packed, `BLOCK_UNITS` units each.

    Parameters
    ----------
    units
        In the order shown.
    setbacks
        Their setback checks.
    row_of
        Their rows by id.
    places
        Where they and their discharge points are.
    """
    table = DetailTable()
    shown = checks.shown_checks(setbacks, row_of, assessment.problems, places, measures)
    shared = {"checks": table.put(shown)}
    del shown
    give_back()
    shared |= {
        "sections": table.put(_sections(units, measures)),
        "parts": table.put(_parts(units, assessment.run.parts)),
        "reasons": table.sentences(encode.text_or_none(UNITS.values(units, "reasons"))),
        "gaps": table.sentences(encode.text_or_none(UNITS.values(units, "data_gaps"))),
        "faults": table.sentences(_faults(assessment.problems, row_of, len(units), measures)),
    }
    give_back()
    plan = pack.plan_of(table.data())
    give_back()
    cuts = [table.cut(first, BLOCK_UNITS) for first in range(0, len(units), BLOCK_UNITS)]
    blocks = pack.pack_blocks(table.data(), plan, cuts)
    shared |= {"heads": pack.heads(plan), "tables": pack.tables(plan)}
    return {"details": pack.pack(shared)} | {f"details-{i}": b for i, b in enumerate(blocks)}


_LAST_VISIT: Final = ("Last visit", "{} ago")


def _sections(units: pd.DataFrame, measures: words.Measures) -> list[dict[str, Any]]:
    found = []
    for title, there in field_texts.sections(units.columns):
        fields = [
            _field(units[field.name], field, measures)
            for field in there
            if field.name not in SHOWN_WITH_RANK
        ]
        if fields:
            names = {field["column"] for field in fields}
            notes = [text for column, text in CAUTIONS.items() if column in names]
            found.append({"title": title, "fields": fields, "cautions": notes})
    return found


def _field(values: pd.Series, field: Field, measures: words.Measures) -> dict[str, Any]:
    label, said = _LAST_VISIT if field.name == "days_since_inspection" else (field.label, "{}")
    entry: dict[str, Any] = {"label": label, "column": field.name}
    shown, scaled = field.shown, field.reads_as
    if shown.needs:
        entry["needs"] = shown.needs
    if field.name in SEARCHED:
        return entry | {"searched": True}
    if scaled in field_texts.IN_WORDS:
        code, texts = field_texts.coded_values(values, field)
        return entry | phrases.texts_of(code, [text and said.format(text) for text in texts])
    numbers = encode.numbers(values)
    if scaled in words.LENGTHS:
        return entry | encode.lengths(numbers, scaled, measures, zero=shown.zero)
    scale = words.scale(scaled, measures)
    whole = encode.whole(numbers, factor=scale.factor, decimals=scale.decimals)
    entry |= {"unit": scale.unit, "decimals": scale.decimals}
    if not shown.zero:
        return entry | {"numbers": whole}
    return entry | {"numbers": np.where(numbers == 0, -1.0, whole), "said": [shown.zero]}


def _parts(units: pd.DataFrame, parts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The parts of the score in tenths, likelihood first.

    They add up to the score's: what the last one holds is what the others leave.
    """
    names = [each.name for each in UNITS.expand("part_{part}", units.columns)]
    if not names:
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
                "tenths": tenths[:, i] if i < len(names) - 1 else None,
            }
        )
    return found


def _part(parts: Mapping[str, Any], column: str) -> Mapping[str, Any]:
    return parts.get(column.removeprefix("part_")) or parts.get(column) or {}


def _faults(
    problems: pd.DataFrame, row_of: Mapping[str, int], count: int, measures: words.Measures
) -> list[str | None]:
    """Problems with each unit's own row of the input, in words."""
    shown: list[str | None] = [None] * count
    if not len(problems):
        return shown
    own = problems[(problems["layer"] == "units") & problems["feature_id"].isin(list(row_of))]
    for unit, messages in own.groupby("feature_id", sort=True)["message"]:
        shown[row_of[str(unit)]] = " | ".join(
            words.in_measures(message, measures) for message in dict.fromkeys(messages)
        )
    return shown
