"""A digest of the sample assessment, table by table and column by column.

``make renew`` writes it anew; a change of any value is then seen in review.
"""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.store import Assessment

PAGE = Path(__file__).parents[1] / "digest.json"
FIGURES = 9  # what other processors may reckon otherwise lies beyond


def digest(assessment: Assessment) -> dict[str, dict[str, Any]]:
    """Of each table its rows, and of each column how many are known and what they are."""
    tables = assessment.tables
    return {
        name: {"rows": len(table)} | {str(c): _column(table[c]) for c in table.columns}
        for name, table in tables.items()
    }


def _column(values: pd.Series) -> list[Any]:
    """How many are known; of numbers and shapes also mean, spread and order, else a checksum."""
    if isinstance(values, gpd.GeoSeries):
        return [int((~values.isna()).sum()), *_numbers(shapely.get_coordinates(values).ravel())]
    known = values.dropna()
    if pd.api.types.is_numeric_dtype(known) and not pd.api.types.is_bool_dtype(known):
        return [len(known), *_numbers(known.to_numpy(float))]
    texts = ("" if pd.isna(value) else str(value) for value in values)
    return [len(known), zlib.crc32("\n".join(texts).encode())]


def _numbers(values: np.ndarray) -> list[float]:
    if not len(values):
        return []
    weights = np.cos(np.arange(len(values)))  # so that two values that change places are seen
    found = (values.mean(), values.std(), values @ weights / len(values))
    return [float(f"{value:.{FIGURES}g}") for value in found]


def as_text(found: dict[str, dict[str, Any]]) -> str:
    """As the file has it, a column a line."""
    tables = []
    for name, columns in found.items():
        lines = [f"  {json.dumps(column)}: {json.dumps(text)}" for column, text in columns.items()]
        tables.append(f"{json.dumps(name)}: {{\n" + ",\n".join(lines) + "\n}")
    return "{\n" + ",\n".join(tables) + "\n}\n"


if __name__ == "__main__":
    from importlib.resources import files

    from geo import assess
    from layers import read_county

    county = read_county(Path(str(files("layers.sample_layers") / "county.toml")))
    PAGE.write_text(as_text(digest(assess(county))), encoding="utf-8")
