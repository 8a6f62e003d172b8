"""Chances of places set right: what was told wrong by a known rule is told right again."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.outlets.calibration import (
    AS_THEY_ARE,
    TERMS,
    Looked,
    learned_calibration,
    set_right,
)

KINDS = ("ground", "road_ditch", "stream")


def units(count, seed, power):
    """Units whose true chances are those told, taken to a power and made to add up again."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        true = np.sort(rng.dirichlet([0.7] * 5))[::-1]
        place = int(rng.choice(6, p=[*(0.8 * true), 0.2]))
        kind = [KINDS[k] for k in rng.integers(0, 3, 5)]
        shown = np.append(0.8 * true, 0.2) ** (1 / power)
        found.append((Looked((shown / shown.sum())[:-1], kind, (place + 1) % 6), 0.8 * true))
    return found


def test_chances_told_too_sure_are_told_right_of_units_not_learned_from():
    learned = learned_calibration([one for one, _ in units(3000, 0, power=0.5)])
    off_before, off_after = [], []
    for one, true in units(500, 1, power=0.5):
        off_before.append(one.mass[0] - true[0])
        off_after.append(set_right(one.mass, one.kind, learned)[0] - true[0])
    assert np.mean(off_before) > 0.1
    assert abs(np.mean(off_after)) < 0.01
    assert np.std(off_after) < 0.05


def test_chances_that_hold_are_left_as_they_are():
    learned = learned_calibration([one for one, _ in units(3000, 2, power=1.0)])
    for one, true in units(100, 3, power=1.0):
        assert set_right(one.mass, one.kind, learned) == pytest.approx(true, abs=0.06)
        assert set_right(one.mass, one.kind, AS_THEY_ARE) == pytest.approx(one.mass, abs=1e-6)


def test_places_at_road_ditches_that_hold_less_often_are_told_less():
    rng = np.random.default_rng(4)
    looked = []
    for k in range(2000):
        at_road = k % 2 == 0
        place = int(rng.choice(4, p=[0.3, 0.25, 0.25, 0.2] if at_road else [0.6, 0.1, 0.1, 0.2]))
        kind = ["road_ditch" if at_road else "ground"] * 3
        looked.append(Looked(np.array([0.6, 0.1, 0.1]), kind, (place + 1) % 4))
    learned = learned_calibration(looked)
    mass = np.array([0.6, 0.1, 0.1])
    assert set_right(mass, ["ground"] * 3, learned)[0] == pytest.approx(0.6, abs=0.04)
    assert set_right(mass, ["road_ditch"] * 3, learned)[0] < 0.38


def test_at_road_ditches_none_of_these_may_be_likelier_than_elsewhere():
    rng = np.random.default_rng(6)
    looked, mass = [], np.array([0.4, 0.2, 0.1])
    for k in range(3000):
        none = 0.5 if k % 2 else 0.2
        place = int(rng.choice(4, p=[*((1 - none) * mass / mass.sum()), none]))
        kind = ["road_ditch" if k % 2 else "stream"] * 3
        looked.append(Looked(mass, kind, (place + 1) % 4))
    learned = learned_calibration(looked)
    assert set_right(mass, ["road_ditch"] * 3, learned).sum() == pytest.approx(0.5, abs=0.05)
    assert set_right(mass, ["stream"] * 3, learned).sum() == pytest.approx(0.8, abs=0.05)


@given(
    st.lists(st.floats(0.0, 0.19), min_size=0, max_size=5),
    st.lists(st.floats(-3, 3), min_size=len(TERMS), max_size=len(TERMS)),
)
def test_no_place_passes_another_and_chances_add_up(masses, calibration):
    mass = np.sort(np.array(masses, float))[::-1]
    set_so = set_right(mass, ["road_ditch"] * len(mass), np.array(calibration))
    assert (np.diff(set_so) <= 1e-12).all()
    assert (set_so >= 0).all()
    assert set_so.sum() <= 1 + 1e-9
