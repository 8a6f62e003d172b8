"""`[records]` of the county file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_serializer

from layers.settings_file import Model, plain_path

Kept = Literal[
    "visit", "sample_result", "withdrawal", "extension", "closure", "hold", "hold_lifted"
]


class RecordsSection(Model):
    """Where the records lie, and how long they are kept.

    ``path`` is a folder. ``database`` is the address of a PostgreSQL database and comes first; it
    may also stand in the environment, as ``RILLMARK_RECORDS_DATABASE``. ``columns`` and
    ``values`` are those of past visits brought in from a CSV or a spreadsheet. No retention
    period is built in: it is set by law, and differs. How soon a finding must be followed up is
    said by ``reinspection_days`` of `[programme]`. ``release_words`` are names of things looked at
    or measured, and units of measure, that a release may hold beside those Rillmark knows.
    """

    path: Annotated[str, Field(min_length=1), AfterValidator(plain_path)] | None = None
    database: Annotated[str, Field(min_length=1)] | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    values: dict[str, dict[str, str]] = Field(default_factory=dict)
    release_words: list[Annotated[str, Field(min_length=1, max_length=200)]] = Field(
        default_factory=list
    )
    keep_years: dict[Kept, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)

    @field_serializer("database")
    def _an_address_may_hold_a_password(self, address: str | None) -> str | None:
        """Settings go into `run.json` and onto a report's page; the address does not."""
        return None if address is None else "named in the county file, not shown"
