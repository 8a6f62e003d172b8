"""Data as short text: whole numbers in bytes, squeezed, for a page to unpack when it needs them.

A packed block is raw DEFLATE (RFC 1951) of a header and bytes, written in 91 letters and signs.
The header is the data as JSON with its columns of numbers taken out; each column is written low
bytes first, then the next ones, so that alike bytes stand together. ``page/unpack.js`` undoes it.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

LETTERS: Final = "".join(chr(c) for c in range(33, 127) if chr(c) not in '"&<')
_HAS_NULLS, _SIGNED = 1, 2
_SAMPLE: Final = 1024
# Columns that stand beside each other in a page and may hold nearly the same numbers, or tenths.
_OVER: Final = (1, -1, 10, 90, 900)
# Against: ages from years. 90 and 900: places in `encode.steps` with one decimal, without it.
_SAME, _AGAINST, _TENTHS = 1, -1, 10


@dataclass
class Plan:
    """From which earlier column each column of a table is told, by position; found once."""

    source: list[tuple[int, int] | None] = field(default_factory=list)


def pack(data: Any, plan: Plan | None = None) -> str:
    """Data as text of `LETTERS`.

    Parameters
    ----------
    data
        Dicts, lists, texts, finite numbers and one-dimensional numpy arrays: whole numbers, or
        floats that are whole or NaN where not known; below 2^31 in size.
    plan
        For data with a list ``columns`` of equally long arrays: how they follow from each other.

    Raises
    ------
    ValueError
        For numbers that are not whole or too large, and for an infinite one.
    """
    columns: list[tuple[list[str | int], NDArray]] = []
    plain = _without_columns(data, [], columns)
    heads, bodies = [], []
    for path, values in columns:
        source = None
        if plan and len(path) == 2 and path[0] == "columns":
            source = plan.source[int(path[1])]
        head, body = _column(values, _told_from(data, source))
        heads.append([path, len(values), *head, *(source or ())])
        bodies.append(body)
    header = json.dumps(
        {"data": plain, "columns": heads},
        ensure_ascii=False, allow_nan=False, separators=(",", ":"),
    ).encode("utf-8", "replace")  # fmt: skip
    content = b"".join([len(header).to_bytes(4, "little"), header, *bodies])
    return written(squeezed(content))


def written(content: bytes) -> str:
    r"""Bytes as text of `LETTERS`, each 13 bits as two of them; 8 % shorter than base64.

    The letters are those of ASCII that need no escape in a page or in an attribute. Up to 6 bits
    at the end take one letter.

    >>> written(bytes([255, 1])), written(b"a")
    ('\\(!', ')#')
    """
    bits = np.unpackbits(np.frombuffer(content, np.uint8), bitorder="little")
    last = len(bits) % 13
    filled = np.zeros(len(bits) + -len(bits) % 13, np.uint8)
    filled[: len(bits)] = bits
    numbers = filled.reshape(-1, 13).astype(np.int64) @ (1 << np.arange(13))
    pairs = np.column_stack([numbers % len(LETTERS), numbers // len(LETTERS)])
    text = np.frombuffer(LETTERS.encode("ascii"), np.uint8)[pairs].tobytes().decode("ascii")
    return text[:-1] if 0 < last <= 6 else text


def squeezed(content: bytes) -> bytes:
    """Raw DEFLATE, the same bytes for the same content."""
    # few symbols at a time, so that each column gets code lengths of its own; and few copies
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -15, 5, zlib.Z_FILTERED)
    return squeezer.compress(content) + squeezer.flush()


def _told_from(data: Any, source: tuple[int, int] | None) -> NDArray | None:
    if source is None:
        return None
    return _over(_filled(data["columns"][source[0]]), source[1])


def _without_columns(
    data: Any, path: list[str | int], columns: list[tuple[list[str | int], NDArray]]
) -> Any:
    if isinstance(data, np.ndarray):
        columns.append((path, data))
        return None
    if isinstance(data, Mapping):
        return {key: _without_columns(each, [*path, key], columns) for key, each in data.items()}
    if isinstance(data, list | tuple) and any(not isinstance(v, str | int | float) for v in data):
        return [_without_columns(each, [*path, i], columns) for i, each in enumerate(data)]
    return data


def _column(values: NDArray, told_from: NDArray | None) -> tuple[list[int], bytes]:
    """Bytes a number and how they are meant; the bytes, lowest first of all."""
    known = ~np.isnan(values) if values.dtype.kind == "f" else np.ones(len(values), bool)
    whole = _filled(values)
    if (values[known] != whole[known]).any() or (np.abs(whole) >= 2**31).any():
        raise ValueError("a column holds whole numbers below 2^31")
    coding = 0
    if told_from is not None:
        whole = np.where(known, whole - told_from, 0)
    if (whole < 0).any():
        coding |= _SIGNED
        whole = np.where(whole < 0, -2 * whole - 1, 2 * whole)
    if not known.all():
        coding |= _HAS_NULLS
        whole = np.where(known, whole + 1, 0)
    return _bytes(whole, coding)


def _bytes(whole: NDArray, coding: int) -> tuple[list[int], bytes]:
    most = int(whole.max(initial=0))
    width = max(1, (most.bit_length() + 7) // 8)
    planes = whole.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width]
    return [width, coding], planes.T.tobytes()


def differences(values: NDArray) -> dict[str, Any]:
    """A rising or wandering column as steps from the one before, without unknowns.

    >>> differences(np.array([5, 7, 8]))["steps"].tolist()
    [5, 2, 1]
    """
    return {"steps": np.diff(values, prepend=0)}


def _filled(values: NDArray) -> NDArray[np.int64]:
    """Whole numbers, 0 where not known."""
    return np.nan_to_num(values).astype(np.int64)


def _over(values: NDArray[np.int64], by: int) -> NDArray[np.int64]:
    if by in (_SAME, _AGAINST):
        return values * by
    tenths = (values + 5) // 10
    return tenths if by == _TENTHS else np.where(values < by // 9 * 10, tenths, values - by)


def plan_of(columns: Sequence[NDArray]) -> Plan:
    """How each of some equally long columns is told in the fewest bytes from one before it.

    Found on a sample of their rows; any plan gives the same numbers back.
    """
    if not columns or not len(columns[0]):
        return Plan([None] * len(columns))
    step = max(1, len(columns[0]) // _SAMPLE)
    sample = [np.asarray(column[::step][:_SAMPLE]) for column in columns]
    filled = np.array([_filled(column) for column in sample]).reshape(len(sample), -1)
    alone = [_cost(column, None) for column in sample]
    plan = Plan()
    for j, column in enumerate(sample):
        best, source = alone[j] - 8, None
        known = ~np.isnan(column.astype(float))
        if known.any() and alone[j] > len(column) // 16:
            for i, over in _likely(filled, j, known):
                cost = _cost(column, _over(filled[i], over))
                if cost < best:
                    best, source = cost, (i, over)
        plan.source.append(source)
    return plan


def _likely(filled: NDArray, j: int, known: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Columns before column j that come near it in some rows at least."""
    mine = filled[j, known]
    spread = np.abs(mine - np.median(mine)).mean()
    before = filled[:j][:, known]
    found = []
    for over in _OVER:
        left = mine - _over(before, over)
        left = np.abs(left - np.median(left, axis=1, keepdims=True))  # all by as much is no less
        near = ((left == 0).mean(axis=1) > 0.2) | (left.mean(axis=1) < spread / 3)
        found += [(int(i), over) for i in np.flatnonzero(near)]
    return found


def _cost(column: NDArray, told_from: NDArray | None) -> int:
    return len(zlib.compress(_column(column, told_from)[1], 6))
