"""[programme]: what is refused, in words that name the key; what is asked for is never made up."""

import pytest
from pydantic import ValidationError

from layers.errors import CountyFileError
from layers.settings.county_file import CountyFile
from layers.settings.programme import DayOfYear, ProgrammeSection
from layers.settings.settings_file import load_model

WRONG = {
    'season_from = "4/1"\nseason_to = "11-15"': ("programme.season_from", '"04-01"'),
    'season_from = "02-29"\nseason_to = "11-15"': ("programme.season_from", "every year"),
    'season_from = "04-01"': ("programme", "season_to is missing"),
    "interval_days = { surface = 365 }": ("programme.interval_days", "surface_discharge"),
    "interval_days = { holding_tank = 0 }": ("programme.interval_days.holding_tank", "greater"),
    "interval_days = { holding_tank = 99999 }": ("programme.interval_days.holding_tank", "36525"),
    "complaint_days = 1.5": ("programme.complaint_days", "whole number"),
    "complaint_days = -1": ("programme.complaint_days", "0"),
    "reinspection_days = { good = 30 }": ("programme.reinspection_days", "danger, repair, minor"),
    "permit_interval_days = { Class1 = 3, class1 = 4 }": ("permit_interval_days", "case"),
    'permit_interval_days = { " " = 3 }': ("programme.permit_interval_days", "no name"),
    "sample_interval_days = { surface_discharge = 365 }": ("programme", "sample_lapse_days"),
    "sample_interval_days = { lake = 365 }": ("programme.sample_interval_days", "'lake'"),
    "visits = 130": ("programme.visits", "no such key"),
    "visits_per_year = -3": ("programme.visits_per_year", "0"),
    "hour_cost_usd = -1": ("programme.hour_cost_usd", "0"),
    'mile_cost_usd = "67 cents"': ("programme.mile_cost_usd", "number"),
    "visit_hours = 0": ("programme.visit_hours", "0"),
    "visit_hours = nan": ("programme.visit_hours", "nan"),
    "cost_per_visit_usd = 3": ("programme.cost_per_visit_usd", "no such key"),
}


@pytest.mark.parametrize("text", WRONG)
def test_what_is_wrong_is_told_by_its_key(text, tmp_path):
    path = tmp_path / "county.toml"
    path.write_text(
        f'[county]\nname = "x"\n[layers.units]\npath = "u.csv"\n[programme]\n{text}\n', "utf-8"
    )
    with pytest.raises(CountyFileError) as caught:
        load_model(path, CountyFile)
    key, hint = WRONG[text]
    assert key in caught.value.what
    assert hint in caught.value.what


def test_nothing_is_asked_for_unless_it_is_said():
    empty = ProgrammeSection()
    assert not empty.asks_for_visits
    assert empty.model_dump(exclude_none=True, exclude_defaults=True) == {}
    assert not ProgrammeSection(
        visits_per_year=99, season_from="04-01", season_to="11-15"
    ).asks_for_visits
    for asked in ({"complaint_days": 0}, {"renewal_days": 60}, {"interval_days": {"unknown": 9}}):
        assert ProgrammeSection(**asked).asks_for_visits


def test_days_of_the_year_are_read_and_written_alike():
    got = ProgrammeSection(season_from="4-1", season_to="11-15")
    assert got.season_from == DayOfYear(4, 1)
    assert got.model_dump(mode="json")["season_from"] == "04-01"
    with pytest.raises(ValidationError, match="13-01"):
        ProgrammeSection(season_from="13-01", season_to="11-15")


def test_permit_kinds_are_matched_whatever_their_case():
    got = ProgrammeSection(permit_interval_days={" General  Permit": 365})
    assert got.permit_interval_days == {"general permit": 365}
