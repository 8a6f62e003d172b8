"""Replay: closed forms for random order, nothing known beforehand, planted gains found again."""

import datetime as dt
import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from geo.past.lot import drawn_by_lot
from geo.past.replay import ALL_YEARS, SHOWN_AT, replay, replay_sentences
from geo.past.visit_orders import hypergeometric, line_of, troubles_found
from layers.settings.priority_settings import Priorities

AS_OF = dt.date(2025, 12, 31)
YEARS = range(2016, 2026)


def troubles_met(key, trouble, visits, *, weight=None):
    """Troubles among the first units in order of a key, for each number of visits."""
    weight = np.ones(len(key)) if weight is None else weight
    return troubles_found(line_of(key, trouble), weight, visits)


def priorities(**parts):
    part = {"unknown": 0.5, "reason": "r", "source": "invented"}
    base = {
        "age": {
            "label": "Age", "axis": "likelihood", "weight": 1.0, "column": "age_years",
            "unit": "years", "curve": [[0, 0], [60, 1]],
        },
        "well": {
            "label": "Well", "axis": "harm", "weight": 1.0, "column": "well_distance_m",
            "unit": "m", "curve": [[0, 1], [1000, 0.5]],
        },
    }  # fmt: skip
    return Priorities.model_validate({"parts": {n: part | p for n, p in (base | parts).items()}})


@dataclass
class Invented:
    """A county made from a known chance: older units have trouble more often, by ``slope``."""

    units: pd.DataFrame
    inspections: pd.DataFrame
    chance: np.ndarray  # of each visit


def invented_county(seed, *, units=1_500, visits_a_year=200, slope=0.08, rate=0.2):
    """Visits fall on units and days by chance; trouble has odds rate x exp(slope x age over 20)."""
    rng = np.random.default_rng(seed)
    installed = pd.Timestamp("2016-01-01") - pd.to_timedelta(rng.uniform(0, 40, units) * 365, "D")
    table = pd.DataFrame(
        {
            "unit_id": [f"{k:05d}" for k in rng.permutation(units)],
            "kind": rng.choice(["surface_discharge", "soil_absorption"], units),
            "installed": installed.floor("D"),
            "well_distance_m": 50.0,
        }
    )
    unit = np.concatenate([rng.choice(units, visits_a_year, replace=False) for _ in YEARS])
    start = pd.to_datetime([f"{year}-01-01" for year in np.repeat(YEARS, visits_a_year)])
    date = pd.Series(start + pd.to_timedelta(rng.integers(0, 360, len(unit)), "D"))
    age = (date - table["installed"].to_numpy()[unit]).dt.days.to_numpy() / 365.2425
    chance = 1 / (1 + np.exp(-(np.log(rate / (1 - rate)) + slope * (age - 25))))
    seen = pd.DataFrame(
        {
            "inspection_id": [f"I{k:05d}" for k in range(len(unit))],
            "unit_id": table["unit_id"].to_numpy()[unit],
            "date": date,
            "outcome": "completed",
            "result": np.where(rng.uniform(size=len(unit)) < chance, "repair", "good"),
        }
    )
    return Invented(table, seen, chance)


def row_of(table, order="this_order", among="visited"):
    mine = table[(table["year"] == ALL_YEARS) & (table["among"] == among)]
    mine = mine[mine["order"] == order]
    return mine.loc[(mine["visits"] - SHOWN_AT * mine["units"]).abs().idxmin()]


def planted_gain(county, table):
    """Expected troubles of the first quarter of each year by age, less that by date."""
    seen = county.inspections.assign(chance=county.chance, year=county.inspections["date"].dt.year)
    installed = county.units.set_index("unit_id")["installed"]
    gain = 0.0
    for _, year in seen.groupby("year"):
        n = round(SHOWN_AT * len(year))
        oldest = year.assign(on=installed.loc[year["unit_id"]].to_numpy()).sort_values("on")
        gain += oldest["chance"].iloc[:n].sum()
        gain -= troubles_met(
            year["date"].dt.day_of_year.to_numpy(float), year["chance"].to_numpy(), np.array([n])
        )[0]
    return gain


# ------------------------------------------------------------------ counting


