"""Fill, spill and merge: published values, invariants, and ponds simulated without any tree."""

from __future__ import annotations

import heapq

import numpy as np
import pytest

from geo.runoff import PondLevels, fill_spill_merge, pond_levels
from geo.terrain import depressions, fill_depressions

STEPS = [(0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0), (1, 1)]
SEA = "sea"


# ---- the slow reference: ponds that grow, pass on and unite; no labels, no hierarchy ----


class Ponds:
    """Water in ponds, each a set of pits; written for ground without two equal heights.

    A pond at the brim passes what it gets to where a drop laid on its outlet would run, away from
    the pond; two ponds at the brim that pass to each other become one.
    """

    def __init__(self, z: np.ndarray, ocean: np.ndarray):
        self.z, self.ocean = z.astype(float), ocean
        self.pit = {}
        for cell in np.ndindex(z.shape):
            at, way = cell, []
            while not (self.ocean[at] or at in self.pit):
                way.append(at)
                lower = self.steepest(at, lambda _: True)
                if lower is None:
                    self.pit[at] = at
                    break
                at = lower
            end = SEA if self.ocean[at] else self.pit[at]
            for c in [*way, at]:
                self.pit[c] = end

    def around(self, cell):
        for i, j in STEPS:
            n = (cell[0] + i, cell[1] + j)
            if 0 <= n[0] < self.z.shape[0] and 0 <= n[1] < self.z.shape[1]:
                yield n, np.hypot(i, j)

    def steepest(self, cell, allowed):
        drops = [
            ((self.z[cell] - self.z[n]) / distance, n)
            for n, distance in self.around(cell)
            if self.z[n] < self.z[cell] and allowed(n)
        ]
        return max(drops)[1] if drops else None

    def shore(self, pits):
        """Cells of a full pond, its level, and the pit (or the sea) behind its outlet."""
        heap, seen, inside = [(self.z[pit], pit) for pit in pits], set(pits), []
        heapq.heapify(heap)
        level, sill = -np.inf, None
        while heap:
            height, cell = heapq.heappop(heap)
            if height > level:
                level, sill = height, cell
            if self.ocean[cell] and cell == sill:
                return inside, level, SEA
            if height < level and self.pit[cell] not in pits:
                if self.pit[sill] not in pits:
                    return inside, level, self.pit[sill]
                out = self.steepest(sill, lambda n: self.pit[n] not in pits)
                return inside, level, self.pit[out]
            inside.append(cell)
            for n, _ in self.around(cell):
                if n not in seen:
                    seen.add(n)
                    heapq.heappush(heap, (self.z[n], n))
        return inside, np.inf, None

    def run(self, water):
        """Depth of water, and what left."""
        left, volume = 0.0, {}
        for cell in np.ndindex(self.z.shape):
            end = self.pit[cell]
            if end == SEA:
                left += water[cell]
            else:
                volume[frozenset([end])] = volume.get(frozenset([end]), 0.0) + water[cell]
        full = {}  # pond -> where it passes water on
        shores = {}
        pending = list(volume)
        while pending:
            pond = pending.pop()
            if pond not in volume:
                continue
            inside, level, behind = shores.setdefault(pond, self.shore(pond))
            holds = sum(max(level - self.z[c], 0) for c in inside)
            if volume[pond] < holds:
                continue
            excess, volume[pond], full[pond] = volume[pond] - holds, holds, behind
            if behind == SEA:
                left += excess
                continue
            other = next((p for p in volume if behind in p), frozenset([behind]))
            if full.get(other) in pond:
                both = pond | other
                volume[both] = volume.pop(pond) + volume.pop(other) + excess
                pending.append(both)
            else:
                volume[other] = volume.get(other, 0.0) + excess
                pending.append(other)
        depth = np.zeros(self.z.shape)
        for pond, held in volume.items():
            inside = sorted(shores.get(pond, self.shore(pond))[0], key=lambda c: self.z[c])
            heights = np.array([self.z[c] for c in inside])
            # as many of the lowest cells as stay under the level they share
            for n in range(1, len(inside) + 1):
                level = (held + heights[:n].sum()) / n
                if n == len(inside) or level <= heights[n]:
                    break
            for c in inside[:n]:
                depth[c] = level - self.z[c]
        return depth, left


