"""The two files a county's board may change: setback tables and priorities, as checked models."""

from __future__ import annotations

import datetime as dt
import difflib
import itertools
import math
import re
import tomllib
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    model_validator,
)

from layers.errors import CountyFileError
from layers.measures import spelled_out, to_metres

M = TypeVar("M", bound=BaseModel)


class Model(BaseModel):
    """A part of a settings file: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


LengthUnit = Annotated[Literal["m", "ft", "us-ft", "in", "km", "mi"], BeforeValidator(spelled_out)]
_LISTS: Final = (".xlsx", ".xlsm", ".xls", ".csv", ".gpkg", ".shp", ".geojson", ".zip", ".gdb")
_BACKSLASHED: Final = re.compile(r"=\s*\"[^\"]*\\[^\"\\]")
# What the checker of models says of a value, in an office's words.
_PARSER: Final = re.compile(r"(, unable to parse .*| or instance of \w+)$")
_PLAIN_WORDS: Final = {
    "a valid integer": "a whole number", "a valid number": "a number",
    "a valid string": "text in quotes", "a valid boolean": "true or false",
    "a valid dictionary": "a table", "a valid list": "a list in brackets",
    "a valid date": "a day as 2026-04-01",
}  # fmt: skip
Said = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
# Columns no part may rate, and why.
NEVER_SCORED: Final = {
    "storm_runoff_minutes": "it is the time runoff takes in a storm, not the outlet's own trickle",
}
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
        """The distance in metres."""
        return to_metres(self.distance, self.unit)

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
                raise ValueError(f"{kind} {min(twice)!r} stands twice")
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
                raise ValueError(f"table {line[-1].name!r} inherits {name!r}, which is not there")
            if by_name[name] in line:
                raise ValueError(f"table {table.name!r} inherits itself by way of {name!r}")
            line.append(by_name[name])
        return line

    def rows(self, table: SetbackTable) -> list[SetbackRule]:
        """The rows that hold in a table: its own, then inherited ones on other subjects."""
        held: list[SetbackRule] = []
        for ancestor in self._lineage(table):
            taken = {rule.subject for rule in held}
            held += [rule for rule in ancestor.rules if rule.subject not in taken]
        return held


class PriorityPart(Model):
    """One part of the score: a measured number, its rating curve, its weight and its reason.

    ``curve`` is a list of [value, rating] points joined by straight lines and level beyond its
    ends; ``ratings`` gives the rating of each word of a column of codes. ``of`` lists inputs
    that share the part: the largest of their ratings counts, once. ``unknown`` is the rating
    where no input of the part is known; ``draw_unknown`` says what stands in its place when the
    order is drawn again: a rating ``known`` of other units, any rating ``evenly``, or ``never``
    another, where that nothing is on record is itself a fact. An ``optional`` part counts only in
    a county that has one of its inputs; elsewhere its weight goes to the other parts of its axis.
    """

    axis: Literal["likelihood", "harm"]
    label: Said
    weight: Annotated[float, Field(ge=0, le=1)]
    column: str = ""
    unit: str = ""
    curve: list[tuple[float, float]] = Field(default_factory=list)
    ratings: dict[str, float] = Field(default_factory=dict)
    of: list[PriorityInput] = Field(default_factory=list)
    unknown: Annotated[float, Field(ge=0, le=1)]
    draw_unknown: Literal["known", "evenly", "never"] = "known"
    optional: bool = False
    reason: Said
    source: Said

    @model_validator(mode="after")
    def _one_way_to_rate(self) -> PriorityPart:
        if bool(self.column) == bool(self.of):
            raise ValueError("give either 'column' or 'of', not both and not neither")
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
    ``unknown``, this input is passed over.
    """

    column: Annotated[str, Field(min_length=1)]
    unless: str = ""
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
        raise ValueError(f"'{column}' never enters the score: {NEVER_SCORED[column]}")
    if bool(curve) == bool(ratings):
        raise ValueError("give either 'curve' or 'ratings', not both and not neither")
    if curve and not unit.strip():
        raise ValueError(f"the curve of '{column}' needs its 'unit', e.g. unit = \"m\"")
    values = [x for x, _ in curve]
    if any(b <= a for a, b in itertools.pairwise(values)):
        raise ValueError(f"curve values must rise strictly, these do not: {values}")
    for rating in [r for _, r in curve] + list(ratings.values()):
        if not 0 <= rating <= 1:
            raise ValueError(f"a rating lies between 0 and 1, not {rating}")


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


class Steadiness(Model):
    """How the order is tried: how often it is drawn, and how far the weights may be argued about.

    With a spread s the weights of an axis are drawn from a Dirichlet distribution around those
    stated, of concentration 1 / s^2 - 1, so that the standard deviation of a weight w is
    s sqrt(w (1 - w)); 0 leaves the weights as they are. No draws: no bands are told.
    """

    draws: Annotated[int, Field(ge=0, le=10_000)] = 500
    weight_spread: Annotated[float, Field(ge=0, le=0.5)] = 0.1


Grouping = Literal["kind", "exposure", "age", "last_result"]


class LearnedSettings(Model):
    """`[learned]`: the chance of trouble from the county's own visits.

    ``groups`` are the words units are told apart by, the most telling first; ``least_records``
    the number of completed visits with a result below which nothing is learned.
    """

    least_records: Annotated[int, Field(ge=1)] = 200
    groups: Annotated[list[Grouping], Field(min_length=1)] = [
        "kind",
        "age",
        "exposure",
        "last_result",
    ]
    age_bands_years: list[Annotated[float, Field(gt=0)]] = [10.0, 20.0, 30.0]

    @model_validator(mode="after")
    def _in_order(self) -> LearnedSettings:
        if len(set(self.groups)) < len(self.groups):
            raise ValueError(f"a group stands twice in {self.groups}")
        if any(b <= a for a, b in itertools.pairwise(self.age_bands_years)):
            raise ValueError(f"age_bands_years must rise strictly, not {self.age_bands_years}")
        return self


