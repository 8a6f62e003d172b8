"""Reading a settings file into a checked model, and saying in an office's words what is wrong."""

from __future__ import annotations

import difflib
import re
import stat
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, StringConstraints, ValidationError

from layers.errors import CountyFileError
from layers.measures import spelled_out

M = TypeVar("M", bound=BaseModel)


class Model(BaseModel):
    """A part of a settings file: unknown keys are refused, and numbers that are not finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


LengthUnit = Annotated[Literal["m", "ft", "us-ft", "in", "km", "mi"], BeforeValidator(spelled_out)]
Sentence = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
_LISTS: Final = (".xlsx", ".xlsm", ".xls", ".csv", ".gpkg", ".shp", ".geojson", ".zip", ".gdb")
_LARGEST_MB: Final = 5
_HINT_WHOLE: Final = "whole numbers have at most 18 digits"
_BACKSLASHED: Final = re.compile(r"=\s*\"[^\"]*\\[^\"\\]")
# What the checker of models says of a value, in an office's words.
_PARSER: Final = re.compile(r"(, unable to parse .*| or instance of \w+)$")
_PLAIN_WORDS: Final = {
    "a valid integer": "a whole number", "a valid number": "a number",
    "a valid string": "text in quotes", "a valid boolean": "true or false",
    "a valid dictionary": "a table", "a valid list": "a list in brackets",
    "a valid date": "a date such as 2026-04-01",
}  # fmt: skip


def load_model(path: Path, model: type[M]) -> M:
    """Read a TOML file into a model.

    Raises
    ------
    CountyFileError
        When the file is missing, is not TOML or breaks the model; the message names the key.
    """
    if path.is_dir():
        raise CountyFileError(
            "this is a folder, not a file",
            where=str(path),
            hint=f"name the file itself, such as {path / 'county.toml'}",
        )
    if path.suffix.lower() in _LISTS:
        raise CountyFileError(
            f"{path.name} is a list or a map layer, not a county file",
            where=str(path),
            hint=f"'rillmark new DIR --from {path.name}' writes a county file that names it",
        )
    try:
        _refuse_odd_files(path)
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise CountyFileError(
            f"cannot read the file: {error.strerror}",
            where=str(path),
            hint="check the path; 'rillmark new DIR' writes a new set of files",
        ) from error
    except UnicodeDecodeError as error:
        raise CountyFileError(
            "the file is not plain UTF-8 text", where=str(path), hint="save it as UTF-8"
        ) from error
    try:
        data = tomllib.loads(text)
        _refuse_odd_numbers(data, "", path)
    except tomllib.TOMLDecodeError as error:
        raise CountyFileError(
            f"not valid TOML: {error}", where=str(path), hint=_toml_hint(text)
        ) from error
    except RecursionError as error:
        raise CountyFileError(
            "brackets are nested too deeply",
            where=str(path),
            hint="'rillmark new DIR' writes a new set of files",
        ) from error
    except ValueError as error:  # of Python, for a whole number of thousands of digits
        raise CountyFileError(
            "not valid TOML: a whole number has too many digits", where=str(path), hint=_HINT_WHOLE
        ) from error
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise CountyFileError(
            "; ".join(fault_words(e, model) for e in error.errors()),
            where=str(path),
            hint="correct these keys; 'rillmark new DIR' writes an example with comments",
        ) from error


def _refuse_odd_files(path: Path) -> None:
    """Refuse what is no regular file, which might never end, and one far larger than settings."""
    found = path.stat()
    if not stat.S_ISREG(found.st_mode):
        raise CountyFileError(
            f"{path.name or path} is a pipe or a device, not a file",
            where=str(path),
            hint="name a file on the disk",
        )
    if found.st_size > _LARGEST_MB * 1_000_000:
        raise CountyFileError(
            f"{path.name} has {found.st_size:,} bytes; settings can have at most {_LARGEST_MB} MB",
            where=str(path),
            hint="check that it is the right file; name lists as layers, not as settings",
        )


def _refuse_odd_numbers(value: Any, key: str, path: Path) -> None:
    """Refuse whole numbers beyond 64 bits, which are beyond TOML 1.0 (section "Integer")."""
    if isinstance(value, dict):
        for name, inner in value.items():
            _refuse_odd_numbers(inner, f"{key}.{name}" if key else name, path)
    elif isinstance(value, list):
        for inner in value:
            _refuse_odd_numbers(inner, key, path)
    elif isinstance(value, int) and not -(2**63) <= value < 2**63:
        raise CountyFileError(
            f"not valid TOML: {key}: a whole number has too many digits",
            where=str(path),
            hint=_HINT_WHOLE,
        )


def _toml_hint(text: str) -> str:
    for number, line in enumerate(text.splitlines(), start=1):
        if _BACKSLASHED.search(line):
            return (
                f"line {number} has a path with backslashes; use / instead, or single quotes:"
                f" {line.strip().replace(chr(34), chr(39))}"
            )
    return "correct this line"


def plain_path(path: str) -> str:
    r"""A path as it is, refused where a backslash was taken for an escape (``"a\tanks.csv"``).

    Raises
    ------
    ValueError
        When it holds a character no path has.
    """
    if any(ord(c) < 32 for c in path):
        raise ValueError(
            f"{path!r}: a backslash does not work in double quotes; use / instead, or single quotes"
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
        return f"{key}: this cannot be blank"
    if entry["type"] == "missing":
        return f"{key}: this key is required"
    if entry["type"] == "extra_forbidden":
        *above, word = (str(part) for part in entry["loc"])
        known = sorted(_keys_at(model, above))
        guess = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
        hint = f"did you mean {guess[0]!r}?" if guess else f"use one of {', '.join(known)}"
        return f"{key}: there is no such key; {hint}"
    message = entry["msg"].removeprefix("Value error, ")
    if message.startswith("Input should "):
        value = repr(entry["input"])
        value = value if len(value) <= 60 else f"{value[:59]}…"
        message = f"{value} {message.removeprefix('Input ')}"
        message = _PARSER.sub("", message)
        for jargon, words in _PLAIN_WORDS.items():
            message = message.replace(jargon, words)
        if isinstance(entry["input"], str) and entry["type"] == "literal_error":
            known = re.findall(r"'([^']+)'", entry["ctx"]["expected"])
            guess = difflib.get_close_matches(entry["input"], known, n=1, cutoff=0.6)
            message += f"; did you mean {guess[0]!r}?" if guess else ""
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
