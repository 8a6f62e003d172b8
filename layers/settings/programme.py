"""`[programme]`: which visits the county's programme asks for, and how many its office can make."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from typing import Annotated, Any, Final, NamedTuple

from pydantic import BeforeValidator, Field, PlainSerializer, field_validator, model_validator

from layers.fields.schemas import UNIT_KINDS
from layers.settings.settings_file import Model

FINDINGS: Final = ("danger", "repair", "minor")
"""Results of a visit after which another look may be asked for."""
_DAYS_IN: Final = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


class DayOfYear(NamedTuple):
    """A day without its year, as ``04-01``."""

    month: int
    day: int

    def __str__(self) -> str:
        return f"{self.month:02d}-{self.day:02d}"


def _day_of_year(value: Any) -> DayOfYear:
    match = re.fullmatch(r"(\d{1,2})-(\d{1,2})", str(value))
    if match:
        month, day = int(match[1]), int(match[2])
        if 1 <= month <= 12 and 1 <= day <= _DAYS_IN[month - 1]:
            return DayOfYear(month, day)
    raise ValueError(f'{value!r} is not a day of every year; write month and day, such as "04-01"')


SeasonDay = Annotated[
    DayOfYear, BeforeValidator(_day_of_year), PlainSerializer(str, return_type=str)
]
Days = Annotated[int, Field(gt=0, le=36_525)]
Cost = Annotated[float, Field(ge=0, le=100_000)]


class ProgrammeSection(Model):
    """`[programme]`: what the programme asks for and what the office can do.

    What it says nothing about is not asked for: no interval, no response time is assumed.

    Attributes
    ----------
    visits_per_year
        Visits all inspectors together can make in a season.
    random_share
        The share of a year's visits whose units are drawn by lot, so that what they find speaks
        for all units.
    season_from, season_to
        First and last day of the year on which visits are made; left out: the whole year.
    interval_days, permit_interval_days
        Longest time between completed visits, by kind of unit; by ``permit_kind`` where permits
        say one, in place of the unit's kind. Case of permit kinds does not matter.
    complaint_days
        A complaint is answered by a visit within so many days.
    reinspection_days
        By what a visit found: another visit within so many days.
    renewal_days
        A visit within so many days before a permit ends.
    service_lapse_days
        A visit within so many days after a service contract on record has ended.
    sample_interval_days, sample_lapse_days
        Longest time between samples of the effluent by kind of unit, where the permit says no
        other; a visit within so many days after a sample that was due and is not on record.
    visit_hours, hour_cost_usd
        Staff time of one visit, travel and paperwork included; what an hour costs the office.
    miles_per_visit, mile_cost_usd
        Driven for one visit, on average; what a mile costs.
    sample_cost_usd, mailing_cost_usd
        Of one sample with its analysis; of the notice mailed for one visit. A report to the board
        calculates costs from these; what is left out has no default and is left out there too.
    """

    visits_per_year: Annotated[int, Field(ge=0)] | None = None
    inspectors: Annotated[int, Field(ge=0)] | None = None
    random_share: Annotated[float, Field(ge=0, le=1)] = 0.0
    season_from: SeasonDay | None = None
    season_to: SeasonDay | None = None
    interval_days: dict[str, Days] = Field(default_factory=dict)
    permit_interval_days: dict[str, Days] = Field(default_factory=dict)
    complaint_days: Annotated[int, Field(ge=0, le=36_525)] | None = None
    reinspection_days: dict[str, Annotated[int, Field(ge=0, le=36_525)]] = Field(
        default_factory=dict
    )
    renewal_days: Days | None = None
    service_lapse_days: Annotated[int, Field(ge=0, le=36_525)] | None = None
    sample_interval_days: dict[str, Days] = Field(default_factory=dict)
    sample_lapse_days: Annotated[int, Field(ge=0, le=36_525)] | None = None
    visit_hours: Annotated[float, Field(gt=0, le=100)] | None = None
    hour_cost_usd: Cost | None = None
    miles_per_visit: Annotated[float, Field(ge=0, le=1_000)] | None = None
    mile_cost_usd: Cost | None = None
    sample_cost_usd: Cost | None = None
    mailing_cost_usd: Cost | None = None

    @field_validator("interval_days", "sample_interval_days")
    @classmethod
    def _kinds_are_known(cls, table: dict[str, int]) -> dict[str, int]:
        return _known(table, UNIT_KINDS, "kind of unit")

    @field_validator("reinspection_days")
    @classmethod
    def _findings_are_known(cls, table: dict[str, int]) -> dict[str, int]:
        return _known(table, FINDINGS, "finding")

    @field_validator("permit_interval_days")
    @classmethod
    def _permit_kinds_in_one_case(cls, table: dict[str, int]) -> dict[str, int]:
        folded = {permit_kind_key(kind): days for kind, days in table.items()}
        if "" in folded:
            raise ValueError("a permit kind has no name")
        if len(folded) < len(table):
            raise ValueError("two permit kinds differ only in case or spaces")
        return folded

    @model_validator(mode="after")
    def _season_has_two_ends(self) -> ProgrammeSection:
        if (self.season_from is None) != (self.season_to is None):
            lacking = "season_from" if self.season_from is None else "season_to"
            raise ValueError(f"a season needs both dates: {lacking} is missing")
        if self.random_share and self.visits_per_year is None:
            raise ValueError("random_share needs visits_per_year, which is missing")
        if self.sample_interval_days and self.sample_lapse_days is None:
            raise ValueError(
                "sample_lapse_days is missing: set the days after a late sample by which a visit"
                " is due"
            )
        return self

    @property
    def asks_for_visits(self) -> bool:
        """Whether anything is set after which a visit is owed."""
        days = (self.complaint_days, self.renewal_days, self.service_lapse_days,
                self.sample_lapse_days)  # fmt: skip
        tables = (self.interval_days, self.permit_interval_days, self.reinspection_days)
        return any(n is not None for n in days) or any(tables)


def permit_kind_key(kind: str) -> str:
    """A permit kind as it is looked up: in one case, single blanks."""
    return " ".join(kind.casefold().split())


def _known(table: Mapping[str, int], words: tuple[str, ...], what: str) -> dict[str, int]:
    for word in table:
        if word not in words:
            guess = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
            hint = f"; did you mean {guess[0]!r}?" if guess else ""
            raise ValueError(f"{word!r} is not a {what}; use one of {', '.join(words)}{hint}")
    return dict(table)
