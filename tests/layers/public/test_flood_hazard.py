"""Flood hazard areas as FEMA publishes them.

Fields, domains and null spellings: FEMA, "FIRM Database Technical Reference" and "Domain Tables
Technical Reference" (November 2024), as analyzed in a public data set's description; meanings of
zones from FEMA's own page of zone definitions. The values of the areas here are invented.
"""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from layers.fields.raw import RawLayer
from layers.public.flood_zones import hazard_class, is_minimal, is_sfha
from layers.public.published import Fields
from layers.public.recognition import read_published


def raw(**columns):
    count = len(next(iter(columns.values())))
    return RawLayer(
        {name: np.array(cells, dtype=object) for name, cells in columns.items()},
        np.arange(1, count + 1),
    )


def read(**columns):
    return read_published(raw(**columns), "floodplain")


def counted(published, code):
    (remark,) = [remark for remark in published.remarks if remark.code == code]
    return {position: remark.message(position) for position in np.flatnonzero(remark.where)}


# the zone meanings as published: special flood hazard areas begin with A or V
ZONES = {
    "A": "special", "AE": "special", "AH": "special", "AO": "special", "A99": "special",
    "AR": "special", "AR/AE": "special", "A7": "special", "V": "special", "VE": "special",
    "V12": "special", "X": "unspecified", "B": "moderate", "C": "minimal", "D": "undetermined",
    "AREA NOT INCLUDED": "undetermined", "OPEN WATER": "open_water", "ANI": "undetermined",
    "AEFW": "special", "AE - FLOODWAY": "special", "A (FW)": "special", "FLOODWAY": "special",
    "X0.2%": "moderate", "AEFWX": "undetermined", "XFW": "undetermined", "X500": "moderate",
    "100IC": "special", "": "undetermined", "ZZ": "undetermined",
}  # fmt: skip


@pytest.mark.parametrize(("zone", "expected"), ZONES.items())
def test_each_zone_has_its_class_and_unknown_is_not_low(zone, expected):
    assert hazard_class(zone) == expected
    assert hazard_class(f"Zone {zone.lower()}") == expected
    assert is_sfha(zone) == (expected == "special")
    assert is_minimal(zone) == (expected == "minimal")


@pytest.mark.parametrize(
    ("subtype", "expected"),
    [
        ("AREA OF MINIMAL FLOOD HAZARD", "minimal"),
        ("0.2 PCT ANNUAL CHANCE FLOOD HAZARD", "moderate"),
        ("0.2-PCT-ANNUAL-CHANCE-FLOOD-HAZARD", "moderate"),  # the printed domain has dashes
        ("0500", "moderate"),  # the domain's code for it
        ("1 PCT DEPTH LESS THAN 1 FOOT", "moderate"),
        ("AREA WITH REDUCED FLOOD RISK DUE TO LEVEE", "levee"),  # 25,000 rows still say so
        ("3030", "levee"),
        (None, "unspecified"),
    ],
)
def test_an_x_is_what_its_subtype_says(subtype, expected):
    assert hazard_class("X", subtype) == expected


NULLS = ["", " ", "<Null>", "-9999", "-8888", None, -9999.0]


@pytest.mark.parametrize("null", NULLS)
def test_every_null_spelling_is_nothing(null):
    got = read(
        FLD_ZONE=["AE"], ZONE_SUBTY=[null], STATIC_BFE=[null], V_DATUM=[null], LEN_UNIT=[null],
        DEPTH=[null],
    )  # fmt: skip
    for name in ("zone_subtype", "base_flood_elevation_m", "vertical_datum", "flood_depth_ao_m"):
        assert got.columns[name].tolist() == [None]
    assert counted(got, "flood_unit_unstated") == {}


def test_elevations_and_depths_are_meters_by_their_own_unit():
    got = read(
        FLD_ZONE=["AE", "AE", "AO", "AE", "AE", "AE"],
        STATIC_BFE=["712.5", "200", "-9999", "10", "10", "high"],
        DEPTH=["-9999", "-9999", "2", "3", "-9999", "-9999"],
        LEN_UNIT=["Feet", "Meters", "FT", None, "furlong", "Feet"],
    )
    levels = got.columns["base_flood_elevation_m"].tolist()
    assert float(levels[0]) == pytest.approx(217.17)  # 712.5 x 0.3048
    assert float(levels[1]) == 200
    assert levels[2] is None
    assert float(levels[3]) == pytest.approx(3.048)
    assert levels[4] is None
    assert levels[5] == "high"  # reported when it is read as a number
    depths = got.columns["flood_depth_ao_m"].tolist()
    assert float(depths[2]) == pytest.approx(0.6096)
    assert depths[3] is None  # DEPTH is for AO
    assert counted(got, "flood_unit_unstated") == {
        3: "LEN_UNIT is blank for an elevation or depth; feet are assumed",
        4: "LEN_UNIT 'furlong' is not a length unit; elevation and depth are not known",
    }


def test_datums_under_one_name():
    spelled = ["NAVD88", "NAVD 88", "NGVD29", "NGVD 29", "LOCAL TIDAL DATUM", "ASVD02", "-9999"]
    got = read(FLD_ZONE=["AE"] * 7, V_DATUM=spelled)
    assert got.columns["vertical_datum"].tolist() == [
        "NAVD88", "NAVD88", "NGVD29", "NGVD29", "LOCAL TIDAL DATUM", "ASVD02", None,
    ]  # fmt: skip


