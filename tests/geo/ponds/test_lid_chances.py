"""A county's chances: there where the accuracy is stated, told with their number and error."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from geo.measurements import storms_on
from geo.ponds.lid_chances import lid_chances
from geo.terrain.county_terrain import county_terrain
from layers.fields.schemas import SCHEMAS
from layers.problems import ProblemLog


@pytest.fixture(scope="module")
def drawn(larkmoor):
    """The county's lids with the terrain and storms they are drawn on."""
    features = {n: larkmoor.layer(n) for n in SCHEMAS if SCHEMAS[n].shape != "raster"}
    ready = county_terrain(larkmoor, features, ProblemLog(), stream_accuracy95_m=4.0)
    storms = storms_on(larkmoor, ready.model, features)

    def draw(county=larkmoor, *, units=larkmoor.layers["units"].iloc[:5], **more):
        shown = np.ones(len(units), bool)
        return lid_chances(county, units, ready.model, storms.opened, shown, **{"seed": 0} | more)

    return draw


def changed(county, *, storms=None, terrain=None):
    file = county.file
    layers = dict(file.layers)
    layers["terrain"] = layers["terrain"].model_copy(update=terrain or {})
    update = {"layers": layers, "storms": file.storms.model_copy(update=storms or {})}
    return replace(county, file=file.model_copy(update=update))


def test_columns_are_there_for_every_storm(larkmoor, larkmoor_result):
    units = larkmoor_result.units
    years = sorted(larkmoor.file.storms.depths_in)
    by_storm = units[[f"lid_wet_{t}yr_probability" for t in years]].to_numpy()
    known = units["lid_wet_state"] != "unknown"
    assert np.isfinite(by_storm[known]).mean() > 0.97
    assert (np.diff(by_storm[np.isfinite(by_storm[:, 0])], axis=1) >= 0).all()
    assert units["lid_wet_annual_probability"].max() <= 1 - np.exp(-1) + 1e-12  # the 1-year storm's
    section = larkmoor_result.run.draws
    assert section["made"] == section["asked"] == larkmoor.file.storms.draws
    assert section["cells"] <= section["budget_cells"]
    p = by_storm[np.isfinite(by_storm)]
    greatest = np.sqrt(p * (1 - p) / section["made"]).max()
    assert section["greatest_standard_error"] >= round(greatest, 4)
    (note,) = (n for n in larkmoor_result.run.notes if n.startswith("Chances of water over a"))
    assert f"from {section['made']} computer runs" in note
    assert "(an assumption)" in note


def test_chances_agree_with_what_is_computed_without_error(larkmoor_result):
    # lids deep in a pond or far above any must not be in doubt
    units = larkmoor_result.units
    near = units["accuracy95_m"] < 4
    deep = near & (units["lid_pond_depth_10yr_m"] - units["riser_height_m"].fillna(0) > 0.6)
    dry = near & (units["lid_pond_depth_brim_m"] == 0) & (units["lid_wet_state"] == "dry_in_all")
    assert deep.sum() >= 1
    assert units.loc[deep, "lid_wet_10yr_probability"].min() >= 0.9
    assert units.loc[dry, "lid_wet_100yr_probability"].mean() < 0.05


def test_the_seed_fixes_the_chances(larkmoor, larkmoor_result, drawn):
    shown = larkmoor_result.units.set_index("unit_id")["lid_wet_10yr_probability"]
    all_units = larkmoor.layers["units"]
    in_doubt = all_units[all_units["unit_id"].map(shown).between(0.3, 0.7)].iloc[:4]
    one, same = (drawn(units=in_doubt, draws=4).columns for _ in range(2))
    pd.testing.assert_frame_equal(one, same, check_exact=True)
    assert not drawn(units=in_doubt, draws=4, seed=1).columns.equals(one)


def test_without_an_accuracy_there_are_no_columns_and_a_note_says_why(larkmoor, drawn):
    silent = drawn(changed(larkmoor, terrain={"accuracy_m": None}))
    assert list(silent.columns) == []
    assert silent.section == {}
    assert "terrain accuracy is not given" in silent.notes[0]
    off = drawn(changed(larkmoor, storms={"draws": 0}))
    assert list(off.columns) == []
    assert "turned off" in off.notes[0]
    assert off.section == {"made": 0, "asked": 0}
    assert list(drawn(draws=0).columns) == []


def test_a_stated_range_is_used_and_a_lid_of_unknown_accuracy_is_counted(larkmoor, drawn):
    county = changed(larkmoor, terrain={"error_range_m": 4.0})
    units = larkmoor.layers["units"].iloc[:5].copy()
    units.loc[units.index[0], "accuracy95_m"] = np.nan
    found = drawn(county, units=units, draws=2)
    assert found.section["error_range_m"] == 4.0
    assert "assumption" not in found.notes[0]
    assert found.notes[1] == (
        "1 lid has no position accuracy on record and did not move in any computer run."
    )


def test_no_storms_no_columns(larkmoor):
    units = larkmoor.layers["units"]
    nothing = lid_chances(larkmoor, units, None, None, np.ones(len(units), bool), seed=0)
    assert (list(nothing.columns), nothing.section, list(nothing.notes)) == ([], {}, [])
