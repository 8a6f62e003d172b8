"""When what a finding asks for is due, in words; left out where a page has a column for it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

import pandas as pd

from layers.fields.days import format_day

NAMES: Final[Mapping[str, str]] = MappingProxyType(
    {"reinspection": "Reinspection", "follow_up": "Follow-up"}
)
"""What a finding asks for, by obligation."""


def due_sentence(obligation: str, due: dt.date | None, as_of: dt.date) -> str:
    """When it is due; at once where no day is set.

    >>> due_sentence("follow_up", dt.date(2026, 1, 5), dt.date(2026, 4, 1))
    'Follow-up was due January 5, 2026.'
    >>> due_sentence("reinspection", None, dt.date(2026, 4, 1))
    'Reinspection is due at once.'
    """
    name = NAMES[obligation]
    if due is None:
        return f"{name} is due at once."
    return f"{name} {'was' if due < as_of else 'is'} due {format_day(due)}."


def without_due(row: Mapping[str, Any], as_of: dt.date) -> str:
    """Why a visit is due, without the day and without visits that could not be completed.

    Parameters
    ----------
    row
        Of the table of what is due: ``obligation, due, why, tried``.
    """
    tried = row.get("tried")
    why = str(row["why"]).removesuffix("" if pd.isna(tried) else str(tried)).rstrip()
    if row["obligation"] in NAMES:
        for due in (pd.Timestamp(row["due"]).date(), None):
            why = why.removesuffix(due_sentence(row["obligation"], due, as_of)).rstrip()
    return why
