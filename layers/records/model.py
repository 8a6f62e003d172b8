"""One record: a visit, a laboratory's result, or a word about an earlier record.

A record is never changed. A wrong one is withdrawn by another, a follow-up is extended or closed
by another, and each has an id of its own, so that any number of copies of it are one record.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal

from pydantic import (
    AfterValidator,
    Field,
    TypeAdapter,
    ValidationError,
    model_validator,
)

from layers.errors import RecordError
from layers.fields.schemas import OUTCOMES
from layers.settings.settings_file import Model

Severity = Literal["danger", "repair", "minor"]
SEVERITIES: Final[tuple[Severity, ...]] = ("danger", "repair", "minor")
Answer = Literal["good", "not_good", "could_not_see"]
Part = Literal["lid", "outlet", "well"]
PHOTO_MOST_CHARACTERS: Final = 700_000  # base64 of about half a megabyte


def _utc(moment: dt.datetime) -> dt.datetime:
    if moment.tzinfo is None:
        raise ValueError("a time without its offset; write it in UTC, such as 2026-04-01T14:05:00Z")
    try:
        return moment.astimezone(dt.UTC)
    except OverflowError as error:
        raise ValueError("a time at the end of the calendar; write it in UTC") from error


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError("not a finite number")
    return value


def _outcome(word: str) -> str:
    if word not in OUTCOMES:
        raise ValueError(f"{word!r} is not one of {', '.join(OUTCOMES)}")
    return word


Utc = Annotated[dt.datetime, AfterValidator(_utc)]
Number = Annotated[float, AfterValidator(_finite)]
Text = Annotated[str, Field(max_length=4_000)]
Key = Annotated[str, Field(min_length=1, max_length=200)]
Reason = Annotated[str, Field(min_length=1, max_length=4_000)]
Content = Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")]


class Answered(Model):
    """What was seen of one thing to look at."""

    item: Key
    answer: Answer
    note: Text = ""


class Finding(Model):
    """Something that is not as it should be; what follows is due by its severity."""

    item: Key
    severity: Severity
    note: Text = ""


class RunningOut(Model):
    """The look and smell of what runs out of the discharge pipe."""

    flow: Literal["none", "trickle", "steady", "surfacing", "unknown"] = "unknown"
    look: Text = ""
    smell: Text = ""


class MeasuredValue(Model):
    """A value measured on site, with its unit and what it was measured with."""

    what: Key
    value: Number | None = None
    unit: Key
    qualifier: Literal["", "<", ">", "no_flow"] = ""
    instrument: Text = ""

    @model_validator(mode="after")
    def _a_value_or_no_flow(self) -> MeasuredValue:
        if (self.value is None) != (self.qualifier == "no_flow"):
            raise ValueError(f"{self.what}: use a value, or the qualifier no_flow without a value")
        return self


class Sample(Model):
    """A sample taken; its results come later, by its number."""

    number: Key
    point: Text = ""
    taken_at: Utc
    on_ice: bool | None = None
    laboratory: Text = ""


class Position(Model):
    """A position taken or corrected on site, in degrees of WGS 84."""

    part: Part
    lat: Annotated[Number, Field(ge=-90, le=90)]
    lon: Annotated[Number, Field(ge=-180, le=180)]
    accuracy_m: Annotated[Number, Field(gt=0)] | None = None
    basis: Literal["surveyed", "gps", "phone", "digitised", "unknown"] = "unknown"
    feature_id: str = ""


class Taped(Model):
    """A distance taped on site from a part of the unit to something."""

    part: Literal["tank", "discharge_point"]
    feature: Key
    feature_id: str = ""
    distance_m: Annotated[Number, Field(ge=0, le=5_000)]


class Photo(Model):
    """A small picture without its metadata, as base64 JPEG."""

    name: Key
    jpeg: Annotated[str, Field(max_length=PHOTO_MOST_CHARACTERS, pattern=r"^[A-Za-z0-9+/]+=*$")]
    note: Text = ""


class _Common(Model):
    record_id: Key
    county: Key
    at: Utc
    by: Key


class Visit(_Common):
    """A visit to a unit, whatever came of it. Only a completed one resets a clock.

    ``by_lot``: it was made because the unit was drawn by lot, so that it speaks for every unit.
    """

    kind: Literal["visit"]
    unit_id: Key
    day: dt.date
    outcome: Annotated[str, AfterValidator(_outcome)]
    by_lot: bool = False
    result: Literal["good", "minor", "repair", "danger", "unknown"] = "unknown"
    answers: tuple[Answered, ...] = ()
    findings: tuple[Finding, ...] = ()
    running_out: RunningOut | None = None
    measured: tuple[MeasuredValue, ...] = ()
    samples: tuple[Sample, ...] = ()
    positions: tuple[Position, ...] = ()
    taped: tuple[Taped, ...] = ()
    photos: tuple[Photo, ...] = ()
    note: Text = ""

    @property
    def judged(self) -> str:
        """The worst thing found, else the result as stated, else good where all was answered so.

        A visit that was not completed can find trouble, but never that all is well.
        """
        found = {finding.severity for finding in self.findings}
        for severity in SEVERITIES:
            if severity in found or self.result == severity:
                return severity
        answers = {answered.answer for answered in self.answers}
        if self.outcome != "completed" or answers & {"not_good", "could_not_see"}:
            return "unknown"
        return "good" if answers or self.result == "good" else "unknown"


class SampleResult(_Common):
    """A laboratory's result, joined to its sample by number."""

    kind: Literal["sample_result"]
    number: Key
    what: Key
    value: Number
    unit: Key
    qualifier: Literal["", "<", ">"] = ""
    limit: Number | None = None
    limit_from: Text = ""

    @model_validator(mode="after")
    def _a_limit_has_a_permit(self) -> SampleResult:
        if self.limit is not None and not self.limit_from.strip():
            raise ValueError("name the unit's permit that sets the limit in limit_from")
        return self


