"""What is learned from visits: closed forms, small groups, no look ahead, honest reliability."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from geo.past.learned import group_words, groups_in_use, judged_visits, learn_if_sound
from geo.past.pooling import (
    betabinomial_loglik,
    calibration,
    fit_strength,
    learn_troubles,
    posterior_mean,
    reliability,
)
from layers.settings.priority_settings import LearnedSettings, Priorities

SETTINGS = LearnedSettings()
GROUPS = ("kind", "age", "last_result")


@given(
    st.integers(0, 60),
    st.integers(0, 60),
    st.floats(0.05, 200),
    st.floats(0.05, 200),
)
def test_likelihood_against_scipy_and_mean_against_the_integral(x, more, a, b):
    n = x + more
    # scipy.stats.betabinom is an implementation of its own
    expected = stats.betabinom.logpmf(x, n, a, b)
    assert float(betabinomial_loglik(x, n, a, b)) == pytest.approx(expected, rel=1e-7, abs=1e-7)
    # the posterior of a beta prior is the beta distribution of (a + x, b + n - x)
    assert float(posterior_mean(x, n, a, b)) == pytest.approx(
        stats.beta(a + x, b + n - x).mean(), rel=1e-12
    )


def test_posterior_mean_is_bayes_rule_integrated():
    a, b, x, n = 2.5, 7.0, 4, 9

    def weighed(power):
        def under(p):
            return p**power * stats.binom.pmf(x, n, p) * stats.beta.pdf(p, a, b)

        return integrate.quad(under, 0, 1, epsabs=0, epsrel=1e-12)[0]

    assert float(posterior_mean(x, n, a, b)) == pytest.approx(weighed(1) / weighed(0), rel=1e-10)


def test_strength_is_the_maximum_found_by_another_way():
    rng = np.random.default_rng(4)
    n = rng.integers(5, 80, 60)
    x = stats.betabinom.rvs(n, 3.0, 17.0, random_state=rng)
    mean = x.sum() / n.sum()
    strength = fit_strength(x, n, mean)

    def loglik(s):
        return stats.betabinom.logpmf(x, n, s * mean, s * (1 - mean)).sum()

    fine = np.exp(np.linspace(0, np.log(1e4), 40_001))
    best = fine[np.argmax([loglik(s) for s in fine[::40]]) * 40]
    assert strength == pytest.approx(best, rel=0.02)
    assert 8 < strength < 50  # 20 was planted


def test_groups_that_differ_only_by_chance_are_pooled():
    # every cell at its expected count: nothing tells them apart
    assert fit_strength([2, 4, 8], [20, 40, 80], 0.1) == pytest.approx(1e4, rel=1e-6)


def visit(unit, date, trouble, kind="surface_discharge", age="under 10 years", last="unknown"):
    return (unit, pd.Timestamp(date), trouble, kind, age, last, "dry")


def visits_of(rows):
    names = ["unit_id", "date", "trouble", "kind", "age", "last_result", "exposure"]
    return pd.DataFrame(rows, columns=names)


def test_a_small_group_does_not_shout_and_a_large_one_is_heard():
    rows = []
    for group, n, x in (("a", 400, 40), ("b", 400, 160), ("c", 2, 2), ("d", 300, 60)):
        rows += [visit(f"{group}{k}", "2024-05-01", k < x, age=group) for k in range(n)]
    cells = learn_troubles(visits_of(rows), ["age"]).cells.set_index("age")
    assert cells.loc["c", "share"] == 1.0
    assert cells.loc["c", "chance"] < 0.5
    assert cells.loc["b", "chance"] == pytest.approx(0.4, abs=0.01)
    assert cells.loc["a", "chance"] == pytest.approx(0.1, abs=0.01)
    width = cells["chance_high"] - cells["chance_low"]
    assert width["c"] > 3 * width["b"]
    for name in ("a", "b", "c", "d"):
        low, high = cells.loc[name, ["chance_low", "chance_high"]]
        assert low < cells.loc[name, "chance"] < high


def test_a_cell_is_its_closed_form_given_its_row():
    rng = np.random.default_rng(1)
    rows = [
        visit(str(k), "2024-05-01", bool(rng.uniform() < (0.1, 0.5)[k % 2]), age="ab"[k % 2])
        for k in range(200)
    ]
    table = learn_troubles(visits_of(rows), ["age"])
    county = table.cells.iloc[0]
    assert county["chance"] == (county["troubles"] + 0.5) / 201
    s = table.strengths["age"]
    for cell in table.cells.iloc[1:].to_dict("records"):
        expected = (s * county["chance"] + cell["troubles"]) / (s + cell["visits"])
        assert cell["chance"] == pytest.approx(expected, rel=1e-12)


def test_a_cell_never_visited_takes_its_row_with_a_wider_band():
    rows = [visit(f"a{k}", "2024-05-01", k < 10, age="a") for k in range(100)]
    rows += [visit(f"b{k}", "2024-05-01", k < 40, age="b") for k in range(100)]
    table = learn_troubles(visits_of(rows), ["kind", "age"])
    words = pd.DataFrame(
        {"kind": ["surface_discharge", "surface_discharge", "unheard"], "age": ["a", "new", "a"]},
        index=[8, 3, 5],
    )
    got = table.chance(words)
    assert got.index.tolist() == [8, 3, 5]
    kind = table.cells[table.cells["level"] == "kind"].iloc[0]
    county = table.cells.iloc[0]
    assert got.loc[3, "trouble_chance"] == pytest.approx(kind["chance"])
    assert got.loc[5, "trouble_chance"] == pytest.approx(county["chance"])
    width = got["trouble_chance_high"] - got["trouble_chance_low"]
    assert width[3] > width[8]
    cell = table.cells[(table.cells["level"] == "age") & (table.cells["age"] == "a")].iloc[0]
    assert got.loc[8].tolist() == pytest.approx(
        cell[["chance", "chance_low", "chance_high"]].tolist(), rel=1e-12
    )


def test_intervals_hold_the_truth_about_as_often_as_they_say():
    rng = np.random.default_rng(11)
    held = []
    for _ in range(40):
        truth = rng.beta(3, 17, 12)
        rows = [
            visit(f"{g}-{k}", "2024-05-01", bool(rng.uniform() < truth[g]), age=f"{g:02d}")
            for g in range(12)
            for k in range(40)
        ]
        cells = learn_troubles(visits_of(rows), ["age"]).cells.iloc[1:].sort_values("age")
        held += list((cells["chance_low"] <= truth) & (truth <= cells["chance_high"]))
    assert 0.90 <= np.mean(held) <= 0.99


# ------------------------------------------------------------------ as known before the visit


@pytest.fixture
def units():
    return pd.DataFrame(
        {
            "unit_id": ["A", "B"],
            "kind": ["surface_discharge", "soil_absorption"],
            "installed": pd.to_datetime(["2015-05-01", None]),
            "lid_wet_state": ["wet", "dry_in_all"],
            "flood_distance_m": [10.0, 0.0],
        }
    )


def inspections(*rows):
    names = ["inspection_id", "unit_id", "date", "outcome", "result"]
    return pd.DataFrame(rows, columns=names).assign(date=lambda t: pd.to_datetime(t["date"]))


def test_a_visit_knows_only_the_days_before_it(units):
    seen = inspections(
        ("1", "A", "2024-05-01", "completed", "good"),
        ("2", "A", "2025-04-30", "completed", "repair"),
        ("3", "A", "2025-05-02", "completed", "danger"),
        ("4", "A", "2025-05-02", "completed", "minor"),
        ("5", "A", "2025-06-01", "no_access", "unknown"),
        ("6", "B", "2025-06-02", "completed", "unknown"),
        ("7", "B", "2025-06-03", "completed", "good"),
        ("8", "Z", "2025-06-04", "completed", "good"),
        ("9", "B", "2026-06-05", "completed", "repair"),
    )
    got = judged_visits(units, seen, settings=SETTINGS, until=dt.date(2025, 12, 31))
    assert got["unit_id"].tolist() == ["A", "A", "A", "A", "B"]
    assert got["trouble"].tolist() == [False, True, True, False, False]
    # the same day's other visit is no knowledge beforehand
    assert got["last_result"].tolist() == ["unknown", "good", "repair", "repair", "unknown"]
    assert got["age"].tolist()[:3] == ["under 10 years", "under 10 years", "10 to 20 years"]
    assert got["age"].tolist()[4] == "age not on record"
    assert got["exposure"].tolist() == ["wet_lid"] * 4 + ["flood_plain"]


def test_what_is_found_later_changes_nothing_before(units):
    seen = inspections(
        ("1", "A", "2024-05-01", "completed", "good"),
        ("2", "B", "2025-04-30", "completed", "repair"),
    )
    later = inspections(("3", "A", "2026-02-01", "completed", "danger"))
    day = dt.date(2025, 12, 31)
    before = judged_visits(units, seen, settings=SETTINGS, until=day)
    after = judged_visits(units, pd.concat([seen, later]), settings=SETTINGS, until=day)
    pd.testing.assert_frame_equal(before, after)
    # nor does the result that assess has put on the units since
    shown = units.assign(last_result="danger", age_years=99.0)
    pd.testing.assert_frame_equal(judged_visits(shown, seen, settings=SETTINGS, until=day), before)


def test_no_visits_give_an_empty_table(units):
    assert len(judged_visits(units, None, settings=SETTINGS, until=dt.date(2026, 1, 1))) == 0
    with pytest.raises(ValueError, match="no visits"):
        learn_troubles(visits_of([]), ["age"])


def test_words_for_what_is_not_there():
    table = pd.DataFrame({"kind": [None], "age_years": [np.nan], "last_result": ["unknown"]})
    assert group_words(table, SETTINGS).iloc[0].tolist() == [
        "unknown", "age not on record", "unknown", "unknown",
    ]  # fmt: skip


def test_wetness_counts_once():
    part = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented", "unit": "m"}
    curve = {"curve": [[0, 1], [10, 0]]}
    harm = part | {"axis": "harm", "weight": 1.0, "column": "well_distance_m"} | curve
    wet = part | {"axis": "likelihood", "weight": 0.5, "column": "flood_distance_m"} | curve
    age = part | {"axis": "likelihood", "weight": 0.5, "column": "age_years"} | curve
    both = Priorities.model_validate({"parts": {"wet": wet, "age": age, "harm": harm}})
    assert groups_in_use(both) == ("kind", "age", "last_result")
    dry = Priorities.model_validate({"parts": {"age": age | {"weight": 1.0}, "harm": harm}})
    assert groups_in_use(dry) == ("kind", "age", "exposure", "last_result")


# ------------------------------------------------------------------ reliability


def test_reliability_by_hand_and_its_interval_by_scipy():
    chance = np.repeat([0.1, 0.3], [10, 20])
    trouble = np.r_[np.arange(10) < 2, np.arange(20) < 20]
    got = reliability(chance, trouble, bands=2)
    assert got["visits"].tolist() == [10, 20]
    assert got["predicted"].tolist() == pytest.approx([0.1, 0.3])
    assert got["observed"].tolist() == [0.2, 1.0]
    for row in got.to_dict("records"):
        exact = stats.binomtest(row["troubles"], row["visits"]).proportion_ci(method="exact")
        assert (row["observed_low"], row["observed_high"]) == pytest.approx((exact.low, exact.high))
    assert len(reliability([], [])) == 0


def invented_visits(rng, n, spread):
    """Visits whose chance hangs on age by ``spread``, with ages in four bands."""
    band = rng.integers(0, 4, n)
    chance = 0.2 + spread * (band - 1.5)
    return visits_of(
        [
            visit(f"u{k}", "2024-05-01", bool(rng.uniform() < chance[k]), age=f"band {band[k]}")
            for k in range(n)
        ]
    )


def test_chances_beat_the_base_rate_where_there_is_something_to_learn():
    rng = np.random.default_rng(7)
    visits = invented_visits(rng, 2_000, 0.1)
    got = calibration(visits, GROUPS)
    assert got.better_than_base
    y = visits["trouble"].to_numpy(float)
    # the base rate's error is nearly that of one chance for all, p (1 - p)
    assert got.brier_base == pytest.approx(y.mean() * (1 - y.mean()), rel=0.01)
    # and the best that can be: the mean of p (1 - p) over the planted chances
    best = np.mean([p * (1 - p) for p in (0.05, 0.15, 0.25, 0.35)])
    assert got.brier == pytest.approx(best, abs=0.012)
    inside = got.bands["predicted"].between(got.bands["observed_low"], got.bands["observed_high"])
    assert inside.sum() >= len(got.bands) - 1
    assert got.bands["visits"].sum() == 2_000


def test_a_visit_is_never_foretold_by_its_own_unit():
    # each unit is visited ten times and always alike: its own visits would foretell it exactly
    rng = np.random.default_rng(3)
    rows = []
    for k in range(60):
        trouble = bool(rng.uniform() < 0.3)
        rows += [visit(f"u{k}", f"20{10 + j}-05-01", trouble, age=f"u{k}") for j in range(10)]
    got = calibration(visits_of(rows), ["age"])
    assert got.brier == pytest.approx(got.brier_base, rel=0.05)


# ------------------------------------------------------------------ used, or not, and said


def county_rules(**learned):
    part = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented", "unit": "m"}
    like = part | {"axis": "likelihood"}
    chance = {"column": "trouble_chance", "optional": True, "curve": [[0, 0], [0.5, 1]]}
    return Priorities.model_validate(
        {
            "parts": {
                "age": like | {"weight": 0.6, "column": "age_years", "curve": [[0, 0], [30, 1]]},
                "since": like
                | {"weight": 0.2, "column": "days_since_inspection", "curve": [[0, 0], [900, 1]]},
                "learned": like | {"weight": 0.2} | chance,
                "harm": part
                | {
                    "axis": "harm",
                    "weight": 1.0,
                    "column": "well_distance_m",
                    "curve": [[0, 1], [10, 0]],
                },
            },
            "learned": learned,
        }
    )


def test_too_few_records_are_said_and_leave_the_other_parts_as_they_were():
    rules = county_rules(least_records=500)
    visits = invented_visits(np.random.default_rng(0), 499, 0.1)
    got = learn_if_sound(visits, rules)
    assert " ".join(got.sentences) == (
        "The chance of a repair is not learned from past visits: 499 completed visits with a"
        " result are on record, and 500 are needed."
    )
    columns = got.columns(pd.DataFrame(index=[1, 2]), rules.learned)
    assert list(columns) == []
    left = rules.for_columns(["age_years", "days_since_inspection", *columns])
    assert list(left.parts) == ["age", "since", "harm"]
    assert left.parts["age"].weight == pytest.approx(0.75)
    assert left.parts["since"].weight == pytest.approx(0.25)
    assert left.parts["harm"].weight == 1.0
    assert got.section()["used"] is False


def test_enough_records_give_chances_with_words():
    rules = county_rules(groups=["kind", "age", "last_result"])
    rng = np.random.default_rng(1)
    n = 1_000
    old = rng.uniform(size=n) < 0.5
    rows = [
        visit(
            f"u{k}",
            "2024-05-01",
            bool(rng.uniform() < (0.4 if old[k] else 0.1)),
            age="20 to 30 years" if old[k] else "under 10 years",
        )
        for k in range(n)
    ]
    got = learn_if_sound(visits_of(rows), rules)
    table = pd.DataFrame(
        {
            "kind": ["surface_discharge", "surface_discharge"],
            "age_years": [25.0, 5.0],
            "last_result": ["unknown", "unknown"],
        },
        index=[4, 2],
    )
    columns = got.columns(table, rules.learned)
    assert columns.index.tolist() == [4, 2]
    assert columns["trouble_chance"].to_numpy() == pytest.approx([0.4, 0.1], abs=0.05)
    assert columns["trouble_group"].tolist() == [
        "surface discharge, 20 to 30 years, no result on record",
        "surface discharge, under 10 years, no result on record",
    ]
    assert rules.for_columns(columns) is rules
    section = got.section()
    assert section["used"]
    assert sum(b["visits"] for b in section["calibration"]) == n
    assert section["cells"][0] == {
        "level": "county",
        "visits": n,
        "troubles": got.troubles,
        "share": got.troubles / n,
        "chance": pytest.approx((got.troubles + 0.5) / (n + 1)),
        "chance_low": pytest.approx(0.25, abs=0.05),
        "chance_high": pytest.approx(0.25, abs=0.05),
    }
    assert "1,000 completed visits" in got.sentences[0]
    assert "closer to what was found" in got.sentences[1]


def test_what_tells_no_units_apart_is_not_used():
    # all alike but for noise: now and then noise helps, mostly it does not
    text = [
        learn_if_sound(
            invented_visits(np.random.default_rng(seed), 300, 0.0), county_rules()
        ).why_not
        for seed in range(10)
    ]
    assert sum(bool(why) for why in text) >= 5
    why = (
        "tested on 300 completed visits, it came no closer to what was found than one chance for"
        " all units"
    )
    assert set(text) <= {"", why}


def test_the_sample_county_uses_its_visits(larkmoor_result):
    units, run = larkmoor_result.units, larkmoor_result.run
    assert run.learned["used"]
    assert units["trouble_chance"].between(0.03, 0.4).all()
    inside = (units["trouble_chance_low"] < units["trouble_chance"]) & (
        units["trouble_chance"] < units["trouble_chance_high"]
    )
    assert inside.all()
    # its visits were drawn with a chance that rises by the year: the learned one must rise too
    by_age = units.groupby(pd.cut(units["age_years"], [0, 10, 20, 30, 80]), observed=True)
    means = by_age["trouble_chance"].mean()
    assert means.iloc[0] < means.iloc[2] < means.iloc[3]
    shown = units["reasons"].str.contains("visits to similar units found something to repair")
    assert shown.any()
    assert sum(p["weight"] for p in run.parts.values() if p["axis"] == "likelihood") == (
        pytest.approx(1, abs=1e-12)
    )


@pytest.mark.parametrize(
    ("learned", "message"),
    [
        ({"groups": ["age", "age"]}, "a group is repeated"),
        ({"age_bands_years": [10, 10]}, "age_bands_years must increase"),
        ({"groups": ["color"]}, "groups"),
        ({"groups": []}, "groups"),
        ({"least_records": 0}, "least_records"),
    ],
)
def test_settings_that_make_no_sense_are_refused(learned, message):
    with pytest.raises(ValueError, match=message):
        county_rules(**learned)


def test_an_axis_cannot_hang_on_optional_parts_alone():
    whole = county_rules().model_dump()
    for name in ("age", "since"):
        whole["parts"][name]["weight"] = 0.0
    whole["parts"]["learned"]["weight"] = 1.0
    with pytest.raises(ValueError, match="at least one likelihood part must have weight"):
        Priorities.model_validate(whole)
