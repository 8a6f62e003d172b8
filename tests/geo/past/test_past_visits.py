"""What past visits teach an assessment, with and without records, with and without a lot."""

from dataclasses import replace

import pandas as pd
import pytest

from geo.past.past_visits import OFFER, past_visits
from geo.programme.season import season_at


def asked(county, table, *, inspections="as they are", **programme):
    layers = dict(county.layers)
    if inspections is None:
        del layers["inspections"]
    file = county.file.model_copy(
        update={"programme": county.file.programme.model_copy(update=programme)}
    )
    county = replace(county, layers=layers, file=file)
    season = season_at(file.programme, county.as_of)
    return past_visits(table, county, county.priorities, season=season, seed=0)


@pytest.fixture
def table(larkmoor_result):
    return pd.DataFrame(larkmoor_result.units)


def test_records_give_chances_a_replay_and_an_offer(larkmoor, table):
    got = asked(larkmoor, table)
    assert got.notes == ()
    assert got.learned["used"]
    assert got.replay["limits"][-1] == OFFER
    assert len(got.replayed) > 0
    assert "visit_by_lot" not in got.columns
    pd.testing.assert_series_equal(got.columns["trouble_chance"], table["trouble_chance"])


def test_without_records_nothing_is_learned_and_a_note_says_so(larkmoor, table):
    got = asked(larkmoor, table, inspections=None)
    assert list(got.columns) == []
    assert got.replay["sentences"] == []
    assert len(got.replayed) == 0
    assert " ".join(got.notes) == (
        "The chance of a repair is not learned from past visits: 0 completed visits with a result"
        " are on record, and 200 are needed. The weight of that part goes to the others in"
        " proportion."
    )
    assert "learned" not in larkmoor.priorities.for_columns([]).parts


def test_a_share_by_lot_is_drawn_flagged_and_told(larkmoor, table):
    got = asked(larkmoor, table, visits_per_year=130, random_share=0.1)
    lot = got.columns["visit_by_lot"]
    assert lot.sum() == 13
    assert not lot[table["status"] == "sewered"].any()
    assert got.notes[0].startswith("13 of the 130 visits of 2026 are picked at random")
    assert OFFER not in got.replay["limits"]
    mixed = table.sample(frac=1, random_state=3)
    again = asked(larkmoor, mixed, visits_per_year=130, random_share=0.1)
    assert set(table.loc[lot, "unit_id"]) == set(
        table.loc[again.columns.index[again.columns["visit_by_lot"]], "unit_id"]
    )
