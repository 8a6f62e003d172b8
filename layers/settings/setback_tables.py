"""`setbacks.toml`: tables of least distances that a county's board may adopt."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from layers.measures import to_meters
from layers.settings.settings_file import LengthUnit, Model, load_model

Part = Literal["unit", "tank", "discharge_point"]
SetbackFeature = Literal[
    "wells",
    "streams",
    "water_bodies",
    "floodplain",
    "buildings",
    "parcels",
    "drains",
    "roads",
    "protected_places",
]


class SetbackRule(Model):
    """One row of a setback table: least horizontal distance between a part and a feature.

    ``direction`` narrows the rule to features that lie higher (``upslope``) or lower
    (``downslope``) than the part; ``effective_from`` and ``effective_to`` narrow the time of the
    table for this row.
    """

    id: Annotated[str, Field(min_length=1)]
    part: Part
    feature: SetbackFeature
    where: dict[str, list[str]] = Field(default_factory=dict)
    direction: Literal["any", "upslope", "downslope"] = "any"
    distance: Annotated[float, Field(ge=0)]
    unit: LengthUnit
    comparison: Literal["at_least", "more_than"] = "at_least"
    effective_from: dt.date | None = None
    effective_to: dt.date | None = None
    source: Annotated[str, Field(min_length=1)]
    note: str = ""

    @property
    def required_m(self) -> float:
        """The distance in meters."""
        return to_meters(self.distance, self.unit)

    @property
    def subject(self) -> tuple[str, str, str, tuple[tuple[str, tuple[str, ...]], ...]]:
        """What the row speaks of; a table's own row takes the place of an inherited one."""
        where = tuple((k, tuple(sorted(v))) for k, v in sorted(self.where.items()))
        return self.part, self.feature, self.direction, where


class SetbackTable(Model):
    """A table of setbacks; an example only until somebody is named who adopted it.

    ``inherits`` names another table whose rows hold here too, but for those that this table has
    of its own. ``judged_on`` says which day decides whether the table applies to a unit: the
    unit's own (permit, else installation), or the day of the assessment.
    """

    name: Annotated[str, Field(min_length=1)]
    adopted_by: str = ""
    effective_from: dt.date | None = None
    effective_to: dt.date | None = None
    judged_on: Literal["unit", "assessment"] = "unit"
    inherits: str = ""
    rules: list[SetbackRule] = Field(default_factory=list)

    @property
    def is_adopted(self) -> bool:
        """Whether somebody is named who adopted it for this county."""
        return bool(self.adopted_by.strip())


class Setbacks(Model):
    """`setbacks.toml`."""

    tables: list[SetbackTable]

    @model_validator(mode="after")
    def _hangs_together(self) -> Setbacks:
        rules = [rule.id for table in self.tables for rule in table.rules]
        names = [table.name for table in self.tables]
        for kind, ids in (("rule id", rules), ("table name", names)):
            twice = {i for i in ids if ids.count(i) > 1}
            if twice:
                raise ValueError(f"{kind} {min(twice)!r} is used twice")
        for table in self.tables:
            self._lineage(table)
        return self

    def _lineage(self, table: SetbackTable) -> list[SetbackTable]:
        """A table and those it inherits from, nearest first."""
        by_name = {t.name: t for t in self.tables}
        line = [table]
        while line[-1].inherits:
            name = line[-1].inherits
            if name not in by_name:
                raise ValueError(f"table {line[-1].name!r} inherits {name!r}, which does not exist")
            if by_name[name] in line:
                raise ValueError(f"table {table.name!r} inherits itself through {name!r}")
            line.append(by_name[name])
        return line

    def rows(self, table: SetbackTable) -> list[SetbackRule]:
        """The rows that hold in a table: its own, then inherited ones on other subjects."""
        held: list[SetbackRule] = []
        for ancestor in self._lineage(table):
            taken = {rule.subject for rule in held}
            held += [rule for rule in ancestor.rules if rule.subject not in taken]
        return held


def load_setbacks(path: Path) -> Setbacks:
    """Read a setback file.

    Raises
    ------
    CountyFileError
        When the file is missing, is not TOML or breaks the model; the message names the key.
    """
    return load_model(path, Setbacks)
