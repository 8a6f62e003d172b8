"""`visit.toml`: what to look at on a visit, as an office may change it, as a checked model."""

from __future__ import annotations

import hashlib
from importlib import resources
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, field_validator, model_validator

from layers.fields.schemas import UNIT_KINDS
from layers.settings.settings_file import Model, load_model

Line = Annotated[str, Field(min_length=1, max_length=600)]
# The cautions that templates once wrote into an office's file, by SHA-256. They are built in now,
# in other words, and would be there twice. A line the office changed is its own.
_BUILT_IN_NOW: Final = frozenset({
    "a9f08f12aeb07486", "f130f5117b1c9909", "71ce07384050396b", "73f2999af9085483",
    "ccf735b327cf58df", "78072d944352ebb4", "996352db27895f1b",
})  # fmt: skip


class LookAt(Model):
    """One thing to look at.

    Attributes
    ----------
    for_kinds
        Kinds of unit it is for; empty for all. A unit of unknown kind gets every item.
    when
        Narrower: units that are pumped, or that are expected to have a discharge point.
    measure
        Unit of a number to write down beside the answer, if any.
    good, departure, source
        What good looks like, what something else may mean, where that comes from.
    formerly
        Earlier titles: findings on record under them belong to it.
    """

    key: Annotated[str, Field(min_length=1, pattern=r"^[a-z][a-z0-9_]*$")]
    title: Line
    formerly: list[Line] = Field(default_factory=list)
    for_kinds: list[str] = Field(default_factory=list)
    when: Literal["", "pumped", "outlet"] = ""
    measure: str = ""
    good: Line
    departure: Line
    source: Line

    @field_validator("for_kinds")
    @classmethod
    def _kinds_are_known(cls, kinds: list[str]) -> list[str]:
        for kind in kinds:
            if kind not in UNIT_KINDS:
                raise ValueError(f"{kind!r} is not a kind of unit; use {', '.join(UNIT_KINDS)}")
        return kinds

    @property
    def names(self) -> tuple[str, ...]:
        """All that a finding on record may call it: its title, its key, its earlier titles."""
        return self.title, self.key, *self.formerly

    def is_for(self, *, kind: str, pumped: bool | None, outlet_expected: bool) -> bool:
        """Whether it belongs on the sheet of such a unit; what is not known counts as yes."""
        if self.for_kinds and kind != "unknown" and kind not in self.for_kinds:
            return False
        if self.when == "pumped":
            return pumped is not False
        return outlet_expected if self.when == "outlet" else True


class Bring(Model):
    """What to take along."""

    things: list[Line] = Field(default_factory=list)


class Cautions(Model):
    """The office's own lines; pages show them after the built-in ones, which stay."""

    lines: list[Line] = Field(default_factory=list)
    last: Annotated[str, Field(max_length=600)] = ""

    @field_validator("lines")
    @classmethod
    def _lines_are_the_offices(cls, lines: list[str]) -> list[str]:
        return [line for line in lines if not _is_built_in(line)]

    @field_validator("last")
    @classmethod
    def _last_is_the_offices(cls, last: str) -> str:
        return "" if _is_built_in(last) else last


def _is_built_in(line: str) -> bool:
    return hashlib.sha256(line.encode()).hexdigest()[:16] in _BUILT_IN_NOW


class VisitList(Model):
    """`visit.toml`."""

    items: Annotated[list[LookAt], Field(min_length=1)]
    bring: Bring = Bring()
    cautions: Cautions = Cautions()

    @model_validator(mode="after")
    def _keys_are_different(self) -> VisitList:
        keys = [item.key for item in self.items]
        twice = sorted({key for key in keys if keys.count(key) > 1})
        if twice:
            raise ValueError(f"the key {twice[0]!r} is used twice")
        return self


def load_visit_list(path: Path | None) -> VisitList:
    """Read a visit list; None gives the one that comes with Rillmark.

    Raises
    ------
    CountyFileError
        When the file is missing, is not TOML or breaks the model; the message names the key.
    """
    if path is not None:
        return load_model(path, VisitList)
    with resources.as_file(resources.files("layers.settings.templates") / "visit.toml") as own:
        return load_model(own, VisitList)