class Priorities(Model):
    """`priorities.toml`."""

    parts: dict[str, PriorityPart]
    classes: VisitClasses = VisitClasses()
    learned: LearnedSettings = LearnedSettings()
    steadiness: Steadiness = Steadiness()
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
                raise ValueError(f"one {axis} part at least must have weight and not be optional")
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
                f"no part is called {strangers[0]!r}; there are {', '.join(self.parts)}"
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


def load_setbacks(path: Path) -> Setbacks:
    """Read a setback file.

    Raises
    ------
    CountyFileError
        When the file is missing, is not TOML or breaks the model; the message names the key.
    """
    return load_model(path, Setbacks)


def load_priorities(path: Path) -> Priorities:
    """Read a priorities file; raises as `load_setbacks` does."""
    return load_model(path, Priorities)


def load_model(path: Path, model: type[M]) -> M:
    """Read a TOML file into a model.

    Raises
    ------
    CountyFileError
        When the file is missing, is not TOML or breaks the model; the message names the key.
    """
    if path.is_dir():
        raise CountyFileError(
            "that is a folder, not a file",
            where=str(path),
            mend=f"name the file itself, e.g. {path / 'county.toml'}",
        )
    if path.suffix.lower() in _LISTS:
        raise CountyFileError(
            f"{path.name} is a list or a map layer, not a county file",
            where=str(path),
            mend=f"'rillmark new DIR --from {path.name}' writes a county file that names it",
        )
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise CountyFileError(
            f"cannot read the file: {error.strerror}",
            where=str(path),
            mend="check the path; 'rillmark new DIR' writes a fresh set of files",
        ) from error
    except UnicodeDecodeError as error:
        raise CountyFileError(
            "the file is not plain UTF-8 text", where=str(path), mend="save it as UTF-8"
        ) from error
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CountyFileError(
            f"not valid TOML: {error}", where=str(path), mend=_mend_toml(text)
        ) from error
    except RecursionError as error:
        raise CountyFileError(
            "brackets are nested too deeply",
            where=str(path),
            mend="'rillmark new DIR' writes a fresh set of files",
        ) from error
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise CountyFileError(
            "; ".join(fault_words(e, model) for e in error.errors()),
            where=str(path),
            mend="mend the keys named; 'rillmark new DIR' writes a commented example",
        ) from error


def _mend_toml(text: str) -> str:
    for number, line in enumerate(text.splitlines(), start=1):
        if _BACKSLASHED.search(line):
            return (
                f"line {number} has a path with backslashes: write it with / instead, or in single"
                f" quotes: {line.strip().replace(chr(34), chr(39))}"
            )
    return "mend the line named"


def plain_path(path: str) -> str:
    r"""A path as it is, refused where a backslash was taken for an escape (``"a\tanks.csv"``).

    Raises
    ------
    ValueError
        When it holds a character no path has.
    """
    if any(ord(c) < 32 for c in path):
        raise ValueError(
            f"{path!r}: in double quotes a backslash means something else; write the path with /"
            " or in single quotes"
        )
    return path


def fault_words(error: object, model: type[BaseModel]) -> str:
    """One fault a checked model found, in an office's words: the key, the value, what it may be.

    Parameters
    ----------
    error
        An entry of `pydantic.ValidationError.errors`.
    model
        The model that found it.
    """
    entry: dict = dict(error)  # type: ignore[call-overload]
    loc = [part for part in entry["loc"] if part != "[key]"]
    key = ".".join(str(part) for part in loc) or "the file"
    if entry["type"] == "string_too_short" and not entry["input"].strip():
        return f"{key}: something must stand here"
    if entry["type"] == "missing":
        return f"{key}: this key is required"
    if entry["type"] == "extra_forbidden":
        *above, word = (str(part) for part in entry["loc"])
        known = sorted(_keys_at(model, above))
        guess = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
        hint = f"perhaps {guess[0]!r} is meant" if guess else f"known are {', '.join(known)}"
        return f"{key}: no such key is known; {hint}"
    message = entry["msg"].removeprefix("Value error, ")
    if message.startswith("Input should "):
        met = repr(entry["input"])
        message = f"{met if len(met) <= 60 else met[:59] + '…'} {message.removeprefix('Input ')}"
        message = _PARSER.sub("", message)
        for jargon, words in _PLAIN_WORDS.items():
            message = message.replace(jargon, words)
        if isinstance(entry["input"], str) and entry["type"] == "literal_error":
            known = re.findall(r"'([^']+)'", entry["ctx"]["expected"])
            guess = difflib.get_close_matches(entry["input"], known, n=1, cutoff=0.6)
            message += f"; perhaps {guess[0]!r} is meant" if guess else ""
    return message if message.startswith((f"{key}.", f"{key}:")) else f"{key}: {message}"


def _keys_at(model: type[BaseModel], above: Sequence[str]) -> set[str]:
    """The keys a settings file may have under a path of keys; names of tables are passed over."""
    models = [model]
    for key in above:
        fields = [m.model_fields[key] for m in models if key in m.model_fields]
        if fields:
            models = [inner for field in fields for inner in _models_in(field.annotation)]
    return {key for inner in models for key in inner.model_fields}


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]
