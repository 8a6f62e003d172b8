"""Assessments whose run tells other things."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from layers.outputs.run import Run
from layers.store import Assessment


def with_run(assessment: Assessment, **changes: Any) -> Assessment:
    """The same assessment with entries of its run replaced, given as `run.json` holds them."""
    return replace(assessment, run=Run.of(assessment.run.plain() | changes))