def test_a_flag_that_contradicts_its_zone_is_reported():
    got = read(
        FLD_ZONE=["X", "X", "AE", "AE", "D"],
        ZONE_SUBTY=["AREA OF MINIMAL FLOOD HAZARD"] * 2 + [None] * 3,
        SFHA_TF=["T", "F", "T", "F", "U"],
    )
    assert counted(got, "flood_flag_contradicts") == {
        0: "zone X is flagged inside the Special Flood Hazard Area. The zone was used, and the"
        " hazard does not count as minimal",
        3: "zone AE is flagged outside the Special Flood Hazard Area. The zone was used, and the"
        " hazard does not count as minimal",
    }
    assert hazard_class("X", "AREA OF MINIMAL FLOOD HAZARD", True) == "unspecified"
    assert hazard_class("AE", None, False) == "special"
    assert hazard_class("D", None, True) == "undetermined"


def test_floodways():
    got = read(
        FLD_ZONE=["AE", "AE", "A"],
        ZONE_SUBTY=["FLOODWAY", None, "1120"],
    )
    assert got.columns["is_floodway"].tolist() == ["true", "false", "true"]
    joined = read(FLD_ZONE=["AEFW", "AE/FW", "AE"], ZONE_SUBTY=[None, "0100", None])
    assert joined.columns["zone"].tolist() == ["AE"] * 3
    assert joined.columns["is_floodway"].tolist() == ["true", "true", "false"]
    old = read(ZONE=["AE", "AE"], FLOODWAY=["FW", None])
    assert old.columns["is_floodway"].tolist() == ["true", "false"]


def test_the_older_form():
    got = read(ZONE=["X500", "AE", "ANI", "QQ"], SFHA=["OUT", "IN", "OUT", "OUT"])
    assert got.columns["zone"].tolist() == ["X", "AE", "AREA NOT INCLUDED", "QQ"]
    assert got.columns["zone_subtype"].tolist()[0] == "0.2 PCT ANNUAL CHANCE FLOOD HAZARD"
    assert counted(got, "flood_flag_contradicts") == {}
    assert counted(got, "code_unknown") == {
        3: "zone 'QQ' is not a zone of a flood insurance rate map"
    }
    assert got.schema == "FEMA flood zones, older form (ZONE, SFHA)"


@pytest.mark.parametrize(
    "names",
    [
        {"FLD_ZONE": ["AE"], "ZONE_SUBTY": ["FLOODWAY"]},
        {"fld_zone": ["AE"], "zone_subty": ["FLOODWAY"]},
        {"Fld_Zone": ["AE"], "Zone_Subtype": ["FLOODWAY"]},
        {"S_FLD_HAZ_AR.FLD_ZONE": ["AE"], "S_FLD_HAZ_AR.ZONE_SUBTY": ["FLOODWAY"]},
    ],
)
def test_fields_in_any_case_cut_or_joined(names):
    assert read(**names).columns["is_floodway"].tolist() == ["true"]


def test_a_layer_of_another_kind_is_not_taken_for_it():
    assert read(zone=["AE"], note=["a"]) is None
    assert read_published(raw(FLD_ZONE=["AE"]), "soils") is None
    assert Fields(raw(permanent_=["1"])).name("Permanent_Identifier") == "permanent_"


def test_a_county_reads_it_without_a_map(folder, rows):
    x, y = rows.origin
    flood = gpd.GeoDataFrame(
        {
            "DFIRM_ID": "00000C",
            "FLD_AR_ID": ["00000C_1", "00000C_2", "00000C_3"],
            "FLD_ZONE": ["AE", "X", "D"],
            "ZONE_SUBTY": ["FLOODWAY", "AREA OF MINIMAL FLOOD HAZARD", None],
            "SFHA_TF": ["T", "T", "U"],
            "STATIC_BFE": [660.0, -9999.0, -9999.0],
            "V_DATUM": ["NAVD 88", " ", "<Null>"],
            "LEN_UNIT": ["Feet", None, "-9999"],
        },
        geometry=[shapely.box(x + k * 200, y, x + k * 200 + 150, y + 90) for k in range(3)],
        crs=rows.crs,
    )
    folder.add("units", rows.units(), "u.gpkg")
    folder.add("floodplain", flood, "f.shp")
    county = folder.read()
    frame = county.layers["floodplain"]
    assert frame["floodplain_id"].tolist() == ["00000C_1", "00000C_2", "00000C_3"]
    assert frame["hazard_class"].tolist() == ["special", "unspecified", "undetermined"]
    assert frame["is_sfha"].tolist() == [True, False, False]
    assert not frame["is_minimal"].any()
    assert frame["is_floodway"].tolist() == [True, False, False]
    fields = "FLD_ZONE, ZONE_SUBTY, SFHA_TF, STATIC_BFE"
    assert f"The floodplain layer was read as FEMA S_FLD_HAZ_AR ({fields})." in county.notes
    assert ("flood_flag_contradicts", 2, "kept") in rows.found(county, "floodplain")


def test_a_zone_of_the_offices_own_layer_is_known_or_asked_for(folder, rows):
    # 44 CFR 59.1: a regulatory floodway must be kept free to discharge the base flood, so that it
    # lies in the special flood hazard area
    areas = rows.parcels(4)[["geometry"]].assign(zone=["AEFW", "AE", "ZZ9", "X"])
    folder.add("units", rows.units(), "u.gpkg").add("floodplain", areas, "f.gpkg")
    county = folder.read()
    zones = county.layers["floodplain"]
    assert zones["hazard_class"].tolist() == ["special", "special", "undetermined", "unspecified"]
    assert zones["is_floodway"].fillna(False).tolist() == [True, False, False, False]
    (shown,) = county.problems.query("code == 'code_unheard'")["message"]
    assert "'ZZ9' 1" in shown
