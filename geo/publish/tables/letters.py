"""A letter for each unit with findings to follow up, from the county's own template; facts only."""

from __future__ import annotations

import datetime as dt
import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd
from jinja2 import StrictUndefined, TemplateError, TemplateSyntaxError
from jinja2.sandbox import SandboxedEnvironment

from geo.publish.shared import assets
from geo.publish.shared.file_names import file_names
from geo.results import cautions
from layers.errors import CountyFileError
from layers.fields.days import format_day
from layers.files.kinds import regular_size
from layers.settings.visit_list import load_visit_list

EXAMPLE: Final = "letter.txt"
# What the county's own template can do wrong, in its words or in what it calculates.
_FAULTS: Final = (
    TemplateError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError,
)  # fmt: skip
SEVERITIES: Final = {
    "danger": "dangerous condition", "repair": "repair needed", "minor": "minor",
}  # fmt: skip
_INSIDE: Final = "<template>"  # what Jinja calls a template that came as text


def letters(
    follow_ups: pd.DataFrame,
    units: pd.DataFrame,
    *,
    county: str,
    day: str,
    as_of: dt.date | None = None,
    template: str | Path | None = None,
) -> Mapping[str, str]:
    """One text per unit that has a follow-up not closed, by file name.

    Parameters
    ----------
    follow_ups
        As `layers.records.Standing` has them.
    units
        ``unit_id, address, parcel_id``.
    as_of
        The day of the letter, by which a finding is overdue; without it none is.
    template
        The county's own, a Jinja text that may use ``county``, ``day``, ``unit_id``,
        ``address``, ``parcel_id``, ``findings`` (each ``item, severity, is_danger, found_on,
        due, is_overdue``) and ``cautions``, the built-in lines on the safety of tanks; None for
        the example.

    Raises
    ------
    CountyFileError
        When the template cannot be read or names something it does not get.
    """
    text, where = _template(template)
    environment = SandboxedEnvironment(
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True
    )
    names = file_names(str(unit_id) for unit_id in units["unit_id"])
    about = units.drop_duplicates("unit_id").set_index("unit_id")
    titles = _titles()
    still_open = follow_ups[follow_ups["state"] != "closed"]
    made = {}
    try:
        compiled = environment.from_string(text)
        for unit_id, some in still_open.groupby("unit_id", sort=True):
            if unit_id not in about.index:
                continue
            row = about.loc[unit_id]
            made[f"letter_{names[str(unit_id)]}.txt"] = compiled.render(
                county=county,
                day=day,
                unit_id=unit_id,
                address=_text(row["address"]),
                parcel_id=_text(row["parcel_id"]),
                findings=[_finding(f, titles, as_of) for f in some.to_dict("records")],
                cautions=cautions.TANK,
            )
    except _FAULTS as e:
        line = _line(e)
        raise CountyFileError(
            f"the template of the letter cannot be used: {e}",
            where=f"{where}, line {line}" if line else where,
            hint="correct that line; a letter may use county, day, unit_id, address, parcel_id,"
            " findings and cautions, and of each finding its item, severity, is_danger,"
            " found_on, due and is_overdue",
        ) from e
    return made


def _line(error: Exception) -> int | None:
    """The line of the template an error arose in."""
    if isinstance(error, TemplateSyntaxError):
        return error.lineno
    lines = [f.lineno for f in traceback.extract_tb(error.__traceback__) if f.filename == _INSIDE]
    return lines[-1] if lines else None


def _template(path: str | Path | None) -> tuple[str, str]:
    if path is None:
        return assets.page_file(EXAMPLE), EXAMPLE
    try:
        regular_size(Path(path), error=CountyFileError)
        return Path(path).read_text("utf-8"), str(path)
    except (OSError, UnicodeDecodeError) as error:
        raise CountyFileError(
            f"cannot read the template: {error}", where=str(path), hint="name a UTF-8 text file"
        ) from error


def _titles() -> dict[str, str]:
    """How the visit list calls an item today, by all the names a finding on record may have."""
    return {name: item.title for item in load_visit_list(None).items for name in item.names}


def _finding(
    row: Mapping[str, Any], titles: Mapping[str, str], as_of: dt.date | None
) -> dict[str, Any]:
    item, due = str(row["item"]), row["due"]
    return {
        "item": titles.get(item, item),
        "severity": SEVERITIES[str(row["severity"])],
        "is_danger": row["severity"] == "danger",
        "found_on": format_day(row["found_on"]),
        "due": "" if pd.isna(due) else format_day(due),
        "is_overdue": bool(as_of and not pd.isna(due) and due.date() < as_of),
    }


def _text(cell: Any) -> str:
    return "" if cell is None or pd.isna(cell) else str(cell)