def test_random_order_is_the_hypergeometric_over_all_orders():
    # every one of the 720 orders of six units, against mean N K / M and the textbook variance
    trouble = np.array([1.0, 0, 1, 0, 0, 1])
    m, k = 6, 3
    n = np.arange(1, m + 1)
    counted = np.array(
        [
            troubles_met(np.array(order, float), trouble, n.astype(float))
            for order in itertools.permutations(range(m))
        ]
    )
    np.testing.assert_allclose(counted.mean(axis=0), n * k / m)
    variance = n * k / m * (1 - k / m) * (m - n) / (m - 1)
    np.testing.assert_allclose(counted.var(axis=0), variance, atol=1e-12)
    np.testing.assert_allclose(stats.hypergeom(m, k, n[:-1]).var(), variance[:-1])


@pytest.mark.parametrize(
    ("m", "k", "n"), [(6, 3, 2), (50, 7, 45), (10_000, 1_800, 2_500), (9, 9, 4)]
)
def test_chances_at_random_against_scipy(m, k, n):
    low, chance = hypergeometric(m, k, n)
    x = low + np.arange(len(chance))
    np.testing.assert_allclose(chance, stats.hypergeom(m, k, n).pmf(x), rtol=1e-8, atol=1e-15)
    assert chance.sum() == pytest.approx(1, abs=1e-9)


def test_equal_keys_count_as_the_mean_over_their_orders():
    key = np.array([2.0, 1, 1, 1, 3])
    trouble = np.array([1.0, 1, 0, 0, 0])
    n = np.arange(1.0, 6)
    broken = [
        troubles_met(key + 1e-6 * np.array([0, *order, 0]), trouble, n)
        for order in itertools.permutations(range(3))
    ]
    np.testing.assert_allclose(troubles_met(key, trouble, n), np.mean(broken, axis=0))


def test_random_rows_are_the_closed_form_with_its_band():
    county = invented_county(1, units=400, visits_a_year=60)
    got = replay(county.units, county.inspections, priorities(), as_of=AS_OF, draws=20)
    random = got[(got["order"] == "random") & (got["year"] == "2020")]
    m, k = 60, int(random["troubles"].iloc[0])
    np.testing.assert_allclose(random["met"], random["visits"] * k / m)
    law = stats.hypergeom(m, k, random["visits"])
    np.testing.assert_allclose(random["met_low"], law.ppf(0.025))
    np.testing.assert_allclose(random["met_high"], law.ppf(0.975))
    # all years together: the sum of ten such laws, here by drawing
    rng = np.random.default_rng(0)
    years = got[(got["order"] == "random") & (got["year"] != ALL_YEARS)].groupby("year")
    n = round(SHOWN_AT * m)
    drawn = sum(
        rng.hypergeometric(int(y["troubles"].iloc[0]), m - int(y["troubles"].iloc[0]), n, 200_000)
        for _, y in years
    )
    row = row_of(got, "random")
    assert row["met"] == pytest.approx(drawn.mean(), rel=0.01)
    assert row["met_low"] == pytest.approx(np.quantile(drawn, 0.025), abs=1)
    assert row["met_high"] == pytest.approx(np.quantile(drawn, 0.975), abs=1)


def test_all_visits_meet_all_troubles_in_any_order():
    county = invented_county(2, units=300, visits_a_year=40)
    got = replay(county.units, county.inspections, priorities(), as_of=AS_OF, draws=20)
    last = got[got["visits"] == got["units"]]
    assert set(last["order"]) == set(got["order"]) == {
        "this_order", "likelihood_alone", "as_visited", "oldest_first", "random",
    }  # fmt: skip
    for counted in ("met", "met_low", "met_high"):
        np.testing.assert_allclose(last[counted], last["troubles"])
    np.testing.assert_allclose(last["more_than_as_visited_low"], 0, atol=1e-9)


def test_the_order_by_age_alone_is_oldest_first():
    county = invented_county(3, units=300, visits_a_year=40)
    got = replay(county.units, county.inspections, priorities(), as_of=AS_OF, draws=20)
    by = got.set_index(["year", "visits", "order"])["met"].unstack()
    late = by.drop(index="2016", level="year")
    np.testing.assert_allclose(late["likelihood_alone"], late["oldest_first"], atol=0.51)


# ------------------------------------------------------------------ what was known then