def ring(shape):
    ocean = np.ones(shape, bool)
    ocean[1:-1, 1:-1] = False
    return ocean


def random_ground(seed, *, high=14):
    """Ground without ties, its ocean, and water on it."""
    random = np.random.default_rng(seed)
    shape = tuple(random.integers(3, high, 2))
    z = random.permutation(shape[0] * shape[1]).reshape(shape) + random.random(shape) / 2
    if seed % 3 == 1:  # few deep basins instead of many small ones
        wide = np.pad(z, 1, mode="edge")
        z = sum(wide[i : i + shape[0], j : j + shape[1]] for i in range(3) for j in range(3)) / 9
    ocean = ring(shape) if seed % 2 else random.random(shape) < 0.06
    water = random.random(shape) * random.choice([0.1, 3, 30])
    water[random.random(shape) < random.choice([0, 0.9])] = 0
    return z, ocean, water


def check_against_ponds(seed):
    z, ocean, water = random_ground(seed)
    depth, left = fill_spill_merge(z, water, ocean=ocean)
    expected, expected_left = Ponds(z, ocean).run(water)
    np.testing.assert_allclose(depth, expected, atol=1e-9)
    assert left == pytest.approx(expected_left, abs=1e-9)
    return depth


def test_ponds_simulated_one_by_one():
    # the last two: three catchments meet at one cell, and the steeper side decides who gets what
    wet = [check_against_ponds(seed).any() for seed in (*range(300), 522, 841)]
    assert sum(wet) > 200


@pytest.mark.long
@pytest.mark.parametrize("block", range(10))
def test_ponds_simulated_one_by_one_on_thousands(block):
    for seed in range(300 + 500 * block, 800 + 500 * block):
        check_against_ponds(seed)


# ---- published values ----


@pytest.mark.parametrize(
    ("at", "amount", "depths", "gone"),
    [
        (2, 3, [0, 0, 1.5, 1.5, 0, 0, 0, 0, 0], 0),
        (2, 5, [0, 0, 2, 2, 0, 0.5, 0.5, 0, 0], 0),
        (3, 7, [0, 0, 2.2, 2.2, 0.2, 1.2, 1.2, 0, 0], 0),
        (6, 5, [0, 0, 1.5, 1.5, 0, 1, 1, 0, 0], 0),
        (2, 12, [0, 0, 3, 3, 1, 2, 2, 0, 0], 1),
        (4, 12, [0, 0, 3, 3, 1, 2, 2, 0, 0], 1),
        (5, 12, [0, 0, 3, 3, 1, 2, 2, 0, 0], 1),
        (0, 4, [0] * 9, 4),
    ],
)
@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("base", [0, 3000])
def test_two_basins_that_merge(at, amount, depths, gone, flip, base):
    """Worked by hand: sills 3 and 4, volumes 4, 2 and 11."""
    z = np.array([[0, 5, 1, 1, 3, 2, 2, 4, 0]], float) + base
    water = np.zeros(z.shape)
    water[0, at] = amount
    ocean = z == base
    if flip:
        z, water, ocean, depths = z[:, ::-1], water[:, ::-1], ocean[:, ::-1], depths[::-1]
    depth, left = fill_spill_merge(z, water, ocean=ocean)
    np.testing.assert_allclose(depth[0], depths, atol=1e-12)
    assert left == pytest.approx(gone)
    upright, _ = fill_spill_merge(z.T, water.T, ocean=ocean.T)
    np.testing.assert_array_equal(upright.T, depth)


@pytest.mark.parametrize(("amount", "gone"), [(6, 0), (7, 1)])
def test_a_basin_above_another(amount, gone):
    """Worked by hand: the upper spills into the lower, and they never merge."""
    z = np.array([[0, 9, 1, 1, 3, 1, 1, 2, 0]])
    water = np.zeros(z.shape)
    water[0, 3] = amount
    depth, left = fill_spill_merge(z, water, ocean=z == 0)
    np.testing.assert_allclose(depth[0], [0, 0, 2, 2, 0, 1, 1, 0, 0])
    assert left == gone


