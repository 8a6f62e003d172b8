"""Records of every kind with every field at its extremes, made from the models' own fields."""

from __future__ import annotations

import datetime as dt
import types
from collections.abc import Iterator
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from layers.fields.schemas import OUTCOMES
from layers.records.model import Record

COUNTY = "Test County"
AS_OF = dt.date(2026, 4, 1)
KINDS: dict[str, type[BaseModel]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model
    for model in get_args(get_args(Record)[0])
}
# Whatever a person or a program may put where text stands; each model takes what it allows.
_TEXTS = (
    "plain", "", " ", *OUTCOMES, "a/b/../../etc", "..", "constructor", "__proto__", "two\nlines",
    "\u2028\u2029\x85", "\u202eright to left \u0627\u0644", "\U0001f6bd", "<img src=x onerror=1>",
    '"quoted\', ; tab\t', "=1+1", "\uff1d1", "{{ 7 }}", "%s{0}\\", "nan", "0", "con", "\x1b[31m",
    "m", "ft", "in", "riser height", "pipe", "x" * 200, "é" * 4_000, "/9j/AA==", "A", "AAAA",
)  # fmt: skip
_NUMBERS = (1, 0, -0.0, -1, 1e308, -1e308, 5e-324, 0.3, 89.99, 90, -90, 180, -180, 5_000)
_DAYS = (AS_OF - dt.timedelta(30), dt.date.min, dt.date.max, AS_OF, AS_OF + dt.timedelta(1))
_TIMES = (
    "2026-03-02T14:00:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59.999999Z",
    "2026-03-02T14:00:00.5+05:30", "0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00",
)  # fmt: skip
# What makes a record touch the county and what else is on record, where a field of that name is.
NAMED: dict[str, Any] = {
    "county": COUNTY, "unit_id": "001", "by": "Kim Invented", "number": "S-1", "qualifier": "",
    "at": _TIMES[0], "day": _DAYS[0], "result": "unknown", "limit_from": "permit P-1",
}  # fmt: skip
# What the fields of one model ask of each other.
TOGETHER: dict[str, dict[str, dict[str, Any]]] = {
    "Measured": {"no_flow": {"qualifier": "no_flow", "value": None}},
}


def _shown(field: FieldInfo) -> Any:
    """The annotation of a field with what the model says of it."""
    return Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation


def _values(annotation: Any, name: str) -> Iterator[Any]:
    """Values to try in a field; the model refuses some.

    Raises
    ------
    TypeError
        Where this does not know what may stand in such a field.
    """
    while get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    origin = get_origin(annotation)
    if name in NAMED:
        yield NAMED[name]
    if origin in (Union, types.UnionType):
        for inner in get_args(annotation):
            yield from _values(inner, "")
    elif origin is Literal:
        yield from get_args(annotation)
    elif origin is tuple:
        inner = get_args(annotation)[0]
        yield ()
        some = list(of_model(inner))
        yield tuple(some[:1] * 60)
        yield from ((one,) for one in some)
    elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield from of_model(annotation)
    elif annotation is type(None):
        yield None
    elif annotation in _BY_TYPE:
        yield from _BY_TYPE[annotation]
    else:
        raise TypeError(f"no values are known for {name}: {annotation}")


_BY_TYPE: dict[Any, tuple[Any, ...]] = {
    str: _TEXTS, float: _NUMBERS, int: _NUMBERS, bool: (False, True), dt.date: _DAYS,
    dt.datetime: _TIMES,
}  # fmt: skip


def _allowed(model: type[BaseModel], fields: dict[str, Any]) -> bool:
    try:
        model.model_validate(fields)
    except ValidationError:
        return False
    return True


def minimal(model: type[BaseModel]) -> dict[str, Any]:
    """Only what must stand in it."""
    made: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        if field.is_required():
            made[name] = next(v for v in _values(_shown(field), name) if _fits(model, name, v))
    if not _allowed(model, made):  # then fields ask for each other
        for name, field in model.model_fields.items():
            for value in _values(_shown(field), name):
                if _allowed(model, made | {name: value}):
                    return made | {name: value}
    return made


def _fits(model: type[BaseModel], name: str, value: Any) -> bool:
    """Whether the field by itself takes a value."""
    try:
        model.model_validate({name: value})
    except ValidationError as error:
        return not any(fault["loc"][:1] == (name,) for fault in error.errors())
    return True


def of_model(model: type[BaseModel]) -> Iterator[dict[str, Any]]:
    """The least, the fullest, and one for each value of each field that the model takes."""
    least = minimal(model)
    assert _allowed(model, least), f"nothing is known that {model.__name__} takes"
    yield least
    full = dict(least)
    for name, field in model.model_fields.items():
        tried = [v for v in _values(_shown(field), name) if _allowed(model, least | {name: v})]
        assert tried, f"nothing is known that {model.__name__}.{name} takes"
        for value in tried:
            yield least | {name: value}
        if name not in least:
            filled = [
                v for v in tried if v not in ("", (), None) and _allowed(model, full | {name: v})
            ]
            full |= {name: filled[-1]} if filled else {}
    for more in TOGETHER.get(model.__name__, {}).values():
        yield least | more
    yield full


def few(kind: str) -> Iterator[dict[str, Any]]:
    """The least record of a kind, one with each of its other fields alone, and the fullest."""
    model = KINDS[kind]
    full = list(of_model(model))[-1]
    least = minimal(model)
    yield least
    for name in full:
        if name not in least and _allowed(model, least | {name: full[name]}):
            yield least | {name: full[name]}
    yield full


def singles() -> Iterator[tuple[str, dict[str, Any]]]:
    """Every record with a word for it, each once."""
    seen = set()
    for kind, model in KINDS.items():
        for number, fields in enumerate(of_model(model)):
            if fields["record_id"] == "plain":
                fields = fields | {"record_id": f"{kind}-1"}
            if repr(fields) not in seen:
                seen.add(repr(fields))
                yield f"{kind} {number}", fields


def saturated() -> Iterator[tuple[str, dict[str, Any]]]:
    """For each value that is tried, one record of each kind with it wherever the model takes it."""
    seen = set()
    for kind, model in KINDS.items():
        full = list(of_model(model))[-1]
        for pool in _BY_TYPE.values():
            for value in pool:
                fields = _filled(model, full, value)
                if repr(fields) not in seen:
                    seen.add(repr(fields))
                    yield f"{kind} of {value!r:.40}", fields


def _filled(model: type[BaseModel], fields: dict[str, Any], value: Any) -> dict[str, Any]:
    made = dict(fields)
    for name, field in model.model_fields.items():
        inner = fields.get(name)
        if name in ("county", "kind", "unit_id"):
            continue
        if isinstance(inner, dict):
            made[name] = _filled(_model_in(field.annotation), inner, value)
        elif isinstance(inner, tuple):
            made[name] = tuple(_filled(_model_in(field.annotation), one, value) for one in inner)
        elif _allowed(model, made | {name: value}):
            made[name] = value
    return made


def _model_in(annotation: Any) -> Any:
    """The model in an annotation as `tuple[Model, ...]` or `Model | None`."""
    return next(a for a in get_args(annotation) if isinstance(a, type) and issubclass(a, BaseModel))
