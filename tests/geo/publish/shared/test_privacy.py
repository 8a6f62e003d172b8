"""Counts that give no household away: what a reader who subtracts can find out."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from geo.publish.shared.privacy import by_area, guarded, merged
from geo.results.areas import LEAST_UNITS


@given(st.lists(st.integers(0, 60), min_size=1, max_size=5))
def test_groups_hold_every_unit_and_none_of_few_or_none(counts):
    groups = merged([(f"g{i}", n) for i, n in enumerate(counts)])
    if not groups:
        assert sum(counts) < LEAST_UNITS
        return
    assert sum(n for _, n in groups) == sum(counts)
    assert all(n >= LEAST_UNITS for _, n in groups)
    assert [name for label, _ in groups for name in label.split(" or ")] == [
        f"g{i}" for i in range(len(counts))
    ]


def test_groups_that_are_large_stand_alone():
    assert merged([("a", 11), ("b", 15), ("c", 30)]) == [("a", 11), ("b", 15), ("c", 30)]
    assert merged([("a", 10), ("b", 0), ("c", 30)]) == [("a or b or c", 40)]


def test_a_class_of_none_says_of_nobody_that_he_is_not_in_it():
    assert merged([("a", 11), ("b", 0), ("c", 30)]) == [("a", 11), ("b or c", 30)]


@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), max_size=6),
    st.tuples(st.integers(0, 30), st.integers(0, 30)),
    st.integers(2, 15),
)
def test_no_area_and_no_rest_tells_of_few_or_of_all(sizes, outside, least):
    areas = [(name, n + k, k) for name, (n, k) in zip("ABCDEF", sizes, strict=False)]
    areas.append(("", sum(outside), outside[1]))
    whole = sum(n for _, n, _ in areas), sum(k for *_, k in areas)
    rows = by_area(areas, whole, rest="others", least=least)
    assert all(k >= least and n - k >= least for _, n, k in rows)
    if rows:
        assert (sum(n for _, n, _ in rows), sum(k for *_, k in rows)) == whole
        # nor do any shown rows together: all sums of rows hold enough as well, or are the whole
        for some in itertools.combinations(rows, 2):
            assert sum(k for *_, k in some) >= least


def test_units_outside_all_areas_stand_with_the_rest():
    rows = by_area([("A", 40, 20), ("", 40, 20)], (80, 40), rest="others")
    assert rows == [("others", 40, 20), ("A", 40, 20)]


def test_a_small_rest_takes_the_smallest_area_in():
    rows = by_area([("A", 60, 30), ("B", 40, 20), ("C", 5, 0)], (105, 50), rest="others")
    assert [name for name, *_ in rows] == ["others", "A"]


def test_the_rest_alone_is_the_whole_and_not_said():
    assert by_area([("A", 5, 0), ("", 40, 20)], (45, 20), rest="others") == []


def test_single_counts_are_guarded_from_both_sides():
    assert [guarded(n, 100) for n in (0, 1, 10, 11, 89, 90, 100)] == [
        "fewer than 11", "fewer than 11", "fewer than 11", "11", "89", "nearly all", "nearly all",
    ]  # fmt: skip
    assert guarded(3, 8) == "not shown"
