"""A run as data classes: as it was after a turn as plain data, whatever version wrote it."""

from dataclasses import fields

from layers.outputs.run import LayerCounts, Run, RunCounty, RunSeason


def test_a_run_comes_back_as_it_was(larkmoor_result):
    run = larkmoor_result.run
    assert Run.of(run.plain()) == run
    of_the_folder = {"format", "contents", "files", "others"}
    assert set(run.plain()) == {each.name for each in fields(Run)} - of_the_folder


def test_what_is_not_told_is_empty_and_stays_away():
    assert Run.of({}) == Run()
    assert Run().plain() == {}
    assert Run.of({"seed": 0, "season": None}).plain() == {"seed": 0}


def test_what_another_version_tells_is_kept():
    plain = {"as_of": "2026-04-01", "weather": {"snow": True}}
    assert Run.of(plain).others == {"weather": {"snow": True}}
    assert Run.of(plain).plain() == plain


def test_parts_with_names_of_their_own_are_read_by_them():
    counts = [{"layer": "units", "rows_read": 3, "used": 2, "set_aside": 1, "seen": 9}]
    county = {"name": "Larkmoor", "show_units": "fathoms"}
    got = Run.of({"county": county, "season": {"last_day": "2026-10-31"}, "counts": counts})
    assert got.county == RunCounty("Larkmoor", invented=False, show_units="us")
    assert got.season == RunSeason(last_day="2026-10-31", visits=None)
    assert got.counts == (LayerCounts("units", rows_read=3, used=2, set_aside=1),)
