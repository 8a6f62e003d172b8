"""`priorities.toml`: the parts of the score, their weights and curves, and the visit classes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, model_validator

from layers.settings.settings_file import Model, Sentence, load_model

# Columns no part may rate, and why.
NEVER_SCORED: Final = {
    "storm_runoff_minutes": "it is the travel time of storm runoff, not of the discharge",
}


class PriorityPart(Model):
    """One part of the score: a measured number, its rating curve, its weight and its reason.

    ``curve`` is a list of [value, rating] points joined by straight lines and level beyond its
    ends; ``ratings`` gives the rating of each word of a column of codes. ``of`` lists inputs
    that share the part: the largest of their ratings counts, once. ``unknown`` is the rating
    where no input of the part is known, and the least one while a weighty input is not;
    ``draw_unknown`` says what stands in its place when the order is drawn again: a rating
    ``known`` of other units, any rating ``evenly``, or ``never``
    another, where that nothing is on record is itself a fact. An ``optional`` part counts only in
    a county that has one of its inputs; elsewhere its weight goes to the other parts of its axis.
    """

    axis: Literal["likelihood", "harm"]
    label: Sentence
    weight: Annotated[float, Field(ge=0, le=1)]
    column: str = ""
    unit: str = ""
    curve: list[tuple[float, float]] = Field(default_factory=list)
    ratings: dict[str, float] = Field(default_factory=dict)
    of: list[PriorityInput] = Field(default_factory=list)
    unknown: Annotated[float, Field(ge=0, le=1)]
    draw_unknown: Literal["known", "evenly", "never"] = "known"
    optional: bool = False
    reason: Sentence
    source: Sentence

    @model_validator(mode="after")
    def _one_way_to_rate(self) -> PriorityPart:
        if bool(self.column) == bool(self.of):
            raise ValueError("use exactly one of 'column' and 'of'")
        if self.column:
            _check_rating(self.column, self.unit, self.curve, self.ratings)
        return self

    @property
    def inputs(self) -> list[PriorityInput]:
        """The inputs of the part, one or several."""
        if self.of:
            return self.of
        return [
            PriorityInput(
                column=self.column, unit=self.unit, curve=self.curve, ratings=self.ratings
            )
        ]


class PriorityInput(Model):
    """One measured number and its rating curve.

    ``unless`` names a column that says the same better: where that one is known, neither null nor
    ``unknown``, this input is passed over. While a ``weighty`` input is not known its part is
    rated no lower than the part's ``unknown``.
    """

    column: Annotated[str, Field(min_length=1)]
    unless: str = ""
    weighty: bool = True
    unit: str = ""
    curve: list[tuple[float, float]] = Field(default_factory=list)
    ratings: dict[str, float] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _rates(self) -> PriorityInput:
        _check_rating(self.column, self.unit, self.curve, self.ratings)
        return self


def _check_rating(
    column: str, unit: str, curve: list[tuple[float, float]], ratings: dict[str, float]
) -> None:
    if column in NEVER_SCORED:
        raise ValueError(f"'{column}' cannot be scored: {NEVER_SCORED[column]}")
    if bool(curve) == bool(ratings):
        raise ValueError("use exactly one of 'curve' and 'ratings'")
    if curve and not unit.strip():
        raise ValueError(f"the curve of '{column}' needs its 'unit', such as unit = \"m\"")
    values = [x for x, _ in curve]
    if any(b <= a for a, b in itertools.pairwise(values)):
        raise ValueError(f"curve values must increase, but are {values}")
    for rating in [r for _, r in curve] + list(ratings.values()):
        if not 0 <= rating <= 1:
            raise ValueError(f"a rating must be from 0 to 1, not {rating}")


class VisitClasses(Model):
    """How many units fall in the first and in the next visit class: a number, and a share at most.

    The share keeps a small county from putting every unit first. Numbers that are not stated give
    way to the visits the office can make, where the programme says how many: see `for_season`.
    """

    first: Annotated[int, Field(ge=0)] = 40
    next: Annotated[int, Field(ge=0)] = 120
    first_share: Annotated[float, Field(ge=0, le=1)] = 0.25
    next_share: Annotated[float, Field(ge=0, le=1)] = 0.5

    def sizes(self, units: int) -> tuple[int, int]:
        """How many of ``units`` the first and the next class hold at most."""
        return min(self.first, int(self.first_share * units)), min(
            self.next, int(self.next_share * units)
        )

    def for_season(self, visits: int | None, visits_after: int | None) -> VisitClasses:
        """Classes of the visits of this season and of the next, but for what is stated here."""
        if visits is None or visits_after is None:
            return self
        sized: dict[str, float] = {}
        for name, number in (("first", visits), ("next", visits_after)):
            if name not in self.model_fields_set:
                share = f"{name}_share"
                sized |= {name: number, share: getattr(self, share) if share in
                          self.model_fields_set else 1.0}  # fmt: skip
        return self.model_copy(update=sized)


class SteadinessSection(Model):
    """How the order is tried: how often it is drawn, and how far the weights may be argued about.

    With a spread s the weights of an axis are drawn from a Dirichlet distribution around those
    stated, of concentration 1 / s^2 - 1, so that the standard deviation of a weight w is
    s sqrt(w (1 - w)); 0 leaves the weights as they are. No draws: no bands are told.
    """

    draws: Annotated[int, Field(ge=0, le=10_000)] = 500
    weight_spread: Annotated[float, Field(ge=0, le=0.5)] = 0.1


Grouping = Literal["kind", "exposure", "age", "last_result"]
_GROUPS: Final[tuple[Grouping, ...]] = ("kind", "age", "exposure", "last_result")


class LearnedSettings(Model):
    """`[learned]`: the chance of trouble from the county's own visits.

    ``groups`` are the words units are told apart by, the most telling first; ``least_records``
    the number of completed visits with a result below which nothing is learned.
    """

    least_records: Annotated[int, Field(ge=1)] = 200
    groups: Annotated[list[Grouping], Field(min_length=1)] = Field(
        default_factory=lambda: list(_GROUPS)
    )
    age_bands_years: list[Annotated[float, Field(gt=0)]] = Field(
        default_factory=lambda: [10.0, 20.0, 30.0]
    )

    @model_validator(mode="after")
    def _in_order(self) -> LearnedSettings:
        if len(set(self.groups)) < len(self.groups):
            raise ValueError(f"a group is repeated in {self.groups}")
        if any(b <= a for a, b in itertools.pairwise(self.age_bands_years)):
            raise ValueError(f"age_bands_years must increase, but are {self.age_bands_years}")
        return self


class Priorities(Model):
    """`priorities.toml`."""

    parts: dict[str, PriorityPart]
    classes: VisitClasses = VisitClasses()
    learned: LearnedSettings = LearnedSettings()
    steadiness: SteadinessSection = SteadinessSection()
    not_scored: dict[str, list[str]] = Field(default_factory=dict)

    def for_season(self, visits: int | None, visits_after: int | None) -> Priorities:
        """The same with the classes of `VisitClasses.for_season`."""
        return self.model_copy(update={"classes": self.classes.for_season(visits, visits_after)})

    @model_validator(mode="after")
    def _weights_sum_to_one(self) -> Priorities:
        for axis in ("likelihood", "harm"):
            total = sum(p.weight for p in self.parts.values() if p.axis == axis)
            if abs(total - 1) > 1e-9:
                raise ValueError(f"the weights of the {axis} parts must sum to 1, not {total:.6g}")
            if not any(
                p.weight > 0 and not p.optional for p in self.parts.values() if p.axis == axis
            ):
                raise ValueError(f"at least one {axis} part must have weight and not be optional")
        return self

    def with_weights(self, weights: Mapping[str, float]) -> Priorities:
        """The same with other weights for some parts; the rest of each axis keeps its proportions.

        Raises
        ------
        ValueError
            When a part is not known, or the weights of an axis cannot sum to 1.
        """
        strangers = sorted(set(weights) - set(self.parts))
        if strangers:
            raise ValueError(
                f"there is no part {strangers[0]!r}; use one of {', '.join(self.parts)}"
            )
        parts = dict(self.parts)
        for axis in ("likelihood", "harm"):
            names = [name for name, part in self.parts.items() if part.axis == axis]
            given = math.fsum(weights[name] for name in names if name in weights)
            others = math.fsum(self.parts[name].weight for name in names if name not in weights)
            share = (1 - given) / others if others else 1.0
            for name in names:
                weight = weights.get(name, self.parts[name].weight * share)
                parts[name] = self.parts[name].model_copy(update={"weight": weight})
        Priorities.model_validate({"parts": {n: part.model_dump() for n, part in parts.items()}})
        return self.model_copy(update={"parts": parts})

    def for_columns(self, columns: Collection[str]) -> Priorities:
        """The same without the optional parts none of whose inputs is among ``columns``.

        The weight of a part left out goes to the others of its axis in proportion to theirs, so
        that the weights of each axis still sum to 1.
        """
        kept = {
            name: part
            for name, part in self.parts.items()
            if not part.optional or any(item.column in columns for item in part.inputs)
        }
        if len(kept) == len(self.parts):
            return self
        total = {
            axis: math.fsum(p.weight for p in kept.values() if p.axis == axis)
            for axis in ("likelihood", "harm")
        }
        parts = {
            name: part.model_copy(update={"weight": part.weight / total[part.axis]})
            for name, part in kept.items()
        }
        return self.model_copy(update={"parts": parts})


def load_priorities(path: Path) -> Priorities:
    """Read a priorities file; raises as `load_setbacks` does."""
    return load_model(path, Priorities)
