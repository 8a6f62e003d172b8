"""The faults planted in the invented county: each is found, and nothing else is."""

from importlib.resources import files
from pathlib import Path

import pandas as pd
import pytest

from layers import read_county

FOLDER = Path(str(files("layers.sample_layers")))
# found when the county is assessed against its terrain, and tested there
FOUND_AT_ASSESS = {"terrain_off", "terrain_void", "culvert_unusable"}
# what a reader is told about rows that carry no fault, and layers the county does not have
NO_FAULT = {"link_unconfirmed", "layer_missing", "date_year_only"}


def keys(frame):
    return {
        (row.layer, None if pd.isna(row.row) else int(row.row), row.code)
        for row in frame.itertuples()
    }


@pytest.fixture(scope="module")
def county():
    return read_county(FOLDER / "county.toml")


@pytest.fixture(scope="module")
def planted():
    return pd.read_csv(FOLDER / "faults.csv", dtype=str)


def test_every_planted_fault_is_found_and_no_other(county, planted):
    here = planted[~planted["code"].isin(FOUND_AT_ASSESS)]
    assert len(here) > 100
    assert here["code"].nunique() > 20
    counted = county.problems[~county.problems["code"].isin(NO_FAULT)]
    assert keys(counted) - keys(here) == set()
    assert keys(here) - keys(counted) == set()


def test_rows_add_up(county):
    counts = county.counts
    assert (counts["rows_read"] == counts["used"] + counts["set_aside"]).all()
    aside = county.problems.query("action == 'set_aside'").groupby("layer").size()
    assert counts.set_index("layer")["set_aside"].loc[aside.index].tolist() == aside.tolist()
    assert counts["set_aside"].sum() == aside.sum()


def test_hostile_text_is_only_text(county):
    hostile = pd.read_csv(FOLDER / "hostile_text.csv", dtype=str)
    names = {"remarks": None}  # a column of theirs that is none of ours
    for row in hostile.itertuples():
        column = names.get(row.column, row.column)
        frame = county.layers[row.layer]
        if column not in frame:
            continue
        kept = frame.loc[frame["source_row"] == int(row.row), column]
        assert kept.tolist() == [" ".join(row.text.split())]


def test_their_feet_and_codes_are_ours(county):
    units = county.layers["units"]
    assert units["riser_height_m"].dropna().between(-1, 3).all()
    assert set(units["kind"]) >= {"surface_discharge", "soil_absorption", "shared_collector"}
    assert set(units["status"]) >= {"active", "seasonal"}
    assert units["accuracy95_m"].notna().all()
    assert county.layers["floodplain"]["is_sfha"].any()
    assert set(county.links["link_method"]) >= {"by_id", "none"}
