"""The stages of an assessment, called one by one as from a notebook."""

import json
import re
from dataclasses import FrozenInstanceError, fields, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import geo
import layers
from layers.outputs import OUTPUTS, UNITS
from layers.outputs.run import Run, RunCounty
from support.changes import sedgewater


@pytest.fixture(scope="module")
def county(tmp_path_factory):
    return layers.read_county(sedgewater().write(tmp_path_factory.mktemp("stages") / "county"))


@pytest.fixture(scope="module")
def measured(county):
    return geo.measure(county)


@pytest.fixture(scope="module")
def reviewed(measured):
    return geo.review_records(measured)


@pytest.fixture(scope="module")
def ranked(measured, reviewed):
    table = geo.UnitTable.of(measured, reviewed)
    return geo.rank(table, reviewed.priorities, owed_until=reviewed.owed_until)


@pytest.fixture(scope="module")
def result(measured, reviewed, ranked):
    return geo.assemble(measured, reviewed, ranked)


def test_the_stages_one_by_one_are_the_whole(county, result):
    whole = geo.assess(county)
    for name in OUTPUTS:
        pd.testing.assert_frame_equal(result.tables[name], whole.tables[name])
    one, other = whole.run.plain(), result.run.plain()
    differ = {key for key in one.keys() | other.keys() if one.get(key) != other.get(key)}
    assert differ == {"timings_s"}


def test_what_a_stage_gives_cannot_be_changed(measured, reviewed, ranked):
    for found in (measured, reviewed, ranked):
        with pytest.raises(FrozenInstanceError):
            setattr(found, fields(found)[0].name, None)


def test_an_assessment_ranked_again_under_its_own_priorities_is_as_it_was(result, reviewed):
    again = geo.rank(
        geo.UnitTable.from_assessment(result),
        reviewed.priorities,
        owed_until=reviewed.owed_until,
    )
    now = UNITS.joined(again.units.sort_values("rank").reset_index(drop=True))
    for name in ("unit_id", "rank", "visit_class", "score", "ranked_by", "data_gaps"):
        assert now[name].tolist() == result.units[name].tolist(), name
    # the accuracy of lines is kept to a centimeter: bands may move by a place
    low = now["rank_low"].to_numpy(float) - result.units["rank_low"].to_numpy(float)
    assert np.nanmax(np.abs(low)) <= 1


def test_other_weights_move_units_without_measuring_again(result, reviewed):
    parts = dict(reviewed.priorities.parts)
    most = max(parts, key=lambda name: parts[name].weight)
    heavy = {
        name: part.model_copy(update={"weight": 5.0 if name == most else part.weight})
        for name, part in parts.items()
    }
    other = geo.rank(
        geo.UnitTable.from_assessment(result),
        reviewed.priorities.model_copy(update={"parts": heavy}),
    )
    own = geo.rank(geo.UnitTable.from_assessment(result), reviewed.priorities)
    assert (other.units["rank"] != own.units["rank"]).any()
    share = other.units[f"part_{most}"] / other.units["score"].where(other.units["score"] > 0)
    assert share.mean() > (own.units[f"part_{most}"] / own.units["score"]).mean()


def test_other_tables_of_setbacks_change_the_checks_alone(measured, county):
    rules = [
        table.model_copy(
            update={"rules": [r.model_copy(update={"distance": 9_000.0}) for r in table.rules]}
        )
        for table in county.setbacks.tables
    ]
    strict = measured.under(county.setbacks.model_copy(update={"tables": rules}))
    assert (strict.checks["verdict"] == "short").sum() > (
        measured.checks["verdict"] == "short"
    ).sum()
    assert strict.lids is measured.lids
    again = strict.under(county.setbacks)
    pd.testing.assert_frame_equal(again.checks, measured.checks)
    pd.testing.assert_frame_equal(again.check_problems, measured.check_problems)


def test_what_there_is_is_listed_and_shown_in_short(county, result):
    assert {"assess", "measure", "review_records", "rank", "assemble", "UnitTable"} <= set(dir(geo))
    assert {"read_county", "read_assessment", "sample_county"} <= set(dir(layers))
    for package in (geo, layers):
        for name in package.__all__:
            assert getattr(package, name) is not None
        with pytest.raises(AttributeError, match="no attribute 'asess'"):
            package.asess  # noqa: B018
    assert geo.__version__.count(".") == 2
    for thing in (county, result):
        assert "48 units" in repr(thing)
        assert len(repr(thing)) < 1_000
        assert len(thing._repr_html_()) < 10_000
    named = replace(result, run=Run(RunCounty("<script>")))
    assert "<script>" not in named._repr_html_()


def test_notebooks_use_only_what_is_public():
    """Whatever a notebook takes of geo and layers is among the names they list."""
    folder = Path(__file__).parents[2] / "notebooks"
    code = "\n".join(
        "".join(cell["source"])
        for path in sorted(folder.glob("*.ipynb"))
        for cell in json.loads(path.read_text("utf-8"))["cells"]
        if cell["cell_type"] == "code"
    )
    assert re.findall(r"from (?:geo|layers)[ .]|import (?:geo|layers)\.", code) == []
    used = set(re.findall(r"\b(geo|layers)((?:\.\w+)+)", code))
    assert len(used) > 20
    for package, dotted in used:
        found = {"geo": geo, "layers": layers}[package]
        for name in dotted.split(".")[1:]:
            if not hasattr(found, "__all__"):
                break
            assert name in found.__all__, f"{package}{dotted}"
            found = getattr(found, name)
