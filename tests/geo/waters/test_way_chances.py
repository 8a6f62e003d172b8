"""A county's drawn ways: what its file asks for, what is said where nothing is drawn."""

import numpy as np
import pytest

from geo.waters import way_chances as module
from geo.waters.way_chances import NOT_STATED, SWITCHED_OFF, TOO_MUCH, way_chances
from geo.waters.way_draws import draw_ways


def chances(county, result, terrain, **more):
    return way_chances(
        county, result.flow_paths, result.water.legs, terrain, {}, line95_m={}, seed=0, **more
    )


def test_the_sample_county_tells_how_its_ways_were_drawn(larkmoor, larkmoor_result):
    shown = larkmoor_result.run.way_draws
    assert shown["made"] == shown["asked"] == larkmoor.file.storms.draws == 20
    entries = larkmoor_result.water.drawn_entries
    paths = larkmoor_result.flow_paths["discharge_point_id"]
    assert set(entries["discharge_point_id"]) == set(paths)
    # its drains all end at streams: nothing runs over the ground from there
    assert shown["drain_ends"] == shown["drain_ends_drawn"] == 0
    assert entries["then_ends"].isna().all()
    assert shown["ways"] == shown["ways_drawn"] == paths.nunique()
    assert (entries.groupby("discharge_point_id")["draws"].sum() == 20).all()
    note = [n for n in larkmoor_result.run.notes if "calculated in 20 computer runs" in n]
    assert len(note) == 1
    assert "ends of drains" not in note[0]
    # where a way comes in is where most of its draws come in, for most of them
    places = larkmoor_result.water.places
    places = places[places["kind"] == "outlet"].drop_duplicates("discharge_point_id")
    first = entries.drop_duplicates("discharge_point_id").set_index("discharge_point_id")
    first = first.add_suffix("_drawn")
    both = places.set_index("discharge_point_id").join(first, how="inner")
    assert (both["leg"] == both["leg_drawn"]).mean() > 0.8
    assert np.nanmedian(np.abs(both["along_m"] - both["along_m_drawn"])) < 5


def test_what_is_not_drawn_is_said(larkmoor, larkmoor_result):
    terrain = object()  # not looked at where nothing is drawn
    off = chances(larkmoor, larkmoor_result, terrain, draws=0)
    assert (list(off.notes), off.section["note"]) == ([SWITCHED_OFF], SWITCHED_OFF)
    assert not len(off.drawn.entries)
    unstated = larkmoor.file.layers["terrain"].model_copy(update={"accuracy_m": None})
    file = larkmoor.file.model_copy(update={"layers": larkmoor.file.layers | {"terrain": unstated}})
    changed = type(larkmoor)(**(vars(larkmoor) | {"file": file}))
    assert list(chances(changed, larkmoor_result, terrain).notes) == [NOT_STATED]
    nothing = chances(larkmoor, larkmoor_result, None)
    assert (nothing.section, list(nothing.notes)) == ({}, [])


@pytest.mark.parametrize("reached", [0, 12])
def test_a_budget_that_does_not_reach_is_said(larkmoor, larkmoor_result, monkeypatch, reached):
    def some(paths, *args, **more):
        made = module.no_draws(paths.crs)
        return type(made)(made.entries, made.passes, reached, 10, 1, 0.02, 7 if reached else 0)

    monkeypatch.setattr(module, "draw_ways", some)
    assert draw_ways is not some
    found = chances(larkmoor, larkmoor_result, object(), draws=20)
    if reached:
        assert any("12 of 20 computer runs of flow paths were made" in note for note in found.notes)
        assert any("The paths of 7 of" in note for note in found.notes)
        assert found.section["ways_drawn"] == 7 < found.section["ways"]
        assert any("2% of the paths in computer runs left" in note for note in found.notes)
    else:
        assert list(found.notes) == [TOO_MUCH]
