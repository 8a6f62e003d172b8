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


def read(**columns):
    count = len(next(iter(columns.values())))
    cells = {name: np.array(values, dtype=object) for name, values in columns.items()}
    return read_published(RawLayer(cells, np.arange(1, count + 1)), "soils")


@pytest.mark.parametrize("field", ["hydgrpdcd", "HYDGRPDCD", "hydgrp", "muaggatt.hydgrpdcd"])
def test_groups_dual_and_null(field):
    written = ["A", "b", "C/D", "c / d", "Group D", None, " ", "E"]
    got = read(**{field: written})
    assert got.columns["hydrologic_group"].tolist() == [
        "A", "B", "C/D", "C/D", "D", None, None, None,
    ]  # fmt: skip
    (remark,) = got.remarks
    assert np.flatnonzero(remark.where).tolist() == [7]
    assert remark.message(7).endswith("'E' is not one of A, B, C, D, A/D, B/D, C/D")


def test_map_units_without_a_group_say_which_table_to_join():
    got = read(MUKEY=["1", "2"], MUSYM=["16", "17"])
    assert got.notes == [
        "the map units carry no hydrologic group: join hydgrpdcd of the table muaggatt by mukey"
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
    numbered = "mukey names a kind of ground, not an area: areas are numbered, 59539#2"
    assert f"In the soils layer {numbered}." in county.notes
