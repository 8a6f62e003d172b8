"""The sample assessment is what it was: renewed only by `make renew`, so that review sees it."""

import json

import pytest

from support.digest import PAGE, digest


def test_no_value_of_the_sample_assessment_changed_unseen(larkmoor_result):
    now, then = digest(larkmoor_result), json.loads(PAGE.read_text("utf-8"))
    assert list(now) == list(then)
    changed = [
        f"{table}.{column}: {found.get(column)}, not {then[table].get(column)}"
        for table, found in now.items()
        for column in {**then[table], **found}
        if found.get(column) != pytest.approx(then[table].get(column), rel=1e-6, abs=1e-9)
    ]
    assert not changed, f"if this is meant: make renew. {changed}"


def test_a_value_that_changes_is_seen(larkmoor_result):
    units = larkmoor_result.units
    for column, value in (("score", 1.0), ("status", "vacant"), ("well_distance_m", None)):
        other = units.copy()
        other.loc[3, column] = value
        changed = digest(_with(larkmoor_result, other))["units"]
        assert changed[column] != digest(larkmoor_result)["units"][column], column
    swapped = units.copy()
    swapped.loc[[3, 4], "score"] = units.loc[[4, 3], "score"].to_numpy()
    assert (
        digest(_with(larkmoor_result, swapped))["units"]["score"]
        != (digest(larkmoor_result)["units"]["score"])
    )


def _with(result, units):
    import dataclasses

    return dataclasses.replace(result, units=units)