class _Word(_Common):
    """Speaks of a record: of the content named, or of the only one its id has."""

    of: Annotated[str, Field(min_length=1, max_length=250)]  # an id and "/number"
    content: Content = ""


class Withdrawal(_Word):
    """An earlier record is wrong and no longer counts; it stays on file."""

    kind: Literal["withdrawal"]
    reason: Reason


class Extension(_Word):
    """A follow-up gets more time."""

    kind: Literal["extension"]
    until: dt.date
    reason: Reason


class Closure(_Word):
    """A follow-up is done, with what shows it."""

    kind: Literal["closure"]
    evidence: Reason


class Hold(_Common):
    """Nothing of a unit (or of the county, where none is named) may be disposed of."""

    kind: Literal["hold"]
    unit_id: str = ""
    reason: Reason


class HoldLifted(_Word):
    """A hold ends."""

    kind: Literal["hold_lifted"]
    reason: Reason


Record = Annotated[
    Visit | SampleResult | Withdrawal | Extension | Closure | Hold | HoldLifted,
    Field(discriminator="kind"),
]
_RECORD: Final[TypeAdapter[Any]] = TypeAdapter(Record)


@dataclass(frozen=True)
class Filed:
    """A record as it is on file: perhaps without its photos, but with the hash of all of it."""

    record: Record
    content: str


def content_hash(record: Record) -> str:
    """The SHA-256 of a record's line, photos included, in hex: what its id stands for."""
    return hashlib.sha256(record_line(record).encode("utf-8")).hexdigest()


def parse_record(line: str | bytes) -> Record:
    """A record from its line of JSON; NUL characters, which no database keeps, are taken out.

    Raises
    ------
    RecordError
        When it is not one; the message names the field.
    """
    try:
        record: Record = _RECORD.validate_json(_cleaned(line))
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"]) or "the line"
        raise RecordError(
            f"{field}: {first['msg'].removeprefix('Value error, ')}",
            where="a record",
            hint="export the day again from its record page",
        ) from error
    return record


_NUL: Final = "\\u0000"  # as JSON writes it


def _cleaned(line: str | bytes) -> str | bytes:
    if not (_NUL.encode() in line if isinstance(line, bytes) else _NUL in line):
        return line
    try:
        return json.dumps(_without_nul(json.loads(line)))
    except (ValueError, RecursionError):
        return line  # what is wrong with it is said by who reads it


def _without_nul(value: Any) -> Any:
    if isinstance(value, str):
        return value.replace("\x00", "")
    if isinstance(value, list):
        return [_without_nul(each) for each in value]
    if isinstance(value, dict):
        return {_without_nul(key): _without_nul(each) for key, each in value.items()}
    return value


def record_line(record: Record) -> str:
    """A record as one line of JSON: same record, same bytes."""
    fields = record.model_dump(mode="json", exclude_defaults=True) | {"kind": record.kind}
    return json.dumps(fields, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
