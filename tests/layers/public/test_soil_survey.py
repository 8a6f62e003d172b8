"""Map units of the soil survey: hydrologic groups, dual and null.

Groups: NRCS, SSURGO table column descriptions (muaggatt.hydgrpdcd, component.hydgrp): A, B, C, D,
and A/D, B/D, C/D where drainage decides. The areas here are invented.
"""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from layers.fields.raw import RawLayer
from layers.public.recognition import read_published
from layers.public.soil_survey import soil_group


def read(**columns):
    count = len(next(iter(columns.values())))
    cells = {name: np.array(values, dtype=object) for name, values in columns.items()}
    return read_published(RawLayer(cells, np.arange(1, count + 1)), "soils")


@pytest.mark.parametrize("field", ["hydgrpdcd", "HYDGRPDCD", "hydgrp", "muaggatt.hydgrpdcd"])
def test_groups_dual_and_null(field):
    written = ["A", "b", "C/D", "c / d", "Group D", None, " ", "E"]
    got = read(**{field: written})
    assert got.columns["hydrologic_group"].tolist() == [
        "A", "b", "C/D", "c / d", "Group D", None, None, "E",
    ]  # fmt: skip
    groups = [cell and soil_group(cell) for cell in got.columns["hydrologic_group"]]
    assert groups == ["A", "B", "C/D", "C/D", "D", None, None, None]


def test_a_word_that_is_no_group_is_asked_for(folder, rows):
    x, y = rows.origin
    boxes = [shapely.box(x + k * 100, y, x + k * 100 + 100, y + 100) for k in range(3)]
    for name in ("hydrologic_group", "hydgrpdcd"):
        soils = gpd.GeoDataFrame(
            {name: ["b / d", "Q", None], "MUKEY": list("123")}, geometry=boxes, crs=rows.crs
        )
        county = folder.add("units", rows.units(), "u.gpkg").add("soils", soils, "s.gpkg").read()
        groups = county.layers["soils"]["hydrologic_group"]
        assert groups.where(groups.notna(), "").tolist() == ["B/D", "", ""]
        shown = county.problems[county.problems["layer"] == "soils"].set_index("code")["message"]
        assert "'Q' is not one of A, B, C, D, A/D, B/D, C/D" in shown["code_unknown"]
        assert "'Q' 1" in shown["code_unheard"]


def test_map_units_without_a_group_say_which_table_to_join():
    got = read(MUKEY=["1", "2"], MUSYM=["16", "17"])
    assert got.notes == [
        "the hydrologic group is missing. Fix: join hydgrpdcd from the table muaggatt by mukey"
    ]
    assert read(soil=["a"]) is None


def test_areas_of_one_map_unit_are_numbered_without_a_fault(folder, rows):
    x, y = rows.origin
    soils = gpd.GeoDataFrame(
        {"AREASYMBOL": "XX000", "MUKEY": ["59", "60", "59"], "hydgrpdcd": ["B", "C/D", None]},
        geometry=[shapely.box(x + k * 100, y, x + k * 100 + 100, y + 100) for k in range(3)],
        crs=rows.crs,
    )
    county = folder.add("units", rows.units(), "u.gpkg").add("soils", soils, "s.gpkg").read()
    frame = county.layers["soils"]
    assert frame["soil_id"].tolist() == ["59", "60", "59#2"]
    assert frame["hydrologic_group"].tolist()[:2] == ["B", "C/D"]
    assert frame["hydrologic_group"].isna().tolist() == [False, False, True]
    assert rows.found(county, "soils") == set()
    assert "The soils layer was read as SSURGO (mukey, hydgrpdcd)." in county.notes
    numbered = "mukey repeats, so areas get numbers such as 59539#2"
    assert f"In the soils layer, {numbered}." in county.notes
