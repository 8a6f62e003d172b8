"""Two public editions compared tell of no single household.

The attack is the subtraction of one edition from another (differencing; the tracker of Denning,
Denning and Schwartz 1979, from memory), by a reader who knows which household came between them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.results.areas import CELL_M, STEP_EDGES, WET, squares_of
from geo.results.public_editions import edition_of, held_cells, held_counts, true_counts
from layers.folders.public_ledger import Edition
from layers.outputs.groups import Areas
from layers.outputs.run import Run
from layers.settings.county_file import PublicSection
from layers.store import Assessment

SECTION = PublicSection()
UTM = "EPSG:32616"


def given_out(edition: Edition) -> tuple[Any, ...]:
    """All of an edition that a reader can see, and more: numbers too small to be shown as well."""
    return edition.cells, edition.shown, dict(edition.counts), edition.crs


def with_units(assessment: Assessment, units: gpd.GeoDataFrame) -> Assessment:
    """The assessment of other units, its rows used counted anew."""
    counts = [
        dataclasses.replace(row, used=len(units)) if row.layer == "units" else row
        for row in assessment.run.counts
    ]
    return dataclasses.replace(
        assessment, units=units, run=dataclasses.replace(assessment.run, counts=counts)
    )


class County:
    """The units as the functions that hold numbers take them, counted here a second way."""

    def __init__(self, result: Assessment) -> None:
        units = result.units
        self.counts = true_counts(result)[0]
        self.at = squares_of(units)
        self.is_first = (units["visit_class"] == "first").to_numpy()
        self.is_wet = units["lid_wet_state"].isin(WET).to_numpy()
        names = dict(zip(result.areas.small["area_id"], result.areas.small["name"], strict=True))
        self.has = [self._facts(unit, names) for unit in units.to_dict("records")]
        self.layers = ["layer:units"]

    @staticmethod
    def _facts(unit: Mapping[str, Any], names: Mapping[str, str]) -> set[str]:
        area = names.get(unit["area_id"])
        area = area if isinstance(area, str) else ""
        facts = {"units", f"class:{unit['visit_class']}", f"area:{area}"}
        if unit["visit_class"] in ("first", "next"):
            facts |= {"soon", f"soon:{area}"}
        if unit["ranked_by"] == "owed":
            facts.add("owed")
        if unit["outlet_state"] == "unknown":
            facts.add("outlet_unknown")
        if unit["lid_wet_return_yr"] <= 10:
            facts.add("wet_lids")
        return facts

    def without(self, i: int) -> tuple[dict[str, int], list[np.ndarray]]:
        gone = self.has[i] | set(self.layers)
        counts = {key: n - (key in gone) for key, n in self.counts.items()}
        return counts, [np.delete(v, i, axis=0) for v in (self.at, self.is_first, self.is_wet)]

    def otherwise(self, i: int) -> tuple[dict[str, int], list[np.ndarray]]:
        """Every fact of a household the other way round, and its place that of another one."""
        whole = {"units", *self.layers}
        counts = {
            key: n + (0 if key in whole else -1 if key in self.has[i] else 1)
            for key, n in self.counts.items()
        }
        at, is_first, is_wet = self.at.copy(), self.is_first.copy(), self.is_wet.copy()
        at[i] = at[(i + 57) % len(at)]
        is_first[i], is_wet[i] = not is_first[i], not is_wet[i]
        return counts, [at, is_first, is_wet]


@pytest.fixture(scope="module")
def county(larkmoor_result: Assessment) -> County:
    return County(larkmoor_result)


@pytest.fixture(scope="module")
def first(larkmoor_result: Assessment) -> Edition:
    return edition_of(larkmoor_result)


def edition(counts: Mapping[str, int], vectors: list[np.ndarray], last: Edition | None) -> Edition:
    at, is_first, is_wet = vectors
    of_all = np.ones(len(at), bool)
    marks = {"first": (is_first, of_all), "wet": (is_wet, of_all)}
    return Edition(
        as_of="", made_from="", crs=UTM, shown=("first", "wet"),
        cells=held_cells(at, marks, last, SECTION),
        counts=held_counts(counts, None if last is None else last.counts, k=5),
    )  # fmt: skip


@pytest.mark.parametrize("change", ["without", "otherwise"])
def test_no_pair_of_editions_tells_of_any_household_of_the_county(
    county: County, change: str
) -> None:
    whole = county.counts, [county.at, county.is_first, county.is_wet]
    a = edition(*whole, None)
    apart = 0
    for i in range(len(county.has)):
        other = getattr(county, change)(i)
        assert given_out(edition(*other, a)) == given_out(a)  # then it goes, or changes
        before = edition(*other, None)
        assert given_out(edition(*whole, before)) == given_out(before)  # then it comes
        apart += given_out(before) != given_out(a)
    # each counted anew, as it was done before: the two editions differ for most households
    assert len(county.has) == 402
    assert apart > 300


def test_the_whole_edition_stays_and_is_counted_as_here(
    county: County, larkmoor_result: Assessment, first: Edition
) -> None:
    units = larkmoor_result.units
    for i in range(0, len(units), 40):
        less = with_units(larkmoor_result, units.drop(index=units.index[i]))
        assert true_counts(less)[0] == {
            key: n for key, n in county.without(i)[0].items() if n or key in true_counts(less)[0]
        }
        again = edition_of(less, [first])
        assert given_out(again) == given_out(first)
        assert again.made_from != first.made_from


def test_counted_anew_outlines_shrink_by_one_household(larkmoor_result: Assessment) -> None:
    """What the rule is for: the outlines of two first editions tell where a household is gone."""
    units = larkmoor_result.units
    whole = [c.box for c in edition_of(larkmoor_result).cells]
    edge = units.index[np.argmax(units.geometry.x)]
    some = units.drop(index=units.index[units.geometry.x > units.geometry.x.max() - 1000])
    one_more = gpd.GeoDataFrame(pd.concat([some, units.loc[[edge]]]), crs=units.crs)
    boxes = [
        [c.box for c in edition_of(with_units(larkmoor_result, u)).cells] for u in (some, one_more)
    ]
    assert boxes[0] != boxes[1]
    assert len({*boxes[0], *boxes[1], *whole}) > len(whole)


def test_the_same_figures_again_are_the_same_edition(
    larkmoor_result: Assessment, first: Edition
) -> None:
    units = larkmoor_result.units
    autumn = with_units(larkmoor_result, units.iloc[:300])
    second = edition_of(autumn, [first])
    assert given_out(second) != given_out(first)
    assert edition_of(autumn, [first, second]) is second
    assert edition_of(larkmoor_result, [first, second]) is first  # spring's page made again
    tweaked = with_units(larkmoor_result, units.assign(address="elsewhere", score=0.0))
    assert edition_of(tweaked, [first]) is first


# ---------------------------------------------------------------------- any sequence of editions


@dataclasses.dataclass(frozen=True)
class Home:
    x: int
    y: int
    first: bool
    wet: bool
    owed: bool


homes = st.builds(
    Home, st.integers(0, 3), st.integers(0, 2), st.booleans(), st.booleans(), st.booleans()
)


def figures(homes_: list[Home]) -> tuple[dict[str, int], list[np.ndarray]]:
    counts = {"units": len(homes_), "owed": sum(h.owed for h in homes_)}
    at = np.array([[h.x, h.y] for h in homes_], np.int64).reshape(-1, 2)
    return counts, [
        at,
        *(np.array([getattr(h, n) for h in homes_], bool) for n in ("first", "wet")),
    ]


def values(e: Edition) -> Iterator[tuple[tuple[str, Any], int | None]]:
    for name, n in e.counts.items():
        yield (name, None), n
    for cell in e.cells:
        for name in ("units", "first", "wet"):
            yield (name, cell.box), getattr(cell, name)


def concerns(key: tuple[str, Any], home: Home | None) -> Any:
    """What a household puts into a number; None where it puts nothing in."""
    name, box = key
    if home is None:
        return None
    if box is None:
        return True if name == "units" else home.owed or None
    if not (box[0] <= home.x < box[2] and box[1] <= home.y < box[3]):
        return None
    return True if name == "units" else (name, getattr(home, name))


steps = st.lists(
    st.dictionaries(st.integers(0, 69), st.one_of(st.none(), homes), max_size=9), max_size=12
)


@settings(max_examples=60)
@given(st.lists(homes, min_size=15, max_size=60), steps)
def test_whatever_moves_k_households_at_least_have_moved_it(
    start: list[Home], changes: list[dict[int, Home | None]]
) -> None:
    now: dict[int, Home | None] = dict(enumerate(start))
    last: Edition | None = None
    since: dict[tuple[str, Any], tuple[int | None, dict[int, Home | None]]] = {}
    boxes: list[Any] = []
    for change in [{}, *changes]:
        now = now | change
        last = edition(*figures([h for h in now.values() if h is not None]), last)
        assert [c.box for c in last.cells][: len(boxes)] == boxes  # outlines stay
        if boxes:
            assert all(c.units >= 10 for c in last.cells)
        boxes = [c.box for c in last.cells]
        for key, value in values(last):
            if key not in since:
                since[key] = value, now
            elif since[key][0] != value:
                before = since[key][1]
                moved = [
                    i for i in {*before, *now}
                    if concerns(key, before.get(i)) != concerns(key, now.get(i))
                ]  # fmt: skip
                assert len(moved) >= SECTION.least_change
                since[key] = value, now
    assert last is not None


@pytest.mark.long
@settings(max_examples=3_000, parent=settings.get_profile("search"))
@given(st.lists(homes, min_size=11, max_size=65), steps)
def test_whatever_moves_over_and_over(
    start: list[Home], changes: list[dict[int, Home | None]]
) -> None:
    test_whatever_moves_k_households_at_least_have_moved_it.hypothesis.inner_test(start, changes)


# ------------------------------------------------------------------------------ what may move


def strewn(n: int, west: float = 0, south: float = 0, side: float = 1, **columns: Any) -> Any:
    rng = np.random.default_rng(n)
    xy = CELL_M * (np.array([430 + west, 4760 + south]) + side * rng.random((n, 2)))
    plain = {"visit_class": "routine", "lid_wet_state": "dry_in_all"} | columns
    return gpd.GeoDataFrame(plain, index=range(n), geometry=shapely.points(xy), crs=UTM)


def assessed(*parts: Any, public: dict[str, Any] | None = None) -> Assessment:
    units = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=parts[0].crs)
    run = {"as_of": "2026-04-01", "settings": {"public": public or {}}}
    empty = gpd.GeoDataFrame(geometry=[], crs=UTM)
    none = pd.DataFrame({"area_id": []})
    return Assessment(units, empty, empty, empty, none, areas=Areas(small=none), run=Run.of(run))


def test_many_at_once_are_told() -> None:
    a = edition_of(assessed(strewn(40)))
    units = strewn(55, visit_class="first", lid_wet_state="wet")
    b = edition_of(assessed(units), [a])
    assert [c.box for c in b.cells] == [c.box for c in a.cells] == [(430, 4760, 431, 4761)]
    assert (a.cells[0].units, a.cells[0].first, a.cells[0].wet) == (40, 0, 0)
    assert (b.cells[0].units, b.cells[0].first, b.cells[0].wet) == (55, 4, 4)
    assert (b.counts["units"], b.counts["class:first"]) == (55, 55)


def test_k_is_a_setting_and_rounding_hides_where_it_begins() -> None:
    a = edition_of(assessed(strewn(42)))  # 40 is told of 42, 41, 40, 39 or 38
    shown = [edition_of(assessed(strewn(n)), [a]).cells[0].units for n in (46, 47, 34, 33)]
    assert shown == [40, 45, 40, 35]
    wide = {"least_change": 8}
    shown = [edition_of(assessed(strewn(n), public=wide), [a]).cells[0].units for n in (49, 50)]
    assert shown == [40, 50]


def test_an_area_that_became_small_keeps_outline_and_shares() -> None:
    a = edition_of(assessed(strewn(40), strewn(30, west=1)))
    few = strewn(4, visit_class="first", lid_wet_state="wet")
    b = edition_of(assessed(few, strewn(30, west=1)), [a])
    assert [c.box for c in b.cells] == [c.box for c in a.cells]
    assert (b.cells[0].units, b.cells[0].first, b.cells[0].wet) == (10, 0, 0)
    none = edition_of(assessed(strewn(30, west=1)), [a, b])
    assert [c.box for c in none.cells] == [c.box for c in a.cells]
    assert none.cells[0] == b.cells[0]


def test_new_areas_only_where_k_more_than_the_least_group_came() -> None:
    a = edition_of(assessed(strewn(40)))
    for n, more in ((15, 0), (16, 1), (80, 1)):
        b = edition_of(assessed(strewn(40), strewn(n, west=3)), [a])
        assert b.cells[0] == a.cells[0]
        assert len(b.cells) - len(a.cells) >= more
        assert (len(b.cells) > len(a.cells)) == bool(more)
        union = shapely.union_all([shapely.box(*c.box) for c in b.cells])
        assert union.area == sum(shapely.box(*c.box).area for c in b.cells)  # none over another
        assert union.equals(shapely.box(*union.bounds))  # and no gap tells where nobody lives
    nothing = edition_of(assessed(strewn(10)))
    assert nothing.cells == ()
    assert edition_of(assessed(strewn(15)), [nothing]).cells == ()
    assert len(edition_of(assessed(strewn(16)), [nothing]).cells) == 1


def test_left_out_and_told_again_is_no_new_count() -> None:
    a = edition_of(assessed(strewn(40)))
    bare = strewn(40).drop(columns=["lid_wet_state", "visit_class"])
    b = edition_of(assessed(bare), [a])
    assert a.shown == ("classes", "first", "wet", "wet_lids")
    assert b.shown == ()
    wet = strewn(40)
    wet.loc[:5, "lid_wet_state"] = "wet"  # 6 of 40: counted anew this would be another step
    c = edition_of(assessed(wet), [a, b])
    assert c.shown == a.shown
    assert c.cells == a.cells
    assert edition_of(assessed(wet)).cells != a.cells


def test_told_for_the_first_time_a_share_is_what_it_is() -> None:
    a = edition_of(assessed(strewn(40).drop(columns="lid_wet_state")))
    assert a.cells[0].wet is None
    b = edition_of(assessed(strewn(40, lid_wet_state=["wet", "dry_in_all"] * 20)), [a])
    assert b.cells[0].wet == 3


@pytest.mark.parametrize(("before", "known", "shown"), [
    (None, 10, False), (None, 11, True), (11, 6, True), (11, 5, False), (10, 15, False),
    (10, 16, True),
])  # fmt: skip
def test_whether_a_share_is_known_hangs_on_no_household(
    before: int | None, known: int, shown: bool
) -> None:
    def of(n: int) -> Assessment:
        states = ["dry_in_all"] * n + ["unknown"] * (40 - n)
        return assessed(strewn(40, lid_wet_state=states))

    editions = [] if before is None else [edition_of(of(before))]
    assert ("wet" in edition_of(of(known), editions).shown) == shown


def test_another_working_system_leaves_the_outlines_where_they_are() -> None:
    a = edition_of(assessed(strewn(60, side=0.98, west=0.01, south=0.01)))
    moved = strewn(60, side=0.98, west=0.01, south=0.01).to_crs("EPSG:32615")
    b = edition_of(assessed(moved), [a])
    assert given_out(b) == given_out(a)


def test_areas_of_the_report_that_are_gone_hold_none() -> None:
    true = {"units": 60, "area:A": 40, "soon:A": 20, "area:B": 20, "soon:B": 5}
    last = held_counts(true, None, k=5)
    now = held_counts({"units": 60, "area:B": 60, "soon:B": 25}, last, k=5)
    assert now == {"units": 60, "area:A": 0, "soon:A": 0, "area:B": 60, "soon:B": 25}


def test_a_step_is_left_only_k_households_beyond_it() -> None:
    def step(n: int, some: int, last: list[Edition]) -> tuple[int, Edition]:
        classes = ["first"] * some + ["routine"] * (n - some)
        e = edition_of(assessed(strewn(n, visit_class=classes)), last)
        return e.cells[0].first, e

    at, a = step(40, 9, [])  # 22 %: 10 to 25 %, its edges at 4 and 10 households
    assert STEP_EDGES[at] == 0.1
    assert [step(40, some, [a])[0] for some in (14, 15, 0)] == [1, 2, 1]
    assert [step(100, some, [a])[0] for some in (29, 30, 6, 5)] == [1, 2, 1, 0]
