"""Assessments with other tables, or whose run tells other things."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd

from layers.outputs.run import Run
from layers.store import Assessment


def with_run(assessment: Assessment, **changes: Any) -> Assessment:
    """The same assessment with entries of its run replaced, given as `run.json` holds them."""
    return replace(assessment, run=Run.of(assessment.run.plain() | changes))


def with_tables(assessment: Assessment, **changes: pd.DataFrame) -> Assessment:
    """The same assessment with tables replaced, by their names in the register."""
    unknown = changes.keys() - assessment.tables.keys()
    assert not unknown, unknown
    rest = {name: getattr(assessment, name) for name in ("context", "rasters", "run")}
    return Assessment.of(assessment.tables | changes, **rest)
