"""Sensitivity: functions whose indices are known, and what the order hangs on by construction."""

import numpy as np
import pandas as pd
import pytest

from geo.order.priorities import prioritize
from geo.order.sensitivity import order_sensitivity, sensitivity
from layers.settings.priority_settings import Priorities


def test_ishigami_function():
    # Ishigami and Homma (1990), a = 7, b = 0.1: sin x1 + a sin^2 x2 + b x3^4 sin x1 on (-pi, pi);
    # the variances in closed form as Saltelli et al., Global Sensitivity Analysis (2008), print
    a, b, pi = 7.0, 0.1, np.pi
    v1 = 0.5 * (1 + b * pi**4 / 5) ** 2
    v2 = a**2 / 8
    v13 = b**2 * pi**8 * (1 / 18 - 1 / 50)
    total = v1 + v2 + v13
    got = sensitivity(
        lambda x: np.sin(x[:, 0]) + a * np.sin(x[:, 1]) ** 2 + b * x[:, 2] ** 4 * np.sin(x[:, 0]),
        {"x1": (-pi, pi), "x2": (-pi, pi), "x3": (-pi, pi)},
        samples=4096,
    )
    assert got["input"].tolist() == ["x1", "x2", "x3"]
    first, whole = got["first_order"], got["total"]
    assert first.tolist() == pytest.approx([v1 / total, v2 / total, 0], abs=0.015)
    assert whole.tolist() == pytest.approx([(v1 + v13) / total, v2 / total, v13 / total], abs=0.015)
    # the values everybody quotes
    assert [v1 / total, v2 / total] == pytest.approx([0.3139, 0.4424], abs=5e-5)
    assert (got["first_order_low"] <= first).all()
    assert (whole <= got["total_high"]).all()


def test_sobol_g_function():
    # Sobol' (1993), product of (|4 x - 2| + a) / (1 + a) on (0, 1): V_i = 1 / (3 (1 + a_i)^2),
    # V = prod(1 + V_i) - 1, total index of i: V_i prod over the others (1 + V_j) / V
    a = np.array([0.0, 1.0, 4.5, 9.0, 99.0])
    v = 1 / (3 * (1 + a) ** 2)
    total = np.prod(1 + v) - 1
    got = sensitivity(
        lambda x: np.prod((np.abs(4 * x - 2) + a) / (1 + a), axis=1),
        {f"x{k}": (0.0, 1.0) for k in range(5)},
        samples=4096,
    )
    assert got["first_order"].tolist() == pytest.approx((v / total).tolist(), abs=0.02)
    whole = v * np.prod(1 + v) / (1 + v) / total
    assert got["total"].tolist() == pytest.approx(whole.tolist(), abs=0.02)


def test_a_result_that_never_changes_shares_out_nothing():
    got = sensitivity(lambda x: np.ones(len(x)), {"a": (0, 1), "b": (0, 1)}, samples=8)
    assert got["total"].isna().all()


@pytest.mark.parametrize(
    ("bounds", "samples", "message"),
    [
        ({"a": (0, 1)}, 8, "give two or more"),
        ({"a": (0, 1), "b": (1, 1)}, 8, "bounds of 'b' must rise, not 1 to 1"),
        ({"a": (0, 1), "b": (0, 1)}, 12, "power of 2, not 12"),
    ],
)
def test_what_cannot_be_asked_is_refused(bounds, samples, message):
    with pytest.raises(ValueError, match=message):
        sensitivity(lambda x: x[:, 0], bounds, samples=samples)


def test_without_salib_the_extra_is_named(monkeypatch):
    def refuse(name, *rest):
        raise ImportError(name)

    monkeypatch.setattr("geo.order.sensitivity.importlib.import_module", refuse)
    with pytest.raises(ImportError, match=r"pip install 'rillmark\[analysis\]'"):
        sensitivity(lambda x: x[:, 0], {"a": (0, 1), "b": (0, 1)})


COLUMNS = {"a": "hand_m", "b": "pipe_length_m", "c": "well_distance_m", "d": "ground_m"}


