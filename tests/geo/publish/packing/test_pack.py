"""What is packed comes back, whatever it was, and as the same bytes every time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.publish.packing import pack, prediction

Undo = Callable[..., Any]
numbers = st.one_of(st.none(), st.integers(-(2**31) + 1, 2**31 - 1), st.integers(-300, 300))


def column(values: list[int | None]) -> np.ndarray:
    return np.array([np.nan if v is None else v for v in values])


def whole(data: dict[str, list[np.ndarray]], plan: pack.Plan) -> list[str]:
    """A table in one block."""
    paths = [("columns", i) for i in range(len(data["columns"]))]
    return pack.pack_blocks(data, plan, [dict.fromkeys(paths, slice(None))])


@given(st.lists(numbers, max_size=40))
def test_a_column_comes_back(undo: Undo, values: list[int | None]) -> None:
    assert undo(pack.pack({"a": [{"b": column(values)}, "x"]})) == {"a": [{"b": values}, "x"]}


@given(st.lists(st.lists(st.integers(-9999, 9999), min_size=3, max_size=3), min_size=1))
def test_columns_told_from_each_other_come_back(undo: Undo, rows: list[list[int]]) -> None:
    first, second, noise = (column(list(values)) for values in zip(*rows, strict=True))
    second[::2] = first[::2]
    tenth = np.floor((first + 5) / 10) + (noise > 9000)
    data = {"columns": [first, second, tenth], "fills": [noise]}
    plan = pack.plan_of(data)
    for i, source in ((1, (0, 1)), (2, (0, 10))):
        taken_from = first if i == 1 else np.floor((first + 5) / 10)
        plan["columns", i] = pack._way(data["columns"][i], taken_from.astype(int), source)[0]
    half = len(first) // 2
    paths = [("columns", 0), ("columns", 1), ("columns", 2), ("fills", 0)]
    cuts = [dict.fromkeys(paths, rows) for rows in (slice(half), slice(half, len(first)))]
    known = undo(pack.pack({"heads": pack.heads(plan), "tables": pack.tables(plan)}))
    texts = pack.pack_blocks(data, plan, cuts)
    back = [undo(text, known)["columns"] for text in texts]
    for i, values in enumerate(data["columns"]):
        assert back[0][i] + back[1][i] == values.astype(int).tolist()


def test_a_column_that_repeats_another_costs_nearly_nothing() -> None:
    rng = np.random.default_rng(4)
    first = rng.integers(0, 60_000, 4096).astype(float)
    columns = [first, np.floor((first + 5) / 10), first.copy()]
    plan = pack.plan_of({"columns": columns})
    assert [plan["columns", i].source for i in range(3)] == [None, (0, 10), (0, 1)]
    alone = len(pack.pack({"columns": [first]}))
    (together,) = whole({"columns": columns}, plan)
    assert len(together) < alone + 200
    assert len(pack.pack({"columns": columns})) > 1.5 * alone


def test_a_column_that_another_decides_is_told_by_lists(undo: Undo) -> None:
    rng = np.random.default_rng(4)
    kind = rng.integers(0, 9, 20_000).astype(float)
    kind[rng.random(20_000) < 0.1] = np.nan
    shown = np.array([3, 900, 4, 55, 2, 71, 20, 6, 1_000, 77])[
        np.nan_to_num(kind, nan=9).astype(int)
    ]
    shown = np.where(rng.random(20_000) < 0.05, np.nan, shown - 30.0 * (rng.random(20_000) < 0.2))
    data = {"columns": [kind, shown]}
    plan = pack.plan_of(data)
    assert plan["columns", 1].source == (0, prediction.BY_LISTS)
    known = undo(pack.pack({"heads": pack.heads(plan), "tables": pack.tables(plan)}))
    (packed,) = whole(data, plan)
    back = undo(packed, known)["columns"]
    assert back == [[None if np.isnan(v) else int(v) for v in c] for c in (kind, shown)]
    (alone,) = whole({"columns": [kind]}, plan)
    assert len(packed) - len(alone) < 0.5 * (len(pack.pack(data)) - len(pack.pack([kind])))


def test_same_data_same_text() -> None:
    data = {"a": np.arange(1000), "b": ["é", "</script>"]}
    assert pack.pack(data) == pack.pack(data)


@given(st.binary(max_size=40))
def test_written_bytes_come_back(bytes_of: Callable[[str], bytes], content: bytes) -> None:
    text = pack.written(content)
    assert bytes_of(text) == content
    assert not set(text) & set('"&<')


@pytest.mark.parametrize("value", [0.5, 2.0**31, -(2.0**31)])
def test_numbers_that_are_not_whole_or_too_large_are_refused(value: float) -> None:
    with pytest.raises(ValueError, match="whole numbers below"):
        pack.pack({"a": np.array([1.0, value])})
