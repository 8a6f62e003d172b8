"""Data as short text: whole numbers in few bits or bytes, for a page to unpack when it needs them.

A packed block is raw DEFLATE (RFC 1951) of a header, bytes and streams, written in 91 letters and
signs. The header is the data as JSON with its columns of numbers taken out. A column is written by
how often each number stands (`shares`), or low bytes first, then the next ones, so that alike bytes
stand together, whichever is shorter. ``page/unpack.js`` undoes it.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from geo.publish.packing import prediction, shares

LETTERS: Final = "".join(chr(c) for c in range(33, 127) if chr(c) not in '"&<')
_HAS_NULLS, _SIGNED, _BY_SHARES = 1, 2, 4
# Told by lists only where that saves so many bits.
_WORTH_BITS: Final = 8_000
Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Way:
    """How a column is written.

    Attributes
    ----------
    coding
        What its numbers mean: whether some are unknown, whether some are below 0.
    width
        How many bytes its numbers take.
    table
        How often each stands; None for a column in bytes.
    source
        From which column before it in the list ``columns`` it is told, and how.
    lists
        For a column told by lists (`prediction.BY_LISTS`): these.
    """

    coding: int
    width: int
    table: shares.ShareTable | None
    source: tuple[int, int] | None = None
    lists: prediction.Lists | None = None


Plan = Mapping[Path, Way]
"""How each column of some data is written, by its path."""


def pack(data: Any) -> str:
    """Data as text of `LETTERS`.

    Parameters
    ----------
    data
        Dicts, lists, texts, finite numbers and one-dimensional numpy arrays: whole numbers, or
        floats that are whole or NaN where not known; below 2^31 in size.

    Raises
    ------
    ValueError
        For numbers that are not whole or too large, and for an infinite one.
    """
    return pack_each({"": data})[""]


def pack_each(parts: Mapping[str, Any]) -> dict[str, str]:
    """Each part packed by itself (`pack`), all written side by side, which is faster."""
    return dict(zip(parts, _packed([_alone(data) for data in parts.values()]), strict=True))


def _alone(data: Any) -> _Block:
    """Data with all that is needed to read them."""
    plain, columns = _taken_out(data)
    plan = {path: _way(values)[0] for path, values in columns}
    listed, known = _taken_out(tables(plan))
    shown = {("tables", *path): _whole(values, 0) for path, values in known}
    first = [[list(path), _width(whole), 0] for path, whole in shown.items()]
    header = {"data": plain, "tables": listed, "columns": first + heads(plan)}
    in_bytes = [_bytes(whole, _width(whole)) for whole in shown.values()]
    block = _Block.of(_written(data, plan), plan)
    counts = [*map(len, shown.values()), *block.header["counts"]]
    return _Block(header | {"counts": counts}, [*in_bytes, *block.bodies], block.lanes)


def pack_blocks(data: Any, plan: Plan, cuts: Sequence[Mapping[Path, slice]]) -> list[str]:
    """A table's data in blocks, as texts; what these share stands apart (`heads`, `tables`).

    Parameters
    ----------
    plan
        Of the data (`plan_of`).
    cuts
        For each block the rows of each column, by its path.
    """
    written = _written(data, plan)
    blocks = ({path: whole[cut[path]] for path, whole in written.items()} for cut in cuts)
    return _packed([_Block.of(block, plan) for block in blocks])


def heads(plan: Plan) -> list[list[Any]]:
    """How each column is written, as a page needs to know it: path, width, coding and so on."""
    turn = 0
    shown: list[list[Any]] = []
    for path, way in plan.items():
        how: list[Any] = [way.coding]
        if way.table is not None:
            how = [way.coding | _BY_SHARES, turn]
            turn += 1
        shown.append([["data", *path], way.width, *how, *(way.source or ())])
    return shown


def tables(plan: Plan) -> list[dict[str, Any]]:
    """What a page needs to know to read columns written by shares."""
    return [
        way.table.for_page() | ({} if way.lists is None else {"lists": way.lists.for_page()})
        for way in plan.values()
        if way.table is not None
    ]


@dataclass(frozen=True)
class _Block:
    """A header still as data, the bytes of columns, and what is to be written by shares."""

    header: dict[str, Any]
    bodies: list[bytes]
    lanes: list[tuple[NDArray[np.unsignedinteger], shares.ShareTable]]

    @classmethod
    def of(cls, written: Mapping[Path, NDArray[np.unsignedinteger]], plan: Plan) -> _Block:
        bodies, lanes = [], []
        for path, numbers in written.items():
            way = plan[path]
            if way.table is None:
                bodies.append(_bytes(numbers, way.width))
            else:
                lanes += [
                    (numbers[i : i + shares.MOST], way.table)
                    for i in range(0, len(numbers), shares.MOST)
                ]
        return cls({"counts": list(map(len, written.values()))}, bodies, lanes)

    def content(self, streams: Sequence[bytes]) -> bytes:
        """All of it, the streams last; their lengths stand in the header."""
        header = json.dumps(
            self.header | {"streams": list(map(len, streams))},
            ensure_ascii=False, allow_nan=False, separators=(",", ":"),
        ).encode("utf-8", "replace")  # fmt: skip
        return b"".join([len(header).to_bytes(4, "little"), header, *self.bodies, *streams])


def _packed(blocks: Sequence[_Block]) -> list[str]:
    streams = iter(shares.streams([lane for block in blocks for lane in block.lanes]))
    return [
        written(squeezed(block.content([next(streams) for _ in block.lanes]))) for block in blocks
    ]


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


def _taken_out(data: Any) -> tuple[Any, list[tuple[Path, NDArray]]]:
    """Data without its columns, and these by their paths."""
    columns: list[tuple[Path, NDArray]] = []

    def without(data: Any, path: Path) -> Any:
        if isinstance(data, np.ndarray):
            columns.append((path, data))
            return None
        if isinstance(data, Mapping):
            return {key: without(each, (*path, key)) for key, each in data.items()}
        is_list = isinstance(data, list | tuple)
        if is_list and any(not isinstance(v, str | int | float) for v in data):
            return [without(each, (*path, i)) for i, each in enumerate(data)]
        return data

    return without(data, ()), columns


def _way(
    values: NDArray, taken_from: NDArray | None = None, source: tuple[int, int] | None = None
) -> tuple[Way, float]:
    """How a column is told shortest, and in about how many bits."""
    coding = _HAS_NULLS if not prediction.is_known(values).all() else 0
    whole = prediction.filled(values)
    if taken_from is not None:
        whole = whole - taken_from
    if (whole[prediction.is_known(values)] < 0).any():
        coding |= _SIGNED
    whole = _whole(values, coding, taken_from)
    table, bits = _table(whole)
    return Way(coding, _width(whole), table, source), bits


def _way_by_lists(values: NDArray, other: NDArray, source: int) -> tuple[Way, float]:
    """How a column is told by what stands beside the numbers of another."""
    way, _ = _way(values)
    whole = _whole(values, way.coding)
    lists, places = prediction.lists_of(whole, other)
    table, bits = shares.table_of(places)
    shown_by = (source, prediction.BY_LISTS)
    return Way(way.coding, way.width, table, shown_by, lists), bits + lists.bits


def _written(data: Any, plan: Plan) -> dict[Path, NDArray[np.unsignedinteger]]:
    """The numbers that are written, by the path of their column."""
    found = {}
    for path, values in _taken_out(data)[1]:
        shown = _shown(data, values, plan[path])
        found[path] = shown.astype(np.min_scalar_type(shown.max(initial=0)))
    return found


def _shown(data: Any, values: NDArray, way: Way) -> NDArray[np.int64]:
    """The numbers that are written for a column."""
    if way.source is None:
        return _whole(values, way.coding)
    other = data["columns"][way.source[0]]
    if way.lists is not None:
        return way.lists.places(_whole(values, way.coding), other)
    return _whole(values, way.coding, prediction.over(prediction.filled(other), way.source[1]))


def _whole(values: NDArray, coding: int, taken_from: NDArray | None = None) -> NDArray[np.int64]:
    """Numbers as none below 0."""
    known = prediction.is_known(values)
    whole = prediction.filled(values)
    if (values[known] != whole[known]).any() or (np.abs(whole) >= 2**31).any():
        raise ValueError("a column holds whole numbers below 2^31")
    if taken_from is not None:
        whole = np.where(known, whole - taken_from, 0)
    if coding & _SIGNED:
        whole = np.where(whole < 0, -2 * whole - 1, 2 * whole)
    return np.where(known, whole + 1, 0) if coding & _HAS_NULLS else whole


def _width(whole: NDArray) -> int:
    return max(1, (int(whole.max(initial=0)).bit_length() + 7) // 8)


def _bytes(whole: NDArray, width: int) -> bytes:
    """So many bytes a number, lowest first of all."""
    planes = whole.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width]
    return planes.T.tobytes()


def _table(whole: NDArray[np.int64]) -> tuple[shares.ShareTable | None, float]:
    """How often each number stands, where the column is shorter written by that than in bytes.

    And about how many bits it takes.
    """
    if not len(whole):
        return None, 0.0
    table, bits = shares.table_of(whole)
    middle = max(0, len(whole) // 2 - shares.MOST)
    some = whole[middle : middle + shares.MOST]
    in_bytes = 8.0 * len(squeezed(_bytes(some, _width(some)))) * len(whole) / len(some)
    return (table, bits) if bits < in_bytes else (None, in_bytes)


def differences(values: NDArray) -> dict[str, Any]:
    """A rising or wandering column as steps from the one before, without unknowns.

    >>> differences(np.array([5, 7, 8]))["steps"].tolist()
    [5, 2, 1]
    """
    return {"steps": np.diff(values, prepend=0)}


def plan_of(data: Mapping[str, Any]) -> Plan:
    """How data are told shortest that are packed in several blocks of rows.

    Parameters
    ----------
    data
        Its list ``columns`` holds equally long columns; each may be told from one before it. Which
        is found on a sample of the rows; any plan gives the same numbers back.
    """
    columns = data["columns"]
    near, deciding = prediction.sources(columns), prediction.deciders(columns)
    plan = {}
    for path, values in _taken_out(data)[1]:
        source = decider = taken_from = None
        if path[0] == "columns":
            source, decider = near[int(path[1])], deciding[int(path[1])]
        if source is not None:
            taken_from = prediction.over(prediction.filled(columns[source[0]]), source[1])
        way, bits = _way(values, taken_from, source)
        if decider is not None and bits * (1 - decider[1]) > 4 * _WORTH_BITS:
            by_lists, bits_by_lists = _way_by_lists(values, columns[decider[0]], decider[0])
            way = by_lists if bits_by_lists < bits - _WORTH_BITS else way
        plan[path] = way
    return plan
