"""The season: by hand, and against a walk through the calendar day by day."""

import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geo.programme.season import is_in_season, last_day_in_season, season_at
from layers.settings.programme import ProgrammeSection

ONE_DAY = dt.timedelta(days=1)
DAYS = st.dates(dt.date(1999, 1, 1), dt.date(2032, 12, 31))


@st.composite
def seasons(draw):
    """Any season, those over the turn of the year included; never the 29th of February."""
    ends = [draw(st.dates(dt.date(2001, 1, 1), dt.date(2001, 12, 31))) for _ in range(2)]
    return ProgrammeSection(season_from=f"{ends[0]:%m-%d}", season_to=f"{ends[1]:%m-%d}")


def season(first, last, **more):
    return ProgrammeSection(season_from=first, season_to=last, **more)


def walked_in(programme, day):
    """Whether the day is met on a walk from a first day of season to the next last day."""
    start = dt.date(day.year - 2, *programme.season_from)
    inside = False
    while start <= day:
        if (start.month, start.day) == programme.season_from:
            inside = True
        answer = inside
        if (start.month, start.day) == programme.season_to:
            inside = False
        start += ONE_DAY
    return answer


@settings(deadline=None)
@given(seasons(), DAYS)
def test_a_walk_through_the_calendar_finds_the_same_days(programme, day):
    assert is_in_season(day, programme) == walked_in(programme, day)
    kept = last_day_in_season(day, programme)
    assert kept <= day
    assert is_in_season(kept, programme)
    between = [kept + k * ONE_DAY for k in range(1, (day - kept).days + 1)]
    assert not any(is_in_season(each, programme) for each in between)


@settings(deadline=None)
@given(seasons(), DAYS, st.integers(0, 5000))
def test_the_season_planned_for_is_under_way_or_the_next(programme, as_of, a_year):
    programme = programme.model_copy(update={"visits_per_year": a_year})
    got = season_at(programme, as_of)
    assert as_of <= got.last_day < as_of + dt.timedelta(days=367)
    assert is_in_season(got.first_day, programme)
    assert is_in_season(got.last_day, programme)
    assert got.first_day <= got.last_day
    if is_in_season(as_of, programme):
        assert got.first_day <= as_of
    else:
        assert got.first_day > as_of
        assert got.visits == a_year
    assert 0 <= got.visits <= a_year == got.visits_after


@pytest.mark.parametrize(
    ("as_of", "first", "last", "visits"),
    [
        ("2026-03-01", "2026-04-01", "2026-11-15", 229),  # the whole season is to come
        ("2026-04-01", "2026-04-01", "2026-11-15", 229),
        ("2026-04-02", "2026-04-01", "2026-11-15", 228),  # 229 days, one is gone
        ("2026-11-15", "2026-04-01", "2026-11-15", 1),
        ("2026-11-16", "2027-04-01", "2027-11-15", 229),
    ],
)
def test_visits_left_go_with_the_days_left(as_of, first, last, visits):
    got = season_at(season("04-01", "11-15", visits_per_year=229), dt.date.fromisoformat(as_of))
    assert (got.first_day.isoformat(), got.last_day.isoformat()) == (first, last)
    assert (got.visits, got.visits_after) == (visits, 229)


def test_visits_left_are_rounded_down():
    got = season_at(season("04-01", "11-15", visits_per_year=130), dt.date(2026, 10, 2))
    assert got.visits == 25  # 130 x 45 days / 229 days = 25.5


def test_a_season_over_the_turn_of_the_year():
    winter = season("10-01", "03-31", visits_per_year=182)
    got = season_at(winter, dt.date(2027, 1, 31))
    assert (got.first_day, got.last_day) == (dt.date(2026, 10, 1), dt.date(2027, 3, 31))
    assert got.visits == 60  # of 182 days, 60 are left
    assert last_day_in_season(dt.date(2027, 7, 4), winter) == dt.date(2027, 3, 31)
    assert last_day_in_season(dt.date(2027, 12, 24), winter) == dt.date(2027, 12, 24)


def test_without_a_season_a_year_from_the_day_is_planned_for():
    got = season_at(ProgrammeSection(visits_per_year=90), dt.date(2026, 4, 1))
    assert (got.first_day, got.last_day) == (dt.date(2026, 4, 1), dt.date(2027, 3, 31))
    assert (got.visits, got.visits_after) == (90, 90)
    assert season_at(ProgrammeSection(), dt.date(2026, 4, 1)).visits is None
