"""The tree of depressions: published values, a slow recount, and what must hold of any tree."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from geo.runoff import pond_levels
from geo.terrain import depressions, fill_depressions, flow_direction

STEPS = {
    1: (0, 1),
    2: (-1, 1),
    3: (-1, 0),
    4: (-1, -1),
    5: (0, -1),
    6: (1, -1),
    7: (1, 0),
    8: (1, 1),
}
ROUND = np.ones((3, 3))

# ground of the case "MoveWaterIntoPits 1" in the tests of Barnes2020-FillSpillMerge (Barnes, MIT);
# published there: of one unit of rain 64 reach the ocean, 30 and 6 the pits; volumes 73, 2, 111
TWO_PITS = """
9 9 9 9 9 9 9 9
9 8 8 8 8 7 6 9
9 8 7 8 7 6 5 9
9 8 7 8 6 5 4 9
9 8 8 8 5 4 3 9
9 7 6 5 4 3 2 9
9 7 6 5 4 3 1 9
9 9 9 9 9 9 9 9
"""


def two_pits():
    z = np.pad([[float(k) for k in row.split()] for row in TWO_PITS.split("\n")[1:-1]], 1)
    z[z == 0] = -9
    return z


def test_published_volumes_and_shares():
    tree = depressions(two_pits())
    small, great = np.argsort(tree.volume[1:3]) + 1
    assert tree.volume[[small, great, 3]].tolist() == [2, 73, 111]
    assert tree.out_elev[[small, great, 3]].tolist() == [8, 8, 9]
    assert tree.parent[1:].tolist() == [3, 3, 0]
    assert tree.catchment_count[0] == 64
    assert tree.catchment_count[1:].sum() == 36


def test_published_shares_where_ties_fall_alike():
    """Cells between the pits fall as steeply to both; mirrored, ours decide as the flood did."""
    tree = depressions(two_pits()[:, ::-1])
    assert sorted(tree.catchment_count[1:].tolist()) == [6, 30]


def test_profile_of_two_that_merge():
    """Worked by hand: sills 3 and 4, volumes 4, 2 and 11."""
    z = np.array([[0, 5, 1, 1, 3, 2, 2, 4, 0]])
    tree = depressions(z, ocean=z == 0)
    assert tree.volume[1:].tolist() == [4, 2, 11]
    assert tree.out_elev[1:].tolist() == [3, 3, 4]
    assert tree.pit_elev[1:].tolist() == [1, 2, 1]
    assert tree.pit_cell[1:].tolist() == [2, 5, 2]
    assert tree.out_cell[1:].tolist() == [4, 4, 7]
    assert tree.parent[1:].tolist() == [3, 3, 0]
    assert (tree.left[3], tree.right[3]) == (1, 2)
    assert tree.sibling[1:].tolist() == [2, 1, 0]
    assert tree.geolink[1:].tolist() == [2, 1, 0]
    assert tree.is_ocean_linked.tolist() == [False, False, False, True]
    assert tree.cell_count[3] == 5
    assert tree.space[1:].tolist() == [4, 2, 5]


def test_profile_of_one_above_another():
    """Worked by hand: the lower basin holds 2, the upper 4; both are part of nothing."""
    z = np.array([[0, 9, 1, 1, 3, 1, 1, 2, 0]])
    tree = depressions(z, ocean=z == 0)
    assert tree.volume[1:].tolist() == [4, 2]
    assert tree.out_elev[1:].tolist() == [3, 2]
    assert tree.parent[1:].tolist() == [0, 0]
    assert tree.geolink[1:].tolist() == [2, 0]
    assert tree.is_ocean_linked[1:].all()


@pytest.mark.parametrize(
    ("sill", "volume"),
    [(2, 0), (3, 5), (4, 10)],  # published: five cells of elevations that add up to 10
)
def test_published_volume_under_a_sill(sill, volume):
    z = np.array([[0, sill, *[2] * 5, 9]], float)
    tree = depressions(z, ocean=z == 0)
    assert tree.volume[1:].tolist() == ([volume] if volume else [])


@pytest.mark.parametrize(("water", "level"), [(10, 4), (8, 3.6)])
def test_published_level_under_a_sill(water, level):
    z = np.array([[0, 4, *[2] * 5, 9]], float)
    inside = np.zeros(z.shape)
    inside[0, 3] = water
    ponds = pond_levels(depressions(z, ocean=z == 0), inside)
    assert ponds.level[1] == pytest.approx(level, abs=1e-15)


def any_ground(seed):
    random = np.random.default_rng(seed)
    shape = tuple(random.integers(1, 16, 2))
    levels = random.choice([2, 5, 30, 10**6])
    z = (random.integers(0, levels, shape) / levels).astype(random.choice([np.float32, np.float64]))
    if seed % 3 == 0:
        z[random.random(shape) < 0.06] = np.nan
    if seed % 5 == 0:
        z = np.round(ndimage.uniform_filter(np.nan_to_num(z), 3), 2)
    ocean = None if random.random() < 0.6 else random.random(shape) < 0.05
    return z, ocean, (1.0, random.choice([1.0, 2.5]))


def leaves_of(tree, node):
    if tree.left[node] == 0:
        return [node]
    return leaves_of(tree, tree.left[node]) + leaves_of(tree, tree.right[node])


def check_tree(seed):
    """The tree from its definition: what is connected below which height, cell by cell."""
    z, ocean, cell_m = any_ground(seed)
    tree = depressions(z, ocean=ocean, cell_m=cell_m)
    void = np.isnan(z)
    if ocean is None:
        wide = np.pad(void, 1, constant_values=True)
        sea = ndimage.binary_dilation(wide, ROUND)[1:-1, 1:-1] & ~void
    else:
        sea = (ocean | ndimage.binary_dilation(void, ROUND)) & ~void
    assert (tree.labels[sea | void] == 0).all()
    # every direction goes down or along a flat, by the steepest way, and ends at its pit or the sea
    for at in np.ndindex(z.shape):
        code = tree.direction[at]
        drops = {}
        for k, (i, j) in STEPS.items():
            n = (at[0] + i, at[1] + j)
            if 0 <= n[0] < z.shape[0] and 0 <= n[1] < z.shape[1] and not void[n]:
                run = np.hypot(i * cell_m[1], j * cell_m[0])
                drops[k] = (float(z[at]) - float(z[n])) / run
        if sea[at] or void[at]:
            assert code == 0
        elif code == 0:
            assert max(drops.values(), default=0) <= 0
            assert tree.pit_cell[tree.labels[at]] == at[0] * z.shape[1] + at[1]
        else:
            assert drops[code] == pytest.approx(max(drops.values()), abs=1e-7)
            assert drops[code] >= 0
            n = (at[0] + STEPS[code][0], at[1] + STEPS[code][1])
            assert tree.labels[n] == tree.labels[at]
    total = 0
    for node in range(1, tree.parent.size):
        leaves = leaves_of(tree, node)
        own = np.isin(tree.labels, leaves)
        out = tree.out_elev[node]
        # one connected piece below the outlet, and nothing lower beside it
        under = np.zeros(z.shape, bool)
        under[~void] = own[~void] & (z[~void] < out)
        joined = tree.left[node] == 0 or tree.out_elev[tree.left[node]] < out
        assert not joined or ndimage.label(under, structure=ROUND)[1] == 1
        beside = ndimage.binary_dilation(under, ROUND) & ~under & ~void
        assert (z[beside] >= out).all()
        assert tree.volume[node] == pytest.approx((out - z[under].astype(float)).sum(), rel=1e-12)
        assert tree.cell_count[node] == (own & ~void & (np.nan_to_num(z, nan=np.inf) <= out)).sum()
        assert tree.pit_elev[node] == z[under].min()
        assert z.reshape(-1)[tree.pit_cell[node]] == tree.pit_elev[node]
        if np.isfinite(out):
            assert z.reshape(-1)[tree.out_cell[node]] == out
        else:
            assert tree.out_cell[node] == -1
        parent, other = tree.parent[node], tree.sibling[node]
        assert tree.geolink[node] not in leaves
        if parent:
            assert parent > node
            assert {tree.left[parent], tree.right[parent]} == {node, other}
            assert tree.geolink[node] in leaves_of(tree, other)
            assert tree.out_elev[other] == out <= tree.out_elev[parent]
            assert tree.out_cell[other] == tree.out_cell[node]
        else:
            assert other == 0
            assert tree.is_ocean_linked[node]
        if node > tree.leaf_count:
            parts = tree.volume[tree.left[node]] + tree.volume[tree.right[node]]
            assert tree.volume[node] >= parts * (1 - 1e-12)
            assert tree.volume[node] == pytest.approx(parts + tree.space[node], rel=1e-12)
        heights = tree.height[tree.first[node] : tree.first[node + 1]]
        assert (np.diff(heights) >= 0).all()
        total += heights.size
    assert total == tree.height.size
    assert tree.catchment_count.sum() == z.size
    np.testing.assert_array_equal(
        tree.catchment_count, np.bincount(tree.labels.ravel(), minlength=tree.leaf_count + 1)
    )
    return tree.parent.size - 1


def test_trees_from_their_definition():
    sizes = [check_tree(seed) for seed in range(150)]
    assert max(sizes) > 20


@pytest.mark.long
@pytest.mark.parametrize("block", range(10))
def test_trees_from_their_definition_on_thousands(block):
    for seed in range(150 + 300 * block, 450 + 300 * block):
        check_tree(seed)


def test_the_ocean_above_a_depression_is_its_fill(rough, real_ground):
    for z in (rough(1, (90, 110)), real_ground):
        tree = depressions(z)
        level = np.full(tree.parent.size, -np.inf)
        for node in range(tree.parent.size - 1, 0, -1):
            level[node] = level[tree.parent[node]] if tree.parent[node] else tree.out_elev[node]
        np.testing.assert_array_equal(np.maximum(z, level[tree.labels]), fill_depressions(z))


def test_directions_are_those_of_flow_where_nothing_is_filled(rough):
    z = rough(2, (80, 80), step=0.0001)
    filled = fill_depressions(z)
    mine, theirs = depressions(z).direction, flow_direction(filled, 1.0)
    dry = ~ndimage.binary_dilation(filled > z, ROUND)
    assert dry.mean() > 0.2
    np.testing.assert_array_equal(mine[dry], theirs[dry])


def test_long_cells_change_what_is_steep():
    z = np.array([[9, 9, 9, 9], [9, 5, 9, 9], [9, 9, 9, 9], [9, 9, 9, 9]], float)
    z[2, 2] = 7  # 2 over the diagonal to the pit
    z[2, 3] = 5.4  # ocean, 1.6 to the east
    assert depressions(z).labels[2, 2] == 0  # 1.6 / 1 against 2 / sqrt 2
    assert depressions(z, cell_m=(4.0, 1.0)).labels[2, 2] == 1  # 1.6 / 4 against 2 / sqrt 17


def test_walls_ocean_and_voids():
    z = np.array([[5, 5, 5, 5], [5, 1, 5, 2], [5, 5, 5, 5]], float)
    assert depressions(z).volume[1:].tolist() == [4]
    closed = depressions(z, ocean=np.zeros(z.shape, bool))
    assert closed.volume[1:].tolist() == [4, 3, np.inf]
    assert closed.out_elev[3] == np.inf
    assert closed.out_cell[3] == -1
    assert closed.catchment_count.sum() == z.size
    edge = np.zeros(z.shape, bool)
    edge[1, 3] = True
    assert depressions(z, ocean=edge).volume[1:].tolist() == [4]
    z[0, 0] = np.nan  # the pit touches the void: water there leaves
    assert depressions(z).leaf_count == 0
    assert depressions(z, ocean=np.zeros(z.shape, bool)).volume[1:].tolist() == [3]


@pytest.mark.parametrize(
    "z",
    [
        np.full((3, 4), np.nan),
        np.zeros((1, 7)),
        np.zeros((7, 1), np.float32),
        np.zeros((0, 5)),
        np.ones((6, 6), np.int16),
        np.arange(9.0).reshape(3, 3),
    ],
)
def test_no_depression_at_all(z):
    tree = depressions(z)
    assert tree.leaf_count == 0
    assert tree.parent.size == 1
    assert (tree.labels == 0).all()
    assert tree.table().empty


def test_whole_numbers_and_both_float_kinds_agree():
    whole = np.random.default_rng(4).integers(0, 9, (30, 30)).astype(np.int16)
    one, two, three = (depressions(whole.astype(k)) for k in (np.int16, np.float32, np.float64))
    for other in (two, three):
        for name in ("labels", "parent", "geolink", "volume", "out_cell"):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_table_has_a_row_for_each_node():
    z = np.array([[0, 5, 1, 1, 3, 2, 2, 4, 0]])
    table = depressions(z, ocean=z == 0).table()
    assert table.index.tolist() == [1, 2, 3]
    assert table.index.name == "node"
    assert table["volume"].tolist() == [4, 2, 11]
    assert table.columns[0] == "parent"
    assert table.columns[-1] == "space"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"ocean": np.zeros((2, 2), bool)}, r"ocean has shape \(2, 2\), the terrain \(3, 3\)"),
        ({"ocean": np.zeros((3, 3))}, "ocean must be boolean, not float64"),
        ({"cell_m": 0}, "cell_m must be a positive number"),
    ],
)
def test_bad_input(options, words):
    with pytest.raises(ValueError, match=words):
        depressions(np.zeros((3, 3)), **options)