def rules(**weights):
    part = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented", "unit": "m"}
    curve = {"curve": [[0, 0], [10, 1]]}
    axis = {"a": "likelihood", "b": "likelihood", "c": "harm", "d": "harm"}
    return Priorities.model_validate(
        {
            "parts": {
                name: part | curve | {"axis": axis[name], "weight": weight, "column": COLUMNS[name]}
                for name, weight in weights.items()
            },
            "classes": {"first": 5, "next": 5},
            "not_scored": {"status": ["sewered"]},
        }
    )


@pytest.fixture
def table():
    rng = np.random.default_rng(2)
    return pd.DataFrame(
        {
            "unit_id": [f"{k:02d}" for k in range(40)],
            "hand_m": rng.uniform(0, 10, 40),
            "pipe_length_m": rng.uniform(0, 10, 40),
            "well_distance_m": rng.uniform(0, 10, 40),
            "ground_m": 5.0,
            "status": ["sewered"] + ["active"] * 39,
        },
        index=range(100, 140),
    )


def test_one_unit_whose_score_hangs_on_nothing_but_one_input(table):
    table.loc[:, list(COLUMNS.values())] = 5.0  # all ratings equal: weights change nothing
    got = order_sensitivity(
        table, rules(a=0.5, b=0.5, c=0.5, d=0.5), unit_id="07", shifts={"hand_m": 2.0}, samples=64
    ).set_index("input")
    assert got.index[0] == "error of hand_m"
    # nearly: the weight of a also decides how much its error counts
    assert got.loc["error of hand_m", "first_order"] > 0.85
    assert got.loc[["weight of c", "weight of d"], "total"].abs().max() < 1e-9


def test_a_linear_score_splits_as_its_squared_slopes(table):
    # ratings are linear where no curve bends: with one part an axis the score is 100 a/10 c/10,
    # and around (5, 5) errors of 1 and 2 split its variance nearly as 1 to 4
    table.loc[:, ["hand_m", "well_distance_m"]] = 5.0
    got = order_sensitivity(
        table,
        rules(a=1.0, c=1.0),
        unit_id="07",
        shifts={"hand_m": 1.0, "well_distance_m": 2.0},
        samples=256,
    ).set_index("input")
    # (5 + u)(5 + v): V_u = 25/3, V_v = 100/3, V_uv = 1/3 x 4/3
    total = 25 / 3 + 100 / 3 + 4 / 9
    assert got.loc["error of hand_m", "first_order"] == pytest.approx(25 / 3 / total, abs=0.03)
    assert got.loc["error of well_distance_m", "total"] == pytest.approx(
        (100 / 3 + 4 / 9) / total, abs=0.03
    )
    assert got.loc["weight of a", "total"] == pytest.approx(0, abs=1e-9)


def test_the_first_class_hangs_on_weights_that_part_its_units(table):
    got = order_sensitivity(table, rules(a=0.5, b=0.5, c=0.5, d=0.5), samples=64)
    assert set(got["input"]) == {f"weight of {name}" for name in "abcd"}
    assert got["total"].is_monotonic_decreasing
    # c and d part the harm axis, where d is the same for all: the more it weighs, the less c does
    assert (got["total"] > 0).all()
    again = order_sensitivity(table, rules(a=0.5, b=0.5, c=0.5, d=0.5), samples=64)
    pd.testing.assert_frame_equal(got, again)


def test_unchanged_scores_are_those_of_the_order(table):
    from geo.order.sensitivity import _Changes, _scores

    settings = rules(a=0.3, b=0.7, c=0.6, d=0.4)
    changes = _Changes(("a", "b", "c", "d"), ("hand_m",))
    got = _scores(table, settings, changes)(changes.none)
    expected = prioritize(table, settings)["score"].to_numpy()
    np.testing.assert_allclose(got[1:], expected[1:], atol=1e-9)
    assert got[0] == -1


def test_wrong_names_are_refused(table):
    settings = rules(a=0.5, b=0.5, c=1.0)
    with pytest.raises(KeyError, match="no unit '99'"):
        order_sensitivity(table, settings, unit_id="99")
    with pytest.raises(KeyError, match="no column 'x'"):
        order_sensitivity(table, settings, shifts={"x": 1.0})
    with pytest.raises(ValueError, match=r"between 0 and 1, not 1\.5"):
        order_sensitivity(table, settings, weight_spread=1.5)
