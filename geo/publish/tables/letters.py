"""A letter for each unit with findings to follow up, from the county's own template; facts only."""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd
from jinja2 import StrictUndefined, TemplateError, TemplateSyntaxError
from jinja2.sandbox import SandboxedEnvironment

from geo.publish.shared import assets
from geo.publish.shared.file_names import file_names
from layers.errors import CountyFileError
from layers.files.kinds import regular_size

EXAMPLE: Final = "letter.txt"
# What the county's own template can do wrong, in its words or in what it reckons.
_FAULTS: Final = (
    TemplateError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError,
)  # fmt: skip
_INSIDE: Final = "<template>"  # what Jinja calls a template that came as text


def letters(
    follow_ups: pd.DataFrame,
    units: pd.DataFrame,
    *,
    county: str,
    day: str,
    template: str | Path | None = None,
) -> Mapping[str, str]:
    """One text per unit that has a follow-up not closed, by file name.

    Parameters
    ----------
    follow_ups
        As `layers.records.Standing` has them.
    units
        ``unit_id, address, parcel_id``.
    template
        The county's own, a Jinja text that may use ``county``, ``day``, ``unit_id``,
        ``address``, ``parcel_id`` and ``findings`` (each ``item, severity, found_on, due``);
        None for the example.

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
                findings=[_finding(f) for f in some.to_dict("records")],
            )
    except (
        TemplateError,
        ArithmeticError,
        AttributeError,
        LookupError,
        TypeError,
        ValueError,
    ) as e:
        line = _line(e)
        raise CountyFileError(
            f"the template of the letter cannot be used: {e}",
            where=f"{where}, line {line}" if line else where,
            hint="mend that line; a letter may use county, day, unit_id, address, parcel_id and"
            " findings, and of each finding its item, severity, found_on and due",
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


def _finding(row: Mapping[str, Any]) -> dict[str, str]:
    return {
        "item": str(row["item"]),
        "severity": {"danger": "a danger now", "repair": "to be repaired", "minor": "minor"}[
            str(row["severity"])
        ],
        "found_on": f"{row['found_on']:%B} {row['found_on'].day}, {row['found_on'].year}",
        "due": ""
        if pd.isna(row["due"])
        else f"{row['due']:%B} {row['due'].day}, {row['due'].year}",
    }


def _text(cell: Any) -> str:
    return "" if cell is None or pd.isna(cell) else str(cell)
