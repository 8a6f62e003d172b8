"""Counts that give no household away: what a reader who subtracts can find out."""

import itertools

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from geo.areas import LEAST_UNITS
from geo.publish.privacy import by_area, guarded, merged, to_fives


@given(st.lists(st.integers(0, 60), min_size=1, max_size=5))
def test_groups_hold_every_unit_and_none_of_few(counts):
    groups = merged([(f"g{i}", n) for i, n in enumerate(counts)])
    if not groups:
        assert sum(counts) < LEAST_UNITS
        return
    assert sum(n for _, n in groups) == sum(counts)
    assert all(n == 0 or n >= LEAST_UNITS for _, n in groups)
    assert [name for label, _ in groups for name in label.split(" or ")] == [
        f"g{i}" for i in range(len(counts))
    ]


def test_groups_that_are_large_stand_alone():
    assert merged([("a", 11), ("b", 0), ("c", 30)]) == [("a", 11), ("b", 0), ("c", 30)]
    assert merged([("a", 10), ("b", 0), ("c", 30)]) == [("a or b or c", 40)]


@given(
    st.lists(st.tuples(st.sampled_from("ABCDE"), st.booleans()), max_size=150),
    st.integers(2, 15),
)
def test_no_area_and_no_rest_tells_of_few_or_of_all(units, least):
    area = pd.Series([a for a, _ in units], dtype=object)
    inside = pd.Series([b for _, b in units], dtype=bool)
    rows = by_area(area, inside, rest="others", least=least)
    assert all(k >= least and n - k >= least for _, n, k in rows)
    if rows:
        assert sum(n for _, n, _ in rows) == len(units)
        assert sum(k for *_, k in rows) == inside.sum()
        # nor do any shown rows together: all sums of rows hold enough as well, or are the whole
        for some in itertools.combinations(rows, 2):
            assert sum(k for *_, k in some) >= least


def test_units_outside_all_areas_stand_with_the_rest():
    area = pd.Series(["A"] * 40 + [None] * 40, dtype=object)
    inside = pd.Series(np.arange(80) % 2 == 0)
    assert by_area(area, inside, rest="others") == [("others", 40, 20), ("A", 40, 20)]


def test_a_small_rest_takes_the_smallest_area_in():
    area = pd.Series(["A"] * 60 + ["B"] * 40 + ["C"] * 3, dtype=object)
    inside = pd.Series(np.arange(103) % 2 == 0)
    assert [name for name, *_ in by_area(area, inside, rest="others")] == ["others", "A"]


def test_single_counts_are_guarded_from_both_sides():
    assert [guarded(n, 100) for n in (0, 1, 10, 11, 89, 90, 100)] == [
        "none", "fewer than 11", "fewer than 11", "11", "89", "nearly all", "nearly all",
    ]  # fmt: skip
    assert guarded(3, 8) == "not shown"
    assert [to_fives(n) for n in (11, 12, 13, 38)] == [10, 10, 15, 40]
