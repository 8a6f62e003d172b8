"""Drawn ways: nothing without error, closed forms, a slow reference, windows against the whole."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS
from scipy.ndimage import gaussian_filter
from scipy.stats import norm
from shapely import LineString, Point, box

from geo.terrain import build_terrain
from geo.terrain.draws import ErrorModel
from geo.terrain.error_field import ErrorField
from geo.trace.drawn_ways import offsets_of
from geo.waters import way_following
from geo.waters.paths import outlet_paths
from geo.waters.waterways import find_waterways
from geo.waters.way_draws import draw_ways, most_wanted
from layers.grid import Grid, Window

UTM16 = CRS("EPSG:32616")
WEST, NORTH = 500_000.0, 2_930_000.0
LINE95 = {"streams": 2.0, "water_bodies": 2.0, "drains": 2.0}


def at(col, row, cell=1.0):
    """The middle of a cell."""
    return WEST + (col + 0.5) * cell, NORTH - (row + 0.5) * cell


def line(*cells, cell=1.0):
    return LineString([at(*c, cell) for c in cells])


def layer(id_column, *shapes, **more):
    ids = [f"{id_column[0]}{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame({id_column: ids, **more}, geometry=list(shapes), crs=UTM16)


def brooks(*shapes):
    return {"streams": layer("stream_id", *shapes, stream_kind=["stream"] * len(shapes))}


def draw(z, outlets, features, error, *, a95=0.0, cell=1.0, **more):
    """The drawn ways of some outlets, given as (column, row)."""
    terrain = build_terrain(
        Grid(z.astype(np.float32), Affine(cell, 0, WEST, 0, -cell, NORTH), UTM16)
    )
    ids = [f"D{k}" for k in range(len(outlets))]
    points = gpd.GeoDataFrame(
        {"discharge_point_id": ids, "unit_id": ids, "outlet_kind": "ground"},
        geometry=[Point(at(*o, cell)) for o in outlets], crs=UTM16,
    )  # fmt: skip
    paths = outlet_paths(points, terrain, features, line95_m=LINE95)
    paths.insert(0, "unit_id", ids)
    paths.insert(1, "discharge_point_id", ids)
    ways = find_waterways(paths, points.geometry.to_numpy(), terrain, features, line95_m=LINE95)
    lines = paths.rename(columns={"path_length_m": "length_m"})
    return draw_ways(
        lines, np.full(len(ids), a95), terrain, features, ways.legs, error, line95_m=LINE95, **more
    ), ways  # fmt: skip


def share_into(drawn, feature_id):
    """By discharge point: the share of the draws that come into a feature."""
    hit = drawn.entries[drawn.entries["feature_id"] == feature_id]
    shares = hit.groupby("discharge_point_id")["draws"].sum() / drawn.draws
    return shares.reindex(sorted(set(drawn.entries["discharge_point_id"])), fill_value=0.0)


def roof(rows=41, cols=121, ridge=60, fall=0.05):
    """Two planes that fall from a ridge to the west and to the east."""
    return np.tile(50 - fall * np.abs(np.arange(cols) - ridge), (rows, 1))


def rough(shape, seed, scales=((0.3, 3.0), (1.0, 12.0))):
    z = sum(
        ErrorField(sd, reach, (1.0, 1.0), seed).read(k, Window(0, 0, *shape)).astype(float)
        for k, (sd, reach) in enumerate(scales)
    )
    return z + 50 - 0.02 * np.arange(shape[1])


NO_ERROR = ErrorModel(0.0, 10.0, 3, 0)


def test_without_error_every_draw_is_the_way_the_terrain_shows():
    z = rough((120, 140), 3)
    features = brooks(line((100, 0), (110, 119))) | {
        "water_bodies": layer("water_body_id", box(*at(60, 50), *at(75, 30))),
        "drains": layer("drain_id", line((30, 80), (55, 90))),
    }
    outlets = [(c, r) for c in range(5, 98, 12) for r in range(6, 118, 14)]
    drawn, ways = draw(z, outlets, features, NO_ERROR)
    assert (drawn.draws, drawn.not_followed) == (3, 0.0)
    assert set(drawn.passes["offsets_m"]) == {"0:3"}
    assert (drawn.entries["draws"] == 3).all()
    assert sorted(drawn.entries["discharge_point_id"]) == sorted(
        f"D{k}" for k in range(len(outlets))
    )
    assert {"stream", "water_body", "drain"} <= set(drawn.entries["ends"])
    wet = drawn.entries[drawn.entries.geometry.notna()].set_index("discharge_point_id")
    places = ways.places[ways.places["kind"] == "outlet"].set_index("discharge_point_id")
    assert set(wet.index) == set(places.index)
    for column in ("leg", "along_m", "water", "height_m", "before_m"):
        np.testing.assert_allclose(wet[column], places[column].reindex(wet.index), atol=1e-4)


def test_an_error_alike_everywhere_changes_nothing():
    z = rough((60, 140), 5)
    outlets = [(c, r) for c in range(5, 90, 12) for r in range(6, 55, 8)]
    features = brooks(line((100, 0), (110, 59)))
    near, _ = draw(z, outlets, features, NO_ERROR)
    far, _ = draw(z, outlets, features, ErrorModel(0.02, 300.0, 3, 0))
    names = ["discharge_point_id", "leg", "draws"]
    pd.testing.assert_frame_equal(far.entries[names], near.entries[names])


def test_the_exact_chance_of_one_of_two_neighbors():
    # From the outlet's cell water runs to the lower of two neighbors, each with an error of its
    # own, one k standard deviations above the other: P = Phi(k / sqrt 2) (elementary probability)
    sd, draws = 0.01, 300
    for k in (0.3, 1.5):
        z = np.full((15, 9), 60.0)
        below = np.arange(8, dtype=float)
        z[7:, 3], z[7:, 5] = 49.0 - 0.1 * below, 49.0 + k * sd - 0.1 * below
        z[7, 4] = 50.0
        features = brooks(line((3, 7), (3, 14)), line((5, 7), (5, 14)))
        drawn, _ = draw(z, [(4, 7)], features, ErrorModel(1.96 * sd, 0.0, draws, 11))
        exact = norm.cdf(k / np.sqrt(2))
        found = share_into(drawn, "s0").iloc[0]
        assert found == pytest.approx(exact, abs=3.5 * np.sqrt(exact * (1 - exact) / draws))
        assert share_into(drawn, "s1").iloc[0] == pytest.approx(1 - found)


def test_the_exact_chance_of_an_outlet_beside_a_ridge():
    # an exact terrain: what decides is on which side of the ridge the outlet truly lies
    features = brooks(line((5, 0), (5, 40)), line((115, 0), (115, 40)))
    sd, draws = 3.0, 300
    outlets = [(56, 20), (60, 20), (62, 20)]
    drawn, _ = draw(roof(), outlets, features, ErrorModel(0, 1.0, draws, 2), a95=2.4477 * sd)
    # the ridge's own cell drains east, the lower code
    exact = norm.cdf((60 - np.array([56.5, 60.5, 62.5])) / sd)
    found = share_into(drawn, "s0").to_numpy()
    assert np.abs(found - exact).max() < 3.5 * np.sqrt(0.25 / draws)


def slow_share_west(z, start, sd_m, reach, west, east, draws, seed):
    """How often water from a cell comes to one column before another, by numpy and scipy alone."""
    random = np.random.default_rng(seed)
    hits = 0
    for _ in range(draws):
        noise = gaussian_filter(random.standard_normal(z.shape), reach, mode="wrap")
        ground = z + sd_m * noise * 2 * np.sqrt(np.pi) * reach
        row, col = start
        while west < col < east:
            drops = {
                (i, j): (ground[row, col] - ground[row + i, col + j]) / np.hypot(i, j)
                for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)
            }  # fmt: skip
            (i, j), drop = max(drops.items(), key=lambda pair: pair[1])
            assert drop > 0  # the slope is steep against the error: no hollow on the way
            row, col = row + i, col + j
        hits += col == west
    return hits / draws


def test_the_share_beside_a_ridge_agrees_with_a_slow_reference():
    z = roof(rows=81, cols=41, ridge=20, fall=0.1)
    features = brooks(line((5, 0), (5, 80)), line((35, 0), (35, 80)))
    sd, reach, draws, slow = 0.08, 3.0, 300, 1000
    outlets = [(16, 40), (18, 40), (20, 40), (21, 40)]
    drawn, _ = draw(z, outlets, features, ErrorModel(1.96 * sd, reach, draws, 5))
    for found, (col, row) in zip(share_into(drawn, "s0"), outlets, strict=True):
        other = slow_share_west(z, (row, col), sd, reach, 5, 35, slow, col)
        # several standard errors of both, for four comparisons
        assert found == pytest.approx(other, abs=3.5 * np.sqrt(0.25 / draws + 0.25 / slow))
    assert share_into(drawn, "s0").between(0.02, 0.98).any()


def test_a_way_that_leaves_its_window_is_followed_on():
    # the terrain's way is 20 m to the west; over the ridge it is 100 m to the east
    z = roof(rows=201, cols=300, ridge=30, fall=0.05)
    features = brooks(line((5, 0), (5, 200)), line((130, 0), (130, 200)))
    error = ErrorModel(0.2, 2.0, 60, 1)
    drawn, _ = draw(z, [(29, 100)], features, error)
    exact, _ = draw(z, [(29, 100)], features, ErrorModel(0.0, 2.0, 60, 1))
    assert drawn.cells > exact.cells  # looked at more than the first window
    assert drawn.not_followed == 0
    assert 0 < share_into(drawn, "s1").iloc[0] < 0.5
    assert share_into(drawn, "s0").iloc[0] + share_into(drawn, "s1").iloc[0] == pytest.approx(1)


def test_windows_give_what_the_whole_terrain_gives(monkeypatch):
    z = rough((400, 420), 8)
    features = brooks(
        line((200, 0), (215, 399)), line((380, 0), (390, 399)), line((90, 0), (90, 399))
    )
    outlets = [(60, 60), (170, 350), (330, 200)]
    error = ErrorModel(0.3, 2.0, 60, 4)
    some, _ = draw(z, outlets, features, error, a95=6.0)
    assert some.windows > 1
    whole = Window(0, 0, *z.shape)
    monkeypatch.setattr(
        way_following, "share_windows", lambda boxes, *_: ([whole], np.zeros(len(boxes), np.int64))
    )
    every, _ = draw(z, outlets, features, error, a95=6.0)
    assert some.cells < every.cells
    # a hollow that a window's edge cuts open can drain another way: rare, and told by its notes
    one, two = (
        d.entries.groupby(["discharge_point_id", "leg", d.entries["along_m"] // 5], dropna=False)
        ["draws"].sum()
        for d in (some, every)
    )  # fmt: skip
    differ = one.sub(two, fill_value=0).abs().sum() / 2
    assert differ <= 0.02 * every.draws * len(outlets)


def test_the_same_seed_gives_the_same_and_any_number_of_workers():
    z = rough((200, 220), 9)
    features = brooks(line((200, 0), (205, 199)))
    outlets = [(20, 20), (100, 180), (150, 60)]
    error = ErrorModel(0.3, 3.0, 15, 4)
    one, two = (draw(z, outlets, features, error, a95=5.0, workers=n)[0] for n in (1, 3))
    pd.testing.assert_frame_equal(one.entries, two.entries, check_exact=True)
    pd.testing.assert_frame_equal(one.passes, two.passes, check_exact=True)
    other, _ = draw(z, outlets, features, ErrorModel(0.3, 3.0, 15, 5), a95=5.0)
    assert not other.passes.equals(one.passes)
    # fewer draws are the first of more: no draw hangs on how many there are
    first, _ = draw(z, outlets[:1], features, ErrorModel(0.3, 3.0, 15, 4), a95=5.0)
    mine = one.passes[one.passes["discharge_point_id"] == "D0"]
    pd.testing.assert_frame_equal(first.passes, mine)


def test_the_more_error_the_less_certain():
    z = roof(rows=61, cols=81, ridge=40, fall=0.02)
    features = brooks(line((5, 0), (5, 60)), line((75, 0), (75, 60)))
    found = [
        share_into(draw(z, [(33, 30)], features, ErrorModel(a95, 4.0, 150, 3))[0], "s0").iloc[0]
        for a95 in (0.01, 0.1, 0.3, 1.0)
    ]
    assert found[0] == 1.0
    assert found[-1] < 0.95
    assert np.all(np.diff(found) <= 3 * np.sqrt(0.25 / 150))


def test_every_draw_is_accounted_for():
    z = rough((90, 100), 6)
    z[40:50, :10] = np.nan
    features = brooks(line((60, 0), (65, 89)))
    outlets = [(12, 44), (30, 20), (90, 70), (98, 10)]
    drawn, _ = draw(z, outlets, features, ErrorModel(0.4, 3.0, 40, 1), a95=12.0)
    assert (drawn.entries.groupby("discharge_point_id")["draws"].sum() == 40).all()
    assert {"stream", "edge", "off_terrain"} <= set(drawn.entries["ends"])
    dry = drawn.entries["ends"].isin(["edge", "off_terrain", "not_followed"])
    assert drawn.entries.loc[dry, ["layer", "feature_id", "height_m"]].isna().all(axis=None)
    assert (drawn.entries.geometry.isna() == dry).all()
    off = drawn.entries[drawn.entries["ends"] == "off_terrain"].set_index("discharge_point_id")
    for name, group in drawn.passes.groupby("discharge_point_id"):
        counted = [offsets_of(text)[1].sum() for text in group["offsets_m"]]
        assert set(counted) == {40 - off["draws"].get(name, 0)}


def test_the_budget_is_kept_by_fewer_draws():
    z = roof(rows=41, cols=61, ridge=30)
    features = brooks(line((5, 0), (5, 40)), line((55, 0), (55, 40)))
    error = ErrorModel(0.05, 2.0, 30, 0)

    def made(budget):
        return draw(z, [(28, 20)], features, error, budget_cells=budget)[0]

    everything = made(10**9)
    assert everything.draws == 30
    one = everything.cells // 30 + way_following.WINDOW_CELLS
    some = made(20 * one + 5)
    assert some.draws == 20
    assert some.cells == 20 * (one - way_following.WINDOW_CELLS)
    none = made(9 * one)
    assert (none.draws, len(none.entries), len(none.passes)) == (0, 0, 0)


def test_where_the_budget_does_not_reach_for_all_it_goes_to_those_most_wanted():
    z = roof(rows=1200, cols=400, ridge=200)
    features = brooks(line((5, 0), (5, 1199)), line((395, 0), (395, 1199)))
    outlets = [(20, 20), (370, 1180), (190, 400), (36, 700)]
    error = ErrorModel(0.05, 2.0, 30, 0)
    everything, _ = draw(z, outlets, features, error, budget_cells=10**9)
    assert (everything.draws, everything.outlets) == (30, 4)
    # all do not fit for 10 draws, those with the shortest ways do for 20
    cost = everything.cells / 30 + everything.windows * way_following.WINDOW_CELLS
    budget = int(cost * 9.9)
    some, _ = draw(z, outlets, features, error, budget_cells=budget)
    assert 0 < some.outlets < 4
    assert some.draws == 20
    chosen = set(["D0", "D1", "D3", "D2"][: some.outlets])  # 15, 25, 31 and 185 cells of way
    assert set(some.entries["discharge_point_id"]) == chosen
    # drawn alone they are the same draws as among all
    same, _ = draw(z, outlets, features, ErrorModel(0.05, 2.0, 20, 0), budget_cells=10**9)
    for name in chosen:
        one, other = (t.entries[t.entries["discharge_point_id"] == name] for t in (some, same))
        assert one["draws"].tolist() == other["draws"].tolist()
        np.testing.assert_allclose(one["along_m"], other["along_m"])


def test_those_that_lead_to_a_bathing_place_are_drawn_before_others():
    paths = gpd.GeoDataFrame(
        {
            "discharge_point_id": ["a", "b", "c", "d"],
            "length_m": [9.0, 300.0, 20.0, 10.0],
            "path_end": ["edge", "stream", "stream", "drain"],
            "downstream_m": [np.nan, 50.0, 900.0, np.nan],
        },
        geometry=[None] * 4,
    )
    assert most_wanted(paths).tolist() == [1, 2, 3, 0]