# ground of the case "FillDepressions" in the tests of Barnes2020-FillSpillMerge (Barnes, MIT)
CUP = """
6 6 6 6 6 6 6 6
6 1 6 1 1 6 1 6
6 1 6 3 3 6 1 6
6 1 6 2 1 4 1 6
6 1 6 1 1 6 1 6
6 1 6 6 6 6 1 6
6 1 1 1 1 1 1 6
6 6 6 6 6 6 6 6
"""


@pytest.mark.parametrize(
    ("amount", "depths"),
    [
        (3, [[1.5, 1.5], [0, 0], [0, 0], [0, 0]]),
        (19, [[3, 3], [1, 1], [2, 3], [3, 3]]),
    ],
)
def test_passes_over_a_saddle(amount, depths):
    z = np.pad([[float(k) for k in row.split()] for row in CUP.split("\n")[1:-1]], 1)
    z[ring(z.shape)] = -9
    water = np.zeros(z.shape)
    water[2, 4] = amount
    depth, left = fill_spill_merge(z, water)
    expected = np.zeros(z.shape)
    expected[2:6, 4:6] = depths
    np.testing.assert_allclose(depth, expected, atol=1e-12)
    assert left == 0


@pytest.mark.parametrize("cell", [1.0, 0.5, 0.25])
def test_a_bowl_filled_to_a_given_volume(cell):
    """z = a r^2 holds V = pi h^2 / 2a (elementary calculus): a = 0.01, V = 100 m3, h = 0.797885."""
    side = np.arange(-15 + cell / 2, 15, cell)
    z = 0.01 * (side[:, None] ** 2 + side**2)
    water = np.zeros(z.shape)
    water[z.shape[0] // 2, z.shape[1] // 2] = 100 / cell**2
    ponds = pond_levels(depressions(z), water)
    (level,) = ponds.level[1:]
    tolerance = {1.0: 0.01, 0.5: 0.003, 0.25: 0.001}[cell]
    assert level == pytest.approx(0.797885, rel=tolerance)
    assert ponds.left == 0
    depth = ponds.depth(z, depressions(z).labels)
    assert (depth > 0).sum() * cell**2 == pytest.approx(np.pi * 79.7885, rel=0.03)


@pytest.mark.parametrize("steeper", ["north", "south"])
def test_of_two_outlets_at_one_cell_the_steeper_is_taken(steeper):
    """Three pits around one pass: it falls by 5 to the west, slantwise to the others."""
    z = np.full((7, 7), 9.0)
    z[3, 3], z[3, 2] = 5, 0
    z[2, 4], z[4, 4] = (-1, 1) if steeper == "north" else (1, -1)
    water = np.zeros(z.shape)
    water[3, 2] = 6  # one more than it holds
    depth, left = fill_spill_merge(z, water)
    assert depth[3, 2] == 5
    assert depth[3, 3] == left == 0
    assert (depth[2, 4], depth[4, 4]) == ((1, 0) if steeper == "north" else (0, 1))


# ---- invariants, with ties, voids and altitudes ----


def ground(seed):
    """Any ground: flats, steps, voids, walls, both float kinds, low and high."""
    random = np.random.default_rng(seed)
    shape = tuple(random.integers(1, 15, 2))
    levels = random.choice([2, 6, 40, 10**6])
    z = random.integers(0, levels, shape) / levels * 10
    if seed % 4 == 1:
        z = np.round(np.cumsum(np.cumsum(z - 5, 0), 1) / 10, 1)
    z = (z + random.choice([0, -50, 3000])).astype(random.choice([np.float32, np.float64]))
    if seed % 3 == 0:
        z[random.random(shape) < 0.05] = np.nan
    ocean = None if random.random() < 0.6 else random.random(shape) < 0.05
    return z, ocean, random.random(shape) * random.choice([0.02, 1, 20])


def check_invariants(seed):
    z, ocean, water = ground(seed)
    void = np.isnan(z)
    tree = depressions(z, ocean=ocean)
    depth, left = fill_spill_merge(z, water, depressions=tree)
    # mass, sign, voids
    assert np.nansum(depth) + left == pytest.approx(water.sum(), rel=1e-9, abs=0)
    assert np.array_equal(np.isnan(depth), void)
    assert not (depth < 0).any()
    # only below an outlet: under the level of a terrain filled to the brim
    brim, _ = fill_spill_merge(z, 1e6, depressions=tree)
    if np.isfinite(tree.out_elev[1:]).all():
        assert (depth[~void] <= brim[~void] + 1e-9).all()
        if ocean is None:
            full = pond_levels(tree, 1e6).level[tree.labels]
            np.testing.assert_array_equal(np.fmax(full, z), fill_depressions(z))
    else:
        assert left == 0
    # the surface is flat wherever water touches water
    level = np.where(depth > 0, z + depth, np.nan)
    wide = np.pad(level, 1, constant_values=np.nan)
    for i, j in STEPS:
        beside = wide[1 + i : 1 + i + z.shape[0], 1 + j : 1 + j + z.shape[1]]
        assert not (np.abs(beside - level) > 1e-8).any()
    # water that stands, stays
    again, gone = fill_spill_merge(z, depth, depressions=tree)
    np.testing.assert_allclose(again, depth, atol=1e-8)
    assert gone == pytest.approx(0, abs=1e-9 * max(water.sum(), 1))
    # ten steps come to the same as one
    step, left_in_steps = np.zeros(z.shape), 0.0
    for _ in range(10):
        step, gone = fill_spill_merge(z, np.nan_to_num(step) + water / 10, depressions=tree)
        left_in_steps += gone
    np.testing.assert_allclose(step, depth, atol=1e-8)
    assert left_in_steps == pytest.approx(left, abs=1e-9 * max(water.sum(), 1))
    # one number for every cell is the same as that many cells
    same, _ = fill_spill_merge(z, 0.3, depressions=tree)
    np.testing.assert_allclose(
        same, fill_spill_merge(z, np.full(z.shape, 0.3), depressions=tree)[0], atol=1e-12
    )
    return depth


def test_invariants_on_any_ground():
    wet = [(check_invariants(seed) > 0).any() for seed in range(400)]
    assert sum(wet) > 200


@pytest.mark.long
@pytest.mark.parametrize("block", range(10))
def test_invariants_on_thousands(block):
    for seed in range(400 + 500 * block, 900 + 500 * block):
        check_invariants(seed)


@pytest.mark.parametrize("seed", range(60))
def test_no_direction_is_favored(seed):
    """Without ties a turned or mirrored terrain gives the turned or mirrored water."""
    z, ocean, water = random_ground(seed)
    depth, left = fill_spill_merge(z, water, ocean=ocean)
    for turn in (np.flipud, np.fliplr, np.transpose, np.rot90):
        turned, same = fill_spill_merge(turn(z), turn(water), ocean=turn(ocean))
        np.testing.assert_allclose(turned, turn(depth), atol=1e-9)
        assert same == pytest.approx(left, abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_altitude_changes_nothing(seed):
    z, ocean, water = random_ground(seed)
    z = np.round(z * 64) / 64  # exact at every altitude tried
    depth, left = fill_spill_merge(z, water, ocean=ocean)
    for base in (3000, -400, 2**30):
        lifted, same = fill_spill_merge(z + base, water, ocean=ocean)
        np.testing.assert_allclose(lifted, depth, atol=2e-16 * max(abs(base), 1) + 1e-12)
        assert same == pytest.approx(left, rel=1e-9, abs=1e-9)


def test_real_ground_balances(real_ground):
    water = np.random.default_rng(1).random(real_ground.shape) * 0.2
    tree = depressions(real_ground)
    for base in (0, 3000):
        z = real_ground.astype(float) + base
        depth, left = fill_spill_merge(z, water, depressions=depressions(z))
        assert np.nansum(depth) + left == pytest.approx(water.sum(), rel=1e-9)
    full, _ = fill_spill_merge(real_ground, 1000, depressions=tree)
    np.testing.assert_array_equal(
        (real_ground + full).astype(np.float32), fill_depressions(real_ground)
    )


def test_a_long_stair_of_basins_takes_no_longer_than_it_must():
    """Each of 20,000 basins spills into the next lower one: a tree as deep as it has leaves."""
    n = 20_000
    z = np.full((3, 2 * n + 3), 10.0 * n)
    z[1, 1:-1] = np.arange(2 * n + 1, 0, -1)
    z[1, 2:-1:2] -= 1.5  # a pit below each step, 0.5 below the step that follows
    ocean = np.zeros(z.shape, bool)
    ocean[1, 0] = True
    water = np.zeros(z.shape)
    water[1, 1] = 2 * n
    tree = depressions(z, ocean=ocean)
    assert tree.leaf_count == n
    depth, left = fill_spill_merge(z, water, depressions=tree)
    assert left == 0
    assert depth.sum() == pytest.approx(2 * n, rel=1e-9)
    assert (depth[1, 2:n:2] == 0.5).all()
    half = np.zeros(z.shape)
    half[1, 2:-1:2] = 0.25
    depth, _ = fill_spill_merge(z, half, depressions=tree)
    np.testing.assert_allclose(depth, half, atol=1e-12)


# ---- levels instead of rasters ----


def test_levels_give_any_part_of_the_depths(rough):
    z = rough(3, (60, 70))
    tree = depressions(z)
    ponds = pond_levels(tree, 0.05)
    depth, left = fill_spill_merge(z, 0.05, depressions=tree)
    assert isinstance(ponds, PondLevels)
    assert ponds.left == left
    np.testing.assert_array_equal(ponds.depth(z, tree.labels), depth)
    np.testing.assert_array_equal(
        ponds.depth(z[10:20, 5:9], tree.labels[10:20, 5:9]), depth[10:20, 5:9]
    )
    some = np.array([5, 700, 4199])
    np.testing.assert_array_equal(
        ponds.depth(z.reshape(-1)[some], tree.labels.reshape(-1)[some]), depth.reshape(-1)[some]
    )
    by_hand = np.fmax(ponds.level[tree.labels] - z, 0)
    np.testing.assert_array_equal(by_hand, depth)
    assert np.array_equal(np.isnan(ponds.level), ponds.pond == 0)
    for pond in np.unique(ponds.pond[ponds.pond > 0]):
        assert np.unique(ponds.level[ponds.pond == pond]).size == 1


# ---- bad input ----


GOOD = np.array([[3, 3, 3], [3, 1, 3], [3, 3, 3]], float)


@pytest.mark.parametrize(
    ("water", "words"),
    [
        (-0.1, r"at least 0 and finite, not -0\.1; free storage in the soil is not modeled"),
        (np.inf, "at least 0 and finite, not inf"),
        (np.where(GOOD == 1, -2.0, 0), "not -2.0 in row 1, column 1"),
        (np.zeros((2, 3)), r"water has shape \(2, 3\), the terrain \(3, 3\)"),
        ("wet", "water must be numbers"),
        (np.where(GOOD == 1, np.nan, 0), "not nan in row 1, column 1"),
        (np.nan, "not nan"),
    ],
)
def test_water_that_is_none(water, words):
    with pytest.raises(ValueError, match=words):
        fill_spill_merge(GOOD, water)


def test_a_hierarchy_of_another_terrain():
    tree = depressions(GOOD)
    with pytest.raises(ValueError, match="made from other elevations"):
        fill_spill_merge(GOOD - 1, 1, depressions=tree)
    with pytest.raises(ValueError, match="depressions has shape"):
        fill_spill_merge(GOOD[:2], 1, depressions=tree)
    with pytest.raises(ValueError, match="not both"):
        fill_spill_merge(GOOD, 1, depressions=tree, ocean=GOOD > 1)


def test_no_water_needed_where_there_is_no_ground():
    z = GOOD.copy()
    z[0, 0] = np.nan
    depth, left = fill_spill_merge(z, np.where(np.isnan(z), np.nan, 1.0))
    assert np.isnan(depth[0, 0])
    assert left == 8  # the pit touches the void: it is ocean
    void = np.full((2, 5), np.nan)
    depth, left = fill_spill_merge(void, 1)
    assert np.isnan(depth).all()
    assert left == 10
    assert fill_spill_merge(np.zeros((0, 4)), 1) == (pytest.approx(np.zeros((0, 4))), 0)