def test_nothing_found_later_moves_an_earlier_year():
    county = invented_county(4, units=300, visits_a_year=40)
    found = {
        "label": "Found", "axis": "likelihood", "weight": 0.5, "column": "last_result",
        "ratings": {"good": 0.0, "repair": 1.0},
    }  # fmt: skip
    rules = priorities(
        found=found,
        age={
            "label": "Age", "axis": "likelihood", "weight": 0.5, "column": "age_years",
            "unit": "years", "curve": [[0, 0], [60, 1]],
        },
    )  # fmt: skip
    seen = county.inspections
    turned = seen.assign(
        result=seen["result"].where(seen["date"] < "2021-01-01", "danger"),
    )
    a = replay(county.units, seen, rules, as_of=AS_OF, draws=10)
    b = replay(county.units, turned, rules, as_of=AS_OF, draws=10)
    keep = ["year", "order", "visits", "met"]
    before = [t.loc[t["year"] < "2021", keep].reset_index(drop=True) for t in (a, b)]
    pd.testing.assert_frame_equal(*before)
    assert len(before[0]) > 100
    # what the units carry today, made from all records, is not looked at either
    today = county.units.assign(last_result="danger", trouble_chance=0.9, age_years=1.0)
    pd.testing.assert_frame_equal(replay(today, seen, rules, as_of=AS_OF, draws=10), a)


def test_nothing_to_replay_gives_an_empty_table_and_no_words():
    county = invented_county(5, units=50, visits_a_year=5)
    for seen in (None, county.inspections.iloc[:0], county.inspections.iloc[:5]):
        got = replay(county.units, seen, priorities(), as_of=AS_OF)
        assert len(got) == 0
        assert replay_sentences(got) == []


def test_the_same_seed_gives_the_same_bands():
    county = invented_county(6, units=200, visits_a_year=30)
    made = [replay(county.units, county.inspections, priorities(), as_of=AS_OF, seed=s, draws=30)
            for s in (1, 1, 2)]  # fmt: skip
    pd.testing.assert_frame_equal(made[0], made[1])
    assert not made[0].equals(made[2])


# ------------------------------------------------------------------ truth


def test_a_planted_gain_is_recovered_within_its_band():
    county = invented_county(7)
    got = replay(county.units, county.inspections, priorities(), as_of=AS_OF, draws=200)
    row = row_of(got)
    gain = planted_gain(county, got)
    assert gain > 60
    assert row["more_than_as_visited_low"] < gain < row["more_than_as_visited_high"]
    assert row["more_than_as_visited_low"] > 0
    assert "more than the order used" in replay_sentences(got)[1]


def test_no_gain_is_told_where_trouble_is_pure_chance():
    county = invented_county(8, slope=0.0)
    got = replay(county.units, county.inspections, priorities(), as_of=AS_OF, draws=200)
    row = row_of(got)
    assert row["more_than_as_visited_low"] < 0 < row["more_than_as_visited_high"]
    random = row_of(got, "random")
    assert random["met_low"] <= row["met"] <= random["met_high"]
    assert "may be chance" in replay_sentences(got)[1]


def test_records_of_the_year_itself_are_no_knowledge():
    # trouble is pure chance, so an order by records beats random order only by looking ahead
    county = invented_county(10, units=900, visits_a_year=300, slope=0.0)
    part = {"axis": "likelihood", "label": "x"}
    rules = priorities(
        age=part
        | {"weight": 0.1, "column": "age_years", "unit": "years", "curve": [[0, 0], [60, 1]]},
        found=part
        | {"weight": 0.5, "column": "last_result", "ratings": {"good": 0.0, "repair": 1.0}},
        learned=part
        | {"weight": 0.4, "column": "trouble_chance", "unit": "chance", "optional": True,
           "curve": [[0, 0], [0.5, 1]]},
    )  # fmt: skip
    got = replay(county.units, county.inspections, rules, as_of=AS_OF, draws=20)
    assert row_of(got)["met"] <= row_of(got, "random")["met_high"]


