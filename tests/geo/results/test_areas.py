"""Small areas count what is in them; public ones give nobody away."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.results.areas import CELL_M, LEAST_UNITS, areas, first_n_curve, public_cells, to_fives

UTM = "EPSG:32616"


def units_at(xy: np.ndarray, **columns: object) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"unit_id": [str(i) for i in range(len(xy))], **columns},
        geometry=shapely.points(xy) if len(xy) else [],
        crs=UTM,
    )


def strewn(count: int, side: float = 9_000, seed: int = 3) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(seed)
    xy = np.array([430_700.0, 4_760_300.0]) + side * rng.random((count, 2)) ** 2
    return units_at(
        xy,
        visit_class=rng.choice(["first", "next", "routine"], count),
        lid_wet_state=rng.choice(["wet", "dry_in_all", "unknown"], count),
        rank=np.arange(1, count + 1),
        score=np.sort(rng.random(count))[::-1],
    )


def test_squares_count_every_unit_once() -> None:
    # reference: geopandas' own join of points and squares
    units = strewn(500)
    frame, area = areas(units)
    joined = gpd.sjoin(units, frame, predicate="within").groupby("area_id").size()
    assert dict(zip(frame["area_id"], frame["units"], strict=True)) == joined.to_dict()
    assert frame["units"].sum() == 500
    assert frame["first_class"].sum() == (units["visit_class"] == "first").sum()
    assert frame["lids_wet"].sum() == (units["lid_wet_state"] == "wet").sum()
    assert (area.value_counts().to_dict()) == joined.to_dict()
    assert np.allclose(frame.area, CELL_M**2)


def test_catchments_where_there_are_some_and_null_outside() -> None:
    units = units_at(np.array([[1.0, 1.0], [5.0, 1.0], [99.0, 99.0], [10.0, 1.0]]))
    catchments = gpd.GeoDataFrame(
        {"catchment_id": ["A", "B"], "name": ["Upper", None]},
        geometry=[shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10)],
        crs=UTM,
    )
    frame, area = areas(units, catchments)
    assert frame["units"].tolist() == [3, 0]  # on the line between two: the first
    assert area.fillna("none").tolist() == ["A", "A", "none", "A"]
    assert frame["lids_wet"].isna().all()


def test_units_without_a_place_are_in_no_area() -> None:
    units = units_at(np.array([[1.0, 1.0], [2.0, 2.0]]))
    units.loc[1, "geometry"] = None
    frame, area = areas(units)
    assert frame["units"].tolist() == [1]
    assert area.isna().tolist() == [False, True]
    assert len(public_cells(units, least=1)) == 1


points = st.lists(
    st.tuples(st.integers(-40_000, 40_000), st.integers(-40_000, 40_000)), max_size=120
)


@settings(deadline=None)
@given(points, st.integers(2, 15))
def test_public_cells_hold_all_and_none_holds_few(at: list[tuple[int, int]], least: int) -> None:
    xy = np.array(at, float).reshape(-1, 2) + 0.25
    cells = public_cells(units_at(xy), least=least)
    tree = shapely.STRtree(cells.geometry.to_numpy())
    point, cell = tree.query(shapely.points(xy), predicate="intersects")
    if len(xy) < least:
        assert len(cells) == 0
        return
    assert sorted(point) == list(range(len(xy)))  # each unit in just one
    assert np.bincount(cell, minlength=len(cells)).min() >= least
    assert not shapely.overlaps(
        cells.geometry.to_numpy()[:, None], cells.geometry.to_numpy()[None]
    ).any()


def test_public_cells_are_whole_kilometers_and_small_where_many_live() -> None:
    cells = public_cells(strewn(800))
    corners = cells.bounds.to_numpy()
    assert (corners % CELL_M == 0).all()
    assert cells.area.min() == CELL_M**2
    assert (cells["units"] % 5 == 0).all()
    block = shapely.union_all(cells.geometry.to_numpy())
    assert block.area == pytest.approx(cells.area.sum())  # no gap tells where nobody lives
    assert block.equals(shapely.box(*block.bounds))


def test_one_lonely_unit_does_not_spoil_the_rest() -> None:
    units = strewn(800)
    units.loc[0, "geometry"] = shapely.Point(447_500, 4_760_500)  # 8 km from any other
    cells = public_cells(units)
    assert len(cells) >= 5
    assert cells["units"].min() >= LEAST_UNITS - 3  # rounded to fives


def test_counts_are_told_in_fives() -> None:
    assert [to_fives(n) for n in (11, 12, 13, 38)] == [10, 10, 15, 40]


def test_a_square_where_all_are_in_a_class_does_not_say_so() -> None:
    units = strewn(40, side=900).assign(visit_class="first", lid_wet_state="dry_in_all")
    cells = public_cells(units)
    assert set(cells["first_from"]) == {0.75}
    assert set(cells["first_to"]) == {1.0}
    assert set(cells["wet_from"]) == {0.0}
    assert set(cells["wet_to"]) == {0.1}


def test_a_lid_of_which_nothing_is_known_is_not_dry() -> None:
    states = ["wet"] * 6 + ["base_flood"] * 4 + ["dry_in_all"] * 4 + ["edge"] * 10
    states += ["unknown"] * 6 + ["uncertain"] * 6 + [None] * 4
    units = strewn(40, side=100).assign(visit_class="routine", lid_wet_state=states)
    (row,) = areas(units)[0].to_dict("records")
    assert (row["lids_wet"], row["lids_not_known"]) == (10, 26)
    (cell,) = public_cells(units).to_dict("records")  # 10 of the 14 that are known, not of 40
    assert (cell["wet_from"], cell["wet_to"]) == (0.5, 0.75)
    few = units.assign(lid_wet_state=["wet"] * 10 + ["edge"] * 30)
    assert np.isnan(public_cells(few)["wet_from"].iloc[0])
    flooded = few.assign(flood_depth_m=[0.0] * 30 + [0.5] * 10)  # the base flood over them
    assert areas(flooded)[0]["lids_wet"].tolist() == [20]
    surely = few.assign(lid_wet_return_yr=[np.nan] * 39 + [100.0])
    assert areas(surely)[0]["lids_wet"].tolist() == [11]


@pytest.mark.parametrize(("share", "step"), [(0.1, (0.1, 0.25)), (0.5, (0.5, 0.75))])
def test_steps_begin_at_their_edge(share: float, step: tuple[float, float]) -> None:
    units = strewn(40, side=10).assign(visit_class="routine")
    units.loc[: round(40 * share) - 1, "visit_class"] = "first"
    (row,) = public_cells(units).to_dict("records")
    assert (row["first_from"], row["first_to"]) == step


def test_first_visits_cover_what_they_say() -> None:
    units = strewn(1_000).sample(frac=1, random_state=2)
    curve = first_n_curve(units)
    assert len(curve) <= 302
    assert curve["visits"].iloc[-1] == 1_000
    ordered = units.sort_values("rank")
    for visits, share, first in curve.itertuples(index=False):
        top = ordered.iloc[: int(visits)]
        assert share == pytest.approx(top["score"].sum() / units["score"].sum())
        assert first == pytest.approx(
            (top["visit_class"] == "first").sum() / (units["visit_class"] == "first").sum()
        )


def test_no_units_no_curve() -> None:
    assert len(first_n_curve(units_at(np.empty((0, 2))))) == 0