@pytest.mark.long
def test_bands_are_wrong_no_more_often_than_they_say():
    n = 300
    covered, alarms, above_random = 0, 0, 0
    for seed in range(n):
        small = {"units": 800, "visits_a_year": 120}
        planted = invented_county(1_000 + seed, **small)
        got = replay(planted.units, planted.inspections, priorities(), as_of=AS_OF, draws=200)
        row = row_of(got)
        gain = planted_gain(planted, got)
        covered += row["more_than_as_visited_low"] <= gain <= row["more_than_as_visited_high"]
        null = invented_county(5_000 + seed, slope=0.0, **small)
        got = replay(null.units, null.inspections, priorities(), as_of=AS_OF, draws=200)
        row, random = row_of(got), row_of(got, "random")
        alarms += row["more_than_as_visited_low"] > 0 or row["more_than_as_visited_high"] < 0
        above_random += row["met"] > random["met_high"] or row["met"] < random["met_low"]
    # bands of 95 %: 15 of 300 outside, and no more than chance may add to that
    most = stats.binom.ppf(0.999, n, 0.05)
    assert n - covered <= most
    assert alarms <= most
    assert above_random <= most


def test_the_sample_county_is_told_with_its_limits(larkmoor, larkmoor_result):
    got = replay(
        larkmoor_result.units, larkmoor.layers["inspections"], larkmoor.priorities,
        as_of=larkmoor.as_of, draws=100,
    )  # fmt: skip
    assert set(got["year"]) == {"2023", "2024", "2025", "2026", ALL_YEARS}
    text = replay_sentences(got)
    assert "visited units have a result in 2023 to 2026" in text[0]
    # age is the strongest planted cause: oldest first finds it again beyond random order
    oldest, random = row_of(got, "oldest_first"), row_of(got, "random")
    assert oldest["met"] > random["met_high"]


# ------------------------------------------------------------------ the lot


def test_a_lot_is_drawn_by_id_alone_and_anew_each_year():
    ids = pd.Series([f"{k:04d}" for k in range(1_000)], index=range(5, 1_005))
    one = drawn_by_lot(ids, visits=300, share=0.1, year=2026)
    assert one.sum() == 30
    assert one.index.equals(ids.index)
    shuffled = ids.sample(frac=1, random_state=1)
    again = drawn_by_lot(shuffled, visits=300, share=0.1, year=2026)
    pd.testing.assert_series_equal(again.loc[ids.index], one)
    other = drawn_by_lot(ids, visits=300, share=0.1, year=2027)
    assert (one & other).sum() < 10
    without = drawn_by_lot(ids.iloc[1:], visits=300, share=0.1, year=2026)
    assert (without != one.iloc[1:]).sum() <= 1
    assert drawn_by_lot(ids, visits=5_000, share=1.0, year=2026).all()
    assert not drawn_by_lot(ids, visits=300, share=0.0, year=2026).any()
    with pytest.raises(ValueError, match=r"share must be between 0 and 1, not 1\.2"):
        drawn_by_lot(ids, visits=300, share=1.2, year=2026)
    with pytest.raises(ValueError, match="negative, not -1"):
        drawn_by_lot(ids, visits=-1, share=0.2, year=2026)


def test_every_unit_has_the_same_chance_in_a_lot():
    ids = pd.Series([f"{k:03d}" for k in range(200)])
    often = sum(drawn_by_lot(ids, visits=100, share=0.2, year=y).to_numpy() for y in range(2_000))
    # 2,000 lots of 20 of 200: each unit is binomial(2000, 0.1), so chi-square is about 200
    chi = ((often - 200) ** 2 / (2_000 * 0.1 * 0.9)).sum()
    assert stats.chi2(199).sf(chi * 199 / 200) > 1e-4


def test_visits_by_lot_are_told_apart():
    county = invented_county(9, units=300, visits_a_year=80)
    # the office saw the worst; only the lot saw anybody
    rng = np.random.default_rng(0)
    lot = rng.uniform(size=len(county.inspections)) < 0.3
    seen = county.inspections.assign(by_lot=lot)
    got = replay(county.units, seen, priorities(), as_of=AS_OF, draws=50)
    assert set(got["among"]) == {"visited", "by_lot"}
    units = got[got["year"] == ALL_YEARS].groupby("among")["units"].first()
    assert units["visited"] == len(county.inspections)
    assert units["by_lot"] == lot.sum()
    assert (
        "visited units picked at random have a result in"
        in replay_sentences(got, among="by_lot")[0]
    )
    none = replay(county.units, seen.assign(by_lot=False), priorities(), as_of=AS_OF, draws=50)
    assert set(none["among"]) == {"visited"}
